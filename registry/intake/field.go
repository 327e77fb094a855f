package intake

import (
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
)

// Field is one thing that a column of a sheet can give.
type Field struct {
	Key      string   // as mappings name it: "visit.kmax"
	Help     string   // what it is
	Unit     string   // in which it is kept; "" for texts, codes and days
	Units    []string // that a mapping may declare; the first is meant when none is
	Words    []string // the codes it may be
	Min, Max float64  // what it can be, in Unit; both 0 without limits
	Acuity   bool     // its notation must be declared

	kind    registry.Kind
	role    role
	column  int // of its kind; the measure, or the text of a visit
	unit    measure.Unit
	what    string // in messages: "Kmax"
	step    string // of a pachymetry
	hasHard bool
}

// role says what is done with the value of a field.
type role int

const (
	columnRole       role = iota // a column of its kind
	measureRole                  // a measure of a visit
	acuityRole                   // an acuity of a visit
	visitTextRole                // a text of a visit
	lensFreeRole                 // days without contact lens before a visit
	daysRole                     // days after the anchor, for a day column
	visitDayRole                 // day of a visit
	visitDaysRole                // day of a visit as days after the anchor
	stageRole                    // baseline or follow-up: checked, not kept
	birthDateRole                // of which the year is kept
	ageRole                      // age at the anchor, for the year of birth
	ageTreatmentRole             // age at the treatment, for the year of birth
	depthRole                    // depth of a demarcation line, or that it was not seen
	nameRole                     // name of a measurement
	valueRole                    // value of a measurement
)

// The texts of a visit, in the order of their bits.
const (
	chartText = iota
	hazeScaleText
	tomographerText
	cameraText
	noteText
	numTexts
)

var visitTexts = [numTexts]struct{ key, help string }{
	chartText:       {"acuity_chart", "chart or method of the acuities"},
	hazeScaleText:   {"haze_scale", "scale of the haze grade"},
	tomographerText: {"tomographer", "instrument of keratometry, Kmax and pachymetry"},
	cameraText:      {"endothelial_camera", "instrument of the endothelial count"},
	noteText:        {"note", "note"},
}

// unitNames lists the units that a mapping may declare for a field kept in a
// unit, the kept one first.
var unitNames = map[measure.Unit][]string{
	measure.DioptreUnit:       {"D"},
	measure.MicrometreUnit:    {"µm", "um", "mm"},
	measure.DegreeUnit:        {"°", "deg"},
	measure.MillimetreHgUnit:  {"mmHg"},
	measure.CellsUnit:         {"cells/mm²", "cells/mm2"},
	measure.PercentUnit:       {"%", "share"},
	measure.ConcentrationUnit: {"%", "share"},
	measure.IrradianceUnit:    {"mW/cm²", "mW/cm2"},
	measure.FluenceUnit:       {"J/cm²", "J/cm2"},
	measure.SecondUnit:        {"s", "min"},
	measure.MinuteUnit:        {"min", "s"},
	measure.MillisecondUnit:   {"ms", "s"},
	measure.MillimetreUnit:    {"mm", "um"},
}

var fields, fieldByKey = makeFields()

// Fields returns every field that a mapping can name, in the order in which
// they are documented.
func Fields() []Field { return append([]Field(nil), fields...) }

func makeFields() ([]Field, map[string]*Field) {
	var list []Field
	for k := range registry.Kinds {
		kind := registry.Kind(k)
		switch kind {
		case registry.VisitRecord:
			list = append(list, visitFields()...)
			continue
		case registry.PachymetryRecord:
			list = append(list, pachymetryFields()...)
			continue
		}
		for i, c := range kind.Info().Columns {
			if c.Key != "" {
				list = append(list, columnField(kind, i, c))
				list = append(list, derivedFields(kind, i, c)...)
			}
		}
	}
	list = append(list,
		Field{Key: "measurement.name", Help: "name of the measurement in a row of shape measurement; see [sheet.measurements]", role: nameRole, kind: registry.VisitRecord, what: "a measurement"},
		Field{Key: "measurement.value", Help: "value of the measurement in a row of shape measurement", role: valueRole, kind: registry.VisitRecord, what: "a measurement"})
	index := make(map[string]*Field, len(list))
	for i := range list {
		index[list[i].Key] = &list[i]
	}
	return list, index
}

