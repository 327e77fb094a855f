package reports

import (
	"fmt"

	"keratally/registry"
)

// sheetName is the name of a quantity's outcome sheet.
func sheetName(q registry.Quantity) string {
	switch q {
	case registry.Thinnest.Quantity():
		return "Thinnest point"
	case registry.CylinderMagnitude:
		return "Cylinder"
	case registry.ECD.Quantity():
		return "Endothelium"
	}
	return upperFirst(q.Info().Label)
}

// outcomes is one sheet a quantity: every window with everything of the
// analysis contract, section 5.
func (a *Audit) outcomes() ([]Section, error) {
	var out []Section
	for _, q := range audited {
		out = append(out, a.outcome(q))
	}
	return append(out, a.perEye()), nil
}

// perEye is the plain tests that treat eyes as independent, under that name,
// with the rank methods and the correlation between two eyes of a patient.
func (a *Audit) perEye() Section {
	sec := Section{Name: "Tests per eye", Title: "Tests that treat eyes as independent, beside the headline", Empty: "No eye has a measure both before and after treatment yet."}
	t := &Table{Columns: []Column{{Key: "measure", Head: "measure"}, {Key: "window", Head: "window"}, {Key: "n", Head: "n eyes", Format: Whole}, {Key: "patients", Head: "n patients", Format: Whole},
		{Key: "icc", Head: "within-patient correlation", Format: TwoDec, Help: "Of the change between the two eyes of a patient; empty where no patient has two eyes in the row."},
		{Key: "change", Head: "mean change", Format: TwoDec}, {Key: "sd", Head: "SD", Format: TwoDec}, {Key: "t", Head: "paired t", Format: TwoDec}, {Key: "t_lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "t_upper", Head: "to", Format: TwoDec}, {Key: "t_p", Head: "p", Format: PValue},
		{Key: "shift", Head: "Hodges–Lehmann shift", Format: TwoDec}, {Key: "shift_lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "shift_upper", Head: "to", Format: TwoDec},
		{Key: "signed_p", Head: "signed-rank p", Format: PValue, Help: "Wilcoxon signed-rank, exact where it can be."}, {Key: "ranks_p", Head: "clustered signed-rank p", Format: PValue, Help: "Rosner, Glynn & Lee 2006: accounts for two eyes of one patient; the plain test where nobody has two."}, {Key: "note", Head: "note", Wide: true}}}
	for _, q := range audited {
		var rows []Row
		f := formatOf(q)
		for i := range a.changes[q] {
			c := &a.changes[q][i]
			n := len(c.Pairs.Change)
			if n == 0 {
				continue
			}
			row := Row{Cells: []Cell{{}, Text(c.Window.Label), Count(n), Count(c.Patients), Number(c.Within), Number(c.Delta.Mean.Estimate).As(f), Number(c.Delta.SD).As(f)}}
			if c.TErr != nil {
				row.Cells = append(row.Cells, Reason(c.TErr))
				rows = append(rows, row)
				continue
			}
			row.Cells = append(row.Cells, Number(c.PairedT.Stat), Number(c.PairedT.Interval.Lower).As(f), Number(c.PairedT.Interval.Upper).As(f), Number(c.PairedT.P))
			if c.ShiftErr == nil {
				row.Cells = append(row.Cells, Number(c.Shift.Estimate).As(f), Number(c.Shift.Lower).As(f), Number(c.Shift.Upper).As(f))
			} else {
				row.Cells = append(row.Cells, Reason(c.ShiftErr), Cell{}, Cell{})
			}
			row.Cells = append(row.Cells, orReason(c.Signed.P, c.SignedErr), orReason(c.Ranks.P, c.RanksErr))
			if c.Disagree {
				row.Cells = append(row.Cells, Text("the mean and the ranks disagree: look at the distribution"))
			}
			rows = append(rows, row)
		}
		if len(rows) > 0 {
			t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(heading(q))}})
			t.Rows = append(t.Rows, rows...)
		}
	}
	sec.Table = t
	sec.Notes = []string{"Two eyes of one patient are not two independent subjects: where patients have two eyes these p values are too small or too large. The headline stands on the sheet of each measure."}
	return sec
}

