package reports

import (
	"fmt"
	"runtime"
	"sync"

	"keratally/registry"
	"keratally/registry/snapshot"
)

// audited lists the quantities of the audit in the order of its sheets.
var audited = []registry.Quantity{
	registry.Kmax.Quantity(), registry.CDVA.Quantity(), registry.UDVA.Quantity(), registry.Thinnest.Quantity(),
	registry.K1.Quantity(), registry.K2.Quantity(), registry.SphericalEquivalent, registry.CylinderMagnitude,
	registry.ECD.Quantity(), registry.Densitometry.Quantity(), registry.IOP.Quantity(),
}

// Audit is the quarter's report: who was treated with what, what became of
// them, how complete the records are, and whom to call back.
type Audit struct {
	Source  *Source
	windows []int
	changes map[registry.Quantity][]Change // by window of windows
	kinds   []snapshot.Complications
}

// NewAudit computes the report. Quantities are computed side by side on the
// cores there are; the result does not depend on how many.
func NewAudit(s *Source) (*Audit, error) {
	if err := s.Outcomes.Definitions.Check(); err != nil {
		return nil, err
	}
	kinds, err := s.Outcomes.Complications()
	if err != nil {
		return nil, err
	}
	a := &Audit{kinds: kinds, Source: s, windows: s.reported(), changes: map[registry.Quantity][]Change{}}
	type job struct{ q, w int }
	type answer struct {
		change Change
		err    error
	}
	answers := make([]answer, len(audited)*len(a.windows))
	jobs := make(chan job)
	var wg sync.WaitGroup
	for range min(runtime.GOMAXPROCS(0), len(answers)) {
		wg.Go(func() {
			for j := range jobs {
				c, err := NewChange(s.Outcomes, audited[j.q], a.windows[j.w])
				answers[j.q*len(a.windows)+j.w] = answer{c, err}
			}
		})
	}
	for w := range a.windows { // the longest jobs, those with most eyes, are mixed among the rest
		for q := range audited {
			jobs <- job{q, w}
		}
	}
	close(jobs)
	wg.Wait()
	for q := range audited {
		for w := range a.windows {
			got := answers[q*len(a.windows)+w]
			if got.err != nil {
				return nil, got.err
			}
			a.changes[audited[q]] = append(a.changes[audited[q]], got.change)
		}
	}
	return a, nil
}

// change returns the row of a quantity in the window with the key; nil if the
// window has nothing to report.
func (a *Audit) change(q registry.Quantity, key string) *Change {
	rows := a.changes[q]
	for i := range rows {
		if rows[i].Window.Key == key {
			return &rows[i]
		}
	}
	return nil
}

// Document lays the audit out.
func (a *Audit) Document() (*Document, error) {
	s := a.Source
	doc := &Document{
		Name:       "audit",
		Title:      "Audit of corneal cross-linking",
		Subtitle:   "Period " + s.period(),
		Provenance: s.provenance(),
	}
	builders := []func() ([]Section, error){
		a.summary, a.targets, a.flow, a.baseline, a.activity, a.quarters, a.outcomes, a.repeated, a.lines, a.complications, a.haze,
		a.demarcation, a.progression, a.pictures, a.completeness, a.recalls, a.faults, a.methods, a.manuscript, a.cases,
	}
	for _, build := range builders {
		sections, err := build()
		if err != nil {
			return nil, err
		}
		doc.Sections = append(doc.Sections, sections...)
	}
	check, err := a.check(doc)
	if err != nil {
		return nil, err
	}
	doc.Sections = append(doc.Sections, check)
	return doc, nil
}

