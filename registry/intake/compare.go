package intake

import (
	"fmt"
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
)

// compare works out what a row would change in the record of a slot, and
// refuses what contradicts another row of the same file or cannot be true.
func (m *merger) compare(s *slot) {
	switch {
	case s.kind == registry.VisitRecord && s.visited != nil:
		m.compareVisit(s)
	case s.part != nil:
		m.comparePart(s)
	}
}

func (m *merger) comparePart(s *slot) {
	p := s.part
	copy(s.merged, p.Values)
	for i := range s.values {
		v := s.values[i]
		if !v.Given || v == p.Values[i] {
			continue
		}
		if p.Values[i].Given && p.Given&(1<<i) != 0 {
			c := s.kind.Info().Columns[i]
			m.fault(s, s.kind.Info().Key+"."+c.Key, "contradicts row %d, which gives %s for the same %s", p.Source.Row, printed(c, p.Values[i]), strings.ReplaceAll(s.kind.Info().Key, "_", " "))
			continue
		}
		s.merged[i] = v
	}
	m.checkPart(s)
}

// printed shows a value as a person would write it.
func printed(c registry.Column, v registry.Value) string {
	switch c.Type {
	case registry.DayValue:
		return registry.Date(v.Num).String()
	case registry.NumberValue:
		return measure.Steps(v.Num).Text(c.Unit)
	case registry.LinkValue:
		return "another"
	}
	return fmt.Sprintf("%q", v.Text)
}

func (m *merger) checkPart(s *slot) {
	key := s.kind.Info().Key
	for i, c := range s.kind.Info().Columns {
		if c.Type != registry.DayValue || !s.values[i].Given {
			continue
		}
		d := registry.Date(s.values[i].Num)
		field := key + "." + c.Key
		if s.by[field] == nil {
			field = firstField(s, key+".days", field+"_days", key+"."+strings.TrimSuffix(c.Key, "_on")+"_days")
		}
		m.checkDay(s, field, d)
	}
	get := func(key string) registry.Value {
		i, _ := s.kind.ColumnOf(key)
		return s.merged[i]
	}
	switch s.kind {
	case registry.ComplicationRecord:
		onset, resolved := get("onset"), get("resolved_on")
		if resolved.Given && resolved.Num < onset.Num {
			m.fault(s, "complication.resolved_on", "is before the onset, %s: should be on that day or later", registry.Date(onset.Num))
		}
	case registry.DemarcationRecord:
		depth, thickness, seen := get("depth"), get("thickness"), get("seen")
		switch {
		case depth.Given && seen.Text != "seen":
			m.fault(s, "demarcation.depth", "is a depth of a line that is %s: should be empty, or the line seen", seen.Text)
		case depth.Given && thickness.Given && depth.Num > thickness.Num:
			m.fault(s, "demarcation.depth", "is deeper than the cornea, %d µm: should be at most that", thickness.Num)
		}
	case registry.TreatmentZoneRecord, registry.ProtocolZoneRecord:
		if !get("shape").Given {
			m.fault(s, key+".shape", "is missing: a zone should have its shape, circle, ellipse, ring, sector or other")
		}
	case registry.PachymetryRecord:
		if !get("thickness").Given {
			m.fault(s, "", "holds a step of pachymetry without its thickness")
		}
	}
}

// checkDay refuses a day of a record of an eye that cannot be true: before the
// patient was born, after death, or not come yet.
func (m *merger) checkDay(s *slot, field string, d registry.Date) {
	first := registry.DateFromDays(civilDays(1990, 1, 1))
	switch patient := m.slotOf(registry.PatientRecord, 0, ""); {
	case d > m.l.today:
		m.fault(s, field, "is %s, which has not come yet: today is %s", d, m.l.today)
	case s.kind != registry.PatientRecord && d < first:
		m.fault(s, field, "is %s: should be 1990-01-01 or later; cross-linking is not older", d)
	case patient != nil && patient.part != nil:
		if birth := known(patient, "birth_year"); s.kind != registry.PatientRecord && birth.Given && d.Time().Year() < int(birth.Num) {
			if i, _ := patient.kind.ColumnOf("birth_year"); patient.values[i].Given && !m.birthSaid {
				m.birthSaid = true
				m.fault(patient, firstField(patient, "patient.birth_year", "patient.birth_date", "patient.age_at_anchor", "patient.age_at_treatment"), "makes the patient born in %d, after something that was done on %s: should be earlier", birth.Num, d)
			} else if !m.birthSaid {
				m.fault(s, field, "is %s, before the patient was born in %d", d, birth.Num)
			}
		}
		if died := known(patient, "died_on"); s.kind != registry.PatientRecord && died.Given && d > registry.Date(died.Num) && s.kind != registry.FollowUpEndRecord {
			m.fault(s, field, "is %s, after the patient died on %s", d, registry.Date(died.Num))
		}
	}
}

