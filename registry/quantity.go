package registry

import "keratally/registry/measure"

// Quantity is a number that an analysis can ask of a visit: every Measure,
// under the same number, and what is derived from several of one visit.
type Quantity int

// The derived quantities.
const (
	SphericalEquivalent Quantity = Quantity(NumMeasures) + iota
	RefractiveJ0
	RefractiveJ45
	CylinderMagnitude
	KMean
	CornealAstigmatism
	NumQuantities int = NumMeasures + iota
)

// QuantityInfo says what a quantity is.
type QuantityInfo struct {
	Key    string
	Label  string
	Long   string
	Unit   measure.Unit
	Acuity bool // may be off the chart; lower is better
	Whole  bool // ordinal: described by quartiles and shares, never by a mean alone
}

var derived = [NumQuantities - NumMeasures]QuantityInfo{
	{"spherical_equivalent", "spherical equivalent", "spherical equivalent of the manifest refraction, M = sphere + cylinder/2", measure.DioptreUnit, false, false},
	{"j0", "J0", "power vector of the manifest refraction, J0 = −(cylinder/2)·cos 2·axis", measure.DioptreUnit, false, false},
	{"j45", "J45", "power vector of the manifest refraction, J45 = −(cylinder/2)·sin 2·axis", measure.DioptreUnit, false, false},
	{"cylinder_magnitude", "cylinder, magnitude", "magnitude of the cylinder of the manifest refraction", measure.DioptreUnit, false, false},
	{"kmean", "Kmean", "mean keratometry, (K1 + K2)/2", measure.DioptreUnit, false, false},
	{"corneal_astigmatism", "corneal astigmatism", "K2 − K1", measure.DioptreUnit, false, false},
}

// Info returns the description of the quantity.
func (q Quantity) Info() QuantityInfo {
	if int(q) < NumMeasures {
		m := &Measures[q]
		return QuantityInfo{m.Key, m.Label, m.Long, m.Unit, m.Acuity, m.Whole}
	}
	return derived[int(q)-NumMeasures]
}

// String returns the key of the quantity.
func (q Quantity) String() string { return q.Info().Key }

// Quantity returns the measure as a quantity.
func (m Measure) Quantity() Quantity { return Quantity(m) }

// ParseQuantity returns the quantity with the given key; ok is false if there is none.
func ParseQuantity(key string) (q Quantity, ok bool) {
	for q := range Quantity(NumQuantities) {
		if q.Info().Key == key {
			return q, true
		}
	}
	return 0, false
}
