// Package power says how large a difference a study could have shown: power,
// sample size and the minimum detectable difference of the common tests.
// Sample sizes are fractional, per group where there are two; Whole rounds
// them up to observations that can be recruited.
package power

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
)

// Design is how the observations of a t test are paired up.
type Design int

// The designs. Sample sizes count observations of one group for TwoSample,
// pairs for Paired.
const (
	OneSample Design = iota + 1
	Paired
	TwoSample
)

// String returns "one sample", "paired" or "two samples".
func (d Design) String() string {
	switch d {
	case OneSample:
		return "one sample"
	case Paired:
		return "paired"
	case TwoSample:
		return "two samples"
	default:
		return "no design"
	}
}

// TTest describes a planned t test of a difference. Its power is that of the
// noncentral t distribution with
//
//	ncp = √(n/g)·delta/SD,  df = g·(n − 1)
//
// g being 2 for two samples of n each and 1 otherwise. It assumes normal
// values of equal variance.
//
// Several eyes of a patient make the information smaller than n eyes: with a
// DesignEffect D, n/D takes the place of n throughout.
type TTest struct {
	Design       Design
	SD           float64 // of one observation; of the differences for Paired
	Alpha        float64 // level of the test, such as 0.05
	OneSided     bool
	BothTails    bool    // count also the tail on the wrong side, which matters only near power = alpha
	DesignEffect float64 // at least 0; 0 stands for 1, no clustering
}

// DesignEffect returns how much clustering inflates the variance of a mean,
//
//	1 + (m − 1)·icc,  m = Σ size²/Σ size
//
// for clusters of the given sizes and an intraclass correlation icc from −1 to
// 1 (Kish, Survey Sampling, 1965). Errors: no clusters, a size below 1, icc
// outside its range.
func DesignEffect(sizes []int, icc float64) (float64, error) {
	if len(sizes) == 0 {
		return 0, &stats.TooFewError{Method: "design effect", Got: 0, Need: 1}
	}
	if !(icc >= -1 && icc <= 1) {
		return 0, &stats.ArgumentError{Name: "intraclass correlation", Got: icc, Want: "between -1 and 1"}
	}
	var total, squares float64
	for _, size := range sizes {
		if size < 1 {
			return 0, &stats.ArgumentError{Name: "cluster size", Got: size, Want: "1 or more"}
		}
		total += float64(size)
		squares += float64(size) * float64(size)
	}
	return 1 + (squares/total-1)*icc, nil
}

// Whole rounds a fractional sample size up; sizes within 1e-9 of a whole
// number are that number.
func Whole(n float64) int { return int(math.Ceil(n - 1e-9)) }

func (t TTest) check() error {
	switch {
	case t.Design < OneSample || t.Design > TwoSample:
		return &stats.ArgumentError{Name: "design", Got: int(t.Design), Want: "OneSample, Paired or TwoSample"}
	case !(t.SD > 0) || math.IsInf(t.SD, 1):
		return &stats.ArgumentError{Name: "standard deviation", Got: t.SD, Want: "above zero"}
	case !(t.DesignEffect >= 0) || math.IsInf(t.DesignEffect, 1):
		return &stats.ArgumentError{Name: "design effect", Got: t.DesignEffect, Want: "above zero, 1 without clustering"}
	}
	return checkAlpha(t.Alpha)
}

func checkAlpha(alpha float64) error {
	if !(alpha > 0 && alpha < 1) {
		return &stats.ArgumentError{Name: "level alpha", Got: alpha, Want: "between 0 and 1, such as 0.05"}
	}
	return nil
}

func checkPower(power, alpha float64) error {
	if !(power > alpha && power < 1) {
		return &stats.ArgumentError{Name: "power", Got: power, Want: "above the level of the test and below 1, such as 0.8"}
	}
	return nil
}

// effective returns n/D.
func (t TTest) effective(n float64) float64 {
	if t.DesignEffect == 0 {
		return n
	}
	return n / t.DesignEffect
}

func (t TTest) groups() float64 {
	if t.Design == TwoSample {
		return 2
	}
	return 1
}

func (t TTest) power(n, delta float64) float64 {
	n = t.effective(n)
	df := math.Max(1e-7, t.groups()*(n-1))
	tail := t.Alpha
	if !t.OneSided {
		tail /= 2
		delta = math.Abs(delta)
	}
	ncp := math.Sqrt(n/t.groups()) * delta / t.SD
	limit := -dist.TQuantile(tail, df)
	power := dist.NoncentralTSF(limit, df, ncp)
	if t.BothTails && !t.OneSided {
		power += dist.NoncentralTCDF(-limit, df, ncp)
	}
	return power
}

// Power returns the probability that the test is significant when the true
// difference is delta, with n observations (fractions allowed, above 1 after
// division by the design effect). A difference in the direction that a
// one-sided test looks for is positive; a two-sided test takes either sign.
func (t TTest) Power(n, delta float64) (float64, error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if !(t.effective(n) > 1) || n > 1e9 {
		return 0, &stats.ArgumentError{Name: "sample size", Got: n, Want: "above 1 (times the design effect), and a billion at most"}
	}
	if math.IsNaN(delta) || math.IsInf(delta, 0) {
		return 0, &stats.ArgumentError{Name: "difference", Got: delta, Want: "a finite number"}
	}
	return t.power(n, delta), nil
}

// SampleSize returns the n that gives the wanted power at the true difference
// delta, fractional and above 1 (times the design effect), so that a very
// large difference asks for fewer than the 2 that a test needs; delta must not
// be zero.
func (t TTest) SampleSize(power, delta float64) (float64, error) {
	if err := t.check(); err != nil {
		return 0, err
	}
	if err := checkPower(power, t.Alpha); err != nil {
		return 0, err
	}
	if delta == 0 || math.IsNaN(delta) || math.IsInf(delta, 0) || (t.OneSided && delta < 0) {
		return 0, &stats.ArgumentError{Name: "difference", Got: delta, Want: "a finite number other than zero, above it for a one-sided test"}
	}
	delta = math.Abs(delta)
	low, high := 1+1e-6, 2.0
	if t.DesignEffect > 0 {
		low, high = low*t.DesignEffect, high*t.DesignEffect
	}
	for t.power(high, delta) < power {
		low, high = high, high*2
		if high > 1e9 {
			return 0, &stats.ArgumentError{Name: "difference", Got: delta, Want: "large enough to be shown with fewer than a billion observations"}
		}
	}
	return solve(func(n float64) float64 { return t.power(n, delta) - power }, low, high), nil
}

// solve returns the zero of a rising function, to the rounding of doubles.
func solve(f func(float64) float64, low, high float64) float64 {
	below, above := f(low), f(high)
	if below >= 0 {
		return low // less than the least is enough
	}
	return root.Brent(f, low, high, below, above, 0)
}

// Detectable returns the smallest true difference that n observations show
// with the given power.
func (t TTest) Detectable(n, power float64) (float64, error) {
	if err := checkPower(power, t.Alpha); err != nil {
		return 0, err
	}
	if _, err := t.Power(n, 0); err != nil {
		return 0, err
	}
	high := t.SD
	for t.power(n, high) < power {
		high *= 2
	}
	return solve(func(delta float64) float64 { return t.power(n, delta) - power }, 0, high), nil
}
