package reports

import (
	"fmt"
	"strings"
	"time"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/stats/describe"
)

// flow says how many eyes and patients each criterion of the cohort left.
func (a *Audit) flow() ([]Section, error) {
	s := a.Source
	sec := Section{Name: "Flow", Title: "From the registry to this cohort", Empty: "The registry holds no treated eye up to the cut-off."}
	t := &Table{Columns: []Column{{Key: "step", Head: "criterion", Wide: true}, {Key: "eyes", Head: "eyes left", Format: Whole}, {Key: "patients", Head: "patients left", Format: Whole},
		{Key: "removed", Head: "eyes removed", Format: Whole}}}
	fig := Figure{Key: "flow", Kind: FlowFigure, Title: "From the registry to this cohort", Desc: "Boxes of the eyes and patients left after each criterion."}
	before := 0
	for i, step := range s.Flow {
		removed := Cell{}
		if i > 0 {
			removed = Count(before - step.Eyes)
		}
		t.Rows = append(t.Rows, Row{Cells: []Cell{Text(step.Words), Count(step.Eyes), Count(step.Patients), removed}})
		fig.Boxes = append(fig.Boxes, FlowStep{Label: step.Words, Eyes: step.Eyes, Patients: step.Patients})
		before = step.Eyes
	}
	sec.Table, sec.Figures = t, []Figure{fig}
	sec.Notes = []string{"Criteria are applied in this order. The unit is the episode: one cross-linking of one eye."}
	return []Section{sec}, nil
}

// characteristics are the numbers that describe eyes before treatment.
var characteristics = []registry.Quantity{
	registry.Kmax.Quantity(), registry.KMean, registry.Thinnest.Quantity(), registry.CDVA.Quantity(), registry.UDVA.Quantity(),
	registry.SphericalEquivalent, registry.CylinderMagnitude, registry.ECD.Quantity(), registry.IOP.Quantity(), registry.Densitometry.Quantity(),
}

// baseline describes the eyes before treatment, by protocol, and those that
// were followed beside those that were lost.
func (a *Audit) baseline() ([]Section, error) {
	s := a.Source
	sec := Section{Name: "Baseline", Title: "Eyes before treatment, by protocol", Empty: "No treated eye in the cohort yet."}
	t := describeTable("protocol")
	groups := s.groups(s.protocolCode)
	all := group{name: "all", episodes: everyEpisode(s.Outcomes)}
	if err := a.describeGroups(t, append([]group{all}, groups...)); err != nil {
		return nil, err
	}
	sec.Table = t
	sec.Notes = []string{"Protocols were chosen, not drawn by lot: eyes that got one differ from eyes that got another, as this table shows.",
		"Age is the year of treatment minus the year of birth."}

	kept := Section{Name: "Followed and lost", Title: "Eyes before treatment: followed and not followed", Empty: "No eye is due at the primary window yet."}
	kt := describeTable("follow-up")
	w, ok := s.Outcomes.Definitions.Windows.Find(s.Outcomes.Definitions.Analysis.PrimaryWindow)
	if ok {
		var seen, lost group
		label := s.Outcomes.Windows()[w].Label
		seen.name, lost.name = "seen at "+label, "due, not seen at "+label
		for e := range s.Outcomes.Episodes {
			if !s.Outcomes.Due(e, w) {
				continue
			}
			if from, to := s.Outcomes.WindowVisits(e, w); to > from {
				seen.episodes = append(seen.episodes, int32(e))
			} else {
				lost.episodes = append(lost.episodes, int32(e))
			}
		}
		if len(seen.episodes)+len(lost.episodes) > 0 {
			if err := a.describeGroups(kt, []group{seen, lost}); err != nil {
				return nil, err
			}
		}
	}
	kept.Table = kt
	kept.Notes = []string{"If the eyes that were lost differ from those that were seen, results at this window may not hold for all."}
	return []Section{sec, kept}, nil
}