func (a *Audit) outcome(q registry.Quantity) Section {
	info := q.Info()
	f := formatOf(q)
	sec := Section{Name: sheetName(q), Title: upperFirst(info.Long) + " (" + info.Unit.Symbol() + ")",
		Empty: "No value of " + info.Label + " after a treatment yet. It appears here with the first follow-up visit that measures it."}
	t := &Table{Columns: []Column{
		{Key: "window", Head: "window", Help: "One value an eye and window: the one measured closest to the target day, the earlier of two as close."},
		{Key: "eyes", Head: "n eyes", Format: Whole, Help: "Eyes with both a baseline and a value in the window."},
		{Key: "patients", Head: "n patients", Format: Whole},
		{Key: "due", Head: "due", Format: Whole, Help: "Episodes whose window has closed by the cut-off and that had not ended before it began."},
		{Key: "missing", Head: "due, no value", Format: Whole},
		{Key: "baseline_mean", Head: "baseline mean", Format: f, Help: "Of the same eyes. Baseline: the last value on or before the day of treatment, at most as old as the definitions allow."},
		{Key: "baseline_sd", Head: "SD", Format: f},
		{Key: "mean", Head: "mean", Format: f}, {Key: "sd", Head: "SD", Format: f},
		{Key: "median", Head: "median", Format: f}, {Key: "q1", Head: "quartile 1", Format: f, Pair: true, Help: "Quantiles of type 7."}, {Key: "q3", Head: "quartile 3", Format: f},
		{Key: "change", Head: "mean change", Format: f, Help: "Follow-up minus baseline. Where a patient has two eyes: linear mixed model with a random patient intercept (REML, Satterthwaite degrees of freedom); otherwise the paired t test, which is the same."},
		{Key: "lower", Head: "95 % CI from", Format: f, Pair: true}, {Key: "upper", Head: "to", Format: f},
		{Key: "p", Head: "p", Format: PValue},
	}}
	if info.Acuity {
		t.Columns = append(t.Columns, Column{Key: "letters", Head: "change in letters", Format: OneDec, Help: "ETDRS letters: −50 × change in logMAR; positive is better sight."},
			Column{Key: "letters_lower", Head: "95 % CI from", Format: OneDec, Pair: true}, Column{Key: "letters_upper", Head: "to", Format: OneDec})
	}
	t.Columns = append(t.Columns, Column{Key: "notes", Head: "notes", Wide: true})
	for i := range a.changes[q] {
		if c := &a.changes[q][i]; len(c.Pairs.Change) > 0 || c.With > 0 {
			t.Rows = append(t.Rows, a.changeRow(c))
		}
	}
	if c := a.change(q, a.Source.Outcomes.Definitions.Analysis.PrimaryWindow); c != nil {
		sec.Lead = []string{c.Sentence()}
	}
	sec.Table = t
	sec.Notes = outcomeNotes(info)
	sec.Figures = []Figure{a.overTime(q)}
	if q == registry.Kmax.Quantity() {
		if fig, ok := a.beforeAfter(q); ok {
			sec.Figures = append(sec.Figures, fig)
		}
	}
	return sec
}

func outcomeNotes(info registry.QuantityInfo) []string {
	notes := []string{"Headline intervals and p values account for two eyes of one patient. Columns named “per eye” do not."}
	if info.Acuity {
		notes = append(notes, "logMAR: lower is better; a negative change is better sight. Vision below the chart enters means by the stand-in table named on the sheet Definitions, and is counted in the notes of each row.")
	}
	if info.Key == "ecd" {
		notes = append(notes, "Counts by different instruments are named in the notes, never pooled in silence. A change in one eye is noise until about 10 %. For review by a licensed clinician.")
	}
	return notes
}

func (a *Audit) changeRow(c *Change) Row {
	cases := a.valuesOf(c.Quantity, c.Window)
	n := len(c.Pairs.Change)
	cells := []Cell{Text(c.Window.Label), Count(n).From(cases), Count(c.Patients), Count(c.Due), Count(c.Due - c.With)}
	if n == 0 {
		return Row{Cells: cells, Key: c.Window.Key}
	}
	cells = append(cells,
		Number(c.Baseline.Mean.Estimate), Number(c.Baseline.SD), Number(c.Follow.Mean.Estimate), Number(c.Follow.SD),
		Number(c.Follow.Median), Number(c.Follow.Q25), Number(c.Follow.Q75))
	if c.MeanErr == nil {
		lower, upper := interval(c.Mean.Interval)
		cells = append(cells, Number(c.Mean.Estimate).From(cases), lower, upper, Number(c.Mean.P))
	} else {
		cells = append(cells, Number(c.Delta.Mean.Estimate).From(cases), Cell{}, Cell{}, Reason(c.MeanErr))
	}
	if c.Quantity.Info().Acuity {
		if c.MeanErr == nil {
			cells = append(cells, Number(letters(c.Mean.Estimate)), Number(letters(c.Mean.Interval.Upper)), Number(letters(c.Mean.Interval.Lower)))
		} else {
			cells = append(cells, Number(letters(c.Delta.Mean.Estimate)), Cell{}, Cell{})
		}
	}
	cells = append(cells, Text(c.notes()))
	return Row{Cells: cells, Key: c.Window.Key}
}

