package reports

import (
	"fmt"
	"strings"

	"keratally/registry"
)

// MethodsText is a paragraph that a fellow can put into a manuscript: what was
// done, made from the definitions and methods actually used.
func (a *Audit) MethodsText() string {
	o := a.Source.Outcomes
	d := o.Definitions
	var b strings.Builder
	say := func(format string, args ...any) { fmt.Fprintf(&b, format+" ", args...) }
	say("Data were taken from an outcomes registry of corneal cross-linking on %s (snapshot %.12s). The unit of analysis was the episode: one cross-linking of one eye, followed from its day to the next cross-linking of that eye, surgery that changes its outcome, death, withdrawal of consent or the cut-off, whichever came first.", o.Snapshot.CutOff.Long(), o.Snapshot.ID)
	say("The cohort (%s) comprised %s of %s.", a.Source.Cohort, eyes(o.Eyes()), patients(o.Patients()))
	say("Baseline was the last value on or before the day of treatment and no older than %d days.", d.Analysis.BaselineMaxAge)
	say("Follow-up was grouped into windows (%s), taking for each measure the value closest to the target day.", reportedWords(a))
	say("Acuity was analysed in logMAR; vision below the chart entered by the values of %s.", d.OffChart.Citation)
	if o.Eyes() > o.Patients() {
		say("Mean changes were estimated by linear mixed models with a random patient intercept (REML, Satterthwaite degrees of freedom), because some patients contributed two eyes; proportions have Wilson limits on the effective sample size from the estimated design effect, and times to event variances clustered by patient.")
	} else {
		say("No patient contributed two eyes; mean changes were tested by the paired t test, and proportions have Wilson limits.")
	}
	say("Complications were counted to day %d (early kinds) or day %d, with Clopper–Pearson limits.", d.Analysis.EarlyHorizon, d.Analysis.LateHorizon)
	for i, r := range d.Progression {
		if i == 0 {
			say("Progression was defined as follows: %s.", r.String())
		} else {
			say("A further definition was: %s.", r.String())
		}
	}
	say("An eye beyond the limit at its last visit, with no later one to confirm it, was counted as progressed.")
	say("Time to progression was estimated by Kaplan–Meier (Greenwood variance, log–log limits).")
	if q, ok := registry.ParseQuantity(d.Analysis.PrimaryMeasure); ok {
		say("The primary measure was the change of %s at %s; all others are secondary.", q.Info().Label, windowLabel(d, d.Analysis.PrimaryWindow))
	}
	say("Intervals are at %.0f %%. Computations were made with Keratally %s.", 100*d.Analysis.ConfidenceLevel, a.Source.Program)
	return strings.TrimSpace(b.String())
}

func windowLabel(d registry.Definitions, key string) string {
	if i, ok := d.Windows.Find(key); ok {
		return d.Windows.Windows[i].Label
	}
	return key
}

func reportedWords(a *Audit) string {
	var out []string
	for _, w := range a.windows {
		win := a.Source.Outcomes.Windows()[w]
		out = append(out, fmt.Sprintf("%s: days %d to %d", win.Label, win.From, win.To))
	}
	if len(out) == 0 {
		return "none reached yet"
	}
	return strings.Join(out, "; ")
}

// checklist is the items of the reporting guidelines for observational studies
// (STROBE, von Elm et al. 2007) and for routinely collected data (RECORD,
// Benchimol et al. 2015), by number, and what this report says of each.
// Numbers and subjects are from memory: check them against the guideline.
var checklist = []struct{ item, subject, covered string }{
	{"STROBE 4", "study design", "open: say that this is a registry cohort"},
	{"STROBE 5", "setting, places and dates", "period and cut-off on every sheet; places are open"},
	{"STROBE 6, RECORD 6.1", "participants, how they were selected", "sheet Flow, in the order of the criteria"},
	{"STROBE 7, RECORD 7.1", "variables and their definitions", "sheet Methods"},
	{"STROBE 8", "sources and ways of measurement", "instruments in the notes of each row; the rest is open"},
	{"STROBE 9", "bias", "sheets Baseline and Followed and lost; the discussion is open"},
	{"STROBE 10", "study size", "numbers in every table; its ground is open"},
	{"STROBE 12", "statistical methods", "sheet Methods and the paragraph above"},
	{"RECORD 12.1", "access to and cleaning of the data", "sheet To correct; the rest is open"},
	{"STROBE 13, RECORD 13.1", "numbers at each stage", "sheet Flow"},
	{"STROBE 14", "descriptive data and missing values", "sheets Baseline and Completeness"},
	{"STROBE 15", "outcome events over time", "sheets Complications and Progression"},
	{"STROBE 16", "estimates with their precision", "sheets of the measures"},
	{"STROBE 17", "other analyses", "sheets Tests per eye and Repeated measures"},
	{"STROBE 18 to 21", "discussion", "open"},
	{"STROBE 22", "funding", "open"},
	{"RECORD 22.1", "access to protocol, data and program", "snapshot and program on every sheet; the rest is open"},
}

func (a *Audit) manuscript() ([]Section, error) {
	sec := Section{Name: "For a manuscript", Title: "A paragraph of methods, and the reporting guidelines"}
	sec.Lead = []string{a.MethodsText()}
	t := &Table{Columns: []Column{{Key: "item", Head: "item"}, {Key: "subject", Head: "subject", Wide: true}, {Key: "covered", Head: "in this report", Wide: true}}}
	for _, c := range checklist {
		t.Rows = append(t.Rows, Row{Cells: []Cell{Text(c.item), Text(c.subject), Text(c.covered)}})
	}
	sec.Table = t
	sec.Notes = []string{"STROBE: von Elm et al. 2007; RECORD: Benchimol et al. 2015. Item numbers are from memory: check them against the guidelines before submission."}
	return []Section{sec}, nil
}
