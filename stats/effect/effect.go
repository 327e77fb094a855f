// Package effect standardises differences of means by a standard deviation, so
// that effects measured in different units can be set side by side.
package effect

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/sum"
)

// Paired is a standardised mean of paired differences.
type Paired struct {
	DZ float64 // Cohen's d_z: mean of the differences / their standard deviation
	J  float64 // Hedges' factor on n − 1 degrees of freedom; NaN for n = 2
	GZ float64 // Hedges' g_z = J·d_z; NaN for n = 2
}

// OfDifferences returns the standardised mean of the differences d, which has
// no unit. Fewer than two differences are ErrTooFew, equal ones ErrNoVariance.
//
// Hedges, J Educ Stat 1981;6:107–128.
func OfDifferences(d []float64) (Paired, error) {
	const method = "paired effect size"
	if err := stats.CheckSample(method, d, 2); err != nil {
		return Paired{}, err
	}
	sd := math.Sqrt(sum.Variance(d))
	if sd == 0 {
		return Paired{}, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	e := Paired{DZ: sum.Mean(d) / sd, J: HedgesFactor(float64(len(d) - 1))}
	e.GZ = e.J * e.DZ
	return e, nil
}

// TwoSample is a standardised difference of two means, first minus second.
type TwoSample struct {
	D             float64 // Cohen's d: by the pooled standard deviation
	J             float64 // Hedges' factor on m + n − 2 degrees of freedom
	G             float64 // Hedges' g = J·d
	GlassDelta    float64 // Glass's Δ: by the standard deviation of the second sample; infinite if that is 0
	SMDAverageVar float64 // by √((s₁² + s₂²)/2), as in balance tables of observational studies
}

// OfSamples returns the standardised difference of the means of x and y, each
// of at least two values (ErrTooFew); all values of both samples equal within
// their sample are ErrNoVariance.
//
// Hedges, J Educ Stat 1981;6:107–128; Glass, Educ Res 1976;5(10):3–8.
func OfSamples(x, y []float64) (TwoSample, error) {
	const method = "two-sample effect size"
	for _, sample := range [][]float64{x, y} {
		if err := stats.CheckSample(method, sample, 2); err != nil {
			return TwoSample{}, err
		}
	}
	vx, vy := sum.Variance(x), sum.Variance(y)
	m, n := float64(len(x)), float64(len(y))
	df := m + n - 2
	pooled := math.Sqrt(((m-1)*vx + (n-1)*vy) / df)
	if pooled == 0 {
		return TwoSample{}, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	difference := sum.Mean(x) - sum.Mean(y)
	e := TwoSample{
		D: difference / pooled, J: HedgesFactor(df),
		GlassDelta: difference / math.Sqrt(vy), SMDAverageVar: difference / math.Sqrt((vx+vy)/2),
	}
	e.G = e.J * e.D
	return e, nil
}

// manyDF is where Stirling's series for the factor is exact to the last digit.
const manyDF = 60

// HedgesFactor returns the exact factor that takes the small-sample bias out of
// a standardised mean difference,
//
//	J(df) = Γ(df/2) / (√(df/2)·Γ((df−1)/2))
//
// close to 1 − 3/(4·df − 1). It is NaN for df ≤ 1, where no factor exists.
func HedgesFactor(df float64) float64 {
	if !(df > 1) {
		return math.NaN()
	}
	a := (df - 1) / 2
	if df < manyDF {
		top, _ := math.Lgamma(df / 2)
		bottom, _ := math.Lgamma(a)
		return math.Exp(top - bottom - math.Log(df/2)/2)
	}
	// log Γ(a+½) − log Γ(a) = ½·log a − 1/8a + 1/192a³ − 1/640a⁵ + 17/14336a⁷ − …
	b := 1 / (a * a)
	series := (-1.0/8 + b*(1.0/192+b*(-1.0/640+b*17.0/14336))) / a
	return math.Exp(math.Log1p(-1/df)/2 + series)
}
