package reports

import (
	"fmt"
	"math"
	"slices"
	"strings"
)

// adjusted is the analysis of covariance: marginal means and differences.
func (c *Comparison) adjusted() Section {
	m := &c.Primary
	f := formatOf(m.Quantity)
	sec := Section{Name: "Adjusted", Title: "Change of " + m.Quantity.Info().Label + " at " + m.Window.Label + ", adjusted", Empty: nothingToCompare}
	if m.AdjustedErr != nil {
		sec.Empty = upperFirst(m.AdjustedErr.Error()) + "."
	}
	t := &Table{Columns: []Column{{Key: "what", Head: c.Spec.By + " or difference", Wide: true}, {Key: "mean", Head: "adjusted mean or difference", Format: f, Help: "Estimated marginal mean: the change expected with every covariate at its mean over the eyes of all groups."},
		{Key: "lower", Head: "95 % CI from", Format: f, Pair: true}, {Key: "upper", Head: "to", Format: f}, {Key: "df", Head: "df", Format: OneDec}, {Key: "p", Head: "p", Format: PValue}, {Key: "method", Head: "method", Wide: true}}}
	if len(m.Means) > 0 {
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text("Adjusted means")}})
		for i, mean := range m.Means {
			t.Rows = append(t.Rows, Row{Cells: []Cell{Text(c.Groups[m.MeansGroup[i]].Name), Number(mean.Estimate), Number(mean.Lower), Number(mean.Upper), Number(mean.DF)}})
		}
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text("Differences in change")}})
	}
	if m.AdjustedErr == nil && c.anyEye() {
		for i := range m.Contrasts {
			k := &m.Contrasts[i]
			row := Row{Cells: []Cell{Text(c.name(k))}}
			if k.AdjustedErr != nil {
				row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, why(k.AdjustedErr))
			} else {
				cells := resultCells(k.Adjusted)
				row.Cells = append(row.Cells, cells[0], cells[1], cells[2], Number(k.Adjusted.DF), cells[3], Text(k.Adjusted.Method))
			}
			t.Rows = append(t.Rows, row)
		}
	}
	sec.Table = t
	with := 0
	for i := range m.Groups {
		with += len(m.Groups[i].Pairs.Change)
	}
	sec.Notes = []string{fmt.Sprintf("Adjusted for %s. Eyes that lack one of these are left out: %d of %d.", c.covariateWords(m), with-m.Complete, with),
		"Adjustment makes groups alike in what it holds, in straight lines, and in nothing else."}
	return sec
}

// weighted is the difference with propensity weights.
func (c *Comparison) weighted() Section {
	m := &c.Primary
	f := formatOf(m.Quantity)
	sec := Section{Name: "Weighted", Title: "Change of " + m.Quantity.Info().Label + " at " + m.Window.Label + ", weighted", Empty: nothingToCompare}
	t := &Table{Columns: []Column{{Key: "difference", Head: "difference", Wide: true}, {Key: "estimate", Head: "weighted difference", Format: f}, {Key: "lower", Head: "95 % CI from", Format: f, Pair: true}, {Key: "upper", Head: "to", Format: f},
		{Key: "p", Head: "p", Format: PValue}, {Key: "n", Head: "n eyes", Format: Whole}, {Key: "first", Head: "effective eyes, earlier group", Format: OneDec, Help: "(Σw)²/Σw²: how many equally weighted eyes would be as informative."},
		{Key: "second", Head: "effective eyes, later group", Format: OneDec}, {Key: "method", Head: "method", Wide: true}}}
	for i := range m.Contrasts {
		k := &m.Contrasts[i]
		row := Row{Cells: []Cell{Text(c.name(k))}}
		if k.WeightedErr != nil {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, why(k.WeightedErr))
		} else {
			row.Cells = append(row.Cells, resultCells(k.Weighted)...)
			row.Cells = append(row.Cells, Count(k.Weighted.N), Number(k.FirstSize), Number(k.SecondSize), Text(k.Weighted.Method))
		}
		t.Rows = append(t.Rows, row)
	}
	sec.Table = t
	sec.Notes = []string{fmt.Sprintf("Weights: %s from a logistic regression of the later group on %s; the standard error allows for two eyes of one patient and takes the weights as known.", c.Spec.Target, c.covariateWords(m))}
	if len(c.Groups) > 2 {
		sec.Notes = append(sec.Notes, "With more than two groups each pair is weighted by itself; the pairs speak of somewhat different eyes.")
	}
	return sec
}

