// Package snaptest builds small snapshots for tests, record by record.
package snaptest

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

// Builder gathers records in any order and freezes them into a snapshot.
type Builder struct {
	t testing.TB
	S *snapshot.Snapshot
}

// New returns a builder for a cut-off date in ISO form.
func New(t testing.TB, cutOff string) *Builder {
	t.Helper()
	return &Builder{t, &snapshot.Snapshot{CutOff: Day(t, cutOff)}}
}

// Day reads a date in ISO form.
func Day(t testing.TB, iso string) registry.Date {
	t.Helper()
	d, err := registry.ParseISODate(iso)
	require.NoError(t, err)
	return d
}

func put(w *snapshot.Words, text string) {
	if w.List == nil {
		w.List = []string{""}
	}
	at := slices.Index(w.List, text)
	if at < 0 {
		at = len(w.List)
		w.List = append(w.List, text)
	}
	w.Code = append(w.Code, int32(at))
}

// Centre returns the centre with the code, added if need be.
func (b *Builder) Centre(code string) int32 {
	at := slices.IndexFunc(b.S.Centres, func(c snapshot.Centre) bool { return c.Code == code })
	if at < 0 {
		at = len(b.S.Centres)
		b.S.Centres = append(b.S.Centres, snapshot.Centre{Code: code, Name: "Centre " + code})
	}
	return int32(at)
}

// Clinician returns the clinician of a centre with the code, added if need be.
func (b *Builder) Clinician(centre, code string) int32 {
	c := b.Centre(centre)
	at := slices.IndexFunc(b.S.Clinicians, func(x snapshot.Clinician) bool { return x.Centre == c && x.Code == code })
	if at < 0 {
		at = len(b.S.Clinicians)
		b.S.Clinicians = append(b.S.Clinicians, snapshot.Clinician{Centre: c, Code: code, Name: "Clinician " + code})
	}
	return int32(at)
}

// Protocol adds a protocol, or returns the one of the centre with its code and version.
func (b *Builder) Protocol(centre string, p registry.Protocol) int32 {
	c := b.Centre(centre)
	at := slices.IndexFunc(b.S.Protocols, func(x snapshot.Protocol) bool {
		return x.Centre == c && x.Code == p.Code && x.Version == p.Version
	})
	if at < 0 {
		at = len(b.S.Protocols)
		b.S.Protocols = append(b.S.Protocols, snapshot.Protocol{Centre: c, Protocol: p})
	}
	return int32(at)
}

// Patient adds a patient of a centre.
func (b *Builder) Patient(centre string, p registry.Patient) int32 {
	c := &b.S.Patients
	c.Centre = append(c.Centre, b.Centre(centre))
	c.Code = append(c.Code, p.Code)
	put(&c.Sex, p.Sex)
	c.BirthYear = append(c.BirthYear, p.BirthYear)
	c.Atopy = append(c.Atopy, p.Atopy)
	c.EyeRubbing = append(c.EyeRubbing, p.EyeRubbing)
	c.FamilyHistory = append(c.FamilyHistory, p.FamilyHistory)
	put(&c.Consent, p.Consent)
	c.ConsentChangedOn = append(c.ConsentChangedOn, p.ConsentChangedOn)
	c.DiedOn = append(c.DiedOn, p.DiedOn)
	return int32(len(c.Code) - 1)
}

// Eye adds an eye of a patient.
func (b *Builder) Eye(patient int32, side measure.Side, diagnosis string) int32 {
	e := &b.S.Eyes
	e.Patient = append(e.Patient, patient)
	e.Side = append(e.Side, side)
	put(&e.Diagnosis, diagnosis)
	e.ProgressionDocumented = append(e.ProgressionDocumented, 0)
	return int32(len(e.Patient) - 1)
}

