package snapshot

import (
	"fmt"
	"slices"
	"sort"

	"keratally/registry"
)

// End is why an episode ended.
type End uint8

// The ends of an episode. Where several fall on one day the first of this
// list is kept.
const (
	BySurgery    End = iota + 1 // an operation that changes the outcome
	ByTreatment                 // the next cross-linking of the eye
	ByDeath                     //
	ByWithdrawal                // of consent
	ByCutOff                    // still followed
)

// String returns the end in words.
func (e End) String() string {
	return [...]string{"", "further surgery", "next cross-linking", "death", "consent withdrawn", "data cut-off"}[e]
}

// Episode is one cross-linking of one eye and what followed: from its day,
// day 0, to the first of the next cross-linking, surgery after day 0 that
// changes the outcome, death, withdrawal of consent and the cut-off. A visit
// on the last day still belongs to it.
type Episode struct {
	Treatment, Eye, Patient int32
	Number                  int32 // 1 for the first cross-linking of the eye
	Day0, Last              registry.Date
	End                     End
	Surgery                 int32 // the row of the surgery that ended it, or Absent

	before, after int32 // visits First[eye] to before−1 are on or before day 0, before to after−1 belong to the episode
}

// Days returns the days from treatment to the last day of the episode.
func (e *Episode) Days() int { return e.Last.Sub(e.Day0) }

// Visits returns the first visit of the episode after day 0 and the one after
// the last; equal when there was none.
func (e *Episode) Visits() (from, to int32) { return e.before, e.after }

// episodes makes every episode of the snapshot, in the order of treatments.
// A treatment after death or after consent was withdrawn makes none.
func (s *Snapshot) episodes(a registry.AnalysisSettings) []Episode {
	list := make([]Episode, 0, len(s.Treatments.Eye))
	changes := make([]bool, len(s.Surgeries.Kind.List))
	for code, kind := range s.Surgeries.Kind.List {
		changes[code] = slices.Contains(a.OutcomeSurgery, kind)
	}
	for t, eye := range s.Treatments.Eye {
		e := Episode{Treatment: int32(t), Eye: eye, Patient: s.Eyes.Patient[eye], Number: int32(t) - s.Treatments.First[eye] + 1,
			Day0: s.Treatments.On[t], Last: s.CutOff, End: ByCutOff, Surgery: Absent}
		earlier := func(on registry.Date, why End) bool {
			if !on.IsValid() || on > e.Last || on == e.Last && why > e.End {
				return false
			}
			e.Last, e.End = on, why
			return true
		}
		s.leaves(&e, earlier)
		if next := int32(t) + 1; next < s.Treatments.First[eye+1] {
			earlier(s.Treatments.On[next], ByTreatment)
		}
		for u := s.Surgeries.First[eye]; u < s.Surgeries.First[eye+1]; u++ {
			if on := s.Surgeries.On[u]; on > e.Day0 && changes[s.Surgeries.Kind.Code[u]] && e.surgeryFirst(on) {
				e.Last, e.End, e.Surgery = on, BySurgery, u
			}
		}
		if e.Last < e.Day0 {
			continue
		}
		s.spanVisits(&e)
		list = append(list, e)
	}
	return list
}

// surgeryFirst reports whether a surgery on the day comes before the end
// found so far. Of two on one day the first row is kept.
func (e *Episode) surgeryFirst(on registry.Date) bool {
	return on < e.Last || on == e.Last && e.End != BySurgery
}

// competes reports whether the episode ended by surgery that competes with
// progression, such as keratoplasty.
func (o *Outcomes) competes(e *Episode) bool {
	if e.End != BySurgery {
		return false
	}
	u := &o.Snapshot.Surgeries
	for i := u.First[e.Eye]; i < u.First[e.Eye+1]; i++ {
		if u.On[i] == e.Last && slices.Contains(o.Definitions.Analysis.CompetingSurgery, u.Kind.At(i)) {
			return true
		}
	}
	return false
}

// leaves offers the days on which the patient died or withdrew consent. A
// withdrawal without a day ends the episode on day 0: nothing after it may be
// used.
func (s *Snapshot) leaves(e *Episode, earlier func(registry.Date, End) bool) {
	p := &s.Patients
	earlier(p.DiedOn[e.Patient], ByDeath)
	if p.Consent.At(e.Patient) == "withdrawn" {
		on := p.ConsentChangedOn[e.Patient]
		if !on.IsValid() {
			on = e.Day0
		}
		earlier(on, ByWithdrawal)
	}
	for f := s.Ends.First[e.Eye]; f < s.Ends.First[e.Eye+1]; f++ {
		switch s.Ends.Reason.At(f) {
		case "died":
			earlier(s.Ends.On[f], ByDeath)
		case "consent-withdrawn":
			earlier(s.Ends.On[f], ByWithdrawal)
		}
	}
}

