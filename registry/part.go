package registry

import (
	"keratally/registry/measure"
)

// Kind is a kind of record that a source can give, visit aside: a Visit has
// its own compact Part because there are so many.
type Kind int

// The kinds of records, parents before their children.
const (
	ClinicianRecord Kind = iota
	ProtocolRecord
	ProtocolZoneRecord
	PatientRecord
	EyeRecord
	TreatmentRecord
	TreatmentZoneRecord
	PachymetryRecord
	VisitRecord
	DemarcationRecord
	ComplicationRecord
	SurgeryRecord
	FollowUpEndRecord
	NumKinds int = iota
)

// ValueType says how a Value is held and which column type it has.
type ValueType int

// The types of a Value.
const (
	TextValue   ValueType = iota + 1 // Text: any text
	CodeValue                        // Text: one of the Words of its column
	NumberValue                      // Num: whole steps of the unit of its column
	DayValue                         // Num: a Date
	LinkValue                        // Text: the ID of another record
)

// Value is one field of a Part. The zero Value is "not given".
type Value struct {
	Given bool
	Num   int32
	Text  string
}

// Column is one field of a kind of record: in the database, in mappings and
// in messages.
type Column struct {
	Key   string    // in mappings: "birth_year"
	Name  string    // in its table
	Type  ValueType //
	Unit  measure.Unit
	Hard  Range    // of a number, in its unit; plausibility limits, common practice
	Words []string // of a code
	Help  string
}

// KindInfo describes a kind of record. The first Keys columns identify a
// record within its parent.
type KindInfo struct {
	Key     string // in mappings: "patient"
	Table   string
	Parent  string // column that refers to the parent record; "" for a record of the centre itself
	Owned   bool   // a part of its parent: no identity of its own, replaced and removed with it
	Keys    int
	Columns []Column
}

// Part is what is known of one record from one or more sources: only the
// values that were given. Its ID is that of the record in the registry.
type Part struct {
	Kind    Kind
	ID      ID
	Seq     int32      // dense number within its kind, given by whoever collects the parts
	Parent  *Part      // nil for records of the centre and for demarcations
	Visit   *VisitPart // parent of a demarcation
	Values  []Value    // by column of its kind
	Source  Source     // row that gave it first
	Given   uint32     // columns that this intake gave, bit by column
	Loaded  bool       // was in the registry before this intake
	Stored  bool       // is in the registry, or written by the intake that is going on
	Dirty   bool       // differs from what is stored
	Changed bool       // this intake changes what was in the registry
}

// Source is a row of a sheet; sheets are numbered from 0, rows from 1.
type Source struct{ Sheet, Row int32 }

// VisitPart is what is known of one visit: only what was given is other than
// None, 0 or nil.
type VisitPart struct {
	ID           ID
	Eye          *Part
	Texts        *VisitTexts // shared between visits, never changed
	On           Date
	Source       Source
	Given        uint32 // fields that this intake gave: bit by Measure, then LensFreeDays and the texts
	LensFreeDays measure.Steps
	Values       [NumMeasures]measure.Steps
	OffChart     [3]int8
	Loaded       bool
	Stored       bool
	Dirty        bool
	Changed      bool
}

// VisitTexts holds the texts of a visit. Entered is a JSON object of texts as
// written, by field key, where they say more than the value.
type VisitTexts struct {
	AcuityChart, HazeScale, Tomographer, EndothelialCamera, Note, Entered string
}

// NewVisitPart returns a visit of which nothing is known but its eye and day.
func NewVisitPart(eye *Part, on Date) VisitPart {
	v := VisitPart{Eye: eye, On: on, LensFreeDays: measure.None}
	for i := range v.Values {
		v.Values[i] = measure.None
	}
	return v
}

// Intake is one file taken in: who, what, when, and what came of it.
type Intake struct {
	ID, CentreID                   ID
	FileName, FileSHA256           string
	MappingName, MappingText       string
	Person                         string
	RowsRead, RowsNew, RowsChanged int
	RowsSame, RowsRefused          int
	RecordsNew, RecordsChanged     [NumKinds]int
	NewProtocols, NewClinicians    []string
}

// Holdings is what the registry holds of the patients of a file.
type Holdings struct {
	Parts  []*Part // parents before their children
	Visits []*VisitPart
}

// Delivery is a portion of an intake to be written. Whoever writes it has
// read all of it before the intake goes on.
type Delivery struct {
	NewParts, ChangedParts   []*Part // parents before their children
	NewVisits, ChangedVisits []*VisitPart
	Queries                  []Query
}

// IsEmpty reports whether there is nothing to write.
func (d *Delivery) IsEmpty() bool {
	return len(d.NewParts)+len(d.ChangedParts)+len(d.NewVisits)+len(d.ChangedVisits) == 0
}

