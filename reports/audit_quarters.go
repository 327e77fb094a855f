package reports

import (
	"fmt"
	"math"
	"strings"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/stats/describe"
	"keratally/stats/mixed"
	"keratally/stats/monitor"
)

// quartersShown is how far back the run charts go.
const quartersShown = 12

// quarterOf numbers quarters without gaps: year × 4 + quarter − 1.
func quarterOf(d registry.Date) int {
	t := d.Time()
	return t.Year()*4 + int(t.Month()-1)/3
}

func quarterName(q int) string { return fmt.Sprintf("%d Q%d", q/4, q%4+1) }

// runSeries is one figure over the quarters.
type runSeries struct {
	name   string
	format Format
	value  func(q int) (x float64, n int) // NaN where there is nothing to say
}

// quarters sets the period beside the quarters before it: run charts with the
// rules that tell chance from change.
func (a *Audit) quarters() ([]Section, error) {
	o := a.Source.Outcomes
	sec := Section{Name: "Quarters", Title: "This quarter and those before it", Empty: "No treatment in the cohort yet."}
	t := &Table{Columns: []Column{{Key: "figure", Head: "figure", Wide: true}, {Key: "quarter", Head: "quarter"}, {Key: "value", Head: "value", Format: TwoDec}, {Key: "n", Head: "n eyes", Format: Whole}, {Key: "words", Head: "run chart", Wide: true}}}
	last := quarterOf(a.Source.To)
	first := last + 1
	for i := range o.Episodes {
		first = min(first, quarterOf(o.Episodes[i].Day0))
	}
	first = max(first, last-quartersShown+1)
	for _, series := range a.runSeries() {
		if err := a.addRun(&sec, t, series, first, last); err != nil {
			return nil, err
		}
	}
	sec.Table = t
	sec.Notes = []string{
		"A run chart sets values beside their median in order of time. Rules for a shift (6 or more on one side) and a trend (5 or more rising or falling): Perla, Provost & Murray 2011; for the longest run and crossings: Anhøj & Olesen 2014. A signal asks for a look, it is no verdict.",
		"A value at the primary window belongs to the quarter in which the visit took place; a treatment and its early complications to that of the treatment."}
	return []Section{sec}, nil
}

func (a *Audit) runSeries() []runSeries {
	o := a.Source.Outcomes
	list := []runSeries{{"treatments", Whole, func(q int) (float64, int) {
		n := 0
		for i := range o.Episodes {
			if quarterOf(o.Episodes[i].Day0) == q {
				n++
			}
		}
		return float64(n), n
	}}}
	for _, quantity := range []registry.Quantity{registry.Kmax.Quantity(), registry.CDVA.Quantity()} {
		c := a.change(quantity, o.Definitions.Analysis.PrimaryWindow)
		if c == nil {
			continue
		}
		list = append(list, runSeries{fmt.Sprintf("mean change of %s at %s", heading(quantity), c.Window.Label), formatOf(quantity), func(q int) (float64, int) {
			var x []float64
			for i, e := range c.Pairs.Episode {
				if quarterOf(o.Episodes[e].Day0.Add(int(c.Pairs.Day[i]))) == q {
					x = append(x, c.Pairs.Change[i])
				}
			}
			return meanOf(x), len(x)
		}})
	}
	if w, ok := o.Definitions.Windows.Find(o.Definitions.Analysis.PrimaryWindow); ok {
		window := o.Windows()[w]
		list = append(list, runSeries{"due eyes seen at " + window.Label + ", by the quarter in which the window closed", Share, func(q int) (float64, int) {
			due, seen := 0, 0
			for e := range o.Episodes {
				if o.Due(e, w) && quarterOf(o.Episodes[e].Day0.Add(window.To)) == q {
					due++
					if from, to := o.WindowVisits(e, w); to > from {
						seen++
					}
				}
			}
			return float64(seen) / float64(due), due
		}})
	}
	return list
}

func meanOf(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	d, err := describe.Summarise(x, 0.95)
	if err != nil {
		return math.NaN()
	}
	return d.Mean.Estimate
}

