package reports

import (
	"fmt"
	"strings"

	"keratally/registry"
)

// completeness is, for each window and measure, how many of the due episodes
// have a value.
func (a *Audit) completeness() ([]Section, error) {
	o := a.Source.Outcomes
	level := o.Definitions.Analysis.ConfidenceLevel
	sec := Section{Name: "Completeness", Title: "Follow-up completeness", Empty: "No window has closed for any treated eye yet."}
	t := &Table{Columns: []Column{{Key: "window", Head: "window"}, {Key: "what", Head: "what"}, {Key: "due", Head: "due eyes", Format: Whole},
		{Key: "with", Head: "with it", Format: Whole}, {Key: "share", Head: "share", Format: Share}, {Key: "lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Clopper–Pearson, exact."}, {Key: "upper", Head: "to", Format: Share}}}
	fig := Figure{Key: "completeness", Kind: BarFigure, Desc: "Bars of the share of due eyes with a visit, and with Kmax and CDVA, at each window.", X: Axis{Title: "window"}, Y: Axis{Title: "share of due eyes", Percent: true, Max: 1},
		Series: []Series{{Name: "any visit"}, {Name: "Kmax"}, {Name: "CDVA"}}}
	for _, w := range a.windows {
		due, seen := o.Attendance(w)
		if due == 0 {
			continue
		}
		label := o.Windows()[w].Label
		add := func(name string, with int) {
			share := exact(with, due, level)
			c := share.cells()
			t.Rows = append(t.Rows, Row{Cells: []Cell{{}, Text(name), c[1], c[0], c[2], c[3], c[4]}})
		}
		t.Rows = append(t.Rows, Row{Break: true, Cells: []Cell{Text(label)}})
		add("any visit", seen)
		shares := []float64{float64(seen) / float64(due)}
		for _, q := range append(audited[:len(audited):len(audited)], registry.Haze.Quantity()) {
			_, with := o.Completeness(q, w)
			if with > 0 { // a measure that nobody takes at this window is not missing from it
				add(q.Info().Label, with)
			}
			if q == registry.Kmax.Quantity() || q == registry.CDVA.Quantity() {
				shares = append(shares, float64(with)/float64(due))
			}
		}
		if o.Windows()[w].Target >= 28 {
			fig.X.Categories = append(fig.X.Categories, fmt.Sprintf("%s (%d)", label, due))
			for i, v := range shares {
				fig.Series[i].Y = append(fig.Series[i].Y, v)
			}
		}
	}
	fig.Title = "Due eyes seen and measured (" + eyes(o.Eyes()) + ")"
	sec.Table = t
	if len(fig.X.Categories) > 0 {
		sec.Figures = []Figure{fig}
	}
	sec.Notes = []string{"Due: the last day of the window lies on or before the cut-off and the episode had not ended before the window began."}
	return []Section{sec}, nil
}

// recalls lists the eyes to call back, by code; the clinic's own files say how.
func (a *Audit) recalls() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	sec := Section{Name: "Recall", Title: "Eyes to call back", Empty: "No eye is due or overdue on the cut-off."}
	t := &Table{Filter: true, Columns: []Column{{Key: "eye", Head: "eye"}, {Key: "centre", Head: "centre"}, {Key: "surgeon", Head: "surgeon"}, {Key: "protocol", Head: "protocol"},
		{Key: "treated", Head: "treated", Format: DayForm}, {Key: "last", Head: "last visit", Format: DayForm}, {Key: "window", Head: "window without a visit"}, {Key: "due", Head: "was due on", Format: DayForm},
		{Key: "overdue", Head: "days overdue", Format: Whole, Help: "Since the last day of the window; 0 while it is open."}, {Key: "missed", Head: "windows missed", Format: Whole}}}
	for _, r := range o.Recalls() {
		e := &o.Episodes[r.Episode]
		t.Rows = append(t.Rows, Row{Key: s.eyeCode(e.Eye), Cells: []Cell{Text(s.eyeCode(e.Eye)), Text(s.centreCode(e.Eye)), Text(s.clinicianName(int(r.Episode))), Text(s.protocolCode(int(r.Episode))),
			Day(e.Day0), Day(r.LastVisit), Text(o.Windows()[r.Window].Label), Day(r.DueOn), Count(r.Overdue), Count(r.Missed)}})
	}
	sec.Table = t
	sec.Notes = []string{"Eyes with a recorded end of follow-up are not on this list. The contact key is the patient code; names and addresses are never in a report."}
	return []Section{sec}, nil
}

