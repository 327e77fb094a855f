package proportion

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
)

// ClopperPearson returns the exact interval for the proportion p = events/n:
// the values of p that neither tail of the binomial rejects at (1−level)/2,
//
//	Lower = Beta⁻¹((1−level)/2; events, n−events+1)
//	Upper = Beta⁻¹((1+level)/2; events+1, n−events)
//
// as proportions in [0, 1]. Lower is exactly 0 when events is 0 and Upper
// exactly 1 when events is n. It never covers less than level, and usually
// more.
//
// The error is stats.ErrNoData if n is 0; events outside [0, n] or a level
// outside (0, 1) are errors too.
//
// Clopper & Pearson, Biometrika 1934;26:404–413.
func ClopperPearson(events, n int, level float64) (stats.Interval, error) {
	const method = "Clopper–Pearson exact"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	tail := (1 - level) / 2
	return interval(method, events, n, level, exactLower(events, n, tail), exactUpper(events, n, tail)), nil
}

// ClopperPearsonUpper returns the one-sided exact limit: the proportion is at
// most Upper with confidence level. Lower is 0. With no event it is
// 1 − (1−level)^(1/n), of which 3/n is the familiar approximation at 95 %; it
// is smaller than the upper end of the two-sided interval.
func ClopperPearsonUpper(events, n int, level float64) (stats.Interval, error) {
	const method = "Clopper–Pearson exact, one-sided upper limit"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	return interval(method, events, n, level, 0, exactUpper(events, n, 1-level)), nil
}

// ClopperPearsonLower returns the one-sided exact limit: the proportion is at
// least Lower with confidence level. Upper is 1.
func ClopperPearsonLower(events, n int, level float64) (stats.Interval, error) {
	const method = "Clopper–Pearson exact, one-sided lower limit"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	return interval(method, events, n, level, exactLower(events, n, 1-level), 1), nil
}

// exactLower is the p at which events or more have probability tail.
func exactLower(events, n int, tail float64) float64 {
	if events == 0 {
		return 0
	}
	return dist.BetaQuantile(tail, float64(events), float64(n-events+1))
}

// exactUpper is the p at which events or fewer have probability tail.
func exactUpper(events, n int, tail float64) float64 {
	if events == n {
		return 1
	}
	if events == 0 {
		return -math.Expm1(math.Log(tail) / float64(n))
	}
	return dist.BetaQuantileUpper(tail, float64(events+1), float64(n-events))
}

// Wilson returns the Wilson score interval, without continuity correction,
// for the proportion p = events/n:
//
//	(p + z²/2n ± z·√(p(1−p)/n + z²/4n²)) / (1 + z²/n)
//
// where z is the (1+level)/2 quantile of the standard normal. Estimate and
// limits are proportions in [0, 1]; Lower is exactly 0 when events is 0, and
// Upper exactly 1 when events is n.
//
// The error is stats.ErrNoData if n is 0; events outside [0, n] or a level
// outside (0, 1) are errors too.
//
// Wilson, J Am Stat Assoc 1927;22:209–212. Method 3 of Newcombe, Stat Med
// 1998;17:857–872.
func Wilson(events, n int, level float64) (stats.Interval, error) {
	const method = "Wilson score"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	lower, upper := wilson(float64(events), float64(n), twoSidedZ(level))
	return interval(method, events, n, level, lower, upper), nil
}

// WilsonEffective returns Wilson limits for events out of n observations that
// carry the information of effective independent ones, effective ≤ n: the
// proportion is events/n, the width that of a sample of size effective. It is
// how a design effect enters: effective = n / design effect.
func WilsonEffective(events, n int, effective, level float64) (stats.Interval, error) {
	const method = "Wilson score on the effective sample size"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	if !(effective > 0 && effective <= float64(n)*(1+1e-12)) {
		return stats.Interval{}, &stats.ArgumentError{Name: "effective sample size", Got: effective, Want: "above 0 and at most n"}
	}
	p := Count{events, n}.Proportion()
	lower, upper := wilson(p*effective, effective, twoSidedZ(level))
	if events == 0 {
		lower = 0
	}
	if events == n {
		upper = 1
	}
	return interval(method, events, n, level, lower, upper), nil
}

// wilson returns the score limits for x events in n, either of which may be
// fractional. Both roots are written without cancellation: their product is
// p²/(1 + z²/n).
func wilson(x, n, z float64) (lower, upper float64) {
	if x > n/2 {
		lo, hi := wilson(n-x, n, z)
		return 1 - hi, 1 - lo
	}
	z2 := z * z
	centre := x + z2/2
	half := z * math.Sqrt(x*(n-x)/n+z2/4)
	upper = (centre + half) / (n + z2)
	if x == 0 {
		return 0, upper
	}
	return x * x / n / (centre + half), upper
}

