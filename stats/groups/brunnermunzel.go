package groups

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/rank"
	"keratally/stats/sum"
)

// BrunnerMunzelTest is the result of BrunnerMunzel. Estimate is
// P(X < Y) + ½·P(X = Y), with SE and limits; Stat is positive when y tends to
// larger values.
type BrunnerMunzelTest struct {
	stats.Result
	PNormal float64 // p value from the standard normal, for large samples
}

// BrunnerMunzel tests whether P(X < Y) + ½·P(X = Y) is ½, without taking the
// distributions to have one shape or variance, as Mann–Whitney does:
//
//	w = m·n·(R̄_y − R̄_x)/(N·√(m·S_x + n·S_y))
//
// where S is the variance of the ranks in both samples less those in the own
// one. It is Student's t on Satterthwaite degrees of freedom; limits are cut to
// [0, 1]. Alternative is about x: Greater means that x tends to larger values.
//
// A sample of fewer than two values is ErrTooFew. Samples that do not overlap
// leave nothing to estimate the variance from and are ErrSeparation or, when
// all values are equal, ErrNoVariance: MannWhitney has an answer for the first.
//
// Brunner & Munzel, Biom J 2000;42:17–25.
func BrunnerMunzel(x, y []float64, alt stats.Alternative, level float64) (BrunnerMunzelTest, error) {
	const method = "Brunner–Munzel test"
	if err := stats.CheckLevel(level); err != nil {
		return BrunnerMunzelTest{}, err
	}
	if err := checkBoth(method, x, y, 2); err != nil {
		return BrunnerMunzelTest{}, err
	}
	ranks, tied := rank.Midranks(append(append(make([]float64, 0, len(x)+len(y)), x...), y...))
	if len(tied) == 1 {
		return BrunnerMunzelTest{}, noVariance(method)
	}
	m, n := float64(len(x)), float64(len(y))
	meanX, variationX := placements(ranks[:len(x)], x)
	meanY, variationY := placements(ranks[len(x):], y)
	if variationX+variationY == 0 {
		return BrunnerMunzelTest{}, fmt.Errorf("%s: the samples do not overlap: %w", method, stats.ErrSeparation)
	}
	t := BrunnerMunzelTest{Result: stats.NewResult("Brunner–Munzel", len(x)+len(y))}
	a, b := m*variationX, n*variationY
	t.Stat = m * n * (meanY - meanX) / ((m + n) * math.Sqrt(a+b))
	t.DF = (a + b) * (a + b) / (a*a/(m-1) + b*b/(n-1))
	t.Alt = alt
	t.P, t.PNormal = dist.PT(-t.Stat, t.DF, alt), dist.PZ(-t.Stat, alt)
	t.Estimate = (meanY-meanX)/(m+n) + 0.5
	t.SE = math.Sqrt(a+b) / (m * n)
	half := dist.TQuantile(1-(1-level)/2, t.DF) * t.SE
	t.Interval = stats.Interval{
		Estimate: t.Estimate, Lower: math.Max(0, t.Estimate-half), Upper: math.Min(1, t.Estimate+half),
		Level: level, Method: "Brunner–Munzel",
	}
	return t, nil
}

// placements returns the mean of the ranks of one sample among both, and the
// variance of their excess over the ranks within the sample.
func placements(together, sample []float64) (mean, variance float64) {
	own, _ := rank.Midranks(sample)
	excess := make([]float64, len(own))
	for i := range own {
		excess[i] = together[i] - own[i]
	}
	return sum.Mean(together), sum.Variance(excess)
}