// faults lists the records to complete or confirm.
func (a *Audit) faults() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	sec := Section{Name: "To correct", Title: "Records to complete or confirm", Empty: "No open query and no gap in the records of this cohort."}
	t := &Table{Filter: true, Columns: []Column{{Key: "eye", Head: "eye"}, {Key: "centre", Head: "centre"}, {Key: "on", Head: "day", Format: DayForm}, {Key: "record", Head: "record"},
		{Key: "field", Head: "field"}, {Key: "value", Head: "value"}, {Key: "words", Head: "what is the matter", Wide: true}}}
	for _, f := range o.Faults() {
		t.Rows = append(t.Rows, Row{Key: s.eyeCode(f.Eye), Cells: []Cell{Text(s.eyeCode(f.Eye)), Text(s.centreCode(f.Eye)), Day(f.On), Text(strings.ReplaceAll(f.Record, "_", " ")), Text(strings.ReplaceAll(f.Field, "_", " ")), Text(f.Value), Text(f.Words)}})
	}
	sec.Table = t
	sec.Notes = []string{"Unusual is not impossible: a query asks a person to confirm or correct, and blocks nothing."}
	return []Section{sec}, nil
}

// methods states the definitions and the methods that were used.
func (a *Audit) methods() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	d := o.Definitions
	sec := Section{Name: "Methods", Title: "Methods and definitions used"}
	t := &Table{Columns: []Column{{Key: "what", Head: "what"}, {Key: "how", Head: "how", Wide: true}}}
	add := func(what, how string) { t.Rows = append(t.Rows, Row{Cells: []Cell{Text(what), Text(how)}}) }
	add("cohort", s.Cohort)
	add("data to", s.Outcomes.Snapshot.CutOff.Long())
	add("snapshot", s.Outcomes.Snapshot.ID)
	add("program", s.Program)
	if s.Seed != "" {
		add("seed", s.Seed)
	}
	add("episode", "one cross-linking of one eye, from its day (day 0) to the first of: the next cross-linking of that eye, surgery that changes its outcome, death, withdrawal of consent, the cut-off")
	add("baseline", fmt.Sprintf("the last value on or before day 0, at most %d days old", d.Analysis.BaselineMaxAge))
	add("windows", d.Windows.Title+" ("+d.Windows.Stamp.String()+"): "+windowWords(d.Windows.Windows))
	add("two eyes of one patient", "means and mean changes: linear mixed model with a random patient intercept, REML, Satterthwaite degrees of freedom; shares: Wilson limits on the effective sample size from the estimated design effect; time to event: variance clustered by patient. Where no patient has two episodes these are the plain methods. (Rosner 1982; Ying, Maguire, Glynn & Rosner 2017, 2018)")
	add("ranks", "Wilcoxon signed-rank with midranks, zeros dropped, exact up to 200 differences, otherwise normal with tie and continuity correction; Hodges–Lehmann shift with limits from order statistics; eye by eye")
	add("complication rates", fmt.Sprintf("onset to day %d for early kinds, day %d otherwise; Clopper–Pearson; per 100 eye-years with exact Poisson limits", d.Analysis.EarlyHorizon, d.Analysis.LateHorizon))
	for _, r := range d.Progression {
		add("progression", r.Stamp.String()+": "+r.String())
	}
	add("time to progression", "an eye beyond the limit at its last visit counts as progressed and is counted apart as unconfirmed; Kaplan–Meier with Greenwood variance and log–log limits; beside it the interval-censored estimate of Turnbull; keratoplasty competes")
	add("vision below the chart", fmt.Sprintf("stand-ins %s: %s", d.OffChart.Stamp, d.OffChart.Citation))
	add("small groups", fmt.Sprintf("fewer than %d eyes: values and no test", d.Analysis.MinEpisodes))
	for _, one := range d.All() {
		stamp := one.DefinitionStamp()
		how := stamp.String()
		if stamp.Note != "" {
			how += "; " + stamp.Note
		}
		add("definition: "+string(one.DefinitionKind()), how)
	}
	sec.Table = t
	sec.Notes = []string{"Primary measure: " + d.Analysis.PrimaryMeasure + " at " + d.Analysis.PrimaryWindow + ". Every other test is secondary and not adjusted for their number."}
	return []Section{sec}, nil
}

func windowWords(ws []registry.Window) string {
	out := ""
	for i, w := range ws {
		if i > 0 {
			out += "; "
		}
		out += fmt.Sprintf("%s: day %d to %d, target %d", w.Label, w.From, w.To, w.Target)
	}
	return out
}
