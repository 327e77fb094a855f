// Package registry is the domain: what a clinic records of a corneal
// cross-linking, and what every report, page and file means by it. It knows
// no database, no spreadsheet and no statistics.
package registry

import (
	"github.com/google/uuid"

	"keratally/registry/measure"
)

// ID is the identity of a record: a UUIDv7 made by the program, so that
// centres can be merged without renumbering. The zero ID is no record.
type ID = uuid.UUID

// NewID returns a fresh identity.
func NewID() ID { return uuid.Must(uuid.NewV7()) }

// Trilean is a fact that may be recorded as unknown. Zero is "not recorded",
// which is not the same as having asked and not learnt.
type Trilean int16

// The states of a Trilean.
const (
	Yes Trilean = iota + 1
	No
	Unknown
)

// String returns yes, no, unknown, or "" when not recorded.
func (t Trilean) String() string { return [...]string{"", "yes", "no", "unknown"}[t] }

// Centre is a clinic or one of its sites.
type Centre struct {
	ID   ID
	Code string
	Name string
}

// Clinician is a person who treats. Code is what the centre uses in sheets.
type Clinician struct {
	ID, CentreID ID
	Code, Name   string
}

// Patient is a person under a code; names and birth dates live elsewhere.
type Patient struct {
	ID, CentreID                     ID
	Code                             string
	Sex                              string // "female", "male", "other", "" not recorded
	BirthYear                        int16  // 0 not recorded
	Atopy, EyeRubbing, FamilyHistory Trilean
	Consent                          string // "given", "withdrawn", "waived", "" not recorded
	ConsentChangedOn, DiedOn         Date
}

// Eye is one eye of a patient.
type Eye struct {
	ID, CentreID, PatientID ID
	Side                    measure.Side
	Diagnosis               string  // keratoconus, pellucid, post-refractive ectasia, other; "" not recorded
	ProgressionDocumented   Trilean // before the first treatment
}

// Zone is one zone of an irradiation pattern.
type Zone struct {
	Order           int16
	Shape           string        // circle, ellipse, ring, sector, other
	DiameterE2      measure.Steps // mm, hundredths; the longer diameter of an ellipse
	MinorDiameterE2 measure.Steps // mm, hundredths; None for a circle
	FluenceE2       measure.Steps // J/cm², hundredths
	CentreXE2       measure.Steps // mm from the reference point, towards the patient's left
	CentreYE2       measure.Steps // mm, upwards
}

// Light is how an eye is or was irradiated.
type Light struct {
	IrradianceE2        measure.Steps // mW/cm² during the pulse, hundredths
	ExposureS           measure.Steps // seconds of total time
	PulseOnMs, PulseOff measure.Steps // ms; None for continuous light
	FluenceE2           measure.Steps // J/cm² as entered, hundredths
}

// Duty returns the share of the exposure with light on: on/(on+off), 1 for
// continuous light.
func (l Light) Duty() float64 {
	if l.PulseOnMs == measure.None || l.PulseOff == measure.None || l.PulseOnMs+l.PulseOff == 0 {
		return 1
	}
	return float64(l.PulseOnMs) / float64(l.PulseOnMs+l.PulseOff)
}

// Fluence returns irradiance × exposure × duty ÷ 1000 in J/cm²; ok is false
// when irradiance or exposure was not recorded.
func (l Light) Fluence() (joules float64, ok bool) {
	if l.IrradianceE2 == measure.None || l.ExposureS == measure.None {
		return 0, false
	}
	return measure.FluenceOf(l.IrradianceE2.Float(measure.IrradianceUnit), float64(l.ExposureS), l.Duty()), true
}

// Protocol is a treatment as planned. A change makes a new version; treatments
// keep the version under which they were given.
type Protocol struct {
	ID, CentreID ID
	Code         string
	Version      int16
	Name         string
	Epithelium   string        // off, on, island, "" not recorded
	Vehicle      string        // dextran, hpmc, isotonic, hypo-osmolar, transepithelial, iontophoresis, other
	RiboflavinE2 measure.Steps // per cent, hundredths
	SoakE1       measure.Steps // minutes, tenths
	Light        Light
	Oxygen       Trilean
	Pattern      string // uniform, zoned
	Zones        []Zone
}

// The steps at which thickness is measured around a treatment.
var PachymetrySteps = []string{"before", "after-removal", "after-soak", "after-swelling", "minimum"}

// Treatment is one cross-linking of one eye as given.
type Treatment struct {
	ID, CentreID, EyeID, ProtocolID, ClinicianID ID
	On                                           Date
	Light                                        Light
	Interruptions                                measure.Steps // count
	EpithelialZoneE2                             measure.Steps // mm, hundredths
	HealingDays                                  measure.Steps
	Adjunct                                      string // surgery in the same session; "" none recorded
	Note                                         string
	Pachymetry                                   map[string]measure.Steps // by step, µm
	Zones                                        []Zone                   // as given, where they differ from the protocol
}

// Demarcation is the finding of the demarcation line in one zone at a visit.
// Seen is a finding of its own: "not seen" is neither zero nor missing.
type Demarcation struct {
	Zone        string // central, paracentral-nasal, …, or the order of a treatment zone
	Seen        string // seen, not-seen, not-imaged
	DepthUm     measure.Steps
	ThicknessUm measure.Steps // cornea at the same place
	Surface     string        // epithelium, stroma: what depth is measured from
	Method      string        // as-oct, confocal, slit-lamp, scheimpflug
	Observer    string
}

// Visit is one eye on one day.
type Visit struct {
	ID, CentreID, EyeID ID
	On                  Date
	Values              [NumMeasures]measure.Steps // indexed by Measure; None where not measured
	OffChart            [3]measure.OffChart        // of UDVA, CDVA, CLVA
	AcuityChart         string                     // chart or method of the acuities
	HazeScale           string
	Tomographer         string // instrument of K, Kmax and pachymetry
	EndothelialCamera   string
	LensFreeDays        measure.Steps
	Demarcations        []Demarcation
	Entered             map[string]string // text as written, by field key, where it says more than the value
	Note                string
}

// NewVisit returns a visit with nothing measured yet.
func NewVisit() Visit {
	v := Visit{LensFreeDays: measure.None}
	for i := range v.Values {
		v.Values[i] = measure.None
	}
	return v
}

// Complication is an untoward event of an eye after a treatment.
type Complication struct {
	ID, CentreID, EyeID ID
	Kind                string // code of a complication-kinds definition
	Onset               Date
	Grade               string // mild, moderate, severe, "" not graded
	Action              string
	ResolvedOn          Date
	Outcome             string
	Note                string
}

// Surgery is an operation on the eye other than cross-linking.
type Surgery struct {
	ID, CentreID, EyeID ID
	Kind                string // keratoplasty, ring-segments, laser-ablation, cataract, lens, other
	On                  Date
	Note                string
}

// FollowUpEnd says that an eye left follow-up, and why.
type FollowUpEnd struct {
	ID, CentreID, EyeID ID
	On                  Date
	Reason              string // moved, discharged, declined, died, consent-withdrawn, lost, other
}

// Query is an open question on a record: something unusual that a person
// should confirm or correct. It never blocks.
type Query struct {
	ID, CentreID, EyeID ID
	Record              string // table: visit, treatment, …
	RecordID            ID
	Field, Value        string
	Message             string
	State               string // open, confirmed, corrected
	BatchID             ID
}
