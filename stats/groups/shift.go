package groups

import (
	"fmt"
	"math"
	"slices"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/orderstat"
	"keratally/stats/root"
)

// RankRule says which order statistics of the differences are the limits of
// HodgesLehmann.
type RankRule int

const (
	AutomaticRanks RankRule = iota // ExactRanks where both samples have at most ExactLimit values, else NormalRanks
	ExactRanks                     // from the null distribution of U without ties
	NormalRanks                    // from its normal approximation
)

// Shift is a Hodges–Lehmann estimate of how far the first sample lies above
// the second, in the units of the data.
type Shift struct {
	stats.Result
	First, Second int
	Pairs         int     // differences whose order statistics these are
	Rank          int     // the lower limit is the Rank-th smallest of them, the upper the Rank-th largest
	Achieved      float64 // exact coverage of the limits when no two values tie; NaN for normal ranks
}

// HodgesLehmann estimates the shift between two distributions of one shape by
// the median of the m·n differences xᵢ − yⱼ, and gives distribution-free
// limits: the k-th smallest and the k-th largest difference, k being the α/2
// quantile (at least 1) of the null distribution of U, or
//
//	m·n/2 − z·√(m·n(m+n+1)/12), rounded to the nearest integer
//
// for normal limits. A one-sided alternative gives one limit, at α. Samples too
// small for the level get the extreme differences, the coverage that these
// have, and a note. Cost is that of sorting; memory that of the samples.
//
// An empty sample is ErrNoData; more than 400 values with ExactRanks are an
// *ArgumentError.
//
// Hodges & Lehmann, Ann Math Stat 1963;34:598–611; limits: Hollander & Wolfe,
// Nonparametric Statistical Methods, 3rd ed., 4.3.
func HodgesLehmann(x, y []float64, alt stats.Alternative, level float64, rule RankRule) (Shift, error) {
	if err := stats.CheckLevel(level); err != nil {
		return Shift{}, err
	}
	if err := checkBoth("Hodges–Lehmann shift", x, y, 1); err != nil {
		return Shift{}, err
	}
	if rule < AutomaticRanks || rule > NormalRanks {
		return Shift{}, &stats.ArgumentError{Name: "rule of the limits", Got: int(rule), Want: "AutomaticRanks, ExactRanks or NormalRanks"}
	}
	if rule == AutomaticRanks {
		rule = NormalRanks
		if max(len(x), len(y)) <= ExactLimit {
			rule = ExactRanks
		}
	}
	differences := orderstat.NewDifferences(x, y)
	s := Shift{
		Result: stats.NewResult("Hodges–Lehmann", len(x)+len(y)),
		First:  len(x), Second: len(y), Pairs: differences.Len(), Achieved: math.NaN(),
	}
	s.Alt, s.Estimate = alt, differences.Median()
	tail := alt.Tail(level)
	name := "order statistics, normal ranks"
	if rule == ExactRanks {
		if s.N > exactCeiling {
			return Shift{}, &stats.ArgumentError{
				Name: "number of values for exact Hodges–Lehmann limits", Got: s.N, Want: "at most 400: use normal ranks",
			}
		}
		name = "order statistics, exact ranks"
		s.Rank, s.Achieved = exactRank(len(x), len(y), tail, (1-level)/tail)
		if s.Achieved < level-(1-level)/2 {
			s.Note("too few values for a %g %% interval: the widest has %.3g %%", 100*level, 100*s.Achieved)
		}
	} else {
		m, n := float64(len(x)), float64(len(y))
		s.Rank = max(1, int(math.RoundToEven(m*n/2+dist.NormalQuantile(tail)*math.Sqrt(m*n*(m+n+1)/12))))
	}
	s.Interval = stats.Interval{Estimate: s.Estimate, Lower: math.Inf(-1), Upper: math.Inf(1), Level: level, Method: name}
	if alt != stats.Less {
		s.Interval.Lower = differences.Kth(s.Rank)
	}
	if alt != stats.Greater {
		s.Interval.Upper = differences.Kth(s.Pairs + 1 - s.Rank)
	}
	return s, nil
}

