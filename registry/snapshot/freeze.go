package snapshot

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"keratally/registry"
)

// Freeze brings the tables into their order, leaves out what is dated after
// the cut-off and what nothing refers to, makes the derived columns and the
// identity. Before it, rows may be in any order and refer to each other by
// their place in it. Two treatments or visits of one eye on one day, two rows
// under one code, or a reference to no row are errors.
func (s *Snapshot) Freeze() error {
	if !s.CutOff.IsValid() {
		return fmt.Errorf("a snapshot should have a cut-off date")
	}
	for _, t := range s.tables() {
		if err := t.check(); err != nil {
			return err
		}
	}
	if err := s.checkReferences(); err != nil {
		return err
	}
	if err := s.arrange(); err != nil {
		return err
	}
	for _, t := range s.tables() {
		sideBySide(len(t.columns), func(i int) { t.columns[i].tidy() })
	}
	if err := s.derive(); err != nil {
		return err
	}
	id, err := s.identity()
	s.ID = id
	return err
}

// checkReferences returns an error where a row refers to no row.
func (s *Snapshot) checkReferences() error {
	check := func(what string, refs []int32, n int, absent bool) error {
		for row, at := range refs {
			if at >= int32(n) || at < 0 && !(absent && at == Absent) {
				return fmt.Errorf("%s of row %d: should be one of %d, found %d", what, row, n, at)
			}
		}
		return nil
	}
	eyes := s.NumEyes()
	for _, c := range []struct {
		what   string
		refs   []int32
		n      int
		absent bool
	}{
		{"centre of a patient", s.Patients.Centre, len(s.Centres), false},
		{"patient of an eye", s.Eyes.Patient, len(s.Patients.Code), false},
		{"eye of a treatment", s.Treatments.Eye, eyes, false},
		{"protocol of a treatment", s.Treatments.Protocol, len(s.Protocols), true},
		{"clinician of a treatment", s.Treatments.Clinician, len(s.Clinicians), true},
		{"treatment of a zone", s.TreatmentZones.Treatment, len(s.Treatments.Eye), false},
		{"eye of a visit", s.Visits.Eye, eyes, false},
		{"eye of a demarcation", s.Demarcations.Eye, eyes, false},
		{"eye of a complication", s.Complications.Eye, eyes, false},
		{"eye of a surgery", s.Surgeries.Eye, eyes, false},
		{"eye of an end of follow-up", s.Ends.Eye, eyes, false},
		{"eye of a query", s.Queries.Eye, eyes, false},
	} {
		if err := check(c.what, c.refs, c.n, c.absent); err != nil {
			return err
		}
	}
	for _, c := range s.Clinicians {
		if err := check("centre of a clinician", []int32{c.Centre}, len(s.Centres), false); err != nil {
			return err
		}
	}
	for _, p := range s.Protocols {
		if err := check("centre of a protocol", []int32{p.Centre}, len(s.Centres), false); err != nil {
			return err
		}
	}
	return nil
}

// uses marks the rows of every table that stay.
type uses struct{ centre, clinician, protocol, patient, eye []bool }

func (s *Snapshot) uses() uses {
	u := uses{make([]bool, len(s.Centres)), make([]bool, len(s.Clinicians)), make([]bool, len(s.Protocols)),
		make([]bool, len(s.Patients.Code)), make([]bool, s.NumEyes())}
	mark := func(eyes []int32, on []registry.Date) {
		for i, e := range eyes {
			if on[i] <= s.CutOff {
				u.eye[e] = true
			}
		}
	}
	mark(s.Treatments.Eye, s.Treatments.On)
	mark(s.Visits.Eye, s.Visits.On)
	mark(s.Complications.Eye, s.Complications.Onset)
	mark(s.Surgeries.Eye, s.Surgeries.On)
	mark(s.Ends.Eye, s.Ends.On)
	for e, used := range u.eye {
		if used {
			p := s.Eyes.Patient[e]
			u.patient[p] = true
			u.centre[s.Patients.Centre[p]] = true
		}
	}
	for t, on := range s.Treatments.On {
		if on > s.CutOff {
			continue
		}
		if p := s.Treatments.Protocol[t]; p != Absent {
			u.protocol[p] = true
			u.centre[s.Protocols[p].Centre] = true
		}
		if c := s.Treatments.Clinician[t]; c != Absent {
			u.clinician[c] = true
			u.centre[s.Clinicians[c].Centre] = true
		}
	}
	return u
}