func everyEpisode(o *snapshot.Outcomes) []int32 {
	out := make([]int32, len(o.Episodes))
	for i := range out {
		out[i] = int32(i)
	}
	return out
}

func describeTable(by string) *Table {
	return &Table{Columns: []Column{
		{Key: "what", Head: "characteristic"}, {Key: "group", Head: by}, {Key: "n", Head: "n eyes", Format: Whole}, {Key: "missing", Head: "missing", Format: Whole},
		{Key: "mean", Head: "mean", Format: TwoDec}, {Key: "sd", Head: "SD", Format: TwoDec}, {Key: "median", Head: "median", Format: TwoDec},
		{Key: "q1", Head: "quartile 1", Format: TwoDec, Pair: true}, {Key: "q3", Head: "quartile 3", Format: TwoDec},
		{Key: "min", Head: "least", Format: TwoDec, Pair: true}, {Key: "max", Head: "greatest", Format: TwoDec}}}
}

// describeGroups adds a block of rows for each characteristic.
func (a *Audit) describeGroups(t *Table, groups []group) error {
	o := a.Source.Outcomes
	level := o.Definitions.Analysis.ConfidenceLevel
	block := func(name string, f Format, cases *Cases, values func(*snapshot.Outcomes) ([]float64, int)) error {
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(name), {}, {}, {}, {}, {}, {}, {}, {}, {}, {}}})
		for _, g := range groups {
			x, missing := values(o.Only(g.episodes))
			row := Row{Cells: []Cell{{}, Text(g.name), Count(len(x)).From(cases), Count(missing)}}
			if len(x) > 0 {
				d, err := describe.Summarise(x, level)
				if err != nil {
					return err
				}
				for _, v := range []float64{d.Mean.Estimate, d.SD, d.Median, d.Q25, d.Q75, d.Min, d.Max} {
					row.Cells = append(row.Cells, Number(v).As(f))
				}
			}
			t.Rows = append(t.Rows, row)
		}
		return nil
	}
	err := block("age (years)", OneDec, &Cases{Section: episodesSheet, Columns: []string{"age"}, Last: -1}, func(o *snapshot.Outcomes) (x []float64, missing int) {
		for e := range o.Episodes {
			if years, ok := o.Age(e); ok {
				x = append(x, float64(years))
			} else {
				missing++
			}
		}
		return x, missing
	})
	for _, q := range characteristics {
		if err == nil {
			err = block(heading(q), formatOf(q), &Cases{Section: valuesSheet, Columns: []string{baselineKey(q)}, Last: -1}, func(o *snapshot.Outcomes) ([]float64, int) {
				sample := o.Baselines(q)
				return sample.Value, sample.Missing
			})
		}
	}
	return err
}