// WilsonCorrected returns the Wilson interval with continuity correction, whose
// limits approach the exact ones:
//
//	(2np + z² ∓ 1 ∓ z·√(z² ∓ (2 ± 1/n) + 4p(n(1−p) ± 1))) / 2(n + z²)
//
// in the notation of its source. Lower is exactly 0 when events is 0 and Upper
// exactly 1 when events is n. The correction is kept when p is exactly one
// half, where some programs drop it.
//
// Method 4 of Newcombe, Stat Med 1998;17:857–872.
func WilsonCorrected(events, n int, level float64) (stats.Interval, error) {
	const method = "Wilson score, continuity-corrected"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	size, p, z := float64(n), Count{events, n}.Proportion(), twoSidedZ(level)
	z2 := z * z
	lower, upper := 0.0, 1.0
	if events > 0 {
		lower = clamp((2*size*p + z2 - 1 - z*math.Sqrt(z2-2-1/size+4*p*(size*(1-p)+1))) / (2 * (size + z2)))
	}
	if events < n {
		upper = clamp((2*size*p + z2 + 1 + z*math.Sqrt(z2+2-1/size+4*p*(size*(1-p)-1))) / (2 * (size + z2)))
	}
	return interval(method, events, n, level, lower, upper), nil
}

// AgrestiCoull returns p̃ ± z·√(p̃(1−p̃)/ñ) with ñ = n + z² and
// p̃ = (events + z²/2)/ñ. The added count is z²/2, not the rounded 2. As
// published it may leave [0, 1]; Estimate is events/n, not p̃.
//
// Agresti & Coull, Am Stat 1998;52:119–126.
func AgrestiCoull(events, n int, level float64) (stats.Interval, error) {
	const method = "Agresti–Coull"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	z := twoSidedZ(level)
	size := float64(n) + z*z
	centre := (float64(events) + z*z/2) / size
	half := z * math.Sqrt(centre*(1-centre)/size)
	return interval(method, events, n, level, centre-half, centre+half), nil
}

// Jeffreys returns the equal-tailed interval of the posterior
// Beta(events + ½, n − events + ½) under the Jeffreys prior, with Lower set to
// 0 when events is 0 and Upper to 1 when events is n.
//
// Brown, Cai & DasGupta, Stat Sci 2001;16:101–133.
func Jeffreys(events, n int, level float64) (stats.Interval, error) {
	iv, err := JeffreysUnmodified(events, n, level)
	if err != nil {
		return iv, err
	}
	iv.Method = "Jeffreys"
	if events == 0 {
		iv.Lower = 0
	}
	if events == n {
		iv.Upper = 1
	}
	return iv, nil
}

// JeffreysUnmodified returns Jeffreys' interval as its posterior has it, so
// that with no event it excludes 0, and with nothing but events it excludes 1.
func JeffreysUnmodified(events, n int, level float64) (stats.Interval, error) {
	const method = "Jeffreys, unmodified at the ends"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	a, b, tail := float64(events)+0.5, float64(n-events)+0.5, (1-level)/2
	return interval(method, events, n, level, dist.BetaQuantile(tail, a, b), dist.BetaQuantileUpper(tail, a, b)), nil
}

// Wald returns p ± z·√(p(1−p)/n). It has no width at 0 and 1, may leave
// [0, 1], and covers far less than level for small n; it is here to be
// compared with published figures, not to be reported.
func Wald(events, n int, level float64) (stats.Interval, error) {
	const method = "Wald"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	p := Count{events, n}.Proportion()
	half := twoSidedZ(level) * math.Sqrt(p*(1-p)/float64(n))
	return interval(method, events, n, level, p-half, p+half), nil
}

// MidP returns the interval whose tails count the observed number of events
// half: P(X > events) + ½P(X = events) = (1−level)/2 at Lower, and the mirror
// of it at Upper. Lower is exactly 0 when events is 0, Upper exactly 1 when
// events is n.
//
// Method 6 of Newcombe, Stat Med 1998;17:857–872.
func MidP(events, n int, level float64) (stats.Interval, error) {
	const method = "mid-p exact"
	if err := checkOne(method, events, n, level); err != nil {
		return stats.Interval{}, err
	}
	tail := (1 - level) / 2
	lower, upper := 0.0, 1.0
	if events > 0 {
		lower = root.Bisect(func(p float64) float64 {
			return dist.BinomialSF(events, n, p) + dist.BinomialPMF(events, n, p)/2 - tail
		}, 0, 1)
	}
	if events < n {
		upper = root.Bisect(func(p float64) float64 {
			return dist.BinomialCDF(events-1, n, p) + dist.BinomialPMF(events, n, p)/2 - tail
		}, 0, 1)
	}
	return interval(method, events, n, level, lower, upper), nil
}

// interval assembles limits for one proportion.
func interval(method string, events, n int, level, lower, upper float64) stats.Interval {
	return stats.Interval{
		Estimate: Count{events, n}.Proportion(), Lower: lower, Upper: upper, Level: level, Method: method,
	}
}