func (a *Audit) addRun(sec *Section, t *Table, s runSeries, first, last int) error {
	var values []float64
	var rows []Row
	fig := Figure{Key: fmt.Sprintf("run-%d", len(sec.Figures)+1), Kind: LineFigure, Title: upperFirst(s.name) + " by quarter", Desc: "Points by quarter joined by a line, with their median.",
		X: Axis{Title: "quarter"}, Y: Axis{Title: s.name, Percent: s.format == Share}}
	series := Series{Name: s.name}
	for q := first; q <= last; q++ {
		x, n := s.value(q)
		row := Row{Cells: []Cell{{}, Text(quarterName(q)), Number(x).As(s.format), Count(n)}}
		rows = append(rows, row)
		fig.X.Ticks = append(fig.X.Ticks, Tick{At: float64(q - first), Label: quarterName(q)})
		if !math.IsNaN(x) {
			values = append(values, x)
			series.X, series.Y, series.N = append(series.X, float64(q-first)), append(series.Y, x), append(series.N, n)
		}
	}
	if len(values) == 0 {
		return nil
	}
	words := ""
	centre := monitor.Median(values)
	if len(values) >= 2 {
		if chart, err := monitor.NewRunChart(values, centre); err != nil {
			words = err.Error()
		} else {
			words = strings.Join(chart.Words(), "; ")
		}
	}
	t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(upperFirst(s.name)), {}, Number(centre).As(s.format), {}, Text(joinWords("median of the quarters shown", words))}})
	t.Rows = append(t.Rows, rows...)
	fig.Series = []Series{series}
	fig.Lines = []RefLine{{Name: "median", At: centre}}
	sec.Figures = append(sec.Figures, fig)
	return nil
}

func joinWords(a, b string) string {
	if b == "" {
		return a
	}
	return a + "; " + b
}

// repeated is the mixed model for repeated measures over all windows together,
// which uses every visit.
func (a *Audit) repeated() ([]Section, error) {
	o := a.Source.Outcomes
	sec := Section{Name: "Repeated measures", Title: "Change over all windows together", Empty: "No eye has values in two windows yet."}
	t := &Table{Columns: []Column{{Key: "measure", Head: "measure"}, {Key: "window", Head: "window"}, {Key: "n", Head: "n eyes", Format: Whole},
		{Key: "change", Head: "mean change", Format: TwoDec, Help: "Mixed model for repeated measures: window as factor, unstructured covariance where there are enough eyes, otherwise compound symmetry; REML; Satterthwaite degrees of freedom. It uses every visit, so that eyes lost later still count where they were seen."},
		{Key: "lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "upper", Head: "to", Format: TwoDec}, {Key: "p", Head: "p", Format: PValue}, {Key: "notes", Head: "notes", Wide: true}}}
	for _, q := range audited {
		rows := a.repeatedRows(o, q)
		if len(rows) > 0 {
			t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(heading(q))}})
			t.Rows = append(t.Rows, rows...)
		}
	}
	sec.Table = t
	sec.Notes = []string{"Changes from baseline of the same eye. The two eyes of a patient share a random intercept besides."}
	return []Section{sec}, nil
}

// repeatedWindows are those that enter the model: the early ones hold another
// process, and a window with few eyes has no covariance of its own.
func (a *Audit) repeatedRows(o *snapshot.Outcomes, q registry.Quantity) []Row {
	least := max(o.Definitions.Analysis.MinEpisodes, 10)
	var values []float64
	by := mixed.Repeated{}
	var used []*Change
	for i := range a.changes[q] {
		c := &a.changes[q][i]
		if c.Window.Target < 28 || len(c.Pairs.Change) < least {
			continue
		}
		for k := range c.Pairs.Change {
			values = append(values, c.Pairs.Change[k])
			by.Subjects = append(by.Subjects, int(c.Pairs.Episode[k]))
			by.Visits = append(by.Visits, len(used))
			by.Clusters = append(by.Clusters, int(c.Pairs.Patient[k]))
		}
		used = append(used, c)
		by.Labels = append(by.Labels, c.Window.Label)
	}
	if len(used) < 2 {
		return nil
	}
	level := o.Definitions.Analysis.ConfidenceLevel
	by.Shape = mixed.Unstructured
	results, _, err := mixed.VisitMeans(values, by, level)
	note := ""
	if err != nil {
		by.Shape = mixed.CompoundSymmetric
		results, _, err = mixed.VisitMeans(values, by, level)
		note = "compound symmetry"
	}
	f := formatOf(q)
	var rows []Row
	for i, c := range used {
		row := Row{Cells: []Cell{{}, Text(c.Window.Label), Count(len(c.Pairs.Change))}}
		if err != nil {
			row.Cells = append(row.Cells, Reason(err))
		} else {
			r := results[i]
			row.Cells = append(row.Cells, Number(r.Estimate).As(f), Number(r.Interval.Lower).As(f), Number(r.Interval.Upper).As(f), Number(r.P), Text(note))
		}
		rows = append(rows, row)
	}
	return rows
}