// known returns a value of the row, or else of the record.
func known(s *slot, key string) registry.Value {
	i, _ := s.kind.ColumnOf(key)
	if s.values[i].Given {
		return s.values[i]
	}
	return s.part.Values[i]
}

func (m *merger) compareVisit(s *slot) {
	was := s.visited
	if was == &s.v {
		empty := emptyVisit
		was = &empty
	}
	s.now = *was
	for i := range s.v.Values {
		if s.vGiven&(1<<i) == 0 {
			continue
		}
		off := i < len(s.v.OffChart)
		if s.v.Values[i] == was.Values[i] && (!off || s.v.OffChart[i] == was.OffChart[i]) {
			continue
		}
		if was.Given&(1<<i) != 0 {
			info := registry.Measure(i).Info()
			before := was.Values[i].Text(info.Unit)
			if off && was.OffChart[i] != 0 {
				before = measure.OffChart(was.OffChart[i]).String()
			}
			m.fault(s, "visit."+info.Key, "contradicts row %d, which gives %s %s for the same eye and day", was.Source.Row, info.Label, before)
			continue
		}
		s.now.Values[i] = s.v.Values[i]
		if off {
			s.now.OffChart[i] = s.v.OffChart[i]
		}
	}
	if s.vGiven&(1<<lensFreeBit) != 0 && s.v.LensFreeDays != was.LensFreeDays {
		if was.Given&(1<<lensFreeBit) != 0 {
			m.fault(s, "visit.lens_free_days", "contradicts row %d, which gives %d for the same eye and day", was.Source.Row, was.LensFreeDays)
		}
		s.now.LensFreeDays = s.v.LensFreeDays
	}
	m.compareTexts(s, was)
	m.checkVisit(s)
}

func (m *merger) compareTexts(s *slot, was *registry.VisitPart) {
	if s.visited == &s.v {
		s.now.Texts = m.in.visitTexts(visitTextKey{s.texts, s.entered})
		return
	}
	var t registry.VisitTexts
	if was.Texts != nil {
		t = *was.Texts
	}
	before := t
	for i, p := range [numTexts]*string{&t.AcuityChart, &t.HazeScale, &t.Tomographer, &t.EndothelialCamera, &t.Note} {
		if s.vGiven&(1<<(textBit+i)) == 0 || s.texts[i] == *p {
			continue
		}
		if was.Given&(1<<(textBit+i)) != 0 {
			m.fault(s, "visit."+visitTexts[i].key, "contradicts row %d, which gives %q for the same eye and day", was.Source.Row, *p)
		}
		*p = s.texts[i]
	}
	for i := range s.entered {
		if s.vGiven&(1<<i) != 0 {
			t.Entered = changeEntered(t.Entered, registry.Measure(i).String(), s.entered[i])
		}
	}
	if t != before {
		s.now.Texts = &t
	}
}

// checkVisit refuses what cannot be true of one visit. What a row does not
// touch is not asked about again.
func (m *merger) checkVisit(s *slot) {
	v := &s.now
	given := func(list ...registry.Measure) bool {
		for _, x := range list {
			if s.vGiven&(1<<x) != 0 {
				return true
			}
		}
		return false
	}
	m.checkDay(s, firstField(s, "visit.on", "visit.days"), s.v.On)
	if s.stage == "follow-up" {
		m.checkStage(s)
	}
	const tolerance = 25 // 0.25 D, common practice
	ordered := func(a, b registry.Measure) {
		if x, y := v.Values[a], v.Values[b]; x != measure.None && y != measure.None && x > y+tolerance && given(a, b) {
			at := a
			if !given(a) {
				at = b
			}
			m.fault(s, "visit."+at.String(), "makes %s %s steeper than %s %s: should be K1 ≤ K2 ≤ Kmax within 0.25 D; are the columns swapped?", a.Info().Label, x.Text(measure.DioptreUnit), b.Info().Label, y.Text(measure.DioptreUnit))
		}
	}
	ordered(registry.K1, registry.K2)
	ordered(registry.K2, registry.Kmax)
	ordered(registry.K1, registry.Kmax)
	if x, y := v.Values[registry.Thinnest], v.Values[registry.ApexThickness]; x != measure.None && y != measure.None && x > y+5 && given(registry.Thinnest, registry.ApexThickness) {
		m.fault(s, firstField(s, "visit.thinnest", "visit.apex"), "makes the thinnest point %d µm thicker than the apex %d µm: should be at most 5 µm more; are the columns swapped?", x, y)
	}
	if given(registry.Sphere, registry.Cylinder, registry.RefractionAxis) && m.complete {
		if field, err := refractionFault(v); err != nil {
			m.fault(s, "visit."+field.String(), "%v", err)
		}
	}
}

