// Package wald turns an estimate and its standard error into a test and
// confidence limits, the step that t tests and equivalence tests share.
package wald

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// T fills in r, which holds Estimate and SE > 0, the test of Estimate = null
// and the limits of the estimate by Student's t on df degrees of freedom:
//
//	t = (Estimate − null)/SE,  limits Estimate ± t(df, (1+level)/2)·SE
//
// A one-sided alternative gives p in that direction and the matching one-sided
// limit: Less has Lower −∞, Greater has Upper +∞. The error is that of a level
// outside (0, 1).
func T(r *stats.Result, null, df float64, alt stats.Alternative, level float64) error {
	if err := stats.CheckLevel(level); err != nil {
		return err
	}
	r.Stat, r.DF, r.Alt = (r.Estimate-null)/r.SE, df, alt
	r.P = dist.PT(r.Stat, df, alt)
	lower, upper := Limits(alt, level, func(tail float64) float64 { return -dist.TQuantile(tail, df) })
	r.Interval = stats.Interval{
		Estimate: r.Estimate,
		Lower:    r.Estimate - lower*r.SE,
		Upper:    r.Estimate + upper*r.SE,
		Level:    level,
		Method:   "Student t",
	}
	return nil
}

// Limits returns how many standard errors the lower and the upper limit lie
// from the estimate: the quantile exceeded with probability (1 − level)/2 on
// both sides, or with probability 1 − level on one and +∞ on the open side.
func Limits(alt stats.Alternative, level float64, exceeded func(tail float64) float64) (lower, upper float64) {
	q := exceeded(alt.Tail(level))
	switch alt {
	case stats.Less:
		return math.Inf(1), q
	case stats.Greater:
		return q, math.Inf(1)
	default:
		return q, q
	}
}
