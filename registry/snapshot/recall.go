package snapshot

import (
	"cmp"
	"fmt"
	"slices"

	"keratally/registry"
)

// Recall is an eye whose follow-up is due or overdue on the day of the
// cut-off.
type Recall struct {
	Episode   int32
	LastVisit registry.Date // last in the episode; not recorded if there was none after treatment
	Window    int           // the first that has begun since that visit without one
	Missed    int           // windows since that visit that have closed without one
	DueOn     registry.Date // target day of Window
	Overdue   int           // days since the last day of Window; 0 while it is open
}

// Recalls returns the eyes to recall, the longest overdue first: the last
// episode of an eye, still followed on the cut-off, with no visit since some
// window began. Eyes with a recorded end of follow-up are not asked back.
func (o *Outcomes) Recalls() []Recall {
	s, windows := o.Snapshot, o.Windows()
	var list []Recall
	for e := range o.Episodes {
		one := &o.Episodes[e]
		if one.End != ByCutOff || s.Ends.First[one.Eye] < s.Ends.First[one.Eye+1] {
			continue
		}
		r := Recall{Episode: int32(e), Window: -1}
		lastDay := 0
		if one.after > one.before {
			r.LastVisit = s.Visits.On[one.after-1]
			lastDay = r.LastVisit.Sub(one.Day0)
		}
		today := s.CutOff.Sub(one.Day0)
		for w, window := range windows {
			if window.From <= lastDay || window.From > today {
				continue
			}
			if r.Window < 0 {
				r.Window, r.DueOn = w, one.Day0.Add(window.Target)
				r.Overdue = max(0, today-window.To)
			}
			if window.To < today {
				r.Missed++
			}
		}
		if r.Window >= 0 {
			list = append(list, r)
		}
	}
	slices.SortStableFunc(list, func(a, b Recall) int { return cmp.Compare(b.Overdue, a.Overdue) })
	return list
}

// Fault is something in a record that a person should complete or confirm.
type Fault struct {
	Eye    int32
	On     registry.Date // day of the record; not recorded where it has none
	Record string        // treatment, visit, patient, eye
	Field  string
	Value  string
	Words  string // what is the matter
}

// Faults returns the records to correct of the eyes in the set, by eye and
// day: open queries, missing baselines of the measures that the definitions
// ask for, treatments without protocol or clinician, patients without sex or
// year of birth, eyes without a diagnosis, visits at which nothing was measured.
func (o *Outcomes) Faults() []Fault {
	s := o.Snapshot
	var list []Fault
	in := make([]bool, s.NumEyes())
	for e := range o.Episodes {
		one := &o.Episodes[e]
		list = append(list, o.episodeFaults(e)...)
		if !in[one.Eye] {
			in[one.Eye] = true
			list = append(list, s.eyeFaults(one.Eye)...)
		}
	}
	for i, eye := range s.Queries.Eye {
		if in[eye] {
			row := int32(i)
			list = append(list, Fault{eye, s.Queries.On[i], s.Queries.Record.At(row), s.Queries.Field.At(row), s.Queries.Value[i], s.Queries.Message[i]})
		}
	}
	slices.SortStableFunc(list, func(a, b Fault) int { return cmp.Or(cmp.Compare(a.Eye, b.Eye), cmp.Compare(a.On, b.On)) })
	return list
}

func (o *Outcomes) episodeFaults(e int) []Fault {
	s, one := o.Snapshot, &o.Episodes[e]
	var list []Fault
	missing := func(field, words string) {
		list = append(list, Fault{Eye: one.Eye, On: one.Day0, Record: "treatment", Field: field, Words: words})
	}
	if s.Treatments.Protocol[one.Treatment] == Absent {
		missing("protocol", "no protocol: the treatment counts under none")
	}
	if s.Treatments.Clinician[one.Treatment] == Absent {
		missing("clinician", "no clinician")
	}
	for _, key := range o.Definitions.Analysis.BaselineMeasures {
		q, _ := registry.ParseQuantity(key) // checked with the definitions
		if !o.Baseline(e, q).Measured() {
			missing(key, fmt.Sprintf("no baseline of %s in the %d days up to treatment", q.Info().Label, o.Definitions.Analysis.BaselineMaxAge))
		}
	}
	return list
}

func (s *Snapshot) eyeFaults(eye int32) []Fault {
	var list []Fault
	p := s.Eyes.Patient[eye]
	missing := func(record, field, words string, on registry.Date) {
		list = append(list, Fault{Eye: eye, On: on, Record: record, Field: field, Words: words})
	}
	if s.Patients.Sex.Code[p] == 0 {
		missing("patient", "sex", "no sex recorded", 0)
	}
	if s.Patients.BirthYear[p] == 0 {
		missing("patient", "birth_year", "no year of birth: the age at treatment is not known", 0)
	}
	if s.Eyes.Diagnosis.Code[eye] == 0 {
		missing("eye", "diagnosis", "no diagnosis", 0)
	}
	for v := s.Visits.First[eye]; v < s.Visits.First[eye+1]; v++ {
		if !s.measuredAt(v) {
			missing("visit", "", "a visit at which nothing was measured", s.Visits.On[v])
		}
	}
	return list
}

// measuredAt reports whether a visit has a measurement or a demarcation finding.
func (s *Snapshot) measuredAt(visit int32) bool {
	for m := range s.Visits.Values {
		if s.Visits.Values[m][visit].IsValid() {
			return true
		}
	}
	for a := range s.Visits.OffChart {
		if s.Visits.OffChart[a][visit] != 0 {
			return true
		}
	}
	_, found := slices.BinarySearch(s.Demarcations.Visit, visit)
	return found
}

// DemarcationsOf returns the rows of Demarcations of a visit: from to to−1.
func (s *Snapshot) DemarcationsOf(visit int32) (from, to int) {
	from, _ = slices.BinarySearch(s.Demarcations.Visit, visit)
	to, _ = slices.BinarySearch(s.Demarcations.Visit, visit+1)
	return from, to
}
