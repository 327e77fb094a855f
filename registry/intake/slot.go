package intake

import (
	"slices"
	"strconv"

	"keratally/registry"
	"keratally/registry/measure"
)

// slot returns the slot with the given marks, made if there is none, and
// makes those that it depends on.
func (l *layout) slot(kind registry.Kind, side measure.Side, visit, zone string) *slot {
	for _, s := range l.slots {
		if s.kind == kind && s.side == side && s.visit == visit && s.zone == zone {
			return s
		}
	}
	n := len(kind.Info().Columns)
	s := &slot{kind: kind, side: side, visit: visit, zone: zone, by: map[string]*bound{},
		values: make([]registry.Value, n), constant: make([]registry.Value, n), merged: make([]registry.Value, n), days: make([]int, n), hasDays: make([]bool, n)}
	switch kind {
	case registry.PachymetryRecord:
		s.constant[0] = registry.Value{Given: true, Text: zone}
	case registry.DemarcationRecord:
		if zone != "" {
			s.constant[0] = registry.Value{Given: true, Text: zone}
		}
	case registry.TreatmentZoneRecord, registry.ProtocolZoneRecord:
		if n, err := strconv.Atoi(zone); err == nil && n > 0 {
			s.constant[0] = registry.Value{Given: true, Num: int32(n)}
		}
	case registry.EyeRecord:
		if side != 0 {
			s.constant[0] = registry.Value{Given: true, Num: int32(side)}
		}
	}
	l.slots = append(l.slots, s)
	switch kind {
	case registry.PachymetryRecord, registry.TreatmentZoneRecord:
		l.slot(registry.TreatmentRecord, side, "", "")
	case registry.DemarcationRecord:
		l.slot(registry.VisitRecord, side, visit, "")
	case registry.ProtocolZoneRecord:
		l.slot(registry.ProtocolRecord, 0, "", "")
	case registry.EyeRecord:
		l.slot(registry.PatientRecord, 0, "", "")
	}
	if belowEye(kind) && kind != registry.EyeRecord {
		l.slot(registry.EyeRecord, side, "", "")
	}
	return s
}

// addConstants fills what the mapping says once for every row, into every
// slot of its kind.
func (l *layout) addConstants() {
	if l.mapping.treatmentOn != "" {
		l.slot(registry.TreatmentRecord, 0, "", "")
	}
	if l.mapping.shape == "measurement" {
		for _, rule := range l.mapping.byName {
			l.slot(registry.VisitRecord, 0, "", "")
			_ = rule
			break
		}
	}
	for i := range l.mapping.constants {
		c := &l.mapping.constants[i]
		for _, s := range l.slots {
			if s.kind != c.field.kind || c.field.step != "" && c.field.step != s.zone {
				continue
			}
			b := &bound{columnRule: *c, at: -1, slot: s}
			cell := Cell{Type: TextCell, Text: []byte(c.value)}
			s.reset()
			if err := b.store(cell, l, nil); err == nil {
				for i, v := range s.values {
					if v.Given {
						s.constant[i] = v
					}
				}
				for i, t := range s.texts {
					if t != "" {
						s.constantText[i] = t
					}
				}
			}
		}
	}
	slices.SortStableFunc(l.slots, func(a, b *slot) int { return int(a.kind) - int(b.kind) })
}

// checkSlots refuses layouts whose rows could not become records.
func (l *layout) checkSlots(fault func(string, ...any)) {
	below, sideKnown := false, false
	for _, s := range l.slots {
		if belowEye(s.kind) {
			below = true
			if s.kind == registry.EyeRecord {
				sideKnown = sideKnown || s.side != 0 || s.by["eye.side"] != nil || s.constant[0].Given
			}
		}
		own := 0
		for _, b := range s.by {
			if !b.shared {
				own++
			}
		}
		if own == 0 && len(s.by) > 0 && s.kind != registry.EyeRecord {
			fault("%s: every column of it is shared by both eyes: give at least one its side", s.kind.Info().Key)
		}
		l.checkDays(s, fault)
	}
	if below && l.patient == nil {
		fault(`no column gives patient.code: whose eyes these are should be known`)
	}
	if below && !sideKnown {
		fault(`no column gives eye.side: which eye it is should be known; a column, a constant "eye.side" = "OD", or shape "patient"`)
	}
}

func (l *layout) checkDays(s *slot, fault func(string, ...any)) {
	has := func(keys ...string) bool {
		for _, k := range keys {
			if s.by[s.kind.Info().Key+"."+k] != nil {
				return true
			}
		}
		return false
	}
	switch s.kind {
	case registry.VisitRecord:
		if !has("on", "days") && !l.mapping.visits[s.visit].hasDays {
			fault("visit %q: no column gives its day: map visit.on or visit.days", s.visit)
		}
	case registry.TreatmentRecord:
		if !has("on", "days") && l.mapping.treatmentOn == "" {
			fault("treatment: no column gives its day: map treatment.on")
		}
	case registry.DemarcationRecord:
		if !has("zone") && s.zone == "" && !s.constant[0].Given {
			fault(`demarcation: no column gives its zone: map demarcation.zone, or say zone = "central" beside the field`)
		}
	case registry.TreatmentZoneRecord, registry.ProtocolZoneRecord:
		if !has("zone") && !s.constant[0].Given {
			fault(`%s: no column gives its zone: say zone = "1" beside the field, 1 innermost`, s.kind.Info().Key)
		}
	case registry.ComplicationRecord:
		if !has("kind") && !s.constant[0].Given || !has("onset", "onset_days") {
			fault("complication: map both complication.kind and complication.onset")
		}
	case registry.SurgeryRecord:
		if !has("kind") && !s.constant[0].Given || !has("on", "days") {
			fault("surgery: map both surgery.kind and surgery.on")
		}
	case registry.FollowUpEndRecord:
		if !has("on", "days") || !has("reason") && !s.constant[1].Given {
			fault("follow_up_end: map both follow_up_end.on and follow_up_end.reason")
		}
	}
}
