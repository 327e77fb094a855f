package registry

import (
	"fmt"
	"strconv"
	"strings"
)

// ProgressionRule says when a treated eye has progressed: a condition on the
// changes from baseline, the day from which it counts, and at how many visits
// running it must hold.
type ProgressionRule struct {
	Stamp     `json:"-"`
	Title     string    `json:"title"`
	FromDay   int       `json:"from_day"` // first day after treatment on which it counts
	Condition Condition `json:"condition"`
	// Visits running at which the condition must hold, the first of which is
	// the day of progression: 1 asks for no confirmation, 2 for the next visit
	// that measures it. Where the visits end before the count is reached, the
	// progression is unconfirmed.
	Visits int `json:"visits"`
}

// Condition is a term, or a combination of conditions: all, any, or at least
// some number of a list. Exactly one of the four is given.
type Condition struct {
	Term    *Term       `json:"term,omitempty"`
	All     []Condition `json:"all,omitempty"`
	Any     []Condition `json:"any,omitempty"`
	AtLeast int         `json:"at_least,omitempty"` // of the list Of
	Of      []Condition `json:"of,omitempty"`
}

// The directions of a term.
const (
	Rises   = "rises"
	Falls   = "falls"
	Changes = "changes" // either way
)

// Term is a change of one quantity from its baseline.
type Term struct {
	Quantity  string  `json:"quantity"`            // key of a Quantity: "kmax"
	Direction string  `json:"direction"`           // rises, falls, changes
	By        float64 `json:"by"`                  // limit, in the unit of the quantity or per cent
	Percent   bool    `json:"percent,omitempty"`   // of the baseline value
	MoreThan  bool    `json:"more_than,omitempty"` // the limit itself does not count
	Within    float64 `json:"within,omitempty"`    // tolerance towards the limit, in the same unit
}

// DefinitionKind returns ProgressionKind.
func (ProgressionRule) DefinitionKind() DefinitionKind { return ProgressionKind }

// Check returns what is wrong with the rule.
func (r ProgressionRule) Check() error {
	if err := r.check(); err != nil {
		return err
	}
	if r.FromDay < 1 || r.Visits < 1 {
		return fmt.Errorf("a progression rule should start on day 1 or later and ask for at least one visit: found %d and %d", r.FromDay, r.Visits)
	}
	return r.Condition.check()
}

func (c Condition) check() error {
	lists := 0
	for _, list := range [][]Condition{c.All, c.Any, c.Of} {
		if len(list) > 0 {
			lists++
		}
	}
	if (c.Term != nil) == (lists == 1) || lists > 1 {
		return fmt.Errorf("a condition should be one of term, all, any, or at_least of a list")
	}
	if (len(c.Of) > 0) != (c.AtLeast > 0) || c.AtLeast > len(c.Of) {
		return fmt.Errorf("at_least should be between 1 and the %d conditions of its list: found %d", len(c.Of), c.AtLeast)
	}
	if c.Term != nil {
		return c.Term.check()
	}
	for _, list := range [][]Condition{c.All, c.Any, c.Of} {
		for _, one := range list {
			if err := one.check(); err != nil {
				return err
			}
		}
	}
	return nil
}

func (t *Term) check() error {
	if _, ok := ParseQuantity(t.Quantity); !ok {
		return fmt.Errorf("quantity %q: should be the key of a measure, such as kmax", t.Quantity)
	}
	if t.Direction != Rises && t.Direction != Falls && t.Direction != Changes {
		return fmt.Errorf("direction %q of %s: should be rises, falls or changes", t.Direction, t.Quantity)
	}
	if !(t.By > 0) || !(t.Within >= 0) || t.Within >= t.By {
		return fmt.Errorf("limit %g within %g of %s: should be above 0, with a tolerance below it", t.By, t.Within, t.Quantity)
	}
	return nil
}

// String returns the rule in words: "Kmax rises by at least 1 D from baseline,
// on day 137 or later, confirmed at the next visit".
func (r ProgressionRule) String() string {
	s := r.Condition.String() + " from baseline, on day " + strconv.Itoa(r.FromDay) + " or later"
	switch r.Visits {
	case 1:
		return s
	case 2:
		return s + ", confirmed at the next visit"
	}
	return s + ", at " + strconv.Itoa(r.Visits) + " visits running"
}

