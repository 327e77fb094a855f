// Package paired compares two measurements of the same unit, such as an eye
// before and after treatment, or one sample with a fixed value. Every method
// works on the differences; Differences and Shifted make them.
//
// Two eyes of one patient are not two independent units: where a sample holds
// both, use stats/cluster or stats/mixed.
package paired

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/sum"
	"keratally/stats/wald"
)

// Differences returns x − y, row by row. Columns of different lengths are
// ErrLengths, a value that is NaN or infinite is ErrNotFinite: pairs with a
// missing value are for the caller to drop and to count.
func Differences(x, y []float64) ([]float64, error) {
	if err := stats.CheckPairs("differences", x, y, 0); err != nil {
		return nil, err
	}
	d := make([]float64, len(x))
	for i := range x {
		d[i] = x[i] - y[i]
	}
	return d, nil
}

// Shifted returns x − mu: the differences of one sample from a fixed value.
func Shifted(x []float64, mu float64) []float64 {
	d := make([]float64, len(x))
	for i, v := range x {
		d[i] = v - mu
	}
	return d
}

// T tests whether the mean of the differences d is mu, and gives its confidence
// limits, by Student's t on n − 1 degrees of freedom:
//
//	t = (mean(d) − mu) / (sd(d)/√n)
//
// Estimate is the mean in the units of d, SE its standard error. A one-sided
// alternative gives a one-sided limit. It assumes independent differences whose
// mean is close to normal: exactly so for normal differences, nearly so for
// n ≥ 30 without long tails.
//
// Fewer than two differences are ErrTooFew; differences that are all equal, to
// within the rounding of their mean, are ErrNoVariance.
//
// Student, Biometrika 1908;6:1–25.
func T(d []float64, mu float64, alt stats.Alternative, level float64) (stats.Result, error) {
	r := stats.NewResult("Student t, paired", len(d))
	mean, sd, err := moments("paired t test", d)
	if err != nil {
		return stats.Result{}, err
	}
	if math.IsNaN(mu) || math.IsInf(mu, 0) {
		return stats.Result{}, &stats.ArgumentError{Name: "mean tested", Got: mu, Want: "a finite number"}
	}
	r.Estimate, r.SE = mean, sd/math.Sqrt(float64(len(d)))
	if err := wald.T(&r, mu, float64(len(d)-1), alt, level); err != nil {
		return stats.Result{}, err
	}
	return r, nil
}

// moments returns the mean and the standard deviation of at least two values
// that are not all equal.
func moments(method string, d []float64) (mean, sd float64, err error) {
	if err := stats.CheckSample(method, d, 2); err != nil {
		return 0, 0, err
	}
	mean, sd = sum.Mean(d), math.Sqrt(sum.Variance(d))
	if sd/math.Sqrt(float64(len(d))) <= 10*epsilon*math.Abs(mean) {
		return 0, 0, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	return mean, sd, nil
}

// epsilon is the spacing of doubles above 1.
const epsilon = 0x1p-52