func (m *merger) checkStage(s *slot) {
	first := registry.Date(0)
	if t := m.slotOf(registry.TreatmentRecord, s.side, ""); t != nil && t.part != nil {
		first = registry.Date(t.values[0].Num)
	}
	if eye := m.slotOf(registry.EyeRecord, s.side, ""); !m.isFresh(eye.part) {
		for _, t := range m.l.treated[eye.part.Seq] {
			if d := registry.Date(t.Values[0].Num); !first.IsValid() || d < first {
				first = d
			}
		}
	}
	if first.IsValid() && s.v.On < first {
		m.fault(s, firstField(s, "visit.on", "visit.days", "visit.stage"), "is a follow-up on %s, before the first treatment on %s", s.v.On, first)
	}
}

// refractionFault checks that sphere, cylinder and axis go together, and drops
// the axis of a cylinder of 0. It names the measure at fault.
func refractionFault(v *registry.VisitPart) (registry.Measure, error) {
	sphere, cylinder, axis := v.Values[registry.Sphere], v.Values[registry.Cylinder], v.Values[registry.RefractionAxis]
	r, err := measure.NewRefraction(sphere, cylinder, axis)
	if err == nil {
		if r.Axis == 0 {
			v.Values[registry.RefractionAxis] = measure.None
		}
		return 0, nil
	}
	switch {
	case cylinder != measure.None && sphere == measure.None:
		return registry.Cylinder, fmt.Errorf("is a cylinder without a sphere: should be sphere, cylinder and axis together")
	case axis != measure.None && (sphere == measure.None || cylinder == measure.None):
		return registry.RefractionAxis, fmt.Errorf("is an axis without a cylinder: should be sphere, cylinder and axis together")
	}
	return registry.Cylinder, fmt.Errorf("is a cylinder without an axis: should have an axis of 1 to 180 degrees")
}

// apply keeps what the row gives.
func (m *merger) apply() {
	for _, p := range m.links {
		p.Given = 1<<len(p.Values) - 1
		m.l.addPart(p)
		m.result = newRow
	}
	for _, s := range m.lay.slots {
		switch {
		case s.kind == registry.VisitRecord && s.visited != nil:
			m.applyVisit(s)
		case s.part != nil:
			m.applyPart(s)
		}
	}
}

func (m *merger) applyPart(s *slot) {
	p := s.part
	if s.kind == registry.DemarcationRecord { // its visit may just have been kept
		p.Visit = m.slotOf(registry.VisitRecord, s.side, s.visit).visited
	}
	given := uint32(0)
	changed := false
	for i, v := range s.values {
		if v.Given {
			given |= 1 << i
			changed = changed || v != p.Values[i]
		}
	}
	if m.isFresh(p) {
		copy(p.Values, s.merged)
		p.Given = given
		m.l.addPart(p)
		m.result = newRow
		return
	}
	if changed {
		m.l.change(p, s.merged)
		m.raise(p.Loaded)
	}
	p.Given |= given
	if p.Source.Row == 0 {
		p.Source = m.src
	}
}

func (m *merger) raise(loaded bool) {
	if loaded {
		m.touched = true
	} else {
		m.result = newRow
	}
}

func (m *merger) applyVisit(s *slot) {
	v := s.visited
	if v == &s.v {
		s.now.Eye, s.now.On, s.now.Source, s.now.Given = m.slotOf(registry.EyeRecord, s.side, "").part, s.v.On, m.src, s.vGiven
		s.visited = m.l.addVisit(&s.now)
		m.result = newRow
		m.remember(s, s.visited)
		return
	}
	if s.now.Values != v.Values || s.now.OffChart != v.OffChart || s.now.LensFreeDays != v.LensFreeDays || s.now.Texts != v.Texts {
		m.l.changeVisit(v, &s.now)
		m.raise(v.Loaded)
	}
	v.Given |= s.vGiven
	if v.Source.Row == 0 {
		v.Source = m.src
	}
	m.remember(s, v)
}

// remember notes which row gave what must be complete at the end.
func (m *merger) remember(s *slot, v *registry.VisitPart) {
	if m.complete {
		return
	}
	for _, x := range []registry.Measure{registry.Sphere, registry.Cylinder, registry.RefractionAxis} {
		if s.vGiven&(1<<x) != 0 {
			m.l.origin[originKey{v, x}] = m.src
		}
	}
}