// String returns the condition in words.
func (c Condition) String() string {
	switch {
	case c.Term != nil:
		return c.Term.String()
	case len(c.All) > 0:
		return joined(c.All, " and ")
	case len(c.Any) > 0:
		return joined(c.Any, " or ")
	}
	return fmt.Sprintf("at least %d of: %s", c.AtLeast, joined(c.Of, "; "))
}

func joined(list []Condition, by string) string {
	words := make([]string, len(list))
	for i, c := range list {
		words[i] = c.String()
		if c.Term == nil {
			words[i] = "(" + words[i] + ")"
		}
	}
	return strings.Join(words, by)
}

// String returns the term in words: "Kmax rises by at least 1 D".
func (t *Term) String() string {
	q, _ := ParseQuantity(t.Quantity)
	info := q.Info()
	bound, unit := "at least", info.Unit.Symbol()
	if t.MoreThan {
		bound = "more than"
	}
	if t.Percent {
		unit = "%"
	}
	return fmt.Sprintf("%s %s by %s %s %s", info.Label, t.Direction, bound, strconv.FormatFloat(t.By, 'g', -1, 64), unit)
}

func rises(quantity string, by float64) Condition {
	return Condition{Term: &Term{Quantity: quantity, Direction: Rises, By: by}}
}

// DefaultProgression returns the headline rule: Kmax at day 137 or later at
// least 1.0 D above baseline, confirmed at the next visit. The rise of 1 D is
// the conventional limit; the day is the first of month 6.
func DefaultProgression() ProgressionRule {
	return ProgressionRule{
		Stamp:     Stamp{Name: "kmax-1", Version: 1, ValidFrom: firstDay, Note: "Kmax rise of 1 D, the conventional limit; common practice"},
		Title:     "Kmax rise of 1 D, confirmed",
		FromDay:   137,
		Condition: rises("kmax", 1),
		Visits:    2,
	}
}

// BuiltInProgression returns the rules that come with the program, the
// default first.
func BuiltInProgression() []ProgressionRule {
	within := func(c Condition, tolerance float64) Condition { c.Term.Within = tolerance; return c }
	thins := Condition{Term: &Term{Quantity: "thinnest", Direction: Falls, By: 5, Percent: true}}
	return []ProgressionRule{
		DefaultProgression(),
		{
			Stamp:     Stamp{Name: "kmax-1-or-cdva", Version: 1, ValidFrom: firstDay, Note: "failure after cross-linking, strict: Farhat 2020"},
			Title:     "Kmax rise of 1 D or CDVA loss of one line",
			FromDay:   137,
			Condition: Condition{Any: []Condition{rises("kmax", 1), within(rises("cdva", 0.1), 0.005)}},
			Visits:    1,
		},
		{
			Stamp:     Stamp{Name: "kmax-1.5", Version: 1, ValidFrom: firstDay, Note: "Kmax rise of 1.5 D; Sykakis 2015, from memory"},
			Title:     "Kmax rise of 1.5 D",
			FromDay:   137,
			Condition: rises("kmax", 1.5),
			Visits:    1,
		},
		{
			Stamp:     Stamp{Name: "k2-1.5", Version: 1, ValidFrom: firstDay, Note: "rise of the steepest meridian by 1.5 D: Larkin 2021"},
			Title:     "K2 rise of 1.5 D",
			FromDay:   137,
			Condition: rises("k2", 1.5),
			Visits:    1,
		},
		{
			Stamp:   Stamp{Name: "any-of-three", Version: 1, ValidFrom: firstDay, Note: "any of steep K, cylinder, myopic shift: Hersh 2011, from memory"},
			Title:   "K2, cylinder or myopic shift",
			FromDay: 137,
			Condition: Condition{Any: []Condition{rises("k2", 1), rises("cylinder_magnitude", 1),
				{Term: &Term{Quantity: "spherical_equivalent", Direction: Falls, By: 0.5}}}},
			Visits: 1,
		},
		{
			Stamp:     Stamp{Name: "two-of-three", Version: 1, ValidFrom: firstDay, Note: "consistent change in two of anterior steepening, posterior steepening, thinning: Gomes 2015, from memory; the paper gives no limits, these are ours"},
			Title:     "two of anterior, posterior steepening and thinning",
			FromDay:   137,
			Condition: Condition{AtLeast: 2, Of: []Condition{rises("kmax", 1), rises("kmax_posterior", 0.3), thins}},
			Visits:    2,
		},
	}
}
