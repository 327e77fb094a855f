package proportion

import (
	"math"

	"keratally/stats"
)

// OddsRatioWoolf returns the odds ratio x₁(n₂−x₂) / x₂(n₁−x₁) with the limits
//
//	exp(ln OR ± z·√(1/x₁ + 1/(n₁−x₁) + 1/x₂ + 1/(n₂−x₂))).
//
// A cell of 0 makes the estimate 0 or infinite and the standard error
// infinite, so the limits are 0 and +Inf; OddsRatioConditional and
// OddsRatioHaldane still have an answer. The error is stats.ErrNoEvents when
// neither group has an event, stats.ErrNoVariance when both have nothing else,
// and those of DifferenceNewcombe.
//
// Woolf, Ann Hum Genet 1955;19:251–253.
func OddsRatioWoolf(a, b Count, level float64) (stats.Interval, error) {
	const method = "Woolf logit"
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	if err := checkVaried(method, a, b); err != nil {
		return stats.Interval{}, err
	}
	return woolf(method, a, b, level, 0), nil
}

// OddsRatioHaldane is OddsRatioWoolf with ½ added to each of the four cells,
// estimate and limits alike, so that it exists for any table.
//
// Haldane, Ann Hum Genet 1956;20:309–311; Anscombe, Biometrika
// 1956;43:461–464.
func OddsRatioHaldane(a, b Count, level float64) (stats.Interval, error) {
	const method = "Haldane–Anscombe logit"
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	return woolf(method, a, b, level, 0.5), nil
}

// woolf returns the log-based limits after add has been added to each cell.
func woolf(method string, a, b Count, level, add float64) stats.Interval {
	x, f := float64(a.Events)+add, float64(a.N-a.Events)+add
	y, g := float64(b.Events)+add, float64(b.N-b.Events)+add
	iv := stats.Interval{Estimate: x * g / (y * f), Lower: 0, Upper: math.Inf(1), Level: level, Method: method}
	if x == 0 || f == 0 || y == 0 || g == 0 {
		return iv
	}
	return aroundLog(iv, math.Sqrt(1/x+1/f+1/y+1/g))
}

// OddsRatioConditional returns the conditional maximum likelihood estimate of
// the odds ratio, given the margins of the 2×2 table, with the exact central
// limits: the odds ratios at which as many events as observed, or more (or
// fewer), in the first group have probability (1−level)/2 under Fisher's
// noncentral hypergeometric distribution. It differs a little from the
// unconditional x₁(n₂−x₂) / x₂(n₁−x₁). All are found to machine precision.
//
// Estimate is exactly 0, or +Inf, when the observed table is the extreme one
// of its margins, and the limit on that side with it. Margins that allow one
// table only (no event, or nothing else) say nothing: the limits are 0 and +Inf
// around a conventional 0.
//
// Cornfield, Proc 3rd Berkeley Symp 1956;4:135–148; Mantel & Hankey, Am J
// Public Health 1971;61:106–112.
func OddsRatioConditional(a, b Count, level float64) (stats.Interval, error) {
	const method = "conditional maximum likelihood, exact central limits"
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	h := newHypergeometric(a.N, b.N, a.Events+b.Events)
	estimate, lower, upper := h.oddsRatio(a.Events, level)
	return stats.Interval{Estimate: estimate, Lower: lower, Upper: upper, Level: level, Method: method}, nil
}