func (s *Snapshot) spanVisits(e *Episode) {
	lo, hi := s.Visits.First[e.Eye], s.Visits.First[e.Eye+1]
	on := s.Visits.On[lo:hi]
	e.before = lo + int32(sort.Search(len(on), func(i int) bool { return on[i] > e.Day0 }))
	e.after = lo + int32(sort.Search(len(on), func(i int) bool { return on[i] > e.Last }))
	e.after = max(e.after, e.before)
}

// span is a run of visits: from to to−1.
type span struct{ from, to int32 }

// Outcomes is a set of episodes with their baselines and follow-up windows:
// the analysis table of a cohort. It is made once for a snapshot and cut down
// by Only.
type Outcomes struct {
	Snapshot    *Snapshot
	Definitions registry.Definitions
	Episodes    []Episode

	spans []span // of window w of episode e, at e·windows + w
}

// Outcomes returns every episode of the snapshot, first and later ones. The
// error is that of the definitions.
func (s *Snapshot) Outcomes(d registry.Definitions) (*Outcomes, error) {
	if err := d.Check(); err != nil {
		return nil, fmt.Errorf("outcomes: %w", err)
	}
	o := &Outcomes{Snapshot: s, Definitions: d, Episodes: s.episodes(d.Analysis)}
	windows := d.Windows.Windows
	o.spans = make([]span, len(o.Episodes)*len(windows))
	for i := range o.Episodes {
		e := &o.Episodes[i]
		v := e.before
		for w, window := range windows {
			at := &o.spans[i*len(windows)+w]
			for v < e.after && s.Visits.On[v].Sub(e.Day0) < window.From {
				v++
			}
			at.from = v
			for v < e.after && s.Visits.On[v].Sub(e.Day0) <= window.To {
				v++
			}
			at.to = v
		}
	}
	return o, nil
}

// Only returns the given episodes of the set, in the order given.
func (o *Outcomes) Only(episodes []int32) *Outcomes {
	n := len(o.Definitions.Windows.Windows)
	out := &Outcomes{Snapshot: o.Snapshot, Definitions: o.Definitions, Episodes: gather(o.Episodes, episodes), spans: make([]span, 0, len(episodes)*n)}
	for _, e := range episodes {
		out.spans = append(out.spans, o.spans[int(e)*n:][:n]...)
	}
	return out
}

// Windows returns the windows in use.
func (o *Outcomes) Windows() []registry.Window { return o.Definitions.Windows.Windows }

// WindowVisits returns the visits of episode e in window w: from to to−1.
func (o *Outcomes) WindowVisits(e, w int) (from, to int32) {
	at := o.spans[e*len(o.Definitions.Windows.Windows)+w]
	return at.from, at.to
}

// Due reports whether episode e is due at window w: the last day of the
// window lies on or before the cut-off and the episode had not ended before the
// window began.
func (o *Outcomes) Due(e, w int) bool {
	one, window := &o.Episodes[e], &o.Definitions.Windows.Windows[w]
	return one.Day0.Add(window.To) <= o.Snapshot.CutOff && one.Day0.Add(window.From) <= one.Last
}

// Patients returns how many patients the episodes have.
func (o *Outcomes) Patients() int {
	seen := make(map[int32]struct{}, len(o.Episodes))
	for i := range o.Episodes {
		seen[o.Episodes[i].Patient] = struct{}{}
	}
	return len(seen)
}

// Eyes returns how many eyes the episodes have.
func (o *Outcomes) Eyes() int {
	seen := make(map[int32]struct{}, len(o.Episodes))
	for i := range o.Episodes {
		seen[o.Episodes[i].Eye] = struct{}{}
	}
	return len(seen)
}

// Age returns the years between the year of birth and that of treatment, ok
// false when no year of birth is recorded. The birthday is not known, so the
// age in completed years is this or one less.
func (o *Outcomes) Age(e int) (years int, ok bool) {
	one := &o.Episodes[e]
	born := int(o.Snapshot.Patients.BirthYear[one.Patient])
	if born == 0 {
		return 0, false
	}
	return one.Day0.Time().Year() - born, true
}

// ProtocolOf returns the protocol of episode e, nil where none was recorded.
func (o *Outcomes) ProtocolOf(e int) *Protocol {
	if p := o.Snapshot.Treatments.Protocol[o.Episodes[e].Treatment]; p != Absent {
		return &o.Snapshot.Protocols[p]
	}
	return nil
}

// ClinicianOf returns the clinician of episode e, nil where none was recorded.
func (o *Outcomes) ClinicianOf(e int) *Clinician {
	if c := o.Snapshot.Treatments.Clinician[o.Episodes[e].Treatment]; c != Absent {
		return &o.Snapshot.Clinicians[c]
	}
	return nil
}
