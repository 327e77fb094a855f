package rate

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/proportion"
)

// Ratio tests the hypothesis that two rates are equal, exactly: given the total
// of events, those of the first group are binomial with probability
// t₁/(t₁ + t₂). The two-sided P sums all splits no more likely than the
// observed one. Estimate is the ratio of the rates; Interval holds the exact
// central limits, Clopper–Pearson's π turned into π/(1 − π)·t₂/t₁, one-sided
// under Less and Greater. Stat is the events of the first group.
//
// A group without an event makes Estimate 0 or +Inf, and the limit on that side
// with it. The error is stats.ErrNoEvents when neither group has one, beside a
// result that says so (limits 0 and +Inf, P 1), and
// stats.ErrNoData when a group has no time at risk; a negative count or time
// and a level outside (0, 1) are errors too.
//
// Lehmann & Romano, Testing Statistical Hypotheses, 3rd ed. 2005, section 4.5.
func Ratio(a, b Exposure, alt stats.Alternative, level float64) (stats.Result, error) {
	const method = "exact comparison of two Poisson rates"
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Result{}, err
	}
	if a.Events+b.Events == 0 {
		r := stats.NewResult(method, 0)
		r.Alt, r.Stat, r.P = alt, 0, 1
		r.Interval = stats.Interval{Estimate: math.NaN(), Lower: 0, Upper: math.Inf(1), Level: level, Method: "none: no event"}
		return r, fmt.Errorf("%s: %w", method, stats.ErrNoEvents)
	}
	r, err := proportion.BinomialTest(a.Events, a.Events+b.Events, a.Time/(a.Time+b.Time), alt, level)
	if err != nil {
		return stats.Result{}, fmt.Errorf("%s: %w", method, err)
	}
	r.Method = method
	r.Estimate = a.Rate() / b.Rate()
	ratio := func(share float64) float64 { return share / (1 - share) * (b.Time / a.Time) }
	r.Interval = stats.Interval{
		Estimate: r.Estimate, Lower: ratio(r.Interval.Lower), Upper: ratio(r.Interval.Upper),
		Level: level, Method: "exact central limits given the total of events",
	}
	return r, nil
}

// RatioWald returns the ratio of two rates with the limits
// exp(ln ratio ± z·√(1/x₁ + 1/x₂)). A group without an event makes the
// estimate 0 or infinite and the standard error infinite, so the limits are 0
// and +Inf; Ratio still bounds it on one side. Its errors are those of Ratio.
func RatioWald(a, b Exposure, level float64) (stats.Interval, error) {
	const method = "log Wald"
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	if a.Events+b.Events == 0 {
		return stats.Interval{}, fmt.Errorf("%s: %w", method, stats.ErrNoEvents)
	}
	iv := stats.Interval{Estimate: a.Rate() / b.Rate(), Lower: 0, Upper: math.Inf(1), Level: level, Method: method}
	if a.Events == 0 || b.Events == 0 {
		return iv, nil
	}
	half := -dist.NormalQuantile((1-level)/2) * math.Sqrt(1/float64(a.Events)+1/float64(b.Events))
	iv.Lower, iv.Upper = iv.Estimate*math.Exp(-half), iv.Estimate*math.Exp(half)
	return iv, nil
}

// DifferenceWald returns the difference of two rates with the limits
// d ± z·√(x₁/t₁² + x₂/t₂²), which have no width when neither group has an event.
func DifferenceWald(a, b Exposure, level float64) (stats.Interval, error) {
	const method = "Wald"
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	d := a.Rate() - b.Rate()
	half := -dist.NormalQuantile((1-level)/2) * math.Sqrt(a.Rate()/a.Time+b.Rate()/b.Time)
	return stats.Interval{Estimate: d, Lower: d - half, Upper: d + half, Level: level, Method: method}, nil
}

// Test tests the hypothesis that the rate is r0 by the exact Poisson
// distribution of the number of events, which is Stat. The two-sided P sums the
// probabilities of all counts no more likely than the observed one (relative
// fuzz 1e−7). Interval is Exact's, one-sided under Less and Greater. A rate r0
// below 0 is an error, as are the inputs that Exact refuses.
func Test(e Exposure, r0 float64, alt stats.Alternative, level float64) (stats.Result, error) {
	const method = "exact Poisson test of a rate"
	if err := check(method, e, level); err != nil {
		return stats.Result{}, err
	}
	if !(r0 >= 0) || math.IsInf(r0, 0) {
		return stats.Result{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "hypothetical rate", Got: r0, Want: "0 or more"})
	}
	r := stats.NewResult(method, e.Events)
	r.Alt, r.Stat, r.Estimate = alt, float64(e.Events), e.Rate()
	mean := r0 * e.Time
	var err error
	switch alt {
	case stats.Less:
		r.P = dist.PoissonCDF(e.Events, mean)
		r.Interval, err = ExactUpper(e, level)
	case stats.Greater:
		r.P = dist.PoissonSF(e.Events-1, mean)
		r.Interval, err = ExactLower(e, level)
	default:
		r.P = twoSided(e.Events, mean)
		r.Interval, err = Exact(e, level)
	}
	return r, err
}

// twoSided is the probability of all counts no more likely than events.
func twoSided(events int, mean float64) float64 {
	if mean == 0 {
		if events == 0 {
			return 1
		}
		return 0
	}
	if float64(events) == mean {
		return 1
	}
	limit := dist.PoissonPMF(events, mean) * (1 + 1e-7)
	if float64(events) < mean {
		first := int(math.Ceil(mean))
		width := 1
		for dist.PoissonPMF(first+width, mean) > limit {
			width *= 2
		}
		k := first + firstTrue(width, func(i int) bool { return dist.PoissonPMF(first+i, mean) <= limit })
		return min(1, dist.PoissonCDF(events, mean)+dist.PoissonSF(k-1, mean))
	}
	last := int(math.Floor(mean))
	k := last - firstTrue(last+1, func(i int) bool { return dist.PoissonPMF(last-i, mean) <= limit })
	return min(1, dist.PoissonCDF(k, mean)+dist.PoissonSF(events-1, mean))
}

func checkTwo(method string, a, b Exposure, level float64) error {
	if err := check(method, a, level); err != nil {
		return fmt.Errorf("first group: %w", err)
	}
	if err := check(method, b, level); err != nil {
		return fmt.Errorf("second group: %w", err)
	}
	return nil
}
