package reports

import (
	"fmt"
	"math"
	"strings"

	"keratally/registry/snapshot"
	"keratally/stats"
)

// caseSection holds the eyes behind a comparison, a group after the other.
const caseSection = "Case rows"

const changeKey = "change"

// behind refers to the case rows of a group.
func (c *Comparison) behind(group int, column string) *Cases {
	first := 0
	for i := range group {
		first += len(c.Groups[i].Episodes)
	}
	n := len(c.Groups[group].Episodes)
	if n == 0 {
		return nil
	}
	return &Cases{Section: caseSection, Columns: []string{column}, First: first, Last: first + n - 1}
}

// caseColumn is a column of the case rows and how it is filled.
type caseColumn struct {
	Column
	cell func(group int, e int32) Cell
}

// cases are the eyes behind every figure, sorted by group.
func (c *Comparison) cases() Section {
	sec := Section{Name: caseSection, Title: "Case rows: the eyes compared", Data: true, Empty: nothingToCompare}
	columns := c.caseColumns()
	t := &Table{Filter: true}
	for _, col := range columns {
		t.Columns = append(t.Columns, col.Column)
	}
	type place struct {
		group int
		e     int32
	}
	var places []place
	for g := range c.Groups {
		for _, e := range c.Groups[g].Episodes {
			places = append(places, place{g, e})
		}
	}
	cells := make([]Cell, len(columns))
	t.Made = len(places)
	t.Make = func(i int) Row {
		p := places[i]
		for k := range columns {
			cells[k] = columns[k].cell(p.group, p.e)
		}
		return Row{Key: c.Source.eyeCode(c.Source.Outcomes.Episodes[p.e].Eye), Cells: cells}
	}
	sec.Table = t
	sec.Notes = []string{"Events and shares: 1 with the event, 0 at risk without, empty not at risk. Weights are those of the sheet Weighted."}
	return sec
}

func (c *Comparison) caseColumns() []caseColumn {
	s, o := c.Source, c.Source.Outcomes
	columns := []caseColumn{
		{Column{Key: "eye", Head: "eye"}, func(_ int, e int32) Cell { return Text(s.eyeCode(o.Episodes[e].Eye)) }},
		{Column{Key: "patient", Head: "patient"}, func(_ int, e int32) Cell { return Text(o.Snapshot.Patients.Code[o.Episodes[e].Patient]) }},
		{Column{Key: "group", Head: c.Spec.By}, func(g int, _ int32) Cell { return Text(c.Groups[g].Name) }},
		{Column{Key: "treated", Head: "treated", Format: DayForm}, func(_ int, e int32) Cell { return Day(o.Episodes[e].Day0) }},
		{Column{Key: "baseline", Head: heading(c.Spec.Measure) + " baseline", Format: formatOf(c.Spec.Measure)}, func(_ int, e int32) Cell { return valueCell(o.Baseline(int(e), c.Spec.Measure)) }},
		{Column{Key: "follow", Head: heading(c.Spec.Measure) + " " + c.Primary.Window.Label, Format: formatOf(c.Spec.Measure)}, func(_ int, e int32) Cell { return valueCell(o.At(int(e), c.window, c.Spec.Measure)) }},
		{Column{Key: changeKey, Head: "change of " + heading(c.Spec.Measure), Format: formatOf(c.Spec.Measure)}, c.changeCell(&c.Primary)},
	}
	for _, v := range c.Primary.Covariates {
		if v.Quantity == c.Spec.Measure && !v.Age {
			continue
		}
		columns = append(columns, caseColumn{Column{Key: "covariate " + v.label(), Head: v.label(), Format: v.format()}, func(_ int, e int32) Cell { return Number(v.value(o, int(e))) }})
	}
	for i := range c.Primary.Contrasts {
		k := &c.Primary.Contrasts[i]
		if k.Weights == nil {
			continue
		}
		columns = append(columns, caseColumn{Column{Key: fmt.Sprintf("weight %d", i), Head: "weight, " + c.name(k), Format: ThreeDec}, func(_ int, e int32) Cell {
			if w, ok := k.Weights[e]; ok {
				return Number(w)
			}
			return Cell{}
		}})
	}
	for i := range c.Secondary {
		m := &c.Secondary[i]
		columns = append(columns, caseColumn{Column{Key: changeKey + " " + m.Quantity.Info().Key, Head: "change of " + heading(m.Quantity), Format: formatOf(m.Quantity)}, c.changeCell(m)})
	}
	for i := range c.Rates {
		r := &c.Rates[i]
		columns = append(columns, caseColumn{Column{Key: r.Key, Head: r.Label, Format: Whole}, func(g int, e int32) Cell {
			event, in := r.Groups[g].event[e]
			switch {
			case !in:
				return Cell{}
			case event:
				return Count(1)
			}
			return Count(0)
		}})
	}
	return columns
}

