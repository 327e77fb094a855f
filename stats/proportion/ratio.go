package proportion

import (
	"math"

	"keratally/stats"
	"keratally/stats/root"
)

// ratioReach is how far, in natural logarithms, the score limits of a ratio
// are searched for on either side of the estimate: a factor of 10¹³.
const ratioReach = 30

// RatioKatz returns the ratio p₁/p₂ with the limits
//
//	exp(ln(p₁/p₂) ± z·√(1/x₁ − 1/n₁ + 1/x₂ − 1/n₂)).
//
// A group without an event makes the estimate 0 or infinite and the standard
// error infinite, so the limits are 0 and +Inf: RatioKoopman still bounds such
// a ratio on one side. The error is stats.ErrNoEvents when neither group has an
// event, and those of DifferenceNewcombe.
//
// Katz, Baptista, Azen & Pike, Biometrics 1978;34:469–474.
func RatioKatz(a, b Count, level float64) (stats.Interval, error) {
	const method = "Katz log"
	iv, err := ratioStart(method, a, b, level)
	if err != nil || a.Events == 0 || b.Events == 0 {
		return iv, err
	}
	se := math.Sqrt(float64(a.N-a.Events)/float64(a.Events)/float64(a.N) + float64(b.N-b.Events)/float64(b.Events)/float64(b.N))
	return aroundLog(iv, se), nil
}

// aroundLog sets the limits estimate·exp(±z·se) of a positive estimate.
func aroundLog(iv stats.Interval, se float64) stats.Interval {
	half := twoSidedZ(iv.Level) * se
	iv.Lower, iv.Upper = iv.Estimate*math.Exp(-half), iv.Estimate*math.Exp(half)
	return iv
}

// RatioKoopman returns the score interval for the ratio p₁/p₂: the ratios that
// the score statistic, with its variance at the restricted maximum of the
// likelihood, does not reject. Lower is exactly 0 when the first group has no
// event, Upper +Inf when the second has none. The error is stats.ErrNoEvents,
// beside the limits 0 and +Inf, when neither has: any ratio is then as good as
// any other.
//
// Koopman, Biometrics 1984;40:513–517.
func RatioKoopman(a, b Count, level float64) (stats.Interval, error) {
	return scoreRatioLimits("Koopman score", a, b, level, false)
}

// RatioMiettinenNurminen is RatioKoopman with the variance multiplied by
// N/(N−1), N = n₁ + n₂.
//
// Miettinen & Nurminen, Stat Med 1985;4:213–226.
func RatioMiettinenNurminen(a, b Count, level float64) (stats.Interval, error) {
	return scoreRatioLimits("Miettinen–Nurminen score", a, b, level, true)
}

func scoreRatioLimits(method string, a, b Count, level float64, unbiased bool) (stats.Interval, error) {
	iv, err := ratioStart(method, a, b, level)
	if err != nil {
		return iv, err
	}
	z := twoSidedZ(level)
	from, upTo := math.Log(iv.Estimate)-ratioReach, math.Log(iv.Estimate)+ratioReach
	centre := math.Log(iv.Estimate)
	switch {
	case a.Events == 0:
		centre, upTo = -ratioReach, ratioReach
	case b.Events == 0:
		centre, from = ratioReach, -ratioReach
	}
	if a.Events > 0 {
		iv.Lower = math.Exp(root.Bisect(func(l float64) float64 { return scoreRatio(a, b, math.Exp(l), unbiased) - z }, from, centre))
	}
	if b.Events > 0 {
		iv.Upper = math.Exp(root.Bisect(func(l float64) float64 { return scoreRatio(a, b, math.Exp(l), unbiased) + z }, centre, upTo))
	}
	return iv, nil
}

// scoreRatio is the score statistic of p₁ = R·p₂. The restricted p₂ is the
// smaller root of N·R·p² − (n₁R + x₁ + n₂ + x₂R)·p + (x₁ + x₂) = 0, written
// without cancellation.
func scoreRatio(a, b Count, R float64, unbiased bool) float64 {
	n, m, x, y := float64(a.N), float64(b.N), float64(a.Events), float64(b.Events)
	linear := n*R + x + m + y*R
	q := 2 * (x + y) / (linear + math.Sqrt(max(0, linear*linear-4*(n+m)*R*(x+y))))
	p := q * R
	v := p*(1-p)/n + R*R*q*(1-q)/m
	if unbiased {
		v *= (n + m) / (n + m - 1)
	}
	return overRoot(a.Proportion()-R*b.Proportion(), v)
}

// ratioStart returns the ratio of two proportions with the limits 0 and +Inf.
func ratioStart(method string, a, b Count, level float64) (stats.Interval, error) {
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	if a.Events+b.Events == 0 {
		return stats.Interval{Estimate: math.NaN(), Lower: 0, Upper: math.Inf(1), Level: level, Method: method}, wrap(method, stats.ErrNoEvents)
	}
	return stats.Interval{
		Estimate: a.Proportion() / b.Proportion(), Lower: 0, Upper: math.Inf(1), Level: level, Method: method,
	}, nil
}