var triState = []string{"yes", "no", "unknown"}

func lightColumns(of string) []Column {
	return []Column{
		{"irradiance", "irradiance_e2", NumberValue, measure.IrradianceUnit, Range{0.5, 100}, nil, "irradiance during the pulse, as " + of},
		{"exposure", "exposure_s", NumberValue, measure.SecondUnit, Range{30, 5400}, nil, "time from first to last light, as " + of},
		{"pulse_on", "pulse_on_ms", NumberValue, measure.MillisecondUnit, Range{1, 600000}, nil, "light on in each pulse"},
		{"pulse_off", "pulse_off_ms", NumberValue, measure.MillisecondUnit, Range{0, 600000}, nil, "light off between pulses"},
		{"fluence", "fluence_e2", NumberValue, measure.FluenceUnit, Range{0.5, 30}, nil, "energy of each area, as " + of},
	}
}

func zoneColumns() []Column {
	return []Column{
		{"zone", "zone_order", NumberValue, measure.CountUnit, Range{1, 20}, nil, "order of the zone, 1 innermost"},
		{"shape", "shape", CodeValue, 0, Range{}, []string{"circle", "ellipse", "ring", "sector", "other"}, "shape of the zone"},
		{"diameter", "diameter_e2", NumberValue, measure.MillimetreUnit, Range{0.5, 14}, nil, "diameter; the longer one of an ellipse"},
		{"minor_diameter", "minor_diameter_e2", NumberValue, measure.MillimetreUnit, Range{0.5, 14}, nil, "shorter diameter of an ellipse"},
		{"fluence", "fluence_e2", NumberValue, measure.FluenceUnit, Range{0.5, 30}, nil, "energy of the zone"},
		{"centre_x", "centre_x_e2", NumberValue, measure.MillimetreUnit, Range{-7, 7}, nil, "centre of the zone, towards the patient's left"},
		{"centre_y", "centre_y_e2", NumberValue, measure.MillimetreUnit, Range{-7, 7}, nil, "centre of the zone, upwards"},
	}
}

func text(key, help string) Column { return Column{Key: key, Name: key, Type: TextValue, Help: help} }

func code(key, help string, words ...string) Column {
	return Column{Key: key, Name: key, Type: CodeValue, Words: words, Help: help}
}

func day(key, name, help string) Column {
	return Column{Key: key, Name: name, Type: DayValue, Help: help}
}

func number(key, name string, unit measure.Unit, minimum, maximum float64, help string) Column {
	return Column{Key: key, Name: name, Type: NumberValue, Unit: unit, Hard: Range{minimum, maximum}, Help: help}
}