// Treat adds a treatment on a day; protocol and clinician may be snapshot.Absent.
func (b *Builder) Treat(eye int32, on string, protocol, clinician int32) int32 {
	b.t.Helper()
	t := &b.S.Treatments
	t.Eye = append(t.Eye, eye)
	t.Protocol = append(t.Protocol, protocol)
	t.Clinician = append(t.Clinician, clinician)
	t.On = append(t.On, Day(b.t, on))
	for _, column := range []*[]measure.Steps{&t.IrradianceE2, &t.ExposureS, &t.PulseOnMs, &t.PulseOffMs, &t.FluenceE2,
		&t.Interruptions, &t.EpithelialZoneE2, &t.HealingDays, &t.Pachymetry[0], &t.Pachymetry[1], &t.Pachymetry[2], &t.Pachymetry[3], &t.Pachymetry[4]} {
		*column = append(*column, measure.None)
	}
	put(&t.Adjunct, "")
	return int32(len(t.Eye) - 1)
}

// Values is what was measured at a visit, by measure.
type Values map[registry.Measure]measure.Steps

// Visit adds a visit with its values, and returns its record to add to before
// Freeze: fill may be nil.
func (b *Builder) Visit(eye int32, on string, values Values, fill func(v *registry.Visit)) {
	b.t.Helper()
	record := registry.NewVisit()
	record.On = Day(b.t, on)
	for m, x := range values {
		record.Values[m] = x
	}
	if fill != nil {
		fill(&record)
	}
	v := &b.S.Visits
	v.Eye = append(v.Eye, eye)
	v.On = append(v.On, record.On)
	for m := range v.Values {
		v.Values[m] = append(v.Values[m], record.Values[m])
	}
	for a := range v.OffChart {
		v.OffChart[a] = append(v.OffChart[a], uint8(record.OffChart[a]))
	}
	v.LensFreeDays = append(v.LensFreeDays, record.LensFreeDays)
	put(&v.AcuityChart, record.AcuityChart)
	put(&v.HazeScale, record.HazeScale)
	put(&v.Tomographer, record.Tomographer)
	put(&v.Camera, record.EndothelialCamera)
	for _, line := range record.Demarcations {
		d := &b.S.Demarcations
		d.Eye = append(d.Eye, eye)
		d.On = append(d.On, record.On)
		put(&d.Zone, line.Zone)
		put(&d.Seen, line.Seen)
		d.DepthUm = append(d.DepthUm, line.DepthUm)
		d.ThicknessUm = append(d.ThicknessUm, line.ThicknessUm)
		put(&d.Surface, line.Surface)
		put(&d.Method, line.Method)
		put(&d.Observer, line.Observer)
	}
}

// Complication adds an event.
func (b *Builder) Complication(eye int32, kind, onset, grade string) {
	b.t.Helper()
	c := &b.S.Complications
	c.Eye = append(c.Eye, eye)
	put(&c.Kind, kind)
	c.Onset = append(c.Onset, Day(b.t, onset))
	put(&c.Grade, grade)
	put(&c.Action, "")
	c.ResolvedOn = append(c.ResolvedOn, 0)
	put(&c.Outcome, "")
}

// Surgery adds an operation.
func (b *Builder) Surgery(eye int32, kind, on string) {
	b.t.Helper()
	u := &b.S.Surgeries
	u.Eye = append(u.Eye, eye)
	put(&u.Kind, kind)
	u.On = append(u.On, Day(b.t, on))
}

// End adds an end of follow-up.
func (b *Builder) End(eye int32, on, reason string) {
	b.t.Helper()
	f := &b.S.Ends
	f.Eye = append(f.Eye, eye)
	f.On = append(f.On, Day(b.t, on))
	put(&f.Reason, reason)
}

// Query adds an open question.
func (b *Builder) Query(eye int32, record, on, field, value, message string) {
	b.t.Helper()
	q := &b.S.Queries
	q.Eye = append(q.Eye, eye)
	put(&q.Record, record)
	q.On = append(q.On, Day(b.t, on))
	put(&q.Field, field)
	q.Value = append(q.Value, value)
	q.Message = append(q.Message, message)
}

// Freeze returns the snapshot.
func (b *Builder) Freeze() *snapshot.Snapshot {
	b.t.Helper()
	require.NoError(b.t, b.S.Freeze())
	return b.S
}

// Outcomes freezes the snapshot and returns its episodes under the default
// definitions.
func (b *Builder) Outcomes() *snapshot.Outcomes {
	b.t.Helper()
	o, err := b.Freeze().Outcomes(registry.DefaultDefinitions())
	require.NoError(b.t, err)
	return o
}
