// Package snapshot is the registry at a cut-off date, frozen into columns:
// what every report reads. It knows no database. A snapshot has an identity,
// which is a hash of its content, and a file form in which it can be kept.
package snapshot

import (
	"keratally/registry"
	"keratally/registry/measure"
)

// Snapshot is the registry at a cut-off. Rows refer to each other by index.
// Patients are in the order of centre code and patient code (bytewise), eyes
// by patient and side, every other table by eye and day; catalogues by centre
// code and code. Build one by filling the tables in any order and calling
// Freeze; after that nothing in it may be changed.
//
// Eyes with nothing dated on or before the cut-off are not in it, nor are the
// patients, protocols, clinicians and centres to which nothing in it refers, so
// what is entered later about later days leaves it as it was.
type Snapshot struct {
	// ID is the SHA-256 of the content and the cut-off, in hexadecimal. It
	// is made of codes, days and values, never of database keys or of the order
	// of entry: a registry that is restored, or loaded again from the same
	// sheets, has the same identity.
	ID     string
	CutOff registry.Date // last day whose records are included
	Scope  string        // what was read, in words; "" for the whole registry

	Centres    []Centre
	Clinicians []Clinician
	Protocols  []Protocol

	Patients       PatientColumns
	Eyes           EyeColumns
	Treatments     TreatmentColumns
	TreatmentZones ZoneColumns
	Visits         VisitColumns
	Demarcations   DemarcationColumns
	Complications  ComplicationColumns
	Surgeries      SurgeryColumns
	Ends           EndColumns
	Queries        QueryColumns
}

// Absent is the index of a record that was not recorded: a treatment without
// a protocol, an episode without a baseline visit.
const Absent int32 = -1

// Centre is a clinic or one of its sites.
type Centre struct{ Code, Name string }

// Clinician is a person who treats.
type Clinician struct {
	Centre     int32
	Code, Name string
}

// Protocol is a treatment as planned; its ID and CentreID are zero.
type Protocol struct {
	Centre int32
	registry.Protocol
}

// Words is a column of text with few different values. Code 0 is the empty
// text, "not recorded"; the others are in bytewise order once frozen.
type Words struct {
	List []string
	Code []int32
}

// At returns the text of row i.
func (w *Words) At(i int32) string { return w.List[w.Code[i]] }

// PatientColumns is one row a patient.
type PatientColumns struct {
	Centre                           []int32
	Code                             []string
	Sex                              Words
	BirthYear                        []int16 // 0 not recorded
	Atopy, EyeRubbing, FamilyHistory []registry.Trilean
	Consent                          Words
	ConsentChangedOn, DiedOn         []registry.Date
}

// EyeColumns is one row an eye.
type EyeColumns struct {
	Patient               []int32
	Side                  []measure.Side
	Diagnosis             Words
	ProgressionDocumented []registry.Trilean
}

// TreatmentColumns is one row a cross-linking.
type TreatmentColumns struct {
	Eye, Protocol, Clinician []int32 // Absent where not recorded
	On                       []registry.Date
	IrradianceE2, ExposureS  []measure.Steps
	PulseOnMs, PulseOffMs    []measure.Steps
	FluenceE2                []measure.Steps // J/cm² as entered
	Interruptions            []measure.Steps
	EpithelialZoneE2         []measure.Steps
	HealingDays              []measure.Steps
	Adjunct                  Words
	Pachymetry               [5][]measure.Steps // µm, in the order of registry.PachymetrySteps
	First                    []int32            // treatments of eye e are First[e] to First[e+1]−1; made by Freeze
}

// Light returns how treatment t irradiated.
func (t *TreatmentColumns) Light(i int32) registry.Light {
	return registry.Light{IrradianceE2: t.IrradianceE2[i], ExposureS: t.ExposureS[i],
		PulseOnMs: t.PulseOnMs[i], PulseOff: t.PulseOffMs[i], FluenceE2: t.FluenceE2[i]}
}

// ZoneColumns is one row a zone of a treatment as given.
type ZoneColumns struct {
	Treatment                   []int32
	Order                       []int16
	Shape                       Words
	DiameterE2, MinorDiameterE2 []measure.Steps
	FluenceE2                   []measure.Steps
	CentreXE2, CentreYE2        []measure.Steps
}

// VisitColumns is one row a visit of one eye.
type VisitColumns struct {
	Eye          []int32
	On           []registry.Date
	Values       [registry.NumMeasures][]measure.Steps // indexed by registry.Measure
	OffChart     [3][]uint8                            // of UDVA, CDVA, CLVA: a measure.OffChart, 0 none
	LensFreeDays []measure.Steps
	AcuityChart  Words
	HazeScale    Words
	Tomographer  Words
	Camera       Words   // endothelial camera
	First        []int32 // visits of eye e are First[e] to First[e+1]−1, earliest first; made by Freeze
}

// DemarcationColumns is one row a zone of a visit at which the demarcation
// line was looked for.
type DemarcationColumns struct {
	Eye         []int32
	On          []registry.Date
	Zone        Words
	Seen        Words // seen, not-seen, not-imaged
	DepthUm     []measure.Steps
	ThicknessUm []measure.Steps
	Surface     Words
	Method      Words
	Observer    Words
	Visit       []int32 // made by Freeze
}

// ComplicationColumns is one row an event.
type ComplicationColumns struct {
	Eye        []int32
	Kind       Words
	Onset      []registry.Date
	Grade      Words
	Action     Words
	ResolvedOn []registry.Date
	Outcome    Words
	First      []int32 // by eye; made by Freeze
}

// SurgeryColumns is one row an operation other than cross-linking.
type SurgeryColumns struct {
	Eye   []int32
	Kind  Words
	On    []registry.Date
	First []int32 // by eye; made by Freeze
}

// EndColumns is one row an eye that left follow-up.
type EndColumns struct {
	Eye    []int32
	On     []registry.Date
	Reason Words
	First  []int32 // by eye; made by Freeze
}

// QueryColumns is one row an open question on a record. Queries are those
// open when the snapshot was taken, on records up to the cut-off.
type QueryColumns struct {
	Eye     []int32
	Record  Words
	On      []registry.Date // day of the record; not recorded where it has none
	Field   Words
	Value   []string
	Message []string
}

// NumEyes returns how many eyes there are.
func (s *Snapshot) NumEyes() int { return len(s.Eyes.Patient) }

// NumVisits returns how many visits there are.
func (s *Snapshot) NumVisits() int { return len(s.Visits.Eye) }

// CentreOf returns the centre of the eye.
func (s *Snapshot) CentreOf(eye int32) Centre {
	return s.Centres[s.Patients.Centre[s.Eyes.Patient[eye]]]
}

// PatientCode returns the code of the patient of the eye.
func (s *Snapshot) PatientCode(eye int32) string { return s.Patients.Code[s.Eyes.Patient[eye]] }

// FindEye returns the eye of the patient with the code; ok is false if there
// is none.
func (s *Snapshot) FindEye(centre, patient string, side measure.Side) (eye int32, ok bool) {
	for e := range int32(s.NumEyes()) {
		if s.Eyes.Side[e] == side && s.PatientCode(e) == patient && s.CentreOf(e).Code == centre {
			return e, true
		}
	}
	return Absent, false
}
