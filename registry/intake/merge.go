package intake

import (
	"fmt"

	"keratally/registry"
	"keratally/registry/measure"
)

// outcome is what a row came to.
type outcome int

const (
	blankRow outcome = iota
	sameRow
	changedRow
	newRow
	refusedRow
)

// merger takes the rows of one sheet into a ledger, each whole or not at all.
type merger struct {
	l         *ledger
	lay       *layout
	in        *interner
	src       registry.Source
	complete  bool // a row gives all of its visits: what belongs together is checked at once
	fresh     []*registry.Part
	links     []*registry.Part // protocols and clinicians that treatments of the row name for the first time
	result    outcome
	refuse    func(s *slot, field, reason string)
	faults    int
	birthSaid bool
	touched   bool // the row changes what the registry held
}

func (m *merger) fault(s *slot, field, format string, args ...any) {
	m.faults++
	m.refuse(s, field, fmt.Sprintf(format, args...))
}

// take merges the row that the layout has parsed.
func (m *merger) take(src registry.Source) outcome {
	m.src, m.faults, m.result = src, 0, sameRow
	m.fresh, m.links, m.birthSaid, m.touched = m.fresh[:0], m.links[:0], false, false
	if !m.anyGiven() {
		return blankRow
	}
	for _, s := range m.lay.slots {
		m.resolve(s)
	}
	if m.faults > 0 {
		return refusedRow
	}
	for _, s := range m.lay.slots {
		m.compare(s)
	}
	if m.faults > 0 {
		return refusedRow
	}
	m.apply()
	if m.touched { // what was there before is changed, whatever else is new
		return changedRow
	}
	return m.result
}

func (m *merger) anyGiven() bool {
	for _, s := range m.lay.slots {
		if s.given {
			return true
		}
	}
	return false
}

// resolve finds the record that a slot is about, or prepares a new one. Slots
// come parents first.
func (m *merger) resolve(s *slot) {
	switch s.kind {
	case registry.ClinicianRecord, registry.ProtocolRecord:
		m.resolveOfCentre(s)
	case registry.PatientRecord:
		m.resolvePatient(s)
	case registry.EyeRecord:
		m.resolveEye(s)
	case registry.VisitRecord:
		m.resolveVisit(s)
	default:
		if s.given || m.isDerivedTreatment(s) {
			m.resolvePart(s)
		}
	}
}

func (m *merger) resolveOfCentre(s *slot) {
	if !s.given && !m.needed(registry.ProtocolZoneRecord, s) {
		return
	}
	if !s.values[0].Given {
		m.fault(s, s.kind.Info().Key+".code", "should have a code")
		return
	}
	if s.kind == registry.ProtocolRecord {
		if !s.values[1].Given {
			s.values[1] = registry.Value{Given: true, Num: 1}
		}
	}
	name, _ := s.kind.ColumnOf("name")
	if s.part = m.l.find(s.kind, nil, nil, s.values); s.part == nil {
		if !s.values[name].Given {
			s.values[name] = registry.Value{Given: true, Text: s.values[0].Text}
		}
		s.part = m.make(s, nil, nil)
	}
}

func (m *merger) resolvePatient(s *slot) {
	if !s.given {
		for _, other := range m.lay.slots {
			if other.given && belowEye(other.kind) {
				m.fault(s, "patient.code", "is missing: whose record this is should be known; if the cell is merged or left empty for rows of one patient, say fill_down = true")
				return
			}
		}
		return
	}
	if !s.values[0].Given {
		m.fault(s, "patient.code", "is missing: whose record this is should be known; if the cell is merged or left empty for rows of one patient, say fill_down = true")
		return
	}
	if s.ageAt != nil {
		m.birthFromAge(s)
	}
	if s.part = m.l.patients[s.values[0].Text]; s.part == nil {
		s.part = m.make(s, nil, nil)
	}
}

func (m *merger) birthFromAge(s *slot) {
	at := m.lay.mapping.daysFrom
	if s.ageAt.field.role == ageTreatmentRole {
		at = 0
		for _, t := range m.lay.slots {
			if t.kind == registry.TreatmentRecord && t.values[0].Given {
				at = registry.Date(t.values[0].Num)
			}
		}
	}
	if !at.IsValid() {
		m.fault(s, s.ageAt.field.Key, "is an age at a day that the row does not give: map treatment.on, or declare a day under [sheet.days]")
		return
	}
	s.values[s.ageAt.field.column] = registry.Value{Given: true, Num: int32(at.Time().Year() - s.age)}
}