// exactRank returns the smallest k ≥ 1 with P(U ≤ k) ≥ tail, forgiving the
// rounding of the probabilities, and the coverage 1 − sides·P(U ≤ k−1).
func exactRank(m, n int, tail, sides float64) (k int, achieved float64) {
	ways := untied(m, n)
	all := 0.0
	for _, count := range ways {
		all += count
	}
	want := tail * (1 - 64*epsilon)
	below, upTo := 0.0, ways[0]/all
	for k = 0; upTo < want; {
		k++
		below = upTo
		upTo += ways[k] / all
	}
	if k == 0 {
		k, below = 1, upTo
	}
	return k, 1 - sides*below
}

// untied counts the orders of m and n untied values by their U, 0 to m·n: the
// coefficients of the Gaussian binomial, built a factor (1−q^(n+i))/(1−q^i) at
// a time. Cost is min(m,n)·m·n.
func untied(m, n int) []float64 {
	if m > n {
		m, n = n, m
	}
	ways := make([]float64, m*n+1)
	ways[0] = 1
	for i := 1; i <= m; i++ {
		top := i * n
		half := top / 2
		// Only the lower half is computed, where what is subtracted is small
		// beside what it is taken from; the upper half is its mirror image.
		for u := half; u >= n+i; u-- {
			ways[u] -= ways[u-n-i]
		}
		for u := i; u <= half; u++ {
			ways[u] += ways[u-i]
		}
		for u := half + 1; u <= top; u++ {
			ways[u] = ways[top-u]
		}
	}
	return ways
}

// InvertMannWhitney gives the shift between two samples and its limits by
// inverting the normal approximation of MannWhitney: the shifts of x at which
// its z is 0, and ± the quantile of the level with the continuity correction if
// corrected, found to within tolerance by Brent's method between the smallest
// and the largest difference. Where z at an end of that range does not reach
// the quantile, the limit is that end.
//
// z is a step function of the shift, so that these are points near, not at,
// differences of the data, and the estimate can lie anywhere on a flat step. It
// is here to compare with software that works so; HodgesLehmann is the method
// to report. Errors are those of MannWhitney.
func InvertMannWhitney(x, y []float64, alt stats.Alternative, level float64, corrected bool, tolerance float64) (stats.Result, error) {
	const method = "inverted Mann–Whitney test"
	if err := stats.CheckLevel(level); err != nil {
		return stats.Result{}, err
	}
	if err := checkBoth(method, x, y, 1); err != nil {
		return stats.Result{}, err
	}
	low, high := slices.Min(x)-slices.Max(y), slices.Max(x)-slices.Min(y)
	if low == high {
		return stats.Result{}, noVariance(method)
	}
	z := func(correct bool, target float64) func(float64) float64 {
		return func(shift float64) float64 {
			moved := make([]float64, len(x))
			for i, v := range x {
				moved[i] = v - shift
			}
			mean := float64(len(x)) * float64(len(y)) / 2
			return rankTogether(moved, y, 0).z(mean, alt, correct) - target
		}
	}
	solve := func(f func(float64) float64) (float64, error) {
		fLow, fHigh := f(low), f(high)
		switch {
		case math.IsNaN(fLow) || math.IsNaN(fHigh):
			return 0, fmt.Errorf("%s: at an end of the range all values are equal: %w", method, stats.ErrNoVariance)
		case fLow <= 0:
			return low, nil
		case fHigh >= 0:
			return high, nil
		}
		return root.Brent(f, low, high, fLow, fHigh, tolerance), nil
	}
	r := stats.NewResult("shift by inverting the normal Mann–Whitney test", len(x)+len(y))
	r.Alt = alt
	var err error
	if r.Estimate, err = solve(z(false, 0)); err != nil {
		return stats.Result{}, err
	}
	quantile := -dist.NormalQuantile(alt.Tail(level))
	r.Interval = stats.Interval{
		Estimate: r.Estimate, Lower: math.Inf(-1), Upper: math.Inf(1), Level: level, Method: "inversion of the normal test",
	}
	if alt != stats.Less {
		if r.Interval.Lower, err = solve(z(corrected, quantile)); err != nil {
			return stats.Result{}, err
		}
	}
	if alt != stats.Greater {
		if r.Interval.Upper, err = solve(z(corrected, -quantile)); err != nil {
			return stats.Result{}, err
		}
	}
	return r, nil
}
