package proportion

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// DifferenceNewcombe returns Newcombe's hybrid score interval for the
// difference d = p₁ − p₂ of independent proportions. With [l₁, u₁] and [l₂, u₂]
// the Wilson limits of each,
//
//	Lower = d − √((p₁ − l₁)² + (u₂ − p₂)²)
//	Upper = d + √((u₁ − p₁)² + (p₂ − l₂)²)
//
// as differences in [−1, 1]. It is the default of this project: closed form,
// never outside the range, and of nearly nominal coverage.
//
// The error is stats.ErrNoData if a group is empty; events outside [0, n] or a
// level outside (0, 1) are errors too.
//
// Method 10 of Newcombe, Stat Med 1998;17:873–890.
func DifferenceNewcombe(a, b Count, level float64) (stats.Interval, error) {
	return hybrid("Newcombe hybrid score", Wilson, a, b, level)
}

// DifferenceNewcombeCorrected is DifferenceNewcombe on the
// continuity-corrected Wilson limits.
//
// Method 11 of Newcombe, Stat Med 1998;17:873–890.
func DifferenceNewcombeCorrected(a, b Count, level float64) (stats.Interval, error) {
	return hybrid("Newcombe hybrid score, continuity-corrected", WilsonCorrected, a, b, level)
}

func hybrid(method string, single func(int, int, float64) (stats.Interval, error), a, b Count, level float64) (stats.Interval, error) {
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	first, err := single(a.Events, a.N, level)
	if err != nil {
		return stats.Interval{}, err
	}
	second, err := single(b.Events, b.N, level)
	if err != nil {
		return stats.Interval{}, err
	}
	p, q := first.Estimate, second.Estimate
	return stats.Interval{
		Estimate: p - q,
		Lower:    p - q - math.Hypot(p-first.Lower, second.Upper-q),
		Upper:    p - q + math.Hypot(first.Upper-p, q-second.Lower),
		Level:    level, Method: method,
	}, nil
}

// DifferenceWald returns d ± z·√(p₁(1−p₁)/n₁ + p₂(1−p₂)/n₂). It has no width
// when both proportions are 0 or 1 and may leave [−1, 1]; it is here to be
// compared with published figures.
//
// Method 1 of Newcombe, Stat Med 1998;17:873–890.
func DifferenceWald(a, b Count, level float64) (stats.Interval, error) {
	return waldDifference("Wald", a, b, level, 0)
}

// DifferenceWaldCorrected widens DifferenceWald by (1/n₁ + 1/n₂)/2 on either
// side.
//
// Method 2 of Newcombe, Stat Med 1998;17:873–890.
func DifferenceWaldCorrected(a, b Count, level float64) (stats.Interval, error) {
	return waldDifference("Wald, continuity-corrected", a, b, level, 0.5)
}

// waldDifference adds correction·(1/n₁ + 1/n₂) to either side of Wald's limits.
func waldDifference(method string, a, b Count, level, correction float64) (stats.Interval, error) {
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	p, q, n, m := a.Proportion(), b.Proportion(), float64(a.N), float64(b.N)
	half := twoSidedZ(level)*math.Sqrt(p*(1-p)/n+q*(1-q)/m) + correction*(1/n+1/m)
	return stats.Interval{Estimate: p - q, Lower: p - q - half, Upper: p - q + half, Level: level, Method: method}, nil
}

// DifferenceAgrestiCaffo returns Wald's limits after one event and one
// non-event are added to each group. Estimate remains p₁ − p₂; the limits are
// centred on the adjusted difference and may leave [−1, 1].
//
// Agresti & Caffo, Am Stat 2000;54:280–288.
func DifferenceAgrestiCaffo(a, b Count, level float64) (stats.Interval, error) {
	const method = "Agresti–Caffo"
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	iv, err := DifferenceWald(Count{a.Events + 1, a.N + 2}, Count{b.Events + 1, b.N + 2}, level)
	if err != nil {
		return stats.Interval{}, err
	}
	iv.Estimate, iv.Method = a.Proportion()-b.Proportion(), method
	return iv, nil
}

// DifferenceTest tests p₁ = p₂ by the difference over its pooled standard
// error, Stat = z = d/√(p̄(1−p̄)(1/n₁ + 1/n₂)) with p̄ the proportion of both
// groups together; z² is Pearson's χ² of the 2×2 table. With corrected, |d| is
// first lessened by (1/n₁ + 1/n₂)/2, though not below 0 (Yates). Interval is
// DifferenceNewcombe's and is two-sided whatever the alternative.
//
// The error is stats.ErrNoEvents when neither group has an event,
// stats.ErrNoVariance when both have nothing else, and those of
// DifferenceNewcombe.
func DifferenceTest(a, b Count, alt stats.Alternative, level float64, corrected bool) (stats.Result, error) {
	method := "test of two proportions, pooled variance"
	if corrected {
		method += ", continuity-corrected"
	}
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Result{}, err
	}
	if err := checkVaried(method, a, b); err != nil {
		return stats.Result{}, err
	}
	n, m := float64(a.N), float64(b.N)
	pooled := float64(a.Events+b.Events) / (n + m)
	apart := a.Proportion() - b.Proportion()
	distance := math.Abs(apart)
	if corrected {
		distance = max(0, distance-(1/n+1/m)/2)
	}
	se := math.Sqrt(pooled * (1 - pooled) * (1/n + 1/m))
	z := math.Copysign(distance/se, apart)

	r := stats.NewResult(method, a.N+b.N)
	r.Alt, r.Stat, r.SE, r.Estimate = alt, z, se, apart
	r.P = dist.PZ(z, alt)
	var err error
	r.Interval, err = DifferenceNewcombe(a, b, level)
	return r, err
}

// NumberNeeded is how many must be treated the first way rather than the
// second for one event more (Estimate above 0) or fewer (below 0). Its limits
// are the reciprocals of those of the difference: Near is the nearer to 0, the
// strongest effect that the data allow, and Far the weakest. When the interval
// of the difference contains 0, Far has the other sign and the interval runs
// from Near through infinity to Far.
type NumberNeeded struct {
	Estimate, Near, Far float64
	ThroughInfinity     bool
	Level               float64
}

// NewNumberNeeded returns 1/(p₁ − p₂) with the reciprocals of Newcombe's
// limits. The error is stats.ErrAllZero when the proportions are equal, for
// then no number does; and those of DifferenceNewcombe.
//
// Altman, BMJ 1998;317:1309–1312.
func NewNumberNeeded(a, b Count, level float64) (NumberNeeded, error) {
	iv, err := DifferenceNewcombe(a, b, level)
	if err != nil {
		return NumberNeeded{}, err
	}
	// Equal proportions are found on the integers: a difference of quotients
	// may miss 0 by a rounding.
	if a.Events*b.N == b.Events*a.N {
		return NumberNeeded{}, stats.ErrAllZero
	}
	nn := NumberNeeded{Estimate: 1 / iv.Estimate, Near: 1 / iv.Upper, Far: 1 / iv.Lower, Level: level}
	if iv.Estimate < 0 {
		nn.Near, nn.Far = nn.Far, nn.Near
	}
	nn.ThroughInfinity = iv.Contains(0)
	return nn, nil
}

// checkVaried refuses two groups without any event, or with nothing else.
func checkVaried(method string, a, b Count) error {
	switch a.Events + b.Events {
	case 0:
		return wrap(method, stats.ErrNoEvents)
	case a.N + b.N:
		return wrap(method, stats.ErrNoVariance)
	}
	return nil
}