// needed reports whether a slot of the kind below the eye or protocol of s
// holds something.
func (m *merger) needed(kind registry.Kind, s *slot) bool {
	for _, other := range m.lay.slots {
		if other.given && (other.kind == kind || kind == registry.EyeRecord && belowEye(other.kind) && other.side == s.side) {
			return true
		}
	}
	return false
}

func (m *merger) resolveEye(s *slot) {
	if !m.needed(registry.EyeRecord, s) {
		return
	}
	patient := m.slotOf(registry.PatientRecord, 0, "")
	if patient == nil || patient.part == nil {
		return // said already
	}
	if !s.values[0].Given {
		m.fault(s, "eye.side", "is missing: should be OD (right) or OS (left)")
		return
	}
	if s.part = m.l.eye(patient.part, s.values[0].Num); s.part == nil {
		s.part = m.make(s, patient.part, nil)
	}
}

func (m *merger) slotOf(kind registry.Kind, side measure.Side, visit string) *slot {
	for _, s := range m.lay.slots {
		if s.kind == kind && s.side == side && s.visit == visit {
			return s
		}
	}
	return nil
}

// isDerivedTreatment reports whether the mapping says that the eyes of the
// sheet were treated on day 0.
func (m *merger) isDerivedTreatment(s *slot) bool {
	if s.kind != registry.TreatmentRecord || m.lay.mapping.treatmentOn == "" {
		return false
	}
	eye := m.slotOf(registry.EyeRecord, s.side, "")
	if eye == nil || eye.part == nil {
		return false
	}
	if !s.values[0].Given {
		s.values[0] = registry.Value{Given: true, Num: int32(m.lay.mapping.daysFrom)}
	}
	return true
}

func (m *merger) resolveVisit(s *slot) {
	if !s.given && !m.hasDemarcation(s) {
		return
	}
	eye := m.slotOf(registry.EyeRecord, s.side, "")
	if eye == nil || eye.part == nil {
		return // said already
	}
	rule := m.lay.mapping.visits[s.visit]
	if s.stage == "" {
		s.stage = rule.stage
	}
	if !s.v.On.IsValid() {
		m.dayOfVisit(s, rule)
	}
	if !s.v.On.IsValid() {
		return
	}
	for _, other := range m.lay.slots {
		if other != s && other.kind == registry.VisitRecord && other.side == s.side && other.visited != nil && other.v.On == s.v.On {
			m.fault(s, "visit.on", "is the day of another visit of this eye in the row: a visit is one eye on one day")
			return
		}
	}
	if !m.isFresh(eye.part) {
		s.visited = m.l.visit(eye.part, s.v.On)
	}
	if s.visited == nil {
		s.visited = &s.v // stands for the new visit until the row is taken
	}
	s.v.Eye = nil
}

// hasDemarcation reports whether a demarcation of the visit was given.
func (m *merger) hasDemarcation(s *slot) bool {
	for _, other := range m.lay.slots {
		if other.given && other.kind == registry.DemarcationRecord && other.side == s.side && other.visit == s.visit {
			return true
		}
	}
	return false
}

func (m *merger) dayOfVisit(s *slot, rule visitRule) {
	days, field := rule.days, ""
	switch {
	case s.isAfter:
		days, field = s.after, "visit.days"
	case !rule.hasDays:
		m.fault(s, firstField(s, "visit.on", "visit.days"), "is missing: a visit should have its day")
		return
	}
	if days < 0 && !m.lay.mapping.daysBefore {
		m.fault(s, field, "is a visit before its anchor: should be 0 or more, or say before = true under [sheet.days]")
		return
	}
	if from := m.anchor(s, field); from.IsValid() {
		s.v.On = from.Add(days)
	}
}

func firstField(s *slot, keys ...string) string {
	for _, k := range keys {
		if s.by[k] != nil {
			return k
		}
	}
	return ""
}
