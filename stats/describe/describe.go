// Package describe summarises one sample: moments, quantiles and their
// intervals, shape, and a test of normality. Every figure is stable for data
// far from zero beside their spread, and does not depend on the order of the
// observations (but for Autocorrelation, which is about their order).
package describe

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/rank"
	"keratally/stats/sum"
)

// Summary describes a sample. A figure that the sample is too small or too
// uniform for is NaN, and Notes says which and why.
type Summary struct {
	N             int
	Sum           float64
	Mean          stats.Interval // Student t limits
	SD, Variance  float64        // denominator n − 1
	SE            float64        // SD/√n
	Min, Max      float64
	Q05, Q10, Q25 float64 // quantiles, type 7
	Median        float64
	Q75, Q90, Q95 float64
	IQR           float64 // Q75 − Q25
	MAD           float64 // median absolute deviation from the median, unscaled
	CV            float64 // SD/mean
	Shape         Shape
	Notes         []string
}

// Summarise describes x; level is the coverage of the interval of the mean. It
// needs one observation: with one there is no SD, interval or shape, with two
// no skewness, with three no kurtosis. The error is stats.ErrNoData for an
// empty sample, stats.ErrNotFinite for a value that is not finite, or a level
// outside (0, 1).
func Summarise(x []float64, level float64) (Summary, error) {
	if err := stats.CheckLevel(level); err != nil {
		return Summary{}, err
	}
	if err := stats.CheckSample("summary", x, 1); err != nil {
		return Summary{}, err
	}
	nan := math.NaN()
	sorted := rank.Sorted(x)
	mean, deviations := centre(x)
	s := Summary{
		N: len(x), Sum: sum.Sum(x),
		Mean: stats.Interval{Estimate: mean, Lower: nan, Upper: nan, Level: level, Method: "Student t"},
		SD:   nan, Variance: nan, SE: nan, CV: nan,
		Min: sorted[0], Max: sorted[len(sorted)-1],
		Q05: type7(sorted, 0.05), Q10: type7(sorted, 0.1), Q25: type7(sorted, 0.25),
		Median: type7(sorted, 0.5),
		Q75:    type7(sorted, 0.75), Q90: type7(sorted, 0.9), Q95: type7(sorted, 0.95),
		Shape: shapeOf(deviations),
	}
	s.IQR = s.Q75 - s.Q25
	s.MAD = medianDeviation(x, s.Median)
	n := float64(len(x))
	if len(x) == 1 {
		s.note("one observation: no standard deviation, interval or shape")
		return s, nil
	}
	s.Variance = sum.Dot(deviations, deviations) / (n - 1)
	s.SD = math.Sqrt(s.Variance)
	s.SE = s.SD / math.Sqrt(n)
	half := dist.TQuantile((1+level)/2, n-1) * s.SE
	s.Mean.Lower, s.Mean.Upper = mean-half, mean+half
	if mean != 0 {
		s.CV = s.SD / mean
	} else {
		s.note("the mean is zero: no coefficient of variation")
	}
	switch {
	case s.SD == 0:
		s.note("all values are equal: no skewness or kurtosis")
	case len(x) == 2:
		s.note("two observations: no skewness or kurtosis")
	case len(x) == 3:
		s.note("three observations: no kurtosis")
	}
	return s, nil
}

func (s *Summary) note(format string, args ...any) {
	s.Notes = append(s.Notes, fmt.Sprintf(format, args...))
}

// Mean returns the arithmetic mean of x with its standard error and Student t
// limits:
//
//	mean ± t(n−1)·SD/√n
//
// It assumes independent observations, and normal ones or enough of them. At
// least two are needed (*stats.TooFewError). Equal values give a standard
// error of 0 and limits at the mean, with a note.
func Mean(x []float64, level float64) (stats.Result, error) {
	if err := stats.CheckLevel(level); err != nil {
		return stats.Result{}, err
	}
	if err := stats.CheckSample("mean with confidence limits", x, 2); err != nil {
		return stats.Result{}, err
	}
	mean, deviations := centre(x)
	n := float64(len(x))
	r := stats.NewResult("mean, Student t limits", len(x))
	r.Estimate = mean
	r.SE = math.Sqrt(sum.Dot(deviations, deviations) / (n - 1) / n)
	r.DF = n - 1
	half := dist.TQuantile((1+level)/2, r.DF) * r.SE
	r.Interval = stats.Interval{Estimate: mean, Lower: mean - half, Upper: mean + half, Level: level, Method: "Student t"}
	if r.SE == 0 {
		r.Note("all values are equal")
	}
	return r, nil
}

// Autocorrelation returns the lag-1 autocorrelation of x in its given order,
//
//	Σ (xᵢ − mean)(xᵢ₊₁ − mean) / Σ (xᵢ − mean)²
//
// It needs two observations that are not all equal (stats.ErrTooFew,
// stats.ErrNoVariance).
func Autocorrelation(x []float64) (float64, error) {
	if err := stats.CheckSample("autocorrelation", x, 2); err != nil {
		return 0, err
	}
	_, deviations := centre(x)
	total := sum.Dot(deviations, deviations)
	if total == 0 {
		return 0, fmt.Errorf("autocorrelation: %w", stats.ErrNoVariance)
	}
	return sum.Dot(deviations[1:], deviations[:len(deviations)-1]) / total, nil
}

// Geometric is the geometric mean of positive values, exp(mean log x), with
// its limits, and the geometric standard deviation exp(SD log x), a factor.
type Geometric struct {
	N    int
	Mean stats.Interval
	SD   float64
}

// GeometricMean returns the geometric mean of x, whose limits are Student t
// limits of the logarithms. It needs two observations (stats.ErrTooFew), all
// above zero (*stats.ArgumentError).
func GeometricMean(x []float64, level float64) (Geometric, error) {
	if err := stats.CheckSample("geometric mean", x, 2); err != nil {
		return Geometric{}, err
	}
	logs := make([]float64, len(x))
	for i, v := range x {
		if v <= 0 {
			return Geometric{}, &stats.ArgumentError{Name: fmt.Sprintf("geometric mean: value %d", i+1), Got: v, Want: "above zero"}
		}
		logs[i] = math.Log(v)
	}
	r, err := Mean(logs, level)
	if err != nil {
		return Geometric{}, err
	}
	return Geometric{
		N: len(x),
		Mean: stats.Interval{
			Estimate: math.Exp(r.Estimate), Lower: math.Exp(r.Interval.Lower), Upper: math.Exp(r.Interval.Upper),
			Level: level, Method: "Student t on the logarithm",
		},
		SD: math.Exp(r.SE * math.Sqrt(float64(len(x)))),
	}, nil
}

// centre returns the mean of x and the deviations from it. What rounding took
// from the mean is taken from the deviations, so that they sum to zero however
// far x lies from zero.
func centre(x []float64) (mean float64, deviations []float64) {
	mean = sum.Mean(x)
	deviations = make([]float64, len(x))
	for i, v := range x {
		deviations[i] = v - mean
	}
	rest := sum.Mean(deviations)
	for i := range deviations {
		deviations[i] -= rest
	}
	return mean, deviations
}
