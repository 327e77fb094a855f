package reports

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"keratally/stats"
)

// Document lays the comparison out.
func (c *Comparison) Document() (*Document, error) {
	var names []string
	for i := range c.Groups {
		names = append(names, c.Groups[i].Name)
	}
	doc := &Document{
		Name:       "comparison",
		Title:      "Comparison by " + c.Spec.By,
		Subtitle:   strings.Join(names, ", ") + ": " + c.Spec.Measure.Info().Label + " at " + c.Primary.Window.Label,
		Provenance: c.Source.provenance(),
	}
	overTime, err := c.overTime()
	if err != nil {
		return nil, err
	}
	doc.Sections = []Section{c.summary(), c.groupSection(), c.unadjusted(overTime), c.perEyeSection(), c.adjusted(), c.weighted(), c.balance(),
		c.rateSection(), c.allMeasures(), c.powerSection(), c.methods(), c.cases()}
	return doc, nil
}

const nothingToCompare = "The cohort holds no eye of these groups. Widen the cohort, or name other groups with --groups."

// summary answers the question in sentences, with the differences beside.
func (c *Comparison) summary() Section {
	sec := Section{Name: "Summary", Title: "Comparison by " + c.Spec.By, Lead: c.lead(), Empty: nothingToCompare}
	f := formatOf(c.Spec.Measure)
	t := &Table{Columns: []Column{{Key: "difference", Head: "difference in change of " + heading(c.Spec.Measure), Wide: true}, {Key: "how", Head: "how"},
		{Key: "estimate", Head: "difference", Format: f, Help: "Change in the later group minus change in the earlier one."},
		{Key: "lower", Head: "95 % CI from", Format: f, Pair: true}, {Key: "upper", Head: "to", Format: f}, {Key: "p", Head: "p", Format: PValue},
		{Key: "n", Head: "n eyes", Format: Whole}, {Key: "verdict", Head: "in words", Wide: true}}}
	for i := range c.Primary.Contrasts {
		k := &c.Primary.Contrasts[i]
		for _, e := range c.estimates(k) {
			row := Row{Cells: []Cell{Text(c.name(k)), Text(e.name)}}
			if e.err != nil {
				row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, why(e.err))
			} else {
				row.Cells = append(row.Cells, resultCells(e.r)...)
				row.Cells = append(row.Cells, Count(e.r.N), Text(c.Verdict(&c.Primary, k, e.r, e.holm)))
			}
			t.Rows = append(t.Rows, row)
		}
	}
	sec.Table = t
	sec.Notes = append(sec.Notes, "Primary measure, declared: "+heading(c.Spec.Measure)+" at "+c.Primary.Window.Label+". Everything else is secondary.")
	if c.Spec.Margin > 0 {
		sec.Notes = append(sec.Notes, "Margin: "+f.Print(c.Spec.Margin)+unitAfter(&c.Primary)+" ("+c.Spec.MarginBy+").")
	}
	sec.Notes = append(sec.Notes, provenanceNotes(c.Source.provenance())...)
	sec.Notes = append(sec.Notes, "This report describes what happened. It does not decide a treatment: that is for a licensed clinician under local protocols and the device's own instructions.")
	if fig, ok := c.forest(); ok {
		sec.Figures = []Figure{fig}
	}
	return sec
}

// named is one way of estimating a difference.
type named struct {
	name string
	r    stats.Result
	holm float64 // p adjusted for all pairs of groups
	err  error
}

func (c *Comparison) estimates(k *Contrast) []named {
	return []named{{"unadjusted", k.Headline, k.PairHolm, k.HeadlineErr}, {"adjusted", k.Adjusted, k.AdjustedHolm, k.AdjustedErr}, {"weighted", k.Weighted, k.WeightedHolm, k.WeightedErr}}
}

// resultCells are estimate, limits and p.
func resultCells(r stats.Result) []Cell {
	lower, upper := interval(r.Interval)
	return []Cell{Number(r.Estimate), lower, upper, Number(r.P)}
}

// groupSection describes the groups before treatment.
func (c *Comparison) groupSection() Section {
	sec := Section{Name: "Groups", Title: "The groups before treatment", Empty: nothingToCompare,
		Lead: []string{fmt.Sprintf("Who got which %s was never random. The standardised difference says how far a group lies from %s; 0.1 is often taken as small (common practice).", byWord(c.Spec.By), c.reference())}}
	t := &Table{Columns: []Column{{Key: "what", Head: "characteristic"}, {Key: "group", Head: c.Spec.By}, {Key: "n", Head: "n eyes", Format: Whole}, {Key: "missing", Head: "missing", Format: Whole},
		{Key: "mean", Head: "mean or share", Format: TwoDec}, {Key: "sd", Head: "SD", Format: TwoDec}, {Key: "median", Head: "median", Format: TwoDec},
		{Key: "q1", Head: "quartile 1", Format: TwoDec, Pair: true, Help: "Quantiles of type 7."}, {Key: "q3", Head: "quartile 3", Format: TwoDec},
		{Key: "smd", Head: "standardised difference", Format: TwoDec, Help: "Mean less that of the first group, divided by the root mean of the two variances (Austin 2009)."}}}
	if c.anyEye() {
		for i := range c.Baseline {
			t.Rows = append(t.Rows, c.baselineTable(&c.Baseline[i])...)
		}
	}
	sec.Table = t
	sec.Notes = []string{"Age is the year of treatment minus the year of birth. Baseline: the last value on or before the day of treatment, at most as old as the definitions allow."}
	return sec
}

