package intake

import (
	"fmt"
	"strconv"
	"strings"

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

// anchor returns the day from which the days of a side count.
func (m *merger) anchor(s *slot, field string) registry.Date {
	if m.lay.mapping.daysFrom.IsValid() {
		return m.lay.mapping.daysFrom
	}
	if t := m.slotOf(registry.TreatmentRecord, s.side, ""); t != nil && t.values[0].Given && s.kind != registry.TreatmentRecord {
		return registry.Date(t.values[0].Num)
	}
	eye := m.slotOf(registry.EyeRecord, s.side, "")
	if eye == nil || eye.part == nil {
		return 0
	}
	var known []*registry.Part
	if !m.isFresh(eye.part) {
		known = m.l.treated[eye.part.Seq]
	}
	switch len(known) {
	case 1:
		return registry.Date(known[0].Values[0].Num)
	case 0:
		m.fault(s, field, "counts from a treatment, and none of this eye is known: give the day of treatment in the row or take the treatments in first")
	default:
		m.fault(s, field, "counts from a treatment, and this eye has %d: give the day itself", len(known))
	}
	return 0
}

// resolvePart finds a record below an eye or protocol, all but visits.
func (m *merger) resolvePart(s *slot) {
	info := s.kind.Info()
	for i, c := range info.Columns {
		if s.hasDays[i] && !s.values[i].Given {
			key := info.Key + "." + c.Key
			if from := m.anchor(s, key); from.IsValid() {
				s.values[i] = registry.Value{Given: true, Num: int32(from.Add(s.days[i]))}
			}
		}
	}
	var parent *registry.Part
	var visit *registry.VisitPart
	switch s.kind {
	case registry.ProtocolZoneRecord:
		parent = m.slotOf(registry.ProtocolRecord, 0, "").part
	case registry.TreatmentZoneRecord, registry.PachymetryRecord:
		t := m.slotOf(registry.TreatmentRecord, s.side, "")
		if t.part == nil && m.faults == 0 {
			m.fault(s, "", "holds %s without the day of the treatment", map[registry.Kind]string{
				registry.TreatmentZoneRecord: "a zone of a treatment", registry.PachymetryRecord: "a thickness around a treatment"}[s.kind])
		}
		parent = t.part
	case registry.DemarcationRecord:
		if visit = m.slotOf(registry.VisitRecord, s.side, s.visit).visited; visit == nil {
			visit = m.visitOfDemarcation(s)
		}
		m.seenOrNot(s)
	default:
		if e := m.slotOf(registry.EyeRecord, s.side, ""); e != nil {
			parent = e.part
		}
	}
	if parent == nil && visit == nil {
		return // said already
	}
	m.linkNames(s)
	required := info.Keys
	if s.kind == registry.FollowUpEndRecord {
		required = 2
	}
	if s.kind == registry.DemarcationRecord {
		s.values[1].Given = true // nobody named who graded
		required = 3
	}
	for i := range required {
		if !s.values[i].Given && m.faults == 0 {
			m.fault(s, info.Key+"."+info.Columns[i].Key, "is missing: %s should have its %s", article(strings.ReplaceAll(info.Key, "_", " ")), plainName(info.Columns[i].Key))
		}
	}
	if m.faults > 0 {
		return
	}
	if !m.isFreshParent(parent, visit) {
		s.part = m.l.find(s.kind, parent, visit, s.values)
	}
	if s.part == nil {
		s.part = m.make(s, parent, visit)
	}
}

// plainName is the key of a column as a person says it.
func plainName(key string) string {
	if key == "on" {
		return "day"
	}
	return strings.ReplaceAll(key, "_", " ")
}

func (m *merger) visitOfDemarcation(s *slot) *registry.VisitPart {
	v := m.slotOf(registry.VisitRecord, s.side, s.visit)
	if m.faults == 0 {
		m.fault(v, "visit.on", "is missing: a demarcation line is seen on a day")
	}
	return nil
}

// seenOrNot completes a demarcation: a depth alone says that the line was
// seen, and a line that was not seen has no depth.
func (m *merger) seenOrNot(s *slot) {
	seen, _ := s.kind.ColumnOf("seen")
	depth, _ := s.kind.ColumnOf("depth")
	thickness, _ := s.kind.ColumnOf("thickness")
	if s.values[depth].Given && !s.values[seen].Given {
		s.values[seen] = registry.Value{Given: true, Text: "seen"}
	}
	if s.values[depth].Given && s.values[seen].Text != "seen" {
		m.fault(s, "demarcation.depth", "is a depth of a line that is %s: should be empty, or the line seen", s.values[seen].Text)
	}
	if s.values[depth].Given && s.values[thickness].Given && s.values[depth].Num > s.values[thickness].Num {
		m.fault(s, "demarcation.depth", "is deeper than the cornea, %d µm: should be at most that", s.values[thickness].Num)
	}
}

// linkNames turns the codes of protocol and clinician into the records that
// they name, making those that are not known yet.
func (m *merger) linkNames(s *slot) {
	for i, c := range s.kind.Info().Columns {
		if c.Type != registry.LinkValue || !s.values[i].Given {
			continue
		}
		kind := registry.ClinicianRecord
		if c.Key == "protocol" {
			kind = registry.ProtocolRecord
		}
		target := m.linked(kind, s.values[i].Text)
		if target == nil {
			m.fault(s, "treatment."+c.Key, "is not a version of a protocol: write the code, or code/version such as standard/2")
			continue
		}
		s.values[i].Text = target.ID.String()
	}
}

func (m *merger) linked(kind registry.Kind, code string) *registry.Part {
	values := make([]registry.Value, len(kind.Info().Columns))
	values[0] = registry.Value{Given: true, Text: code}
	if kind == registry.ProtocolRecord {
		if known := m.l.latest[code]; known != nil {
			return known
		}
		name, version, ok := strings.Cut(code, "/")
		values[0].Text, values[1] = name, registry.Value{Given: true, Num: 1}
		if ok {
			n, err := strconv.Atoi(version)
			if err != nil || n < 1 || n > 999 {
				return nil
			}
			values[1].Num = int32(n)
		}
	}
	if known := m.l.find(kind, nil, nil, values); known != nil {
		return known
	}
	for _, p := range append(m.links, m.fresh...) {
		if p.Kind == kind && p.Values[0] == values[0] && (kind != registry.ProtocolRecord || p.Values[1] == values[1]) {
			return p
		}
	}
	name, _ := kind.ColumnOf("name")
	values[name] = values[0]
	p := registry.NewPart(kind, nil)
	p.Values, p.Source, p.ID = values, m.src, m.l.ids.Next()
	m.links = append(m.links, p)
	return p
}

// make prepares a new record; it is kept only if the whole row is taken.
func (m *merger) make(s *slot, parent *registry.Part, visit *registry.VisitPart) *registry.Part {
	for _, p := range m.fresh {
		if p.Kind == s.kind && p.Parent == parent && p.Visit == visit && keyOf(p).keys == (partKeyOf(s.kind, s.values)) {
			m.fault(s, "", "holds the same %s twice", strings.ReplaceAll(s.kind.Info().Key, "_", " "))
			return p
		}
	}
	p := registry.NewPart(s.kind, parent)
	p.Visit, p.Source = visit, m.src
	p.ID = m.l.ids.Next()
	copy(p.Values, s.values[:s.kind.Info().Keys])
	m.fresh = append(m.fresh, p)
	return p
}

func partKeyOf(kind registry.Kind, values []registry.Value) (keys [2]registry.Value) {
	copy(keys[:], values[:kind.Info().Keys])
	return keys
}

func (m *merger) isFresh(p *registry.Part) bool {
	for _, f := range m.fresh {
		if f == p {
			return true
		}
	}
	return false
}

func (m *merger) isFreshParent(parent *registry.Part, visit *registry.VisitPart) bool {
	return visit != nil && visit.Eye == nil || parent != nil && m.isFresh(parent)
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
