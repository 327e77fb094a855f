// Package cohort is a cohort as a value: which episodes it takes, in which
// order it leaves the others out, and how many eyes and patients are left
// after each criterion. A cohort has a text form that a person can write:
//
//	name     = "accelerated"
//	title    = "Keratoconus, accelerated protocols"
//	episodes = "first"              # first cross-linking of each eye (default), or "all"
//
//	[[keep]]
//	diagnosis = ["keratoconus"]
//
//	[[keep]]
//	protocol = ["A10", "A30"]       # codes; also clinician, centre
//
//	[[keep]]
//	treated = { from = 2024-01-01, to = 2025-12-31 }
//
//	[[keep]]
//	age = { from = 18, to = 40 }    # years, year of treatment less year of birth
//
//	[[keep]]
//	baseline = { measure = "kmax", from = 48.0, to = 58.0 }
//
//	[[keep]]
//	follow_up = { window = "month-12", measure = "kmax" } # or without a measure: any visit
//
//	[[keep]]
//	one_eye = { choose = "drawn", seed = 7 }              # or choose = "first-treated"
//
// Each keep has one criterion, and they are applied in the order written.
// Limits are included; one of from and to may be left out. An episode for which
// what a criterion asks was not recorded is left out and counted as such.
package cohort

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/pelletier/go-toml/v2"

	"keratally/registry"
)

// Cohort says which episodes to take.
type Cohort struct {
	Name     string      `toml:"name"`
	Title    string      `toml:"title,omitempty"`
	Note     string      `toml:"note,omitempty"`
	Episodes string      `toml:"episodes,omitempty"` // first or all; "" is first
	Keep     []Criterion `toml:"keep,omitempty"`
}

// Criterion keeps some episodes. Exactly one field is given.
type Criterion struct {
	Diagnosis  []string  `toml:"diagnosis,omitempty"`
	Sex        []string  `toml:"sex,omitempty"`
	Centre     []string  `toml:"centre,omitempty"`     // codes
	Clinician  []string  `toml:"clinician,omitempty"`  // codes
	Protocol   []string  `toml:"protocol,omitempty"`   // codes, every version
	Vehicle    []string  `toml:"vehicle,omitempty"`    // of the protocol
	Epithelium []string  `toml:"epithelium,omitempty"` // of the protocol
	Pattern    []string  `toml:"pattern,omitempty"`    // of the protocol
	Treated    *Period   `toml:"treated,omitempty"`
	Age        *Ages     `toml:"age,omitempty"`
	Baseline   *Baseline `toml:"baseline,omitempty"`
	FollowUp   *FollowUp `toml:"follow_up,omitempty"`
	OneEye     *OneEye   `toml:"one_eye,omitempty"`
}

// Period is a span of days, both included.
type Period struct {
	From *toml.LocalDate `toml:"from,omitempty"`
	To   *toml.LocalDate `toml:"to,omitempty"`
}

// Ages is a span of ages at treatment in years, both included.
type Ages struct {
	From *int `toml:"from,omitempty"`
	To   *int `toml:"to,omitempty"`
}

// Baseline is a span of the baseline value of a measure, both ends included.
type Baseline struct {
	Measure string   `toml:"measure"` // key of a measure or a derived quantity
	From    *float64 `toml:"from,omitempty"`
	To      *float64 `toml:"to,omitempty"`
}

// FollowUp asks for a visit in a window, or for a value of a measure there.
type FollowUp struct {
	Window  string `toml:"window"`
	Measure string `toml:"measure,omitempty"`
}

// The ways of taking one eye of a patient.
const (
	FirstTreated = "first-treated" // the earliest treated; of two on one day the right
	Drawn        = "drawn"         // at random, each eye alike, from a seed that is printed
)

// OneEye keeps one episode of each patient, of those that are left.
type OneEye struct {
	Choose string `toml:"choose"`
	Seed   uint64 `toml:"seed,omitempty"`
}

// Everyone returns the cohort of first episodes of every eye.
func Everyone() Cohort { return Cohort{Name: "everyone", Title: "First cross-linking of every eye"} }

// Treated returns the cohort cut down, before its other criteria, to
// treatments from one day to another, both included; a zero Date is no limit.
func (c Cohort) Treated(from, to registry.Date) Cohort {
	c.Keep = append([]Criterion{{Treated: &Period{From: localDate(from), To: localDate(to)}}}, c.Keep...)
	return c
}

func localDate(d registry.Date) *toml.LocalDate {
	if !d.IsValid() {
		return nil
	}
	t := d.Time()
	return &toml.LocalDate{Year: t.Year(), Month: int(t.Month()), Day: t.Day()}
}

// date returns the day, zero for none.
func date(d *toml.LocalDate) (registry.Date, error) {
	if d == nil {
		return 0, nil
	}
	return registry.NewDate(d.Year, time.Month(d.Month), d.Day)
}

