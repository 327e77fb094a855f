package main

import (
	"fmt"
	"os"

	"keratally/registry"
	"keratally/reports"
	"keratally/stats/propensity"
)

// compareCmd compares groups of the clinic with each other, or the clinic with
// what was published.
type compareCmd struct {
	By        string   `help:"What to compare by: protocol, vehicle, epithelium, clinician, centre or period." placeholder:"WHAT"`
	Groups    []string `help:"Groups by code, the reference first; a period is 2025, 2025Q3 or 2025-01-15/2025-06-30. Without it, every group there is." placeholder:"A,B"`
	Measure   string   `help:"Primary measure, by key; that of the definitions without one." placeholder:"KEY"`
	Window    string   `help:"Window of the primary measure, by key; that of the definitions without one." placeholder:"KEY"`
	Margin    float64  `help:"Margin of non-inferiority and equivalence, in the unit of the measure; a working default for Kmax and acuity without one."`
	Adjust    []string `help:"Covariates beside the baseline of the measure: age and keys of measures." default:"age,kmax,thinnest" placeholder:"KEYS"`
	Weights   string   `help:"Weights: overlap (eyes that could have had either) or everyone (inverse probability)." enum:"overlap,everyone" default:"overlap"`
	Benchmark []string `help:"Compare with published summaries: a file, or the name of a set that comes with the program; list shows those." placeholder:"FILE"`
	Cohort    string   `help:"Cohort file; without one, the first cross-linking of every eye." type:"existingfile" placeholder:"FILE"`
	CutOff    string   `help:"Last day whose records are read; today without one." placeholder:"DAY"`
	Windows   string   `help:"Name of the set of visit windows." default:"default"`
	Snapshot  string   `help:"Compare within a kept snapshot instead of the database." type:"existingfile" placeholder:"FILE"`
	Pictures  string   `help:"Folder for the figures as SVG, PDF and PNG." placeholder:"DIR"`
	Out       string   `help:"The workbook to write." default:"comparison.xlsx" placeholder:"FILE.xlsx"`
}

// Run computes the comparison and writes it.
func (c *compareCmd) Run(a *app) error {
	if len(c.Benchmark) == 1 && c.Benchmark[0] == "list" {
		return listBenchmarks(a)
	}
	if (c.By == "") == (len(c.Benchmark) == 0) {
		return fmt.Errorf("compare: should have --by (groups of the clinic) or --benchmark (published summaries), one of the two")
	}
	cutOff := a.day()
	if c.CutOff != "" {
		if c.Snapshot != "" {
			return fmt.Errorf("--cut-off %s: a kept snapshot has its own: leave one of the two out", c.CutOff)
		}
		var err error
		if cutOff, err = registry.ParseISODate(c.CutOff); err != nil {
			return fmt.Errorf("--cut-off %w", err)
		}
	}
	snap, err := freeze(a, c.Snapshot, cutOff)
	if err != nil {
		return err
	}
	source, err := sourceOf(snap, c.Windows, c.Cohort)
	if err != nil {
		return err
	}
	report, err := c.build(source)
	if err != nil {
		return err
	}
	return a.deliver(report, "comparison", c.Out, c.Pictures, snap)
}

func (c *compareCmd) build(source *reports.Source) (audited, error) {
	if len(c.Benchmark) > 0 {
		return c.benchmark(source)
	}
	spec, err := c.spec(source.Outcomes.Definitions)
	if err != nil {
		return nil, err
	}
	return reports.NewComparison(source, spec)
}

// spec reads what to compare from the flags.
func (c *compareCmd) spec(d registry.Definitions) (reports.ComparisonSpec, error) {
	spec := reports.NewComparisonSpec(d, c.By, c.Groups)
	if c.Measure != "" {
		q, ok := registry.ParseQuantity(c.Measure)
		if !ok {
			return spec, fmt.Errorf("--measure %q: should be the key of a measure, such as kmax or cdva", c.Measure)
		}
		if q.Info().Whole {
			return spec, fmt.Errorf("--measure %q: is a grade, whose mean says little: should be a measured quantity, such as kmax", c.Measure)
		}
		spec.Measure = q
	}
	if c.Window != "" {
		spec.Window = c.Window
	}
	if c.Margin < 0 {
		return spec, fmt.Errorf("--margin %g: should be above 0", c.Margin)
	}
	spec = spec.WithMargin(c.Margin)
	spec.Adjust = nil
	for _, key := range c.Adjust {
		v, err := reports.ParseCovariate(key)
		if err != nil {
			return spec, fmt.Errorf("--adjust: %w", err)
		}
		spec.Adjust = append(spec.Adjust, v)
	}
	if c.Weights == "everyone" {
		spec.Target = propensity.EveryoneStabilised
	}
	return spec, nil
}

func (c *compareCmd) benchmark(source *reports.Source) (audited, error) {
	var studies []reports.Study
	for _, name := range c.Benchmark {
		set, err := loadBenchmark(name)
		if err != nil {
			return nil, err
		}
		studies = append(studies, set...)
	}
	return reports.NewBenchmark(source, studies)
}

// loadBenchmark reads a file of published summaries, or a set that comes with
// the program.
func loadBenchmark(name string) ([]reports.Study, error) {
	if set, ok, err := reports.BuiltInStudies(name); ok {
		return set, err
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return nil, fmt.Errorf("--benchmark %q: should be a file, or one of the sets that --benchmark list shows: %w", name, err)
	}
	set, err := reports.ParseStudies(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	return set, nil
}

func listBenchmarks(a *app) error {
	for _, name := range reports.BuiltInStudyNames() {
		set, _, err := reports.BuiltInStudies(name)
		if err != nil {
			return err
		}
		a.say("%s", name)
		for _, s := range set {
			a.say("  %s: %s (%s)", s.Name, s.Citation, s.Seen.Words())
		}
	}
	return nil
}
