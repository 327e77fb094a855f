// Package dist provides the distributions that the statistical methods need:
// cumulative probabilities whose small tail is computed as itself and never as
// one minus the large one, densities, and quantiles.
//
// Functions ending in CDF return P(X ≤ x), those in SF the survival function
// P(X > x), those in PMF or PDF the probability or density at x, and those in
// Quantile the smallest x with CDF(x) ≥ p. Arguments outside a distribution's
// parameters give NaN: a caller checks its data before it asks. Agreement with
// 50-digit arithmetic is 13 significant digits or better unless a function
// says otherwise (12 where the value is below 1e-100), tails down to the
// smallest normal double included.
package dist

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"keratally/stats"
)

const (
	invSqrt2 = 0.7071067811865475244008443621048490392848
	// invSqrt2High is invSqrt2 rounded to a double, invSqrt2Lo what rounding lost.
	invSqrt2High     = 0x1.6a09e667f3bcdp-1
	invSqrt2Lo       = invSqrt2 - invSqrt2High
	logSqrt2Pi       = 0.9189385332046727417803297364056176398614
	sqrt2Pi          = 2.5066282746310005024157652848110452530070
	twoOverSqrtPi    = 1.1283791670955125738961589031215451716881
	machineEpsilon   = 0x1p-53
	largestIteration = 2_000_000
)

// NormalPDF returns the standard normal density φ(z).
func NormalPDF(z float64) float64 { return math.Exp(-0.5*z*z) / sqrt2Pi }

// NormalCDF returns P(Z ≤ z) for a standard normal Z.
func NormalCDF(z float64) float64 { return NormalSF(-z) }

// NormalSF returns P(Z > z) for a standard normal Z, ½·erfc(z/√2), with the
// rounding of z/√2 carried along so that the far tail keeps its digits.
func NormalSF(z float64) float64 {
	x := z * invSqrt2High
	tail := math.Erfc(x)
	if z > 1 && tail > 0 {
		lost := math.FMA(z, invSqrt2High, -x) + z*invSqrt2Lo
		tail -= twoOverSqrtPi * math.Exp(-x*x) * lost
	}
	return 0.5 * tail
}

// NormalQuantile returns z with P(Z ≤ z) = p: −Inf at 0, +Inf at 1 and NaN
// outside [0, 1].
func NormalQuantile(p float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1:
		return math.NaN()
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	case p == 0.5:
		return 0
	}
	z := mathext.NormalQuantile(p)
	if p > 0.5 {
		return z
	}
	// One Newton step on log Φ, which is nearly linear however far out.
	if cdf := NormalCDF(z); cdf > 0 {
		if density := NormalPDF(z); density > 0 {
			z -= math.Log(cdf/p) * cdf / density
		}
	}
	return z
}

// PZ returns the p value of the standard normal statistic z in the direction
// alt: P(Z ≤ z), P(Z ≥ z), or twice the smaller of them.
func PZ(z float64, alt stats.Alternative) float64 { return pOf(z, alt, NormalSF) }

// pOf returns the p value of a statistic whose null distribution is symmetric
// about zero, from its upper tail.
func pOf(statistic float64, alt stats.Alternative, upper func(float64) float64) float64 {
	switch alt {
	case stats.Less:
		return upper(-statistic)
	case stats.Greater:
		return upper(statistic)
	default:
		return math.Min(1, 2*upper(math.Abs(statistic)))
	}
}