// letters converts a change in logMAR into ETDRS letters: −50 a unit.
func letters(logMAR float64) float64 { return -50 * logMAR }

func orReason(x float64, err error) Cell {
	if err != nil {
		return Reason(err)
	}
	return Number(x)
}

// overTime is the mean change of a quantity at the visit windows with its
// interval and the number of eyes at each.
func (a *Audit) overTime(q registry.Quantity) Figure {
	info := q.Info()
	fig := Figure{Key: info.Key + "-over-time", Kind: LineFigure,
		X:     Axis{Title: "days after treatment"},
		Y:     Axis{Title: "mean change of " + heading(q)},
		Lines: []RefLine{{Name: "no change", At: 0}}}
	series := Series{Name: "all eyes", X: []float64{0}, Y: []float64{0}, Lower: []float64{0}, Upper: []float64{0}, N: []int{0}, Labels: []string{"baseline"}}
	most := 0
	for i := range a.changes[q] {
		c := &a.changes[q][i]
		if c.MeanErr != nil {
			continue
		}
		n := len(c.Pairs.Change)
		most = max(most, n)
		series.X = append(series.X, float64(c.Window.Target))
		series.Y = append(series.Y, c.Mean.Estimate)
		series.Lower = append(series.Lower, c.Mean.Interval.Lower)
		series.Upper = append(series.Upper, c.Mean.Interval.Upper)
		series.N = append(series.N, n)
		series.Labels = append(series.Labels, c.Window.Label)
		fig.Bands = append(fig.Bands, Band{Name: c.Window.Label, From: float64(c.Window.From), To: float64(c.Window.To)})
	}
	fig.Bands = everyOther(fig.Bands)
	series.N[0] = most
	fig.Title = fmt.Sprintf("Change of %s over time, mean with 95 %% CI (up to %s)", info.Label, eyes(most))
	fig.Desc = fmt.Sprintf("Line of the mean change of %s from baseline at each visit window, with its confidence interval.", info.Long)
	if len(series.X) > 1 {
		fig.Series = []Series{series}
		for i, x := range series.X {
			if i == 0 || x >= 28 { // labels of the first weeks would lie on one another
				fig.X.Ticks = append(fig.X.Ticks, Tick{At: x, Label: fmt.Sprintf("%.0f", x)})
			}
		}
		row := RiskRow{Name: "eyes"}
		for i, x := range series.X {
			if i == 0 || x >= 28 {
				row.Numbers = append(row.Numbers, series.N[i])
			}
		}
		fig.AtRisk = []RiskRow{row}
	}
	return fig
}

// everyOther keeps alternate bands: windows touch, and a band beside a band
// would be one grey field.
func everyOther(b []Band) []Band {
	var out []Band
	for i := len(b) - 1; i >= 0; i -= 2 {
		out = append(out, b[i])
	}
	return out
}

// beforeAfter is the plane of baseline against follow-up at the primary
// window, one point an eye, with the ± 1 D band.
func (a *Audit) beforeAfter(q registry.Quantity) (Figure, bool) {
	c := a.change(q, a.Source.Outcomes.Definitions.Analysis.PrimaryWindow)
	if c == nil || len(c.Pairs.Change) == 0 {
		return Figure{}, false
	}
	info := q.Info()
	fig := Figure{Key: info.Key + "-before-after", Kind: ScatterFigure, Square: true,
		Title: fmt.Sprintf("%s before treatment and at %s (%s)", info.Label, c.Window.Label, eyes(len(c.Pairs.Change))),
		Desc:  "One point an eye: baseline across, follow-up upwards. Points below the diagonal are flatter than before.",
		X:     Axis{Title: "before (" + info.Unit.Symbol() + ")"}, Y: Axis{Title: c.Window.Label + " (" + info.Unit.Symbol() + ")"},
		Lines: []RefLine{{Name: "no change", Diagonal: true}, {Name: "+1 D", Diagonal: true, At: 1}, {Name: "−1 D", Diagonal: true, At: -1}}}
	labels := make([]string, len(c.Pairs.Episode))
	for i, e := range c.Pairs.Episode {
		labels[i] = a.Source.eyeCode(a.Source.Outcomes.Episodes[e].Eye)
	}
	fig.Series = []Series{{Name: "eyes", X: c.Pairs.Baseline, Y: c.Pairs.Follow, Labels: labels}}
	return fig, true
}