func (c *Comparison) reference() string {
	if len(c.Groups) == 0 {
		return "the first group"
	}
	return c.Groups[0].Name
}

func (c *Comparison) anyEye() bool {
	for i := range c.Groups {
		if len(c.Groups[i].Episodes) > 0 {
			return true
		}
	}
	return false
}

func (c *Comparison) baselineTable(b *BaselineRow) []Row {
	rows := []Row{{Break: true, Cells: []Cell{Text(b.Label)}}}
	for i := range c.Groups {
		d := &b.Groups[i]
		row := Row{Cells: []Cell{{}, Text(c.Groups[i].Name), Count(d.N), Count(b.Missing[i])}}
		switch {
		case d.N == 0:
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{})
		case b.Share:
			row.Cells = append(row.Cells, Number(d.Mean.Estimate).As(Share), Cell{}, Cell{}, Cell{}, Cell{})
		default:
			for _, v := range []float64{d.Mean.Estimate, d.SD, d.Median, d.Q25, d.Q75} {
				row.Cells = append(row.Cells, Number(v).As(b.Format))
			}
		}
		row.Cells = append(row.Cells, orReason(b.Difference[i], b.Errs[i]))
		rows = append(rows, row)
	}
	return rows
}

// unadjusted is the change by group and the headline differences.
func (c *Comparison) unadjusted(overTime Figure) Section {
	m := &c.Primary
	f := formatOf(m.Quantity)
	sec := Section{Name: "Unadjusted", Title: "Change of " + m.Quantity.Info().Label + " at " + m.Window.Label + ", unadjusted", Empty: nothingToCompare}
	t := &Table{Columns: []Column{{Key: "what", Head: c.Spec.By + " or difference", Wide: true}, {Key: "n", Head: "n eyes", Format: Whole, Help: "Eyes with both a baseline and a value in the window."},
		{Key: "patients", Head: "n patients", Format: Whole}, {Key: "due", Head: "due", Format: Whole}, {Key: "missing", Head: "due, no value", Format: Whole},
		{Key: "baseline", Head: "baseline mean", Format: f}, {Key: "baseline_sd", Head: "SD", Format: f}, {Key: "mean", Head: "mean change or difference", Format: f}, {Key: "sd", Head: "SD", Format: f},
		{Key: "lower", Head: "95 % CI from", Format: f, Pair: true}, {Key: "upper", Head: "to", Format: f},
		{Key: "p", Head: "p", Format: PValue}, {Key: "p_pairs", Head: "p, Holm over pairs", Format: PValue}, {Key: "method", Head: "method", Wide: true}}}
	if c.anyEye() {
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text("Change by " + c.Spec.By + " (limits of the mean: t, eye by eye)")}})
		for i := range m.Groups {
			t.Rows = append(t.Rows, c.changeRow(m, i))
		}
		if len(m.Contrasts) > 0 {
			t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text("Differences in change")}})
		}
		for i := range m.Contrasts {
			t.Rows = append(t.Rows, c.headlineRow(m, &m.Contrasts[i]))
		}
	}
	sec.Table = t
	sec.Notes = []string{c.clusterNote(m)}
	if len(overTime.Series) > 0 {
		sec.Figures = append(sec.Figures, overTime)
	}
	if fig, ok := c.distribution(); ok {
		sec.Figures = append(sec.Figures, fig)
	}
	return sec
}

func (c *Comparison) changeRow(m *MeasureComparison, i int) Row {
	g := &m.Groups[i]
	n := len(g.Pairs.Change)
	row := Row{Cells: []Cell{Text(c.Groups[i].Name), Count(n), Count(g.Patients), Count(g.Due), Count(g.Due - g.With)}}
	if n == 0 {
		return row
	}
	lower, upper := Cell{}, Cell{}
	if n > 1 {
		lower, upper = interval(g.Delta.Mean)
	}
	row.Cells = append(row.Cells, Number(g.Baseline.Mean.Estimate), Number(g.Baseline.SD), Number(g.Delta.Mean.Estimate).From(c.behind(i, changeKey)), Number(g.Delta.SD), lower, upper)
	return row
}

func (c *Comparison) headlineRow(m *MeasureComparison, k *Contrast) Row {
	row := Row{Cells: []Cell{Text(c.name(k)), Count(len(m.Groups[k.First].Pairs.Change) + len(m.Groups[k.Second].Pairs.Change)), {}, {}, {}, {}, {}}}
	if k.HeadlineErr != nil {
		row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, why(k.HeadlineErr))
		return row
	}
	cells := resultCells(k.Headline)
	row.Cells = append(row.Cells, cells[0], Cell{}, cells[1], cells[2], cells[3], Number(k.PairHolm), Text(k.Headline.Method))
	return row
}