func valueCell(v snapshot.Value) Cell {
	if v.IsValid() {
		return Number(v.Number)
	}
	return Cell{}
}

// changeCell is the change of an eye, empty where it has no pair.
func (c *Comparison) changeCell(m *MeasureComparison) func(int, int32) Cell {
	change := map[int32]float64{}
	for g := range m.Groups {
		p := &m.Groups[g].Pairs
		for i, e := range p.Episode {
			change[e] = p.Change[i]
		}
	}
	return func(_ int, e int32) Cell {
		if d, ok := change[e]; ok {
			return Number(d)
		}
		return Cell{}
	}
}

// methods says how everything was done, from what was done.
func (c *Comparison) methods() Section {
	d := c.Source.Outcomes.Definitions
	sec := Section{Name: "Methods", Title: "Methods and definitions used"}
	t := &Table{Columns: []Column{{Key: "what", Head: "what"}, {Key: "how", Head: "how", Wide: true}}}
	add := func(what, how string) { t.Rows = append(t.Rows, Row{Cells: []Cell{Text(what), Text(how)}}) }
	for _, line := range c.Source.provenance().Lines() {
		add(line[0], line[1])
	}
	var steps []string
	for _, step := range c.Source.Flow {
		steps = append(steps, fmt.Sprintf("%s: %s of %s", step.Words, eyes(step.Eyes), patients(step.Patients)))
	}
	add("from the registry to this cohort", strings.Join(steps, "; "))
	add("groups", "by "+c.Spec.By+"; the first named is the reference; a difference is the later group's change less the earlier's")
	add("primary measure", heading(c.Spec.Measure)+" at "+c.Primary.Window.Label+", change from baseline; one value an eye: the one measured closest to the target day")
	add("headline, unadjusted", c.headlineMethod())
	add("per eye", "Welch's t; Mann–Whitney with midranks, exact where both groups have at most 50 eyes; Hodges–Lehmann shift with limits from order statistics")
	add("more than two groups", "Welch's analysis of variance, Kruskal–Wallis, F test of the mixed model; pairs with Holm's adjustment")
	add("adjusted", "analysis of covariance of the change on group, "+c.covariateWords(&c.Primary)+": least squares; where a patient has two eyes, standard errors clustered by patient (CR2) with Satterthwaite degrees of freedom (Bell & McCaffrey 2002; Pustejovsky & Tipton 2018); estimated marginal means at the mean of every covariate")
	add("weighted", c.Spec.Target.String()+" from a logistic regression on the same covariates (Rosenbaum & Rubin 1983; Li, Morgan & Zaslavsky 2018); sandwich standard error, clustered by patient where a patient has two eyes")
	add("margin", c.marginMethod())
	add("rates", "Newcombe's hybrid score limits, Koopman's ratio, Fisher's exact test; where a patient has two eyes, Wilson limits on the eyes divided by the design effect (Rao & Scott 1992), Newcombe's hybrid of these, and the pooled z test on the same sizes, whose p is never taken below Fisher's")
	add("several tests", "one primary measure; the headline p values of all other measures and rates are adjusted together by Holm's procedure (1979)")
	add("small groups", fmt.Sprintf("fewer than %d eyes in a group: values and no test", d.Analysis.MinEpisodes))
	for _, one := range d.All() {
		stamp := one.DefinitionStamp()
		how := stamp.String()
		if stamp.Note != "" {
			how += "; " + stamp.Note
		}
		add("definition: "+string(one.DefinitionKind()), how)
	}
	sec.Table = t
	return sec
}

func (c *Comparison) headlineMethod() string {
	if c.Primary.TwoEyes == 0 {
		return "no patient has two eyes among those compared, so the headline is Welch's t test"
	}
	return "linear mixed model of the change with the group as fixed effect and a random patient intercept, REML, Satterthwaite degrees of freedom"
}

func (c *Comparison) marginMethod() string {
	if c.Spec.Margin == 0 || math.IsNaN(c.Spec.Margin) {
		return "none stated"
	}
	better := "the direction that is better is not defined for this measure, so only equivalence is judged"
	if Better(c.Spec.Measure) != stats.TwoSided {
		better = "non-inferior: the limit on the worse side lies inside the margin"
	}
	f := formatOf(c.Spec.Measure)
	return fmt.Sprintf("%s%s (%s); %s; equivalent: the whole interval lies inside. Both are read from the %.0f %% interval, which for equivalence is stricter than the customary 90 %% one",
		f.Print(c.Spec.Margin), unitAfter(&c.Primary), c.Spec.MarginBy, better, 100*c.level())
}