func columnField(kind registry.Kind, i int, c registry.Column) Field {
	f := Field{
		Key: kind.Info().Key + "." + c.Key, Help: c.Help, Words: c.Words, Min: c.Hard.Min, Max: c.Hard.Max,
		kind: kind, column: i, unit: c.Unit, what: strings.ReplaceAll(c.Key, "_", " "), hasHard: c.Hard != registry.Range{},
	}
	if c.Type == registry.NumberValue {
		f.Unit, f.Units = c.Unit.Symbol(), unitNames[c.Unit]
	}
	if kind == registry.EyeRecord && c.Key == "side" {
		f.Words, f.hasHard = []string{"OD", "OS"}, false
	}
	if kind == registry.DemarcationRecord && c.Key == "depth" {
		f.role = depthRole
	}
	return f
}

// derivedFields are other ways of giving a column: a day by days after the
// anchor, a year of birth by a date or an age.
func derivedFields(kind registry.Kind, i int, c registry.Column) []Field {
	key, base := kind.Info().Key, Field{kind: kind, column: i}
	if c.Type == registry.DayValue && kind != registry.PatientRecord {
		base.role, base.what = daysRole, "days after the anchor"
		base.Key, base.Help = key+"."+strings.TrimSuffix(c.Key, "_on")+"_days", c.Help+", as days after the anchor of [sheet.days]"
		if c.Key == "on" {
			base.Key = key + ".days"
		}
		return []Field{base}
	}
	if kind == registry.PatientRecord && c.Key == "birth_year" {
		date, anchor, treatment := base, base, base
		date.Key, date.Help, date.role, date.what = "patient.birth_date", "day of birth, of which only the year is kept", birthDateRole, "day of birth"
		anchor.Key, anchor.Help, anchor.role, anchor.what = "patient.age_at_anchor", "age in years at the anchor of [sheet.days]; gives the year of birth to within a year", ageRole, "age"
		treatment.Key, treatment.Help, treatment.role, treatment.what = "patient.age_at_treatment", "age in years at the treatment of the row; gives the year of birth to within a year", ageTreatmentRole, "age"
		return []Field{date, anchor, treatment}
	}
	return nil
}

func visitFields() []Field {
	kind := registry.VisitRecord
	list := []Field{
		{Key: "visit.on", Help: "day of the visit", kind: kind, role: visitDayRole, what: "day of the visit"},
		{Key: "visit.days", Help: "day of the visit, as days after the anchor of [sheet.days]", kind: kind, role: visitDaysRole, what: "days after the anchor"},
		{Key: "visit.stage", Help: "baseline or follow-up; checked against the day of treatment, not kept", Words: []string{"baseline", "follow-up"}, kind: kind, role: stageRole, what: "stage of a visit"},
	}
	for m := range registry.Measures {
		info := registry.Measure(m).Info()
		f := Field{
			Key: "visit." + info.Key, Help: info.Long, Unit: info.Unit.Symbol(), Units: unitNames[info.Unit], Min: info.Hard.Min, Max: info.Hard.Max,
			Acuity: info.Acuity, kind: kind, role: measureRole, column: m, unit: info.Unit, what: info.Label, hasHard: true,
		}
		switch registry.Measure(m) {
		case registry.UDVA, registry.CDVA, registry.CLVA:
			f.role, f.Units = acuityRole, nil
		case registry.K1, registry.K2, registry.Kmax:
			f.Units = []string{"D", "mm"}
		case registry.RefractionAxis, registry.SteepAxis:
			f.Min = 0 // 0 is kept as 180
		}
		list = append(list, f)
	}
	list = append(list, Field{Key: "visit.lens_free_days", Help: "days without contact lens before the visit", Max: 36500, kind: kind, role: lensFreeRole, unit: measure.CountUnit, what: "days without lens", hasHard: true})
	for i, t := range visitTexts {
		list = append(list, Field{Key: "visit." + t.key, Help: t.help, kind: kind, role: visitTextRole, column: i, what: strings.ReplaceAll(t.key, "_", " ")})
	}
	return list
}

func pachymetryFields() []Field {
	var list []Field
	kind := registry.PachymetryRecord
	i, _ := kind.ColumnOf("thickness")
	for _, step := range registry.PachymetrySteps {
		f := columnField(kind, i, kind.Info().Columns[i])
		f.Key, f.step, f.what = "pachymetry."+step, step, "thickness"
		f.Help = "thinnest pachymetry around the treatment, step: " + step
		list = append(list, f)
	}
	return list
}
