package reports

import (
	"fmt"
	"strings"

	"keratally/registry"
)

const noStudy = "No published figure of this kind in the set. The text form of a set is described with the program's own."

// Document lays the benchmark out.
func (b *Benchmark) Document() (*Document, error) {
	doc := &Document{
		Name: "benchmark", Title: "The cohort beside published summaries",
		Subtitle:   plural(len(b.Studies), "study", "studies"),
		Provenance: b.Source.provenance(),
	}
	doc.Sections = []Section{b.summary(), b.changes(), b.mixSection(), b.rates(), b.pools(), b.reviews(), b.sources(), b.methods(), b.cases()}
	return doc, nil
}

// Sentences says in order what was set beside what.
func (b *Benchmark) Sentences() []string {
	o := b.Source.Outcomes
	out := []string{fmt.Sprintf("The cohort (%s of %s) beside %s. Published eyes were other eyes, treated and measured elsewhere: a difference is a question, not a verdict.",
		eyes(o.Eyes()), patients(o.Patients()), plural(len(b.Studies), "published study", "published studies"))}
	if len(o.Episodes) == 0 {
		out[0] = "The cohort holds no eye, so there is nothing to set beside the published figures."
		return out
	}
	for i := range b.Changes {
		c := &b.Changes[i]
		if b.primary(c) {
			out = append(out, b.changeSentence(c))
		}
	}
	return out
}

// primary reports whether a change is of the declared primary measure and window.
func (b *Benchmark) primary(c *BenchmarkChange) bool {
	a := b.Source.Outcomes.Definitions.Analysis
	return c.Published.Measure == a.PrimaryMeasure && c.Published.Window == a.PrimaryWindow
}

func (b *Benchmark) summaryRow(c *BenchmarkChange) Row {
	row := Row{Cells: []Cell{Text(c.Study.Name + ", " + c.Arm.Name), Text(c.Published.Seen.Or(c.Study.Seen).Words()), Number(c.Published.Mean)}}
	if c.Own == nil || c.Own.MeanErr != nil {
		return Row{Cells: append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, why(c.DifferenceErr))}
	}
	row.Cells = append(row.Cells, Number(c.Own.Mean.Estimate), Number(c.Difference.Estimate))
	if c.DifferenceErr != nil {
		return Row{Cells: append(row.Cells, Cell{}, Cell{}, why(c.DifferenceErr))}
	}
	lower, upper := interval(c.Difference.Interval)
	return Row{Cells: append(row.Cells, lower, upper, Cell{})}
}

func (b *Benchmark) changeSentence(c *BenchmarkChange) string {
	who := c.Study.Name + ", " + c.Arm.Name
	if c.Own == nil || c.Own.MeanErr != nil {
		return fmt.Sprintf("%s: %s.", who, c.DifferenceErr)
	}
	f := formatOf(c.Own.Quantity)
	unit := c.Own.Quantity.Info().Unit.Symbol()
	s := fmt.Sprintf("%s (%s): %s changed by %s %s there and %s %s here at %s", who, c.Published.Seen.Or(c.Study.Seen).Words(), c.Own.Quantity.Info().Label,
		f.Signed(c.Published.Mean), unit, f.Signed(c.Own.Mean.Estimate), unit, c.Own.Window.Label)
	if c.DifferenceErr != nil {
		return s + fmt.Sprintf("; difference %s %s (%s).", f.Signed(c.Own.Mean.Estimate-c.Published.Mean), unit, c.DifferenceErr)
	}
	return s + fmt.Sprintf("; difference %s %s (%.0f %% CI %s).", f.Signed(c.Difference.Estimate), unit, 100*c.Difference.Interval.Level, f.Range(c.Difference.Interval.Lower, c.Difference.Interval.Upper))
}