// balance is how far apart the groups are in each covariate, before and after.
func (c *Comparison) balance() Section {
	sec := Section{Name: "Balance", Title: "Balance of the groups before and after weighting", Empty: "Nothing was weighted, so there is no balance to show: see Weighted."}
	t := &Table{Columns: []Column{{Key: "covariate", Head: "covariate", Wide: true}, {Key: "first", Head: "mean, earlier group", Format: TwoDec}, {Key: "second", Head: "mean, later group", Format: TwoDec},
		{Key: "before", Head: "standardised difference before", Format: TwoDec}, {Key: "first_after", Head: "weighted mean, earlier group", Format: TwoDec}, {Key: "second_after", Head: "weighted mean, later group", Format: TwoDec},
		{Key: "after", Head: "after", Format: TwoDec}}}
	for i := range c.Primary.Contrasts {
		k := &c.Primary.Contrasts[i]
		if k.BalanceErr != nil || len(k.Before) == 0 {
			continue
		}
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(c.name(k))}})
		for v, b := range k.Before {
			f := c.Primary.Covariates[v].format()
			row := Row{Cells: []Cell{Text(b.Covariate), Number(b.Control).As(f), Number(b.TreatedMean).As(f), Number(b.Difference)}}
			if v < len(k.After) {
				a := k.After[v]
				row.Cells = append(row.Cells, Number(a.Control).As(f), Number(a.TreatedMean).As(f), Number(a.Difference))
			}
			t.Rows = append(t.Rows, row)
		}
		if fig, ok := c.balancePlot(k, i); ok {
			sec.Figures = append(sec.Figures, fig)
		}
	}
	sec.Table = t
	sec.Notes = []string{"Standardised difference: the later group's mean less the earlier's, divided by the root mean of the unweighted variances. Within ± 0.1 is often taken as balanced (common practice). Eyes that lack a covariate are left out."}
	return sec
}

// rateSection compares complications and shares.
func (c *Comparison) rateSection() Section {
	sec := Section{Name: "Rates", Title: "Complications and shares by " + c.Spec.By, Empty: nothingToCompare}
	t := &Table{Columns: []Column{{Key: "what", Head: "event, " + c.Spec.By + " or difference", Wide: true}, {Key: "events", Head: "eyes with event", Format: Whole}, {Key: "n", Head: "at risk", Format: Whole}, {Key: "patients", Head: "n patients", Format: Whole},
		{Key: "rate", Head: "rate or difference", Format: Share}, {Key: "lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Rates: Wilson; differences: Newcombe. Where patients have two eyes, on the eyes divided by the estimated design effect."}, {Key: "upper", Head: "to", Format: Share},
		{Key: "p", Head: "p", Format: PValue, Help: "Fisher exact; where patients have two eyes, pooled z on the eyes divided by the design effect, never below Fisher's p."}, {Key: "holm", Head: "p, Holm", Format: PValue, Help: "Adjusted for all secondary measures and rates together."},
		{Key: "ratio", Head: "ratio", Format: TwoDec}, {Key: "ratio_lower", Head: "95 % CI from", Format: TwoDec, Pair: true, Help: "Koopman's score limits, eye by eye."}, {Key: "ratio_upper", Head: "to", Format: TwoDec},
		{Key: "eye_lower", Head: "difference per eye, 95 % CI from", Format: Share, Pair: true, Help: "Newcombe, taking eyes as independent."}, {Key: "eye_upper", Head: "to", Format: Share},
		{Key: "fisher", Head: "Fisher p per eye", Format: PValue}, {Key: "told", Head: "later rate that would have been told", Format: Share, Help: "The rate above the earlier group's that these numbers would have shown with 80 % power."}, {Key: "note", Head: "note", Wide: true}}}
	quiet := []string{}
	if c.anyEye() {
		for i := range c.Rates {
			r := &c.Rates[i]
			events := 0
			for j := range r.Groups {
				events += r.Groups[j].Events
			}
			if events == 0 {
				quiet = append(quiet, r.Label)
				continue
			}
			t.Rows = append(t.Rows, c.rateRows(r)...)
		}
	}
	sec.Table = t
	if len(t.Rows) == 0 && c.anyEye() {
		sec.Empty = "No complication in either group: there is no difference to show. The upper limits of each stand in the audit."
	}
	sec.Notes = []string{"Secondary: p values are adjusted by Holm with the other secondary measures. Rates are of eyes at risk; both horizons are those of the definitions."}
	if len(quiet) > 0 {
		sec.Notes = append(sec.Notes, "No event in any group: "+strings.Join(quiet, "; ")+".")
	}
	return sec
}