// Parse reads the text form. A key that it does not have, a criterion of two
// kinds or none, and a value outside the list of its kind are errors.
func Parse(text []byte) (Cohort, error) {
	var c Cohort
	dec := toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields()
	if err := dec.Decode(&c); err != nil {
		var unknown *toml.StrictMissingError
		if errors.As(err, &unknown) {
			return Cohort{}, fmt.Errorf("cohort: a key that a cohort does not have:\n%s", unknown.String())
		}
		var at *toml.DecodeError
		if errors.As(err, &at) {
			line, column := at.Position()
			return Cohort{}, fmt.Errorf("cohort, line %d, column %d: %w", line, column, err)
		}
		return Cohort{}, fmt.Errorf("cohort: %w", err)
	}
	if err := c.Check(); err != nil {
		return Cohort{}, err
	}
	return c, nil
}

// Text returns the text form, which Parse reads back into the same cohort.
func (c Cohort) Text() ([]byte, error) {
	text, err := toml.Marshal(c)
	if err != nil {
		return nil, fmt.Errorf("cohort %s: %w", c.Name, err)
	}
	return text, nil
}

// Check returns what is wrong with the cohort.
func (c Cohort) Check() error {
	if c.Name == "" {
		return fmt.Errorf("a cohort should have a name")
	}
	if c.Episodes != "" && c.Episodes != "first" && c.Episodes != "all" {
		return fmt.Errorf("cohort %s, episodes %q: should be first or all", c.Name, c.Episodes)
	}
	for i, k := range c.Keep {
		if err := k.check(); err != nil {
			return fmt.Errorf("cohort %s, keep %d: %w", c.Name, i+1, err)
		}
	}
	return nil
}

// list is one of the criteria that keep what is on a list.
type list struct {
	name  string
	among []string
	known []string // nil where any code may stand
}

func (k *Criterion) lists() []list {
	return []list{
		{"diagnosis", k.Diagnosis, []string{"keratoconus", "pellucid", "ectasia", "other"}},
		{"sex", k.Sex, []string{"female", "male", "other"}},
		{"centre", k.Centre, nil},
		{"clinician", k.Clinician, nil},
		{"protocol", k.Protocol, nil},
		{"vehicle", k.Vehicle, []string{"dextran", "hpmc", "isotonic", "hypo-osmolar", "transepithelial", "iontophoresis", "other"}},
		{"epithelium", k.Epithelium, []string{"off", "on", "island"}},
		{"pattern", k.Pattern, []string{"uniform", "zoned"}},
	}
}

func (k *Criterion) check() error {
	given := 0
	for _, l := range k.lists() {
		if len(l.among) == 0 {
			continue
		}
		given++
		for _, value := range l.among {
			if value == "" || l.known != nil && !slices.Contains(l.known, value) {
				return fmt.Errorf("%s %q: should be one of %s", l.name, value, orCode(l.known))
			}
		}
	}
	for _, is := range []bool{k.Treated != nil, k.Age != nil, k.Baseline != nil, k.FollowUp != nil, k.OneEye != nil} {
		if is {
			given++
		}
	}
	if given != 1 {
		return fmt.Errorf("should have one criterion: found %d", given)
	}
	switch {
	case k.Treated != nil:
		return k.Treated.check()
	case k.Age != nil:
		return k.Age.check()
	case k.Baseline != nil:
		return k.Baseline.check()
	case k.FollowUp != nil:
		return k.FollowUp.check()
	case k.OneEye != nil:
		if k.OneEye.Choose != FirstTreated && k.OneEye.Choose != Drawn {
			return fmt.Errorf("one_eye, choose %q: should be %s or %s", k.OneEye.Choose, FirstTreated, Drawn)
		}
	}
	return nil
}

func orCode(known []string) string {
	if known == nil {
		return "the codes in the registry"
	}
	return strings.Join(known, ", ")
}

func (p *Period) check() error {
	from, err := date(p.From)
	if err != nil {
		return fmt.Errorf("treated, from: %w", err)
	}
	to, err := date(p.To)
	if err != nil {
		return fmt.Errorf("treated, to: %w", err)
	}
	if !from.IsValid() && !to.IsValid() || to.IsValid() && from > to {
		return fmt.Errorf("treated from %s to %s: should have a first or a last day, in that order", from, to)
	}
	return nil
}

func (a *Ages) check() error {
	if a.From == nil && a.To == nil || a.From != nil && a.To != nil && *a.From > *a.To {
		return fmt.Errorf("age: should have a limit from or to, in that order")
	}
	return nil
}

func (b *Baseline) check() error {
	if _, ok := registry.ParseQuantity(b.Measure); !ok {
		return fmt.Errorf("baseline, measure %q: should be the key of a measure, such as kmax", b.Measure)
	}
	if b.From == nil && b.To == nil || b.From != nil && b.To != nil && *b.From > *b.To {
		return fmt.Errorf("baseline of %s: should have a limit from or to, in that order", b.Measure)
	}
	return nil
}

func (f *FollowUp) check() error {
	if f.Window == "" {
		return fmt.Errorf("follow_up: should have a window, such as month-12")
	}
	if _, ok := registry.ParseQuantity(f.Measure); !ok && f.Measure != "" {
		return fmt.Errorf("follow_up, measure %q: should be the key of a measure, such as kmax", f.Measure)
	}
	return nil
}