// arrange puts every table in order and drops what does not belong.
func (s *Snapshot) arrange() error {
	u := s.uses()
	byCentre := func(a, b int32) int { return cmp.Compare(s.Centres[a].Code, s.Centres[b].Code) }
	order, err := ordered("centre", u.centre, byCentre)
	if err != nil {
		return err
	}
	centre := inverse(order, len(s.Centres))
	s.Centres = gather(s.Centres, order)

	order, err = ordered("clinician", u.clinician, func(a, b int32) int {
		x, y := &s.Clinicians[a], &s.Clinicians[b]
		return cmp.Or(cmp.Compare(centre[x.Centre], centre[y.Centre]), cmp.Compare(x.Code, y.Code))
	})
	if err != nil {
		return err
	}
	clinician := inverse(order, len(s.Clinicians))
	s.Clinicians = gather(s.Clinicians, order)
	for i := range s.Clinicians {
		s.Clinicians[i].Centre = centre[s.Clinicians[i].Centre]
	}

	order, err = ordered("protocol", u.protocol, func(a, b int32) int {
		x, y := &s.Protocols[a], &s.Protocols[b]
		return cmp.Or(cmp.Compare(centre[x.Centre], centre[y.Centre]), cmp.Compare(x.Code, y.Code), cmp.Compare(x.Version, y.Version))
	})
	if err != nil {
		return err
	}
	protocol := inverse(order, len(s.Protocols))
	s.Protocols = gather(s.Protocols, order)
	for i := range s.Protocols {
		p := &s.Protocols[i]
		p.Centre = centre[p.Centre]
		p.ID, p.CentreID = registry.ID{}, registry.ID{}
		if len(p.Zones) == 0 {
			p.Zones = nil // as it reads back
		}
		slices.SortFunc(p.Zones, func(a, b registry.Zone) int { return cmp.Compare(a.Order, b.Order) })
	}

	order, err = ordered("patient", u.patient, func(a, b int32) int {
		return cmp.Or(cmp.Compare(centre[s.Patients.Centre[a]], centre[s.Patients.Centre[b]]), cmp.Compare(s.Patients.Code[a], s.Patients.Code[b]))
	})
	if err != nil {
		return err
	}
	patient := inverse(order, len(s.Patients.Code))
	s.reorder("patient", order)
	renumber(s.Patients.Centre, centre)
	for i, died := range s.Patients.DiedOn {
		if died > s.CutOff {
			s.Patients.DiedOn[i] = 0
		}
	}

	order, err = ordered("eye", u.eye, func(a, b int32) int {
		return cmp.Or(cmp.Compare(patient[s.Eyes.Patient[a]], patient[s.Eyes.Patient[b]]), cmp.Compare(s.Eyes.Side[a], s.Eyes.Side[b]))
	})
	if err != nil {
		return err
	}
	eye := inverse(order, s.NumEyes())
	s.reorder("eye", order)
	renumber(s.Eyes.Patient, patient)
	return s.arrangeByEye(eye, protocol, clinician)
}

// arrangeByEye puts the tables that belong to eyes in order, given where
// eyes, protocols and clinicians have gone.
func (s *Snapshot) arrangeByEye(eye, protocol, clinician []int32) error {
	t, v := &s.Treatments, &s.Visits
	order, err := s.orderByEye("treatment", t.Eye, eye, t.On, func(a, b int32) int { return cmp.Compare(t.On[a], t.On[b]) }, true)
	if err != nil {
		return err
	}
	treatment := inverse(order, len(t.Eye))
	s.reorder("treatment", order)
	renumber(t.Eye, eye)
	renumber(t.Protocol, protocol)
	renumber(t.Clinician, clinician)

	z := &s.TreatmentZones
	kept := make([]bool, len(z.Treatment))
	for i, at := range z.Treatment {
		kept[i] = treatment[at] != Absent
	}
	order, err = ordered("zone of a treatment", kept, func(a, b int32) int {
		return cmp.Or(cmp.Compare(treatment[z.Treatment[a]], treatment[z.Treatment[b]]), cmp.Compare(z.Order[a], z.Order[b]))
	})
	if err != nil {
		return err
	}
	s.reorder("treatment-zone", order)
	renumber(z.Treatment, treatment)

	order, err = s.orderByEye("visit", v.Eye, eye, v.On, func(a, b int32) int { return cmp.Compare(v.On[a], v.On[b]) }, true)
	if err != nil {
		return err
	}
	s.reorder("visit", order)
	renumber(v.Eye, eye)

	d, c, u, f, q := &s.Demarcations, &s.Complications, &s.Surgeries, &s.Ends, &s.Queries
	for _, one := range []struct {
		label string
		eyes  []int32
		on    []registry.Date
		cmp   func(a, b int32) int
		once  bool
	}{
		{"demarcation", d.Eye, d.On, func(a, b int32) int {
			return cmp.Or(cmp.Compare(d.On[a], d.On[b]), strings.Compare(d.Zone.At(a), d.Zone.At(b)), strings.Compare(d.Observer.At(a), d.Observer.At(b)))
		}, true},
		{"complication", c.Eye, c.Onset, func(a, b int32) int {
			return cmp.Or(cmp.Compare(c.Onset[a], c.Onset[b]), strings.Compare(c.Kind.At(a), c.Kind.At(b)))
		}, true},
		{"surgery", u.Eye, u.On, func(a, b int32) int {
			return cmp.Or(cmp.Compare(u.On[a], u.On[b]), strings.Compare(u.Kind.At(a), u.Kind.At(b)))
		}, true},
		{"end", f.Eye, f.On, func(a, b int32) int { return cmp.Compare(f.On[a], f.On[b]) }, true},
		{"query", q.Eye, q.On, func(a, b int32) int {
			return cmp.Or(cmp.Compare(q.On[a], q.On[b]), strings.Compare(q.Record.At(a), q.Record.At(b)), strings.Compare(q.Field.At(a), q.Field.At(b)),
				cmp.Compare(q.Message[a], q.Message[b]), cmp.Compare(q.Value[a], q.Value[b]))
		}, false},
	} {
		order, err := s.orderByEye(one.label, one.eyes, eye, one.on, one.cmp, one.once)
		if err != nil {
			return err
		}
		s.reorder(one.label, order)
	}
	for _, eyes := range [][]int32{d.Eye, c.Eye, u.Eye, f.Eye, q.Eye} {
		renumber(eyes, eye)
	}
	for i, on := range c.ResolvedOn {
		if on > s.CutOff {
			c.ResolvedOn[i] = 0
		}
	}
	return nil
}