func (c *Comparison) rateRows(r *RateComparison) []Row {
	label := r.Label
	if r.Horizon > 0 {
		label += fmt.Sprintf(" (up to day %d)", r.Horizon)
	}
	rows := []Row{{Break: true, Cells: []Cell{Text(label)}}}
	for i := range r.Groups {
		g := &r.Groups[i]
		cells := g.Share.cells()
		note := Cell{}
		if g.Effect > 1 {
			note = Text("design effect " + TwoDec.Print(g.Effect))
		}
		count := cells[0]
		count = count.From(c.behind(i, r.Key))
		row := Row{Cells: []Cell{Text(c.Groups[i].Name), count, Count(g.N), Count(g.Patients), cells[2], cells[3], cells[4]}}
		row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, note)
		rows = append(rows, row)
	}
	for j := range r.Contrasts {
		k := &r.Contrasts[j]
		name := c.Groups[k.Second].Name + " − " + c.Groups[k.First].Name
		row := Row{Cells: []Cell{Text(name), {}, {}, {}}}
		if k.DifferenceErr != nil {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, why(k.DifferenceErr))
			rows = append(rows, row)
			continue
		}
		if k.HeadlineErr != nil {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{})
		} else {
			row.Cells = append(row.Cells, resultCells(k.Headline)...)
			row.Cells = append(row.Cells, Number(k.Holm))
		}
		if k.RatioErr != nil {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{})
		} else {
			row.Cells = append(row.Cells, finite(k.Ratio.Estimate), finite(k.Ratio.Lower), finite(k.Ratio.Upper))
		}
		lower, upper := interval(k.Difference)
		row.Cells = append(row.Cells, lower, upper, orEmpty(k.Fisher.P, k.FisherErr), orEmpty(k.Detectable, k.DetectableErr), Text(rateNote(k)))
		rows = append(rows, row)
	}
	return rows
}

// finite is a cell for a ratio, in words where it has no end.
func finite(x float64) Cell {
	if math.IsInf(x, 1) {
		return Text("no upper end")
	}
	return Number(x)
}

func rateNote(k *RateContrast) string {
	var notes []string
	for _, err := range []error{k.HeadlineErr, k.RatioErr} {
		if err != nil && !slices.Contains(notes, err.Error()) {
			notes = append(notes, err.Error())
		}
	}
	return strings.Join(notes, "; ")
}