// activity counts treatments by month and protocol, and by clinician.
func (a *Audit) activity() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	groups := s.groups(s.protocolCode)
	months := Section{Name: "Activity", Title: "Treatments by month and protocol", Empty: "No treatment in the cohort yet."}
	t := &Table{Columns: []Column{{Key: "month", Head: "month"}, {Key: "all", Head: "all", Format: Whole}}}
	for _, g := range groups {
		t.Columns = append(t.Columns, Column{Key: "protocol " + g.name, Head: g.name, Format: Whole})
	}
	first, last := monthSpan(o, s.To)
	fig := Figure{Key: "activity", Kind: StackedBarFigure, Title: "Treatments by month (" + eyes(len(o.Episodes)) + ")", Desc: "Stacked bars of treatments by month and protocol.",
		X: Axis{Title: "month"}, Y: Axis{Title: "treatments"}}
	for _, g := range groups {
		fig.Series = append(fig.Series, Series{Name: g.name})
	}
	for m := first; m <= last; m++ {
		name := time.Date(m/12, time.Month(m%12+1), 1, 0, 0, 0, 0, time.UTC).Format("Jan 2006")
		row := Row{Cells: []Cell{Text(name), {}}}
		total := 0
		for i, g := range groups {
			n := 0
			for _, e := range g.episodes {
				if monthOf(o.Episodes[e].Day0) == m {
					n++
				}
			}
			total += n
			row.Cells = append(row.Cells, Count(n))
			fig.Series[i].Y = append(fig.Series[i].Y, float64(n))
		}
		row.Cells[1] = Count(total)
		t.Rows = append(t.Rows, row)
		fig.X.Categories = append(fig.X.Categories, name)
	}
	months.Table = t
	if len(t.Rows) > 0 {
		months.Figures = []Figure{fig}
	}

	who := Section{Name: "Activity by surgeon", Title: "Treatments by surgeon and protocol", Empty: "No treatment in the cohort yet."}
	wt := &Table{Columns: []Column{{Key: "clinician", Head: "surgeon"}, {Key: "protocol", Head: "protocol"}, {Key: "period", Head: "in the period", Format: Whole}, {Key: "all", Head: "all", Format: Whole}}}
	for _, c := range s.groups(s.clinicianName) {
		sub := &Source{Outcomes: o.Only(c.episodes), From: s.From, To: s.To}
		wt.Rows = append(wt.Rows, Row{Break: true, Cells: []Cell{Text(c.name), {}, Count(sub.inPeriod(nil)), Count(len(c.episodes))}})
		for _, p := range sub.groups(sub.protocolCode) {
			wt.Rows = append(wt.Rows, Row{Cells: []Cell{{}, Text(p.name), Count(sub.inPeriod(p.episodes)), Count(len(p.episodes))}})
		}
	}
	who.Table = wt

	light, err := a.dose()
	return []Section{months, who, light}, err
}

// inPeriod counts the episodes treated in the period; all of them for nil.
func (s *Source) inPeriod(episodes []int32) int {
	if episodes == nil {
		episodes = everyEpisode(s.Outcomes)
	}
	n := 0
	for _, e := range episodes {
		if d := s.Outcomes.Episodes[e].Day0; d >= s.From && d <= s.To {
			n++
		}
	}
	return n
}

func monthOf(d registry.Date) int {
	t := d.Time()
	return t.Year()*12 + int(t.Month()) - 1
}

// monthSpan returns the months to list: at most the last 24 up to the end of
// the period.
func monthSpan(o *snapshot.Outcomes, to registry.Date) (first, last int) {
	last = monthOf(to)
	first = last + 1
	for i := range o.Episodes {
		first = min(first, monthOf(o.Episodes[i].Day0))
	}
	return max(first, last-23), last
}

// dose sets what was given beside what was planned.
func (a *Audit) dose() (Section, error) {
	s, o := a.Source, a.Source.Outcomes
	sec := Section{Name: "Dose as given", Title: "Irradiation as given, by protocol", Empty: "No treatment in the cohort yet."}
	t := &Table{Columns: []Column{
		{Key: "protocol", Head: "protocol"}, {Key: "name", Head: "as planned", Wide: true}, {Key: "n", Head: "treatments", Format: Whole},
		{Key: "irradiance", Head: "irradiance, median (mW/cm²)", Format: TwoDec}, {Key: "exposure", Head: "exposure, median (s)", Format: Whole},
		{Key: "fluence", Head: "fluence, computed, median (J/cm²)", Format: TwoDec, Help: "irradiance × exposure × duty ÷ 1000"},
		{Key: "entered", Head: "fluence, entered, median (J/cm²)", Format: TwoDec},
		{Key: "differ", Head: "entered differs by more than 2 %", Format: Whole},
		{Key: "min_pachy", Head: "thinnest step, median (µm)", Format: Whole}, {Key: "below", Head: "thinnest step below 400 µm", Format: Whole},
		{Key: "interrupted", Head: "interrupted", Format: Whole}}}
	for _, g := range s.groups(s.protocolCode) {
		t.Rows = append(t.Rows, a.doseRow(g))
	}
	sec.Table = t
	sec.Notes = []string{
		"400 µm is the usual limit for the standard irradiation with the epithelium off (common practice); eyes below it are counted, not judged. Local protocols and the device's own instructions decide.",
		"A zoned treatment has several fluences; the entered one is that of its weakest area."}
	_ = o
	return sec, nil
}