func (s *Snapshot) reorder(label string, order []int32) {
	for _, t := range s.tables() {
		if t.label == label {
			t.reorder(order)
		}
	}
}

// ordered returns the rows that are used, sorted; two that compare equal are
// an error.
func ordered(what string, used []bool, compare func(a, b int32) int) ([]int32, error) {
	order := make([]int32, 0, len(used))
	for i, is := range used {
		if is {
			order = append(order, int32(i))
		}
	}
	slices.SortFunc(order, compare)
	return order, distinct(what, order, compare)
}

func distinct(what string, order []int32, compare func(a, b int32) int) error {
	for i := 1; i < len(order); i++ {
		if compare(order[i-1], order[i]) == 0 {
			return fmt.Errorf("%s: rows %d and %d should differ in code, side or day", what, order[i-1], order[i])
		}
	}
	return nil
}

// orderByEye returns the rows on or before the cut-off whose eye stays, by
// eye and within an eye as compared, in time that grows with the rows.
func (s *Snapshot) orderByEye(what string, eyes, eye []int32, on []registry.Date, compare func(a, b int32) int, once bool) ([]int32, error) {
	next := make([]int32, s.NumEyes()+1)
	stays := func(i int) bool { return on[i] <= s.CutOff && eye[eyes[i]] != Absent }
	for i, e := range eyes {
		if stays(i) {
			next[eye[e]+1]++
		}
	}
	for e := range s.NumEyes() {
		next[e+1] += next[e]
	}
	first := slices.Clone(next)
	order := make([]int32, next[s.NumEyes()])
	for i, e := range eyes {
		if stays(i) {
			at := eye[e]
			order[next[at]] = int32(i)
			next[at]++
		}
	}
	for e := range s.NumEyes() {
		rows := order[first[e]:first[e+1]]
		slices.SortFunc(rows, compare)
		if once {
			if err := distinct(what+" of one eye", rows, compare); err != nil {
				return nil, err
			}
		}
	}
	return order, nil
}

// inverse returns where each of n rows has gone, Absent for those left out.
func inverse(order []int32, n int) []int32 {
	at := make([]int32, n)
	for i := range at {
		at[i] = Absent
	}
	for i, from := range order {
		at[from] = int32(i)
	}
	return at
}

func renumber(refs, at []int32) {
	for i, ref := range refs {
		if ref != Absent {
			refs[i] = at[ref]
		}
	}
}

// derive makes the columns that are not content.
func (s *Snapshot) derive() error {
	n := s.NumEyes()
	s.Treatments.First = offsets(s.Treatments.Eye, n)
	s.Visits.First = offsets(s.Visits.Eye, n)
	s.Complications.First = offsets(s.Complications.Eye, n)
	s.Surgeries.First = offsets(s.Surgeries.Eye, n)
	s.Ends.First = offsets(s.Ends.Eye, n)
	d := &s.Demarcations
	d.Visit = make([]int32, len(d.Eye))
	for i, e := range d.Eye {
		lo, hi := s.Visits.First[e], s.Visits.First[e+1]
		at, ok := slices.BinarySearch(s.Visits.On[lo:hi], d.On[i])
		if !ok {
			return fmt.Errorf("demarcation row %d: its eye should have a visit on %s", i, d.On[i])
		}
		d.Visit[i] = lo + int32(at)
	}
	return nil
}

// offsets returns where the rows of each of n eyes begin, given the eye of
// each row in order, and where the last ends.
func offsets(eyes []int32, n int) []int32 {
	first := make([]int32, n+1)
	for _, e := range eyes {
		first[e+1]++
	}
	for e := range n {
		first[e+1] += first[e]
	}
	return first
}