// Kinds describes every Kind. The columns of a visit are those of Measures
// and of VisitTexts; VisitRecord here holds its name alone.
var Kinds = [NumKinds]KindInfo{
	ClinicianRecord: {"clinician", "clinician", "", false, 1, []Column{
		text("code", "code that the sheets use for the person"), text("name", "name"),
	}},
	ProtocolRecord: {"protocol", "protocol", "", false, 2, append([]Column{
		text("code", "code that the sheets use for the protocol"),
		number("version", "version", measure.CountUnit, 1, 999, "version; 1 when not given"),
		text("name", "name as printed; the code when not given"),
		code("epithelium", "epithelium during treatment", "off", "on", "island"),
		code("vehicle", "vehicle of the riboflavin", "dextran", "hpmc", "isotonic", "hypo-osmolar", "transepithelial", "iontophoresis", "other"),
		number("riboflavin", "riboflavin_e2", measure.ConcentrationUnit, 0.01, 1, "concentration of riboflavin"),
		number("soak", "soak_e1", measure.MinuteUnit, 0, 90, "time of soaking"),
		code("oxygen", "supplementary oxygen", triState...),
		code("pattern", "pattern of irradiation", "uniform", "zoned"),
	}, lightColumns("planned")...)},
	ProtocolZoneRecord: {"protocol_zone", "protocol_zone", "protocol_id", true, 1, zoneColumns()},
	PatientRecord: {"patient", "patient", "", false, 1, []Column{
		text("code", "pseudonym of the patient, never a name or a record number"),
		code("sex", "sex", "female", "male", "other"),
		number("birth_year", "birth_year", measure.CountUnit, 1900, 2100, "year of birth"),
		code("atopy", "atopy", triState...), code("eye_rubbing", "rubs the eyes", triState...), code("family_history", "ectasia in the family", triState...),
		code("consent", "consent to the registry", "given", "withdrawn", "waived"),
		day("consent_changed_on", "consent_changed_on", "day of the last change of consent"), day("died_on", "died_on", "day of death"),
	}},
	EyeRecord: {"eye", "eye", "patient_id", false, 1, []Column{
		number("side", "side", measure.CountUnit, 1, 2, "OD (right) or OS (left)"),
		code("diagnosis", "diagnosis", "keratoconus", "pellucid", "ectasia", "other"),
		code("progression_documented", "progression documented before the first treatment", triState...),
	}},
	TreatmentRecord: {"treatment", "treatment", "eye_id", false, 1, append([]Column{
		day("on", "treated_on", "day of treatment"),
		{Key: "protocol", Name: "protocol_id", Type: LinkValue, Help: "code of the protocol, with /version for another than the latest"},
		{Key: "clinician", Name: "clinician_id", Type: LinkValue, Help: "code of the clinician"},
		number("interruptions", "interruptions", measure.CountUnit, 0, 100, "interruptions of the irradiation"),
		number("epithelial_zone", "epithelial_zone_e2", measure.MillimetreUnit, 0, 12, "diameter of epithelial removal"),
		number("healing_days", "healing_days", measure.CountUnit, 0, 120, "days until the epithelium had closed"),
		text("adjunct", "surgery in the same session"), text("note", "note"),
		{Key: "", Name: "entered", Type: TextValue, Help: "JSON object: text as written, by field, where it says more than the value"},
	}, lightColumns("given")...)},
	TreatmentZoneRecord: {"treatment_zone", "treatment_zone", "treatment_id", true, 1, zoneColumns()},
	PachymetryRecord: {"pachymetry", "pachymetry_step", "treatment_id", true, 1, []Column{
		code("step", "step at which thickness was measured", PachymetrySteps...),
		number("thickness", "thickness_um", measure.MicrometreUnit, 120, 800, "thinnest pachymetry at that step"),
	}},
	VisitRecord: {Key: "visit", Table: "visit", Parent: "eye_id", Keys: 1},
	DemarcationRecord: {"demarcation", "demarcation", "visit_id", true, 2, []Column{
		text("zone", "place: central, paracentral-nasal, or the order of a treatment zone"),
		text("observer", "who graded"),
		code("seen", "seen, not-seen or not-imaged; a depth alone means seen", "seen", "not-seen", "not-imaged"),
		number("depth", "depth_um", measure.MicrometreUnit, 20, 700, "depth of the line"),
		number("thickness", "thickness_um", measure.MicrometreUnit, 120, 800, "thickness of the cornea at the same place"),
		code("surface", "surface that depth is measured from", "epithelium", "stroma"),
		text("method", "as-oct, confocal, slit-lamp, scheimpflug"),
	}},
	ComplicationRecord: {"complication", "complication", "eye_id", false, 2, []Column{
		text("kind", "kind, from the registry's list of complications"), day("onset", "onset", "day of onset"),
		code("grade", "grade", "mild", "moderate", "severe"), text("action", "what was done"),
		day("resolved_on", "resolved_on", "day of resolution"), text("outcome", "outcome"), text("note", "note"),
	}},
	SurgeryRecord: {"surgery", "surgery", "eye_id", false, 2, []Column{
		code("kind", "kind of operation", "keratoplasty", "ring-segments", "laser-ablation", "cataract", "lens", "other"),
		day("on", "operated_on", "day of the operation"), text("note", "note"),
	}},
	FollowUpEndRecord: {"follow_up_end", "follow_up_end", "eye_id", false, 0, []Column{
		day("on", "ended_on", "day on which follow-up ended"),
		code("reason", "reason", "moved", "discharged", "declined", "died", "consent-withdrawn", "lost", "other"),
	}},
}

// Info returns the description of the kind.
func (k Kind) Info() *KindInfo { return &Kinds[k] }

// ParseKind returns the kind with the given key; ok is false if there is none.
func ParseKind(key string) (k Kind, ok bool) {
	for i := range Kinds {
		if Kinds[i].Key == key {
			return Kind(i), true
		}
	}
	return 0, false
}

// ColumnOf returns the place of the column with the given key; ok is false if
// the kind has none.
func (k Kind) ColumnOf(key string) (i int, ok bool) {
	for i := range Kinds[k].Columns {
		if key != "" && Kinds[k].Columns[i].Key == key {
			return i, true
		}
	}
	return 0, false
}

// NewPart returns a record of the kind with nothing known of it yet.
func NewPart(k Kind, parent *Part) *Part {
	return &Part{Kind: k, Parent: parent, Values: make([]Value, len(Kinds[k].Columns))}
}

// Get returns the value in the column with the given key, which must exist.
func (p *Part) Get(key string) Value {
	i, ok := p.Kind.ColumnOf(key)
	if !ok {
		return Value{}
	}
	return p.Values[i]
}