func (b *Benchmark) summary() Section {
	sec := Section{Name: "Summary", Title: "The cohort beside published summaries", Lead: b.Sentences()[:1], Empty: "No study of the set gives the primary measure at the primary window: see Changes and Rates."}
	t := &Table{Columns: []Column{{Key: "study", Head: "study, group", Wide: true}, {Key: "seen", Head: "published figure"}, {Key: "mean", Head: "published", Format: TwoDec}, {Key: "own", Head: "here", Format: TwoDec},
		{Key: "difference", Head: "here − published", Format: TwoDec}, {Key: "lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "upper", Head: "to", Format: TwoDec}, {Key: "note", Head: "note", Wide: true}}}
	for i := range b.Changes {
		if c := &b.Changes[i]; b.primary(c) && len(b.Source.Outcomes.Episodes) > 0 {
			t.Rows = append(t.Rows, b.summaryRow(c))
		}
	}
	sec.Table = t
	sec.Notes = append(provenanceNotes(b.Source.provenance()),
		"This report describes what happened. It ranks nobody: eyes, rules, instruments and follow-up differ between papers and from here (see Case mix and Sources).")
	if fig, ok := b.forest(); ok {
		sec.Figures = []Figure{fig}
	}
	return sec
}

// forest is the published primary changes with the own one at the end.
func (b *Benchmark) forest() (Figure, bool) {
	fig := Figure{Key: "published-changes", Kind: ForestFigure, X: Axis{Title: "mean change"}, Lines: []RefLine{{Name: "no change", Vertical: true}},
		Desc: "One line a published group and one for the own cohort: mean change with its confidence interval."}
	var s Series
	var own *OwnChange
	for i := range b.Changes {
		c := &b.Changes[i]
		if !b.primary(c) || !c.HasSD {
			continue
		}
		own = c.Own
		iv, err := publishedInterval(c, b.level())
		if err != nil {
			continue
		}
		fig.Y.Categories = append(fig.Y.Categories, shortName(c.Study.Name)+", "+shortName(c.Arm.Name))
		s.X = append(s.X, c.Published.Mean)
		s.Lower, s.Upper = append(s.Lower, iv.Lower), append(s.Upper, iv.Upper)
	}
	if own == nil || own.MeanErr != nil {
		return fig, false
	}
	fig.Y.Categories = append(fig.Y.Categories, "this cohort")
	s.X = append(s.X, own.Mean.Estimate)
	s.Lower, s.Upper = append(s.Lower, own.Mean.Interval.Lower), append(s.Upper, own.Mean.Interval.Upper)
	fig.Series = []Series{s}
	fig.Title = fmt.Sprintf("Change of %s at %s, published and here (%s here)", own.Quantity.Info().Label, own.Window.Label, eyes(own.Mean.N))
	fig.X.Title = "mean change of " + heading(own.Quantity)
	return fig, len(s.X) > 1
}

func (b *Benchmark) changes() Section {
	sec := Section{Name: "Changes", Title: "Mean changes, published and here", Empty: noStudy}
	t := &Table{Columns: []Column{{Key: "study", Head: "study"}, {Key: "arm", Head: "group", Wide: true}, {Key: "measure", Head: "measure"}, {Key: "window", Head: "window"},
		{Key: "n", Head: "n eyes, published", Format: Whole}, {Key: "mean", Head: "mean change, published", Format: TwoDec}, {Key: "sd", Head: "SD", Format: TwoDec, Help: "As printed, or from the printed SE or CI and n."},
		{Key: "own_n", Head: "n eyes, here", Format: Whole}, {Key: "own_patients", Head: "n patients, here", Format: Whole}, {Key: "own_mean", Head: "mean change, here", Format: TwoDec, Help: "Mixed model with a random patient intercept where patients have two eyes."}, {Key: "own_sd", Head: "SD", Format: TwoDec},
		{Key: "difference", Head: "difference, here − published", Format: TwoDec}, {Key: "lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "upper", Head: "to", Format: TwoDec},
		{Key: "seen", Head: "published figure", Wide: true}, {Key: "note", Head: "note", Wide: true}}}
	for i := range b.Changes {
		t.Rows = append(t.Rows, b.changeRow(&b.Changes[i]))
	}
	sec.Table = t
	sec.Notes = []string{"Difference: here less published, from summaries (Welch–Satterthwaite); no p value is printed, because the groups were not made alike. logMAR: negative is better sight."}
	return sec
}

func (b *Benchmark) changeRow(c *BenchmarkChange) Row {
	f := TwoDec
	label := c.Published.Measure
	if q, ok := registry.ParseQuantity(c.Published.Measure); ok {
		f, label = formatOf(q), heading(q)
	}
	n := Cell{}
	if c.N > 0 {
		n = Count(c.N)
	}
	row := Row{Cells: []Cell{Text(c.Study.Name), Text(c.Arm.Name), Text(label), Text(c.Published.Window), n, Number(c.Published.Mean).As(f), Number(c.SD).As(f)}}
	if own := c.Own; own != nil && len(own.Pairs.Change) > 0 {
		mean := own.Delta.Mean.Estimate
		if own.MeanErr == nil {
			mean = own.Mean.Estimate
		}
		row.Cells = append(row.Cells, Count(len(own.Pairs.Change)), Count(own.Patients), Number(mean).As(f).From(&Cases{Section: caseSection, Columns: []string{ownKey(own)}, Last: -1}), Number(own.Delta.SD).As(f))
	} else {
		row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{})
	}
	note := Cell{}
	if c.DifferenceErr != nil {
		note = why(c.DifferenceErr)
	}
	row.Cells = append(row.Cells, Number(c.Difference.Estimate).As(f), Number(c.Difference.Interval.Lower).As(f), Number(c.Difference.Interval.Upper).As(f))
	if !c.Difference.HasInterval() {
		row.Cells[len(row.Cells)-1], row.Cells[len(row.Cells)-2] = Cell{}, Cell{}
	}
	row.Cells = append(row.Cells, Text(c.Published.Seen.Or(c.Study.Seen).Words()), note)
	return row
}

// mixSection is how the published eyes differed before treatment.
func (b *Benchmark) mixSection() Section {
	sec := Section{Name: "Case mix", Title: "Eyes before treatment, published and here", Empty: "No study of the set prints its eyes before treatment."}
	t := &Table{Columns: []Column{{Key: "study", Head: "study"}, {Key: "arm", Head: "group", Wide: true}, {Key: "what", Head: "characteristic"},
		{Key: "n", Head: "n eyes, published", Format: Whole}, {Key: "mean", Head: "mean, published", Format: TwoDec}, {Key: "sd", Head: "SD", Format: TwoDec},
		{Key: "own_n", Head: "n eyes, here", Format: Whole}, {Key: "own_missing", Head: "missing", Format: Whole}, {Key: "own_mean", Head: "mean, here", Format: TwoDec}, {Key: "own_sd", Head: "SD", Format: TwoDec},
		{Key: "difference", Head: "here − published", Format: TwoDec}, {Key: "smd", Head: "standardised difference", Format: TwoDec, Help: "Divided by the root mean of the two variances."}, {Key: "seen", Head: "published figure", Wide: true}}}
	for i := range b.Mix {
		m := &b.Mix[i]
		f := m.Covariate.format()
		n := Cell{}
		if m.Arm.N > 0 {
			n = Count(m.Arm.N)
		}
		row := Row{Cells: []Cell{Text(m.Study.Name), Text(m.Arm.Name), Text(m.Covariate.label()), n, Number(m.Published.Mean).As(f), Number(m.Published.SD).As(f)}}
		if m.OwnErr != nil {
			row.Cells = append(row.Cells, Count(0), Count(m.Missing), Reason(m.OwnErr), Cell{}, Cell{}, Cell{})
		} else {
			row.Cells = append(row.Cells, Count(m.Own.N), Count(m.Missing), Number(m.Own.Mean.Estimate).As(f), Number(m.Own.SD).As(f),
				Number(m.Own.Mean.Estimate-m.Published.Mean).As(f), standardisedSummaries(m))
		}
		row.Cells = append(row.Cells, Text(m.Published.Seen.Or(m.Study.Seen).Words()))
		t.Rows = append(t.Rows, row)
	}
	sec.Table = t
	sec.Notes = []string{"Steeper, thinner or younger eyes change otherwise: read every difference in change beside these. What a paper does not print cannot be compared."}
	return sec
}

func (b *Benchmark) rates() Section {
	sec := Section{Name: "Rates", Title: "Rates, published and here", Empty: noStudy}
	t := &Table{Columns: []Column{{Key: "study", Head: "study"}, {Key: "arm", Head: "group", Wide: true}, {Key: "event", Head: "event", Wide: true},
		{Key: "events", Head: "eyes with event, published", Format: Whole}, {Key: "n", Head: "of n", Format: Whole}, {Key: "rate", Head: "rate", Format: Share}, {Key: "rate_lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Clopper–Pearson."}, {Key: "rate_upper", Head: "to", Format: Share},
		{Key: "own_events", Head: "eyes with event, here", Format: Whole}, {Key: "own_n", Head: "at risk", Format: Whole}, {Key: "own_rate", Head: "rate", Format: Share}, {Key: "own_lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Wilson; where patients have two eyes, on the effective sample size."}, {Key: "own_upper", Head: "to", Format: Share},
		{Key: "difference", Head: "difference, here − published", Format: Share}, {Key: "lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Newcombe."}, {Key: "upper", Head: "to", Format: Share},
		{Key: "seen", Head: "published figure", Wide: true}, {Key: "note", Head: "note", Wide: true}}}
	for i := range b.Rates {
		r := &b.Rates[i]
		lower, upper := interval(r.Theirs)
		row := Row{Cells: []Cell{Text(r.Study.Name), Text(r.Arm.Name), Text(r.Label), Count(r.Published.Events), Count(r.Published.N), Number(r.Theirs.Estimate), lower, upper}}
		if r.Own.N > 0 {
			row.Cells = append(row.Cells, r.Own.cells()...)
		} else {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{})
		}
		note := Cell{}
		if r.DifferenceErr != nil {
			row.Cells, note = append(row.Cells, Cell{}, Cell{}, Cell{}), why(r.DifferenceErr)
		} else {
			lower, upper := interval(r.Difference)
			row.Cells = append(row.Cells, Number(r.Difference.Estimate), lower, upper)
		}
		row.Cells = append(row.Cells, Text(r.Published.Seen.Or(r.Study.Seen).Words()), note)
		t.Rows = append(t.Rows, row)
	}
	sec.Table = t
	sec.Notes = []string{"Papers count by their own rules and horizons; the definition drives a rate. No event here does not mean none will come: read the upper limit."}
	return sec
}

func (b *Benchmark) pools() Section {
	sec := Section{Name: "Pooled", Title: "Published changes pooled over groups of one kind", Empty: "Fewer than two groups of one kind give the same change with its spread, so nothing is pooled."}
	t := &Table{Columns: []Column{{Key: "family", Head: "kind"}, {Key: "measure", Head: "measure"}, {Key: "window", Head: "window"}, {Key: "model", Head: "model"}, {Key: "k", Head: "groups", Format: Whole},
		{Key: "mean", Head: "pooled mean change", Format: TwoDec}, {Key: "lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "upper", Head: "to", Format: TwoDec},
		{Key: "own", Head: "mean change, here", Format: TwoDec}, {Key: "i2", Head: "I² (%)", Format: OneDec, Help: "Share of the variation that is between studies rather than chance."}, {Key: "tau", Head: "SD between studies", Format: TwoDec}, {Key: "q", Head: "p of heterogeneity", Format: PValue}, {Key: "note", Head: "in words", Wide: true}}}
	for i := range b.Pools {
		t.Rows = append(t.Rows, b.poolRows(&b.Pools[i])...)
	}
	sec.Table = t
	sec.Notes = []string{"Fixed: one effect common to all studies; random effects by DerSimonian & Laird and by REML, with normal limits, which are too narrow for few studies."}
	return sec
}

func (b *Benchmark) poolRows(p *BenchmarkPool) []Row {
	label := p.Measure
	f := TwoDec
	if q, ok := registry.ParseQuantity(p.Measure); ok {
		label, f = heading(q), formatOf(q)
	}
	own := Cell{}
	if p.Own != nil && p.Own.MeanErr == nil {
		own = Number(p.Own.Mean.Estimate).As(f)
	}
	head := []Cell{Text(p.Family), Text(label), Text(p.Window)}
	if p.Err != nil {
		return []Row{{Cells: append(head, Text("none"), Count(len(p.Arms)), Cell{}, Cell{}, Cell{}, own, Cell{}, Cell{}, Cell{}, why(p.Err))}}
	}
	words := "little between the studies beyond chance"
	if p.DL.I2 > 50 {
		words = "the studies disagree beyond chance: one pooled number says little"
	} else if p.DL.I2 > 25 {
		words = "the studies disagree somewhat"
	}
	words += " (" + strings.Join(p.Arms, ", ") + ")"
	var rows []Row
	for i, m := range p.models() {
		cells := append(append([]Cell{}, head...), Text(m.name), Count(len(p.Arms)), Number(m.meta.Estimate).As(f), Number(m.meta.Interval.Lower).As(f), Number(m.meta.Interval.Upper).As(f), own,
			Number(m.meta.I2), Number(m.tau).As(f), Number(m.meta.QP))
		if i == 0 {
			cells = append(cells, Text(words))
		}
		rows = append(rows, Row{Cells: cells})
	}
	return rows
}