func (c *Comparison) clusterNote(m *MeasureComparison) string {
	if m.TwoEyes == 0 {
		return "No patient has two eyes here, so the headline is the plain method: Welch's t test."
	}
	s := fmt.Sprintf("%s two eyes here, which are not independent: the headline is a linear mixed model with the group as fixed effect and a random patient intercept.", has(m.TwoEyes))
	if !math.IsNaN(m.Within) {
		s += fmt.Sprintf(" Within-patient correlation of the change, given the group: %s.", TwoDec.Print(m.Within))
		if m.Within == 0 {
			s += " The model sits on its boundary: it found no likeness of two eyes of a patient."
		}
	}
	return s
}

func has(n int) string {
	if n == 1 {
		return "1 patient has"
	}
	return patients(n) + " have"
}

// perEyeSection is the tests that take eyes as independent, under that name.
func (c *Comparison) perEyeSection() Section {
	m := &c.Primary
	f := formatOf(m.Quantity)
	sec := Section{Name: "Tests per eye", Title: "Tests that treat eyes as independent, beside the headline", Empty: nothingToCompare}
	t := &Table{Columns: []Column{{Key: "difference", Head: "difference", Wide: true}, {Key: "welch", Head: "difference of means", Format: f}, {Key: "welch_lower", Head: "95 % CI from", Format: f, Pair: true}, {Key: "welch_upper", Head: "to", Format: f},
		{Key: "t", Head: "Welch t", Format: TwoDec}, {Key: "df", Head: "df", Format: OneDec}, {Key: "welch_p", Head: "p", Format: PValue},
		{Key: "shift", Head: "Hodges–Lehmann shift", Format: f}, {Key: "shift_lower", Head: "95 % CI from", Format: f, Pair: true}, {Key: "shift_upper", Head: "to", Format: f},
		{Key: "ranks_p", Head: "Mann–Whitney p", Format: PValue}, {Key: "note", Head: "note", Wide: true}}}
	for i := range m.Contrasts {
		k := &m.Contrasts[i]
		row := Row{Cells: []Cell{Text(c.name(k))}}
		if k.WelchErr != nil {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{}, Cell{}, Cell{}, Cell{})
		} else {
			cells := resultCells(k.Welch)
			row.Cells = append(row.Cells, cells[0], cells[1], cells[2], Number(k.Welch.Stat), Number(k.Welch.DF), cells[3])
		}
		if k.ShiftErr != nil {
			row.Cells = append(row.Cells, Cell{}, Cell{}, Cell{})
		} else {
			lower, upper := interval(k.Shift)
			row.Cells = append(row.Cells, Number(k.Shift.Estimate), lower, upper)
		}
		row.Cells = append(row.Cells, orEmpty(k.MannWhitney.P, k.MannWhitneyErr))
		row.Cells = append(row.Cells, Text(perEyeNote(k)))
		t.Rows = append(t.Rows, row)
	}
	if len(c.Groups) > 2 {
		t.Rows = append(t.Rows, togetherRow(m.WelchAnova, m.WelchAnovaErr), togetherRow(m.KruskalWallis, m.KruskalWallisErr))
	}
	sec.Table = t
	sec.Notes = []string{"Where patients have two eyes these p values are too small or too large: the headline stands on the sheet Unadjusted. Pairs are not adjusted for their number here."}
	return sec
}

func perEyeNote(k *Contrast) string {
	var notes []string
	for _, err := range []error{k.WelchErr, k.MannWhitneyErr, k.ShiftErr} {
		if err != nil && !slices.Contains(notes, err.Error()) {
			notes = append(notes, err.Error())
		}
	}
	if k.MannWhitneyErr == nil {
		notes = append(notes, k.MannWhitney.Method)
	}
	return strings.Join(notes, "; ")
}

// why is a reason in a column of words, where it may wrap.
func why(err error) Cell { return Text(err.Error()) }

func orEmpty(x float64, err error) Cell {
	if err != nil {
		return Cell{}
	}
	return Number(x)
}

// togetherRow is a test of all groups: its statistic stands where t stands,
// its degrees of freedom behind.
func togetherRow(r stats.Result, err error) Row {
	row := Row{Cells: []Cell{Text("all groups"), {}, {}, {}, {}, {}, {}, {}, {}, {}, {}}}
	if err != nil {
		row.Cells = append(row.Cells, why(err))
		return row
	}
	words := fmt.Sprintf("%s: statistic %s on %s", r.Method, TwoDec.Print(r.Stat), OneDec.Print(r.DF))
	if !math.IsNaN(r.DF2) {
		words += " and " + OneDec.Print(r.DF2)
	}
	row.Cells[6] = Number(r.P)
	row.Cells = append(row.Cells, Text(words+" degrees of freedom"))
	return row
}
