package measure

import (
	"fmt"
	"math"
)

// Refraction is a spectacle refraction at the plane of the glasses: sphere
// and cylinder in hundredths of a dioptre, axis in whole degrees 1 to 180.
// The sign of the cylinder is as entered. Axis is 0 when the cylinder is 0 or
// not measured, so an axis without a cylinder cannot be built.
type Refraction struct {
	Sphere, Cylinder Steps
	Axis             int16
}

// NoRefraction is that of a visit at which none was taken.
var NoRefraction = Refraction{Sphere: None, Cylinder: None}

// NewRefraction checks the three together: an axis is 0 to 180 (0 becomes
// 180), required with a cylinder other than 0 and dropped with a cylinder of
// 0; an axis or a cylinder alone is refused.
func NewRefraction(sphere, cylinder, axis Steps) (Refraction, error) {
	switch {
	case sphere == None && cylinder == None && axis == None:
		return NoRefraction, nil
	case sphere == None:
		return NoRefraction, &FormatError{Got: "a cylinder or axis without a sphere", Want: "sphere, cylinder and axis together"}
	case cylinder == None && axis != None && axis != 0:
		return NoRefraction, &FormatError{Got: fmt.Sprintf("axis %d without a cylinder", axis), Want: "sphere, cylinder and axis together"}
	case cylinder == None || cylinder == 0:
		return Refraction{Sphere: sphere, Cylinder: cylinder}, nil
	case axis == None:
		return NoRefraction, &FormatError{Got: "cylinder " + cylinder.Text(DioptreUnit) + " without an axis", Want: "an axis of 1 to 180 degrees"}
	}
	a, err := NormalAxis(axis)
	if err != nil {
		return NoRefraction, err
	}
	return Refraction{Sphere: sphere, Cylinder: cylinder, Axis: int16(a)}, nil
}

// NormalAxis returns an axis in 1 to 180; 0 is the same meridian as 180.
func NormalAxis(axis Steps) (Steps, error) {
	if axis < 0 || axis > 180 {
		return None, &RangeError{Quantity: "axis in degrees", Got: float64(axis), Min: 0, Max: 180}
	}
	if axis == 0 {
		return 180, nil
	}
	return axis, nil
}

// PowerVector is a spherocylinder as M, J0, J45 in dioptres (Thibos,
// Wheeler & Horner 1997, Optom Vis Sci 74:367): the form in which refractions
// can be compared and averaged.
type PowerVector struct{ M, J0, J45 float64 }

// PowerVector returns M = S + C/2, J0 = −(C/2)·cos 2α, J45 = −(C/2)·sin 2α.
// ok is false when no sphere was measured.
func (r Refraction) PowerVector() (v PowerVector, ok bool) {
	if r.Sphere == None {
		return PowerVector{math.NaN(), math.NaN(), math.NaN()}, false
	}
	half := 0.0
	if r.Cylinder != None {
		half = r.Cylinder.Float(DioptreUnit) / 2
	}
	sin, cos := math.Sincos(2 * float64(r.Axis) * math.Pi / 180)
	return PowerVector{M: r.Sphere.Float(DioptreUnit) + half, J0: -half * cos, J45: -half * sin}, true
}

// Spherocylinder returns sphere, minus cylinder and axis in (0, 180] degrees.
func (v PowerVector) Spherocylinder() (sphere, cylinder, axis float64) {
	cylinder = -2 * math.Hypot(v.J0, v.J45)
	sphere = v.M - cylinder/2
	axis = math.Atan2(v.J45, v.J0) / 2 * 180 / math.Pi
	if axis <= 0 {
		axis += 180
	}
	return sphere, cylinder, axis
}

// Blur returns B = √(M² + J0² + J45²), the length of the vector.
func (v PowerVector) Blur() float64 { return math.Sqrt(v.M*v.M + v.J0*v.J0 + v.J45*v.J45) }

// Sub returns the change from w to v.
func (v PowerVector) Sub(w PowerVector) PowerVector {
	return PowerVector{v.M - w.M, v.J0 - w.J0, v.J45 - w.J45}
}

// CornealVector returns the power vector of a cornea with flat meridian k1
// and steep meridian k2 (dioptres) at steepAxis degrees: M = (k1+k2)/2,
// J0 = (ΔK/2)·cos 2θ, J45 = (ΔK/2)·sin 2θ. Its J0 and J45 have the sign of the
// cornea, opposite to the lens that would correct it.
func CornealVector(k1, k2, steepAxis float64) PowerVector {
	sin, cos := math.Sincos(2 * steepAxis * math.Pi / 180)
	half := (k2 - k1) / 2
	return PowerVector{M: (k1 + k2) / 2, J0: half * cos, J45: half * sin}
}

// KeratometricIndex is the index by which keratometers show a radius as
// dioptres: 1.3375 by convention, so D = 337.5 / mm.
const KeratometricIndex = 1.3375

// DioptresFromRadius returns the keratometric power of an anterior radius in
// mm, D = 337.5/r. A radius outside 2.8 to 11.25 mm (30 to 120 D) is refused.
func DioptresFromRadius(mm float64) (Steps, error) {
	if !(mm >= 2.8 && mm <= 11.25) {
		return None, &RangeError{Quantity: "corneal radius in mm", Got: mm, Min: 2.8, Max: 11.25}
	}
	return FromFloat(1000*(KeratometricIndex-1)/mm, DioptreUnit)
}

// FluenceOf returns irradiance × exposure × duty ÷ 1000 in J/cm², for an
// irradiance in mW/cm², an exposure in seconds of total time and the share of
// it during which light was on (1 for continuous light).
func FluenceOf(irradiance, seconds, duty float64) float64 { return irradiance * seconds * duty / 1000 }