func (a *Audit) doseRow(g group) Row {
	o := a.Source.Outcomes
	tr := &o.Snapshot.Treatments
	var irradiance, exposure, computed, entered, thin []float64
	differ, below, interrupted := 0, 0, 0
	name := ""
	for _, e := range g.episodes {
		ti := o.Episodes[e].Treatment
		if p := o.ProtocolOf(int(e)); p != nil {
			name = p.Name
		}
		light := tr.Light(ti)
		if p := o.ProtocolOf(int(e)); p != nil && light.PulseOnMs == measure.None { // as planned where the treatment says nothing
			light.PulseOnMs, light.PulseOff = p.Light.PulseOnMs, p.Light.PulseOff
		}
		if v := light.IrradianceE2; v.IsValid() {
			irradiance = append(irradiance, v.Float(measure.IrradianceUnit))
		}
		if v := light.ExposureS; v.IsValid() {
			exposure = append(exposure, float64(v))
		}
		joules, ok := light.Fluence()
		if ok {
			computed = append(computed, joules)
		}
		if v := light.FluenceE2; v.IsValid() {
			entered = append(entered, v.Float(measure.FluenceUnit))
			if x := v.Float(measure.FluenceUnit); ok && (x > 1.02*joules || x < 0.98*joules) {
				differ++
			}
		}
		least := measure.None
		for i, step := range registry.PachymetrySteps {
			if v := tr.Pachymetry[i][ti]; step != "before" && v.IsValid() && (least == measure.None || v < least) {
				least = v
			}
		}
		if least.IsValid() {
			thin = append(thin, float64(least))
			if least < 400 {
				below++
			}
		}
		if v := tr.Interruptions[ti]; v.IsValid() && v > 0 {
			interrupted++
		}
	}
	return Row{Cells: []Cell{Text(g.name), Text(name), Count(len(g.episodes)), median(irradiance), median(exposure), median(computed), median(entered), Count(differ),
		median(thin), Count(below), Count(interrupted)}}
}

func median(x []float64) Cell {
	if len(x) == 0 {
		return Cell{}
	}
	m, err := describe.Median(x)
	return orReason(m, err)
}

// lines is acuity lines gained and lost, and Kmax flatter and steeper.
func (a *Audit) lines() ([]Section, error) {
	var out []Section
	kmax := Section{Name: "Kmax shares", Title: "Eyes flatter and steeper in Kmax", Empty: "No eye has Kmax both before and after treatment yet."}
	t := &Table{Columns: []Column{{Key: "window", Head: "window"}, {Key: "change", Head: "change of Kmax"}}}
	t.Columns = append(t.Columns, append(shareColumns("kmax", "counted"), Column{Key: "patients", Head: "n patients", Format: Whole})...)
	level := a.Source.Outcomes.Definitions.Analysis.ConfidenceLevel
	for i := range a.changes[registry.Kmax.Quantity()] {
		c := &a.changes[registry.Kmax.Quantity()][i]
		if len(c.Pairs.Change) == 0 {
			continue
		}
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(c.Window.Label)}})
		for _, kind := range []struct {
			name string
			test func(float64) bool
		}{
			{"flatter by 1 D or more", func(d float64) bool { return d <= -1 }},
			{"within 1 D", func(d float64) bool { return d > -1 && d < 1 }},
			{"steeper by 1 D or more", func(d float64) bool { return d >= 1 }},
			{"steeper by 2 D or more", func(d float64) bool { return d >= 2 }},
		} {
			share := newShare(marks(c.Pairs, kind.test), c.Pairs.Patient, level)
			cells := share.cells()
			cells[1] = cells[1].From(a.valuesOf(c.Quantity, c.Window))
			t.Rows = append(t.Rows, Row{Cells: append(append([]Cell{{}, Text(kind.name)}, cells...), Count(share.Patients))})
		}
	}
	kmax.Table = t
	kmax.Notes = []string{"1 D is inside the repeatability of Kmax in keratoconus (limit about 2.3 D, Hashemi 2015): in one eye a change of 1 D may be noise."}
	out = append(out, kmax)
	for _, q := range []registry.Quantity{registry.CDVA.Quantity(), registry.UDVA.Quantity()} {
		out = append(out, a.linesOf(q))
	}
	return out, nil
}

