package main

import (
	"fmt"
	"os"
	"regexp"
	"strconv"
	"time"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/reports"
)

// auditCmd writes the audit workbook of a period.
type auditCmd struct {
	Quarter   string `help:"The quarter to report on, such as 2026Q3." xor:"period"`
	From      string `help:"First day of the period, such as 2026-07-01." xor:"period"`
	To        string `help:"Last day of the period; also the cut-off: nothing later is read." placeholder:"DAY"`
	Cohort    string `help:"Cohort file; without one, the first cross-linking of every eye." type:"existingfile" placeholder:"FILE"`
	Clinician string `help:"A surgeon's own results, by code or name: own eyes beside peers without names." placeholder:"CODE"`
	Targets   string `help:"File of the clinic's own targets." type:"existingfile" placeholder:"FILE"`
	Pictures  string `help:"Folder for the figures as SVG, PDF and PNG." placeholder:"DIR"`
	Windows   string `help:"Name of the set of visit windows." default:"default"`
	Snapshot  string `help:"Report from a kept snapshot instead of the database." type:"existingfile" placeholder:"FILE"`
	Out       string `help:"The workbook to write; a name that ends in .json gives the same report for programs." default:"audit.xlsx" placeholder:"FILE"`
}

// Run computes the audit and writes it.
func (c *auditCmd) Run(a *app) error {
	period, err := c.period(a.day())
	if err != nil {
		return err
	}
	if period, err = period.until(a); err != nil {
		return err
	}
	snap, err := freeze(a, c.Snapshot, period.to)
	if err != nil {
		return err
	}
	return c.report(a, snap, period)
}

// report builds the audit of a snapshot and says where it is.
func (c *auditCmd) report(a *app, snap *snapshot.Snapshot, p period) error {
	source, err := c.source(snap, p)
	if err != nil {
		return err
	}
	report, err := c.build(source)
	if err != nil {
		return err
	}
	return a.deliver(report, "audit", c.Out, c.Pictures, snap)
}

func (c *auditCmd) build(source *reports.Source) (audited, error) {
	if c.Clinician != "" {
		return reports.NewOwn(source, c.Clinician)
	}
	return reports.NewAudit(source)
}

func (c *auditCmd) source(snap *snapshot.Snapshot, p period) (*reports.Source, error) {
	source, err := sourceOf(snap, c.Windows, c.Cohort)
	if err != nil {
		return nil, err
	}
	source.From, source.To, source.PeriodName = p.from, p.to, p.name
	if c.Targets != "" {
		text, err := os.ReadFile(c.Targets)
		if err != nil {
			return nil, err
		}
		if source.Targets, err = reports.ParseTargets(text); err != nil {
			return nil, fmt.Errorf("%s: %w", c.Targets, err)
		}
	}
	return source, nil
}

// period is the span that is reported on.
type period struct {
	from, to registry.Date
	name     string
}

var quarterForm = regexp.MustCompile(`^(\d{4})-?[Qq]([1-4])$`)

var ordinals = [...]string{"first", "second", "third", "fourth"}

// period reads the period from the flags: a quarter, two days, or by default
// the last whole quarter.
func (c *auditCmd) period(today registry.Date) (period, error) {
	if c.From != "" || c.To != "" {
		from, err := registry.ParseISODate(c.From)
		if err != nil {
			return period{}, fmt.Errorf("--from %w", err)
		}
		to, err := registry.ParseISODate(c.To)
		if err != nil {
			return period{}, fmt.Errorf("--to %w", err)
		}
		if to < from {
			return period{}, fmt.Errorf("--to %s: should be on or after --from %s", to, from)
		}
		return period{from: from, to: to}, nil
	}
	if c.Quarter == "" {
		t := today.Time()
		first := time.Date(t.Year(), (t.Month()-1)/3*3+1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, -3, 0)
		return quarter(first.Year(), int(first.Month()-1)/3+1), nil
	}
	m := quarterForm.FindStringSubmatch(c.Quarter)
	if m == nil {
		return period{}, fmt.Errorf("--quarter %q: should be a year and a quarter, such as 2026Q3", c.Quarter)
	}
	year, _ := strconv.Atoi(m[1]) // four digits
	q, _ := strconv.Atoi(m[2])
	return quarter(year, q), nil
}

func quarter(year, q int) period {
	first := time.Date(year, time.Month(3*q-2), 1, 0, 0, 0, 0, time.UTC)
	return period{from: registry.DateOf(first), to: registry.DateOf(first.AddDate(0, 3, -1)), name: fmt.Sprintf("%s quarter of %d", ordinals[q-1], year)}
}

// until cuts a period that is not over at today, and says so; one that has not
// begun is refused.
func (p period) until(a *app) (period, error) {
	today := a.day()
	switch {
	case p.from > today:
		return p, fmt.Errorf("the period begins on %s, which is after today, %s: should it be an earlier one?", p.from.Long(), today.Long())
	case p.to > today:
		a.say("The period ends on %s and is not over: the report goes to today, %s.\n", p.to.Long(), today.Long())
		p.to = today
	}
	return p, nil
}
