package registry

import "keratally/registry/measure"

// Measure is one number that a visit can hold. Measures index the values of a
// Visit and of a snapshot, so there is one list for forms, intake, database,
// reports and exports: adding one is a line here and a column in a migration.
type Measure int

// The measures of a visit.
const (
	UDVA Measure = iota
	CDVA
	CLVA
	Sphere
	Cylinder
	RefractionAxis
	K1
	K2
	SteepAxis
	Kmax
	KmaxPosterior
	Thinnest
	ApexThickness
	IOP
	Haze
	Densitometry
	ECD
	CellCV
	Hexagonality
	CellsCounted
	NumMeasures int = iota
)

// Range is a closed interval in the unit of its measure.
type Range struct{ Min, Max float64 }

// Contains reports whether x lies in the range, limits included.
func (r Range) Contains(x float64) bool { return x >= r.Min && x <= r.Max }

// MeasureInfo says what a measure is.
type MeasureInfo struct {
	Key    string       // name in mappings, cohorts, exports: "kmax"
	Label  string       // as printed: "Kmax"
	Long   string       // in full, for help and the codebook
	Unit   measure.Unit //
	Column string       // of table visit; the suffix tells the scale (_e2: hundredths)
	Hard   Range        // nothing outside can be stored; plausibility limits, common practice
	Acuity bool         // read by a notation, may be off the chart
	Whole  bool         // ordinal: described by quartiles and shares, never by a mean alone
}

// Measures describes every Measure, in the order of the constants.
var Measures = [NumMeasures]MeasureInfo{
	UDVA:           {"udva", "UDVA", "uncorrected distance visual acuity", measure.LogMARUnit, "udva_e3", Range{-0.40, 3.0}, true, false},
	CDVA:           {"cdva", "CDVA", "corrected distance visual acuity", measure.LogMARUnit, "cdva_e3", Range{-0.40, 3.0}, true, false},
	CLVA:           {"clva", "CLVA", "acuity with contact lens", measure.LogMARUnit, "clva_e3", Range{-0.40, 3.0}, true, false},
	Sphere:         {"sphere", "sphere", "sphere of the manifest refraction", measure.DioptreUnit, "sphere_e2", Range{-40, 25}, false, false},
	Cylinder:       {"cylinder", "cylinder", "cylinder of the manifest refraction, sign as entered", measure.DioptreUnit, "cylinder_e2", Range{-20, 20}, false, false},
	RefractionAxis: {"axis", "axis", "axis of the cylinder", measure.DegreeUnit, "refraction_axis", Range{1, 180}, false, false},
	K1:             {"k1", "K1", "flat keratometry", measure.DioptreUnit, "k1_e2", Range{30, 100}, false, false},
	K2:             {"k2", "K2", "steep keratometry", measure.DioptreUnit, "k2_e2", Range{30, 100}, false, false},
	SteepAxis:      {"steep_axis", "steep axis", "meridian of the steep keratometry", measure.DegreeUnit, "steep_axis", Range{1, 180}, false, false},
	Kmax:           {"kmax", "Kmax", "steepest anterior curvature", measure.DioptreUnit, "kmax_e2", Range{35, 120}, false, false},
	KmaxPosterior:  {"kmax_posterior", "posterior Kmax", "steepest posterior curvature, as the magnitude of its power", measure.DioptreUnit, "kmax_posterior_e2", Range{3, 20}, false, false},
	Thinnest:       {"thinnest", "thinnest point", "thinnest pachymetry with epithelium", measure.MicrometreUnit, "thinnest_um", Range{150, 750}, false, false},
	ApexThickness:  {"apex", "apex thickness", "pachymetry at the apex with epithelium", measure.MicrometreUnit, "apex_um", Range{150, 750}, false, false},
	IOP:            {"iop", "IOP", "intraocular pressure", measure.MillimetreHgUnit, "iop_e1", Range{0, 80}, false, false},
	Haze:           {"haze", "haze", "corneal haze grade", measure.GradeUnit, "haze_e1", Range{0, 4}, false, true},
	Densitometry:   {"densitometry", "densitometry", "corneal densitometry", measure.DensityUnit, "densitometry_e1", Range{0, 100}, false, false},
	ECD:            {"ecd", "ECD", "endothelial cell density", measure.CellsUnit, "ecd_cells", Range{200, 6000}, false, false},
	CellCV:         {"cell_cv", "CV", "coefficient of variation of endothelial cell area", measure.PercentUnit, "cell_cv_e1", Range{5, 100}, false, false},
	Hexagonality:   {"hexagonality", "hexagonality", "share of hexagonal endothelial cells", measure.PercentUnit, "hexagonality_e1", Range{5, 100}, false, false},
	CellsCounted:   {"cells_counted", "cells counted", "endothelial cells counted", measure.CountUnit, "cells_counted", Range{1, 1000}, false, false},
}

// Info returns the description of the measure.
func (m Measure) Info() *MeasureInfo { return &Measures[m] }

// String returns the key of the measure.
func (m Measure) String() string { return Measures[m].Key }

// ParseMeasure returns the measure with the given key; ok is false if there is none.
func ParseMeasure(key string) (m Measure, ok bool) {
	for i := range Measures {
		if Measures[i].Key == key {
			return Measure(i), true
		}
	}
	return 0, false
}
