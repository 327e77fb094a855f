package survival

import (
	"fmt"
	"math"
	"sort"

	"keratally/stats"
)

// Median returns the time at which survival falls to one half, with the limits
// at which the confidence limits of the curve do (Brookmeyer & Crowley, on the
// scale of the curve's limits). If the curve is level at exactly one half over
// an interval that a later event ends, the median is the middle of it. A median
// or limit that the follow-up did not reach is +Inf.
//
// Brookmeyer & Crowley, Biometrics 1982;38:29–41.
func (c *Curve) Median() stats.Interval {
	return stats.Interval{
		Estimate: c.fallsToHalf(func(p Point) float64 { return p.Survival }),
		Lower:    c.fallsToHalf(func(p Point) float64 { return p.Lower }),
		Upper:    c.fallsToHalf(func(p Point) float64 { return p.Upper }),
		Level:    c.Level, Method: "median survival, " + c.Limits.String(),
	}
}

func (c *Curve) fallsToHalf(of func(Point) float64) float64 {
	reached, level := math.Inf(1), 0.0
	for _, p := range c.Points {
		s := of(p)
		switch {
		case math.IsNaN(s) || s >= 0.5+tieTolerance:
		case math.IsInf(reached, 1):
			reached, level = p.Time, s
			if math.Abs(s-0.5) >= tieTolerance {
				return reached
			}
		case s < level:
			return (reached + p.Time) / 2
		}
	}
	return reached
}

// Quantile returns the time by which a share p of the rows had the event, 0.25
// being the first quartile, with limits found as for the median. If the curve
// is level at exactly 1−p, it is the middle of the level stretch, which at the
// end of the curve runs to the last time observed; Median differs only there.
// A quantile or limit that the follow-up did not reach is +Inf. The error is
// *stats.ArgumentError unless 0 < p < 1.
func (c *Curve) Quantile(p float64) (stats.Interval, error) {
	if !(p > 0 && p < 1) {
		return stats.Interval{}, fmt.Errorf("quantile of survival: %w",
			&stats.ArgumentError{Name: "probability", Got: p, Want: "between 0 and 1, such as 0.25"})
	}
	return stats.Interval{
		Estimate: c.reaches(p, func(p Point) float64 { return p.Survival }),
		Lower:    c.reaches(p, func(p Point) float64 { return p.Lower }),
		Upper:    c.reaches(p, func(p Point) float64 { return p.Upper }),
		Level:    c.Level, Method: fmt.Sprintf("%g quantile of survival, %s", p, c.Limits),
	}, nil
}

// reaches inverts 1−of(point). Limits of a curve need not be monotone (they
// may widen as the number at risk falls), so the stretch is sought by value,
// the earliest time standing for each value.
func (c *Curve) reaches(p float64, of func(Point) float64) float64 {
	type step struct{ value, time float64 }
	steps := make([]step, 0, len(c.Points)+1)
	seen := make(map[float64]bool, len(c.Points)+1)
	steps, seen[0] = append(steps, step{0, 0}), true
	lastIsNaN := false
	for _, pt := range c.Points {
		v := 1 - of(pt)
		lastIsNaN = math.IsNaN(v)
		if !lastIsNaN && !seen[v] {
			seen[v] = true
			steps = append(steps, step{v, pt.Time})
		}
	}
	ends := steps[len(steps)-1].value
	sort.SliceStable(steps, func(i, j int) bool { return steps[i].value < steps[j].value })
	atLeast := func(bound float64) float64 {
		k := sort.Search(len(steps), func(k int) bool { return steps[k].value >= bound })
		if k == len(steps) {
			return math.Inf(1)
		}
		return steps[k].time
	}
	from := atLeast(p - tieTolerance)
	if !lastIsNaN && math.Abs(p-ends) < tieTolerance {
		return (from + c.Points[len(c.Points)-1].Time) / 2
	}
	return (from + atLeast(p+tieTolerance)) / 2
}

// RestrictedMean returns the mean time free of the event within the first tau
// units, the area under the curve up to tau, with its standard error
//
//	√ Σ over event times t ≤ tau of (∫ S from t to tau)²·d/(n(n−d))
//
// (clustered by patient if the curve is) and normal limits. If follow-up ends
// before tau while the curve is above 0, the curve is carried on level and a
// note says so. The error is *stats.ArgumentError unless tau > 0.
//
// Klein & Moeschberger, Survival Analysis, 2nd ed., 4.5.
func (c *Curve) RestrictedMean(tau float64) (stats.Result, error) {
	if !(tau > 0) || math.IsInf(tau, 1) {
		return stats.Result{}, fmt.Errorf("restricted mean: %w",
			&stats.ArgumentError{Name: "tau", Got: tau, Want: "greater than 0 and finite"})
	}
	r := stats.NewResult(fmt.Sprintf("restricted mean up to %g", tau), c.N)
	r.Clusters = c.Clusters
	var variance float64
	mean := c.areaBetween(0, tau)
	if c.clusteredVar {
		r.Method += ", variance clustered by patient"
		variance = c.restrictedMeanVariance(tau)
	} else {
		right := 0.0
		last := tau
		for k := len(c.Points) - 1; k >= 0; k-- {
			p := c.Points[k]
			if p.Time > tau {
				continue
			}
			right += p.Survival * (last - p.Time)
			last = p.Time
			if p.Events > 0 && p.Events < p.AtRisk {
				n, dead := float64(p.AtRisk), float64(p.Events)
				variance += right * right * dead / (n * (n - dead))
			}
		}
	}
	r.Estimate, r.SE = mean, math.Sqrt(variance)
	r.Interval = stats.Interval{
		Estimate: mean, Lower: mean - c.z*r.SE, Upper: min(mean+c.z*r.SE, tau),
		Level: c.Level, Method: "normal",
	}
	if end := c.Points[len(c.Points)-1]; end.Time < tau && end.Survival > 0 {
		r.Note("the last observation is at %g: the curve is carried on level to %g", end.Time, tau)
	}
	return r, nil
}

// areaBetween returns the area under the curve from one time to another.
func (c *Curve) areaBetween(from, to float64) float64 {
	s, area := 1.0, 0.0
	for _, p := range c.Points {
		if p.Time > to {
			break
		}
		if p.Time > from {
			area += s * (p.Time - from)
			from = p.Time
		}
		s = p.Survival
	}
	return area + s*(to-from)
}
