// Package rate holds what is done with events counted over time at risk: the
// rate with its exact limits, the comparison of two rates, and what can be said
// when no event was seen.
//
// The methods assume that events are independent and arrive at a constant rate
// while at risk (Poisson). Two events of one patient, or two eyes of one, are
// not independent: count the first event of one eye, or use package cluster.
package rate

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// Exposure is how many events were seen over how much time at risk, in
// whatever unit rates shall have: 137 events in 24.199 thousand eye-years.
type Exposure struct {
	Events int
	Time   float64
}

// Rate returns events per unit of time.
func (e Exposure) Rate() float64 { return float64(e.Events) / e.Time }

func (e Exposure) check(method string) error {
	if e.Events < 0 {
		return fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "events", Got: e.Events, Want: "0 or more"})
	}
	if math.IsNaN(e.Time) || math.IsInf(e.Time, 0) {
		return fmt.Errorf("%s: time at risk: %w", method, stats.ErrNotFinite)
	}
	if e.Time < 0 {
		return fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "time at risk", Got: e.Time, Want: "above 0"})
	}
	if e.Time == 0 {
		return fmt.Errorf("%s: no time at risk: %w", method, stats.ErrNoData)
	}
	return nil
}

func check(method string, e Exposure, level float64) error {
	if err := e.check(method); err != nil {
		return err
	}
	if err := stats.CheckLevel(level); err != nil {
		return fmt.Errorf("%s: %w", method, err)
	}
	return nil
}

// Exact returns the rate x/t with Garwood's exact limits
//
//	Lower = χ²⁻¹((1−level)/2; 2x) / 2t,  Upper = χ²⁻¹((1+level)/2; 2x+2) / 2t
//
// in events per unit of time. Lower is exactly 0 when x is 0.
//
// The error is stats.ErrNoData without time at risk; a negative count or time
// and a level outside (0, 1) are errors too.
//
// Garwood, Biometrika 1936;28:437–442.
func Exact(e Exposure, level float64) (stats.Interval, error) {
	const method = "exact Poisson (Garwood)"
	if err := check(method, e, level); err != nil {
		return stats.Interval{}, err
	}
	tail := (1 - level) / 2
	return e.interval(method, level, exactLower(e.Events, tail), exactUpper(e.Events, tail)), nil
}

// ExactUpper returns the one-sided exact limit: the rate is at most Upper with
// confidence level. Lower is 0. Without an event it is −ln(1−level)/t, which
// is 3/t at 95 %.
func ExactUpper(e Exposure, level float64) (stats.Interval, error) {
	const method = "exact Poisson (Garwood), one-sided upper limit"
	if err := check(method, e, level); err != nil {
		return stats.Interval{}, err
	}
	return e.interval(method, level, 0, exactUpper(e.Events, 1-level)), nil
}

// ExactLower returns the one-sided exact limit: the rate is at least Lower with
// confidence level. Upper is +Inf.
func ExactLower(e Exposure, level float64) (stats.Interval, error) {
	const method = "exact Poisson (Garwood), one-sided lower limit"
	if err := check(method, e, level); err != nil {
		return stats.Interval{}, err
	}
	return e.interval(method, level, exactLower(e.Events, 1-level), math.Inf(1)), nil
}

// exactLower and exactUpper are the Poisson means at which the observed count
// or more (or fewer) has probability tail.
func exactLower(events int, tail float64) float64 {
	if events == 0 {
		return 0
	}
	return dist.GammaQuantile(tail, float64(events))
}

func exactUpper(events int, tail float64) float64 {
	return dist.GammaQuantileUpper(tail, float64(events+1))
}

// Byar returns Byar's approximation to the exact limits,
// x(1 − 1/9x − z/3√x)³/t and its counterpart at x + 1; Lower is 0 when x is 0.
//
// Breslow & Day, Statistical Methods in Cancer Research II, 1987, section 2.3.
func Byar(e Exposure, level float64) (stats.Interval, error) {
	const method = "Byar approximation"
	if err := check(method, e, level); err != nil {
		return stats.Interval{}, err
	}
	z := -dist.NormalQuantile((1 - level) / 2)
	cube := func(x, z float64) float64 {
		c := 1 - 1/(9*x) + z/(3*math.Sqrt(x))
		return x * c * c * c
	}
	lower := 0.0
	if e.Events > 0 {
		lower = cube(float64(e.Events), -z)
	}
	return e.interval(method, level, lower, cube(float64(e.Events+1), z)), nil
}

// Wald returns (x ± z·√x)/t. It has no width without events and may fall below
// 0; it is here to be compared with published figures.
func Wald(e Exposure, level float64) (stats.Interval, error) {
	const method = "Wald"
	if err := check(method, e, level); err != nil {
		return stats.Interval{}, err
	}
	x := float64(e.Events)
	half := -dist.NormalQuantile((1-level)/2) * math.Sqrt(x)
	return e.interval(method, level, x-half, x+half), nil
}

// interval turns limits of the expected count into limits of the rate.
func (e Exposure) interval(method string, level, lower, upper float64) stats.Interval {
	return stats.Interval{Estimate: e.Rate(), Lower: lower / e.Time, Upper: upper / e.Time, Level: level, Method: method}
}
