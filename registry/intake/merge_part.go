package intake

import (
	"strconv"
	"strings"

	"keratally/registry"
)

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