// summary answers the quarter's question in sentences and a few figures.
func (a *Audit) summary() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	sec := Section{Name: "Summary", Title: "Audit of corneal cross-linking",
		Empty: "No eye of this cohort was treated up to the cut-off. Take in treatments (keratally intake) or widen the cohort."}
	inPeriod := 0
	for i := range o.Episodes {
		if d := o.Episodes[i].Day0; d >= s.From && d <= s.To {
			inPeriod++
		}
	}
	sentences := []string{
		fmt.Sprintf("%s of %s were treated up to %s, %s of them in the period.", upperFirst(eyes(o.Eyes())), patients(o.Patients()), s.To.Long(), thousands(inPeriod)),
	}
	settings := o.Definitions.Analysis
	for _, q := range []registry.Quantity{registry.Kmax.Quantity(), registry.CDVA.Quantity(), registry.ECD.Quantity()} {
		if c := a.change(q, settings.PrimaryWindow); c != nil {
			sentences = append(sentences, c.Sentence())
		}
	}
	recalls := o.Recalls()
	overdue := 0
	for _, r := range recalls {
		if r.Overdue > 0 {
			overdue++
		}
	}
	faults := len(o.Faults())
	sentences = append(sentences, fmt.Sprintf("%s overdue for follow-up; %s to complete or confirm.",
		are(overdue, "eye is", "eyes are"), plural(faults, "record is", "records are")))

	t := &Table{Columns: []Column{
		{Key: "figure", Head: "figure", Wide: true}, {Key: "value", Head: "value", Format: TwoDec},
		{Key: "lower", Head: "95 % CI from", Format: TwoDec, Pair: true}, {Key: "upper", Head: "to", Format: TwoDec},
		{Key: "eyes", Head: "eyes", Format: Whole}, {Key: "patients", Head: "patients", Format: Whole},
		{Key: "missing", Head: "of the due eyes, without a value", Format: Whole, Help: "Episodes due at the window (its last day lies on or before the cut-off, and the episode had not ended before it began) for which nothing was measured."},
	}}
	if len(o.Episodes) > 0 {
		for _, f := range a.keyFigures() {
			t.Rows = append(t.Rows, f.row())
		}
	}
	sec.Lead = sentences
	if len(o.Episodes) == 0 {
		sec.Lead = []string{"The cohort holds no eye."}
	}
	sec.Table = t
	sec.Notes = append(sec.Notes, provenanceNotes(s.provenance())...)
	sec.Notes = append(sec.Notes,
		"An eye seen early in a window that is still open has a value but is not due yet: eyes with a value and due eyes without one do not add up to the eyes due.",
		"This report describes what happened. It does not decide a treatment: thresholds and signals are for review by a licensed clinician under local protocols and the device's own instructions.")
	sec.Figures = append(sec.Figures, a.overTime(registry.Kmax.Quantity()))
	return []Section{sec}, nil
}

func are(n int, one, many string) string {
	if n == 0 {
		return "No " + one[:len(one)-3] + " is"
	}
	return upperFirst(plural(n, one, many))
}

// provenanceNotes prints the provenance as lines of notes.
func provenanceNotes(p Provenance) []string {
	var out []string
	for _, l := range p.Lines() {
		if l[0] != "" {
			out = append(out, l[0]+": "+l[1])
		}
	}
	return out
}

// keyFigures are the headline numbers of the primary window.
func (a *Audit) keyFigures() []keyFigure {
	o := a.Source.Outcomes
	settings := o.Definitions.Analysis
	var out []keyFigure
	for _, q := range []registry.Quantity{registry.Kmax.Quantity(), registry.CDVA.Quantity()} {
		c := a.change(q, settings.PrimaryWindow)
		if c == nil {
			continue
		}
		base := keyFigure{eyes: len(c.Pairs.Change), patients: c.Patients, missing: c.Due - c.With, cases: a.valuesOf(q, c.Window)}
		mean := base
		mean.key, mean.name, mean.format = q.Info().Key+"-change", fmt.Sprintf("mean change of %s at %s", heading(q), c.Window.Label), formatOf(q)
		mean.interval, mean.err = c.Mean.Interval, c.MeanErr
		out = append(out, mean)
		for _, share := range a.headlineShares(q, c) {
			f := base
			f.key, f.name, f.format, f.interval, f.err = share.key, share.name+" at "+c.Window.Label, Share, share.share.Interval, share.share.Err
			out = append(out, f)
		}
	}
	if w, ok := o.Definitions.Windows.Find(settings.PrimaryWindow); ok {
		due, seen := o.Attendance(w)
		share := exact(seen, due, settings.ConfidenceLevel)
		out = append(out, keyFigure{key: "seen", name: "due eyes seen at " + o.Windows()[w].Label, format: Share, interval: share.Interval, err: share.Err, eyes: due, missing: due - seen, patientsUnknown: true})
	}
	return out
}

type namedShare struct {
	key, name string
	share     ShareOf
}

func (a *Audit) headlineShares(q registry.Quantity, c *Change) []namedShare {
	level := a.Source.Outcomes.Definitions.Analysis.ConfidenceLevel
	if len(c.Pairs.Change) == 0 {
		return nil
	}
	if q == registry.Kmax.Quantity() {
		return []namedShare{
			{"kmax-flatter", "share with Kmax flatter by 1 D or more", newShare(marks(c.Pairs, func(d float64) bool { return d <= -1 }), c.Pairs.Patient, level)},
			{"kmax-steeper", "share with Kmax steeper by 1 D or more", newShare(marks(c.Pairs, func(d float64) bool { return d >= 1 }), c.Pairs.Patient, level)},
		}
	}
	lost := make([]bool, len(c.Pairs.Change))
	for i, n := range a.Source.Outcomes.Lines(c.Pairs) {
		lost[i] = n <= -2
	}
	return []namedShare{{"cdva-lost-2", "share that lost 2 lines of CDVA or more", newShare(lost, c.Pairs.Patient, level)}}
}

// Sentences returns the summary in words, for a terminal.
func (a *Audit) Sentences() []string {
	sections, err := a.summary()
	if err != nil || len(sections) == 0 {
		return nil
	}
	if len(a.Source.Outcomes.Episodes) == 0 {
		return append(sections[0].Lead, sections[0].Empty)
	}
	return sections[0].Lead
}