var lineClasses = []struct {
	name string
	in   func(lines int) bool
}{
	{"lost 2 or more", func(n int) bool { return n <= -2 }},
	{"lost 1", func(n int) bool { return n == -1 }},
	{"unchanged", func(n int) bool { return n == 0 }},
	{"gained 1", func(n int) bool { return n == 1 }},
	{"gained 2 or more", func(n int) bool { return n >= 2 }},
}

func (a *Audit) linesOf(q registry.Quantity) Section {
	info := q.Info()
	o := a.Source.Outcomes
	sec := Section{Name: info.Label + " lines", Title: "Lines of " + info.Label + " gained and lost", Empty: "No eye has " + info.Label + " both before and after treatment yet."}
	t := &Table{Columns: []Column{{Key: "window", Head: "window"}, {Key: "lines", Head: "lines"}}}
	t.Columns = append(t.Columns, append(shareColumns("lines", "counted"), Column{Key: "patients", Head: "n patients", Format: Whole})...)
	fig := Figure{Key: info.Key + "-lines", Kind: BarFigure, X: Axis{Title: "lines of " + info.Label}, Y: Axis{Title: "share of eyes", Percent: true},
		Desc: "Bars of the share of eyes that lost or gained lines of " + info.Long + "."}
	for _, c := range lineClasses {
		fig.X.Categories = append(fig.X.Categories, c.name)
	}
	var counts []string
	for i := range a.changes[q] {
		c := &a.changes[q][i]
		if len(c.Pairs.Change) == 0 {
			continue
		}
		gained := o.Lines(c.Pairs)
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(c.Window.Label)}})
		series := Series{Name: c.Window.Label}
		for _, class := range lineClasses {
			in := make([]bool, len(gained))
			for j, n := range gained {
				in[j] = class.in(n)
			}
			share := newShare(in, c.Pairs.Patient, o.Definitions.Analysis.ConfidenceLevel)
			cells := share.cells()
			cells[1] = cells[1].From(a.valuesOf(c.Quantity, c.Window))
			t.Rows = append(t.Rows, Row{Cells: append(append([]Cell{{}, Text(class.name)}, cells...), Count(share.Patients))})
			series.Y = append(series.Y, share.Interval.Estimate)
			series.Lower = append(series.Lower, share.Interval.Lower)
			series.Upper = append(series.Upper, share.Interval.Upper)
		}
		if c.Window.Target >= 180 && len(fig.Series) < 3 {
			fig.Series = append(fig.Series, series)
			counts = append(counts, c.Window.Label+": "+eyes(len(gained)))
		}
	}
	sec.Table = t
	sec.Notes = []string{fmt.Sprintf("A line is 0.1 logMAR; a change within %.3f of a whole number of lines counts as that number, so that 0.5 to 0.8 decimal is two.", float64(o.Definitions.Analysis.LineToleranceE3)/1000)}
	fig.Title = "Lines of " + info.Label + " gained and lost (" + strings.Join(counts, ", ") + ")"
	if len(fig.Series) > 0 {
		sec.Figures = []Figure{fig}
	}
	return sec
}
