package export

import (
	"fmt"
	"math"
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

// episodes is the table of one row an episode.
func (b *builder) episodes(kinds []snapshot.Complications) (*Table, error) {
	t := &Table{Name: "episodes", Title: "One row an episode: one cross-linking of one eye and what followed", Key: []string{"episode"}, rows: len(b.order)}
	b.whose(t)
	b.planned(t)
	b.given(t)
	b.ends(t)
	for q := range registry.Quantity(registry.NumQuantities) {
		b.quantity(t, q)
	}
	b.events(t, kinds)
	return t, b.courses(t)
}

// numbers adds a column of numbers, filled episode by episode; NaN is missing.
func (b *builder) numbers(t *Table, c Column, at func(e int) float64) {
	c.numbers = make([]float64, len(b.order))
	for i, e := range b.order {
		c.numbers[i] = at(e)
	}
	t.add(c)
}

// texts adds a column of text, "" is missing.
func (b *builder) texts(t *Table, c Column, at func(e int) string) {
	c.Type, c.texts = Text, make([]string, len(b.order))
	for i, e := range b.order {
		c.texts[i] = at(e)
	}
	t.add(c)
}

var (
	yesNo     = []Code{{"yes", ""}, {"no", ""}, {"unknown", "asked and not learnt"}}
	flagCodes = []Code{{"0", "no"}, {"1", "yes"}}
	sides     = []Code{{"OD", "right eye"}, {"OS", "left eye"}}
	sexes     = []Code{{"female", ""}, {"male", ""}, {"other", ""}}
	diagnoses = []Code{{"keratoconus", ""}, {"pellucid", "pellucid marginal degeneration"}, {"ectasia", "ectasia after refractive surgery"}, {"other", ""}}
	bandCodes = []Code{{"under 18", ""}, {"18-19", ""}, {"20-24", ""}, {"25-29", ""}, {"30-34", ""}, {"35-39", ""}, {"40 and over", ""}}
)

// band returns the age band.
func band(years int) string {
	switch {
	case years < 18:
		return "under 18"
	case years < 20:
		return "18-19"
	case years >= 40:
		return "40 and over"
	}
	from := years / 5 * 5
	return fmt.Sprintf("%d-%d", from, from+4)
}

const madeHere = "number made for this export; it is in no other export and not in the registry"

// whose adds who was treated.
func (b *builder) whose(t *Table) {
	o, s := b.o, b.o.Snapshot
	b.numbers(t, Column{Name: "episode", Label: "episode", Type: Integer, Definition: "one cross-linking of one eye; " + madeHere}, func(e int) float64 { return float64(b.number[e]) })
	b.numbers(t, Column{Name: "eye", Label: "eye", Type: Integer, Definition: madeHere}, func(e int) float64 { return float64(b.eyes[o.Episodes[e].Eye]) })
	b.numbers(t, Column{Name: "patient", Label: "patient", Type: Integer, Definition: madeHere + ". Two eyes of one patient share it: they are not independent"}, func(e int) float64 { return float64(b.patients[o.Episodes[e].Patient]) })
	b.numbers(t, Column{Name: "episode_of_eye", Label: "cross-linking of the eye", Type: Integer, Definition: "1 for the first cross-linking of the eye, 2 for the second"}, func(e int) float64 { return float64(o.Episodes[e].Number) })
	b.texts(t, Column{Name: "side", Label: "eye", Codes: sides}, func(e int) string { return s.Eyes.Side[o.Episodes[e].Eye].String() })
	b.texts(t, Column{Name: "sex", Label: "sex", Codes: sexes}, func(e int) string { return s.Patients.Sex.At(o.Episodes[e].Patient) })
	const age = "year of treatment less year of birth: the age in completed years is this or one less"
	if b.opts.Ages == Years {
		b.numbers(t, Column{Name: "age_years", Label: "age at treatment", Unit: "years", Type: Integer, Definition: age}, func(e int) float64 {
			if years, ok := o.Age(e); ok {
				return float64(years)
			}
			return math.NaN()
		})
	} else {
		b.texts(t, Column{Name: "age_band", Label: "age at treatment, band", Unit: "years", Codes: bandCodes, Definition: age}, func(e int) string {
			if years, ok := o.Age(e); ok {
				return band(years)
			}
			return ""
		})
	}
	b.texts(t, Column{Name: "diagnosis", Label: "diagnosis", Codes: diagnoses}, func(e int) string { return s.Eyes.Diagnosis.At(o.Episodes[e].Eye) })
	b.texts(t, Column{Name: "progression_documented", Label: "progression documented before the first treatment", Codes: yesNo}, func(e int) string { return s.Eyes.ProgressionDocumented[o.Episodes[e].Eye].String() })
	for _, r := range []struct {
		name, label string
		at          []registry.Trilean
	}{{"atopy", "atopy", s.Patients.Atopy}, {"eye_rubbing", "eye rubbing", s.Patients.EyeRubbing}, {"family_history", "family history of keratoconus", s.Patients.FamilyHistory}} {
		b.texts(t, Column{Name: r.name, Label: r.label, Codes: yesNo}, func(e int) string { return r.at[o.Episodes[e].Patient].String() })
	}
	b.numbers(t, Column{Name: "centre", Label: "centre", Type: Integer, Definition: madeHere}, func(e int) float64 { return orMissing(b.centres[s.Patients.Centre[o.Episodes[e].Patient]]) })
	b.numbers(t, Column{Name: "clinician", Label: "surgeon", Type: Integer, Definition: madeHere}, func(e int) float64 { return orMissing(b.clinicians[s.Treatments.Clinician[o.Episodes[e].Treatment]]) })
}

func orMissing(n int) float64 {
	if n == 0 {
		return math.NaN()
	}
	return float64(n)
}

// planned adds the protocol under its number and by its fields.
func (b *builder) planned(t *Table) {
	o, s := b.o, b.o.Snapshot
	codes := make([]Code, len(b.protocols))
	for p, n := range b.protocols {
		codes[n-1] = Code{fmt.Sprint(n), ""}
		for i := range s.Protocols {
			one := &s.Protocols[i].Protocol
			if words := protocolWords(one); one.Code == s.Protocols[p].Code && !strings.Contains(codes[n-1].Meaning, words) {
				codes[n-1].Meaning = strings.TrimPrefix(codes[n-1].Meaning+" or "+words, " or ")
			}
		}
	}
	b.numbers(t, Column{Name: "protocol", Label: "protocol", Type: Integer, Codes: codes, Definition: "protocol as planned, every version of it in every centre, as the reports compare them; " + madeHere},
		func(e int) float64 { return orMissing(b.protocols[b.protocolOf(e)]) })
	b.numbers(t, Column{Name: "protocol_version", Label: "version of the protocol", Type: Integer, Definition: "of the centre"}, func(e int) float64 {
		if p := o.ProtocolOf(e); p != nil {
			return float64(p.Version)
		}
		return math.NaN()
	})
	if b.opts.WithText {
		b.texts(t, Column{Name: "protocol_code", Label: "code of the protocol", Definition: "as entered"}, b.ofProtocolText(func(p *registry.Protocol) string { return p.Code }))
		b.texts(t, Column{Name: "protocol_name", Label: "name of the protocol", Definition: "as entered"}, b.ofProtocolText(func(p *registry.Protocol) string { return p.Name }))
	}
	b.texts(t, Column{Name: "epithelium", Label: "epithelium", Codes: []Code{{"off", "removed"}, {"on", "left on"}, {"island", "left over the thinnest part"}}}, b.ofProtocolText(func(p *registry.Protocol) string { return p.Epithelium }))
	b.texts(t, Column{Name: "vehicle", Label: "vehicle of the riboflavin", Codes: []Code{{"dextran", ""}, {"hpmc", ""}, {"isotonic", ""}, {"hypo-osmolar", ""}, {"transepithelial", ""}, {"iontophoresis", ""}, {"other", ""}}},
		b.ofProtocolText(func(p *registry.Protocol) string { return p.Vehicle }))
	b.texts(t, Column{Name: "oxygen", Label: "oxygen given", Codes: yesNo}, b.ofProtocolText(func(p *registry.Protocol) string { return p.Oxygen.String() }))
	b.texts(t, Column{Name: "pattern", Label: "pattern of irradiation", Codes: []Code{{"uniform", ""}, {"zoned", ""}}}, b.ofProtocolText(func(p *registry.Protocol) string { return p.Pattern }))
	for _, f := range []struct {
		name, label string
		unit        measure.Unit
		at          func(p *registry.Protocol) measure.Steps
	}{
		{"riboflavin", "riboflavin", measure.ConcentrationUnit, func(p *registry.Protocol) measure.Steps { return p.RiboflavinE2 }},
		{"soak", "soak", measure.MinuteUnit, func(p *registry.Protocol) measure.Steps { return p.SoakE1 }},
		{"planned_irradiance", "irradiance as planned", measure.IrradianceUnit, func(p *registry.Protocol) measure.Steps { return p.Light.IrradianceE2 }},
		{"planned_exposure", "exposure as planned", measure.SecondUnit, func(p *registry.Protocol) measure.Steps { return p.Light.ExposureS }},
		{"planned_pulse_on", "pulse as planned, light on", measure.MillisecondUnit, func(p *registry.Protocol) measure.Steps { return p.Light.PulseOnMs }},
		{"planned_pulse_off", "pulse as planned, light off", measure.MillisecondUnit, func(p *registry.Protocol) measure.Steps { return p.Light.PulseOff }},
		{"planned_fluence", "fluence as planned", measure.FluenceUnit, func(p *registry.Protocol) measure.Steps { return p.Light.FluenceE2 }},
	} {
		b.numbers(t, Column{Name: f.name, Label: f.label, Unit: f.unit.Symbol(), Type: typeOf(f.unit)}, func(e int) float64 {
			if p := o.ProtocolOf(e); p != nil {
				return f.at(&p.Protocol).Float(f.unit)
			}
			return math.NaN()
		})
	}
}

func (b *builder) ofProtocolText(at func(p *registry.Protocol) string) func(e int) string {
	return func(e int) string {
		if p := b.o.ProtocolOf(e); p != nil {
			return at(&p.Protocol)
		}
		return ""
	}
}

// protocolWords describes a protocol by its fields, without its code or name.
func protocolWords(p *registry.Protocol) string {
	var words []string
	add := func(text string) {
		if text != "" {
			words = append(words, text)
		}
	}
	if p.Epithelium != "" {
		add("epithelium " + p.Epithelium)
	}
	add(p.Vehicle)
	for _, f := range []struct {
		x    measure.Steps
		unit measure.Unit
	}{{p.Light.IrradianceE2, measure.IrradianceUnit}, {p.Light.ExposureS, measure.SecondUnit}, {p.Light.FluenceE2, measure.FluenceUnit}} {
		if f.x.IsValid() {
			add(f.x.Text(f.unit) + " " + f.unit.Symbol())
		}
	}
	if p.Light.PulseOnMs.IsValid() {
		add("pulsed")
	}
	add(p.Pattern)
	if len(words) == 0 {
		return "not described"
	}
	return strings.Join(words, ", ")
}

// typeOf is Integer for units without decimals.
func typeOf(u measure.Unit) Type {
	if u.Digits() == 0 {
		return Integer
	}
	return Number
}

// given adds the treatment as given.
func (b *builder) given(t *Table) {
	o, tr := b.o, &b.o.Snapshot.Treatments
	zones := map[int32]int{}
	for _, of := range o.Snapshot.TreatmentZones.Treatment {
		zones[of]++
	}
	steps := func(name, label, definition string, u measure.Unit, at []measure.Steps) {
		b.numbers(t, Column{Name: name, Label: label, Unit: u.Symbol(), Type: typeOf(u), Definition: definition}, func(e int) float64 { return at[o.Episodes[e].Treatment].Float(u) })
	}
	steps("irradiance", "irradiance as given", "during the pulse", measure.IrradianceUnit, tr.IrradianceE2)
	steps("exposure", "exposure as given", "total time", measure.SecondUnit, tr.ExposureS)
	steps("pulse_on", "pulse as given, light on", "missing for continuous light", measure.MillisecondUnit, tr.PulseOnMs)
	steps("pulse_off", "pulse as given, light off", "missing for continuous light", measure.MillisecondUnit, tr.PulseOffMs)
	steps("fluence_entered", "fluence as entered", "", measure.FluenceUnit, tr.FluenceE2)
	b.numbers(t, Column{Name: "fluence_computed", Label: "fluence as computed", Unit: measure.FluenceUnit.Symbol(), Type: Number, Definition: "irradiance × exposure × share of light on ÷ 1000, of the treatment as given"}, func(e int) float64 {
		if joules, ok := tr.Light(o.Episodes[e].Treatment).Fluence(); ok {
			return joules
		}
		return math.NaN()
	})
	steps("interruptions", "interruptions", "", measure.CountUnit, tr.Interruptions)
	b.numbers(t, Column{Name: "zones_given", Label: "zones of irradiation recorded", Type: Integer}, func(e int) float64 { return float64(zones[o.Episodes[e].Treatment]) })
	steps("epithelial_zone", "diameter of epithelial removal", "", measure.MillimetreUnit, tr.EpithelialZoneE2)
	b.numbers(t, Column{Name: "healing_days", Label: "days to healing of the epithelium", Unit: "days", Type: Integer}, func(e int) float64 {
		return tr.HealingDays[o.Episodes[e].Treatment].Float(measure.CountUnit)
	})
	b.numbers(t, Column{Name: "adjunct", Label: "surgery in the same session", Type: Integer, Codes: flagCodes, Definition: "1 where one was recorded"}, func(e int) float64 {
		return flag(tr.Adjunct.At(o.Episodes[e].Treatment) != "")
	})
	if b.opts.WithText {
		b.texts(t, Column{Name: "adjunct_text", Label: "surgery in the same session", Definition: "as entered"}, func(e int) string { return tr.Adjunct.At(o.Episodes[e].Treatment) })
	}
	for i, step := range registry.PachymetrySteps {
		steps("pachymetry_"+under(step), "thinnest pachymetry, "+strings.ReplaceAll(step, "-", " "), "around the treatment", measure.MicrometreUnit, tr.Pachymetry[i])
	}
}

func flag(yes bool) float64 {
	if yes {
		return 1
	}
	return 0
}

// under turns a key into part of a column name.
func under(key string) string { return strings.ReplaceAll(key, "-", "_") }