// allMeasures is the secondary measures, Holm-adjusted.
func (c *Comparison) allMeasures() Section {
	sec := Section{Name: "All measures", Title: "Change of every measure at " + c.Primary.Window.Label, Empty: nothingToCompare}
	t := &Table{Columns: []Column{{Key: "measure", Head: "measure"}, {Key: "standing", Head: "standing"}, {Key: "difference", Head: "difference", Wide: true},
		{Key: "n_first", Head: "n eyes, earlier", Format: Whole}, {Key: "mean_first", Head: "mean change", Format: TwoDec}, {Key: "n_second", Head: "n eyes, later", Format: Whole}, {Key: "mean_second", Head: "mean change", Format: TwoDec},
		{Key: "estimate", Head: "difference", Format: TwoDec}, {Key: "lower", Head: "95 % CI from", Format: TwoDec, Pair: true, Help: "Not widened for the number of measures."}, {Key: "upper", Head: "to", Format: TwoDec},
		{Key: "p", Head: "p", Format: PValue}, {Key: "holm", Head: "p, Holm", Format: PValue, Help: "Adjusted for all secondary measures and rates together; the primary measure is not adjusted."}, {Key: "note", Head: "note", Wide: true}}}
	if c.anyEye() {
		t.Rows = append(t.Rows, c.measureRows(&c.Primary, "primary")...)
		for i := range c.Secondary {
			t.Rows = append(t.Rows, c.measureRows(&c.Secondary[i], "secondary")...)
		}
	}
	sec.Table = t
	sec.Notes = []string{"One primary measure was declared; the rest are secondary, and their p values are adjusted together by Holm's procedure. Differences are unadjusted for covariates."}
	return sec
}

func (c *Comparison) measureRows(m *MeasureComparison, standing string) []Row {
	f := formatOf(m.Quantity)
	var rows []Row
	for i := range m.Contrasts {
		k := &m.Contrasts[i]
		a, b := &m.Groups[k.First], &m.Groups[k.Second]
		row := Row{Cells: []Cell{Text(heading(m.Quantity)), Text(standing), Text(c.name(k)), Count(len(a.Pairs.Change)), meanChangeCell(a, f), Count(len(b.Pairs.Change)), meanChangeCell(b, f)}}
		if k.HeadlineErr != nil {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, why(k.HeadlineErr))
		} else {
			cells := resultCells(k.Headline)
			row.Cells = append(row.Cells, cells[0].As(f), cells[1].As(f), cells[2].As(f), cells[3], Number(k.Holm), Text(strings.Join(k.Headline.Notes, "; ")))
		}
		rows = append(rows, row)
	}
	return rows
}

func meanChangeCell(g *MeasureGroup, f Format) Cell {
	if len(g.Pairs.Change) == 0 {
		return Cell{}
	}
	return Number(g.Delta.Mean.Estimate).As(f)
}

// powerSection says how large a difference these numbers could have shown.
func (c *Comparison) powerSection() Section {
	sec := Section{Name: "Power", Title: "How large a difference these numbers could have shown", Empty: nothingToCompare}
	t := &Table{Columns: []Column{{Key: "measure", Head: "measure"}, {Key: "difference", Head: "difference", Wide: true}, {Key: "sd", Head: "SD of change, pooled", Format: TwoDec}, {Key: "n", Head: "eyes a group, harmonic mean", Format: OneDec},
		{Key: "effect", Head: "design effect", Format: TwoDec, Help: "1 + (m − 1)·within-patient correlation, m the mean number of eyes seen from an eye (Kish); 1 where the correlation is not above 0."},
		{Key: "detectable", Head: "detectable difference", Format: TwoDec, Help: "The true difference that a two-sided t test would have shown with 80 % power."}, {Key: "note", Head: "note", Wide: true}}}
	all := append([]MeasureComparison{c.Primary}, c.Secondary...)
	for i := range all {
		m := &all[i]
		f := formatOf(m.Quantity)
		for j := range m.Contrasts {
			if !c.anyEye() {
				continue
			}
			k := &m.Contrasts[j]
			row := Row{Cells: []Cell{Text(heading(m.Quantity)), Text(c.name(k))}}
			if k.DetectableErr != nil {
				row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, why(k.DetectableErr))
			} else {
				row.Cells = append(row.Cells, Number(k.DetectableSD).As(f), Number(k.DetectableEff), Number(k.DesignEffect), Number(k.Detectable).As(f))
			}
			t.Rows = append(t.Rows, row)
		}
	}
	sec.Table = t
	sec.Notes = []string{fmt.Sprintf("Two-sided level %.0f %%, power %.0f %%, the SD found, no adjustment for covariates. It says what could have been seen, not what is there: the interval does that.", 100*(1-c.level()), 100*designPower)}
	return sec
}
