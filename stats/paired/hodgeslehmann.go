package paired

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/orderstat"
)

// RankRule says which order statistics of the Walsh averages are the limits of
// HodgesLehmann.
type RankRule int

const (
	AutomaticRanks RankRule = iota // ExactRanks up to ExactLimit differences, then NormalRanks
	ExactRanks                     // from the null distribution of the signed-rank statistic without ties
	NormalRanks                    // from its normal approximation
)

// Shift is a Hodges–Lehmann estimate. Interval holds its limits; Achieved is
// the coverage that the exact limits have, NaN for normal ones.
type Shift struct {
	stats.Result
	Pairs    int     // averages (or differences) whose order statistics these are
	Rank     int     // the lower limit is the Rank-th smallest of them, the upper the Rank-th largest
	Achieved float64 // exact coverage of the limits when no two values tie
}

// HodgesLehmann estimates the centre of symmetry of the differences d by the
// median of their n(n+1)/2 Walsh averages (dᵢ + dⱼ)/2, i ≤ j, zeros included,
// and gives distribution-free limits: the k-th smallest and the k-th largest
// average, k being the α/2 quantile (at least 1) of the null distribution of
// the signed-rank statistic, or
//
//	n(n+1)/4 − z·√(n(n+1)(2n+1)/24), rounded to the nearest integer
//
// for normal limits. A one-sided alternative gives one limit, at α. With ties
// the coverage is at least nominal. A sample too small for the level (n < 6 at
// 95 %) gets its extremes, the coverage that these have, and a note.
//
// Estimate and limits are in the units of d. No difference is ErrNoData; more
// than 1000 with ExactRanks is an *ArgumentError. Cost grows as n log n; exact
// ranks add n³ for n up to ExactLimit.
//
// Hodges & Lehmann, Ann Math Stat 1963;34:598–611; limits: Hollander & Wolfe,
// Nonparametric Statistical Methods, 3rd ed., 3.3.
func HodgesLehmann(d []float64, alt stats.Alternative, level float64, rule RankRule) (Shift, error) {
	if err := stats.CheckLevel(level); err != nil {
		return Shift{}, err
	}
	if err := stats.CheckSample("Hodges–Lehmann estimate", d, 1); err != nil {
		return Shift{}, err
	}
	n := len(d)
	if rule < AutomaticRanks || rule > NormalRanks {
		return Shift{}, &stats.ArgumentError{Name: "rule of the limits", Got: int(rule), Want: "AutomaticRanks, ExactRanks or NormalRanks"}
	}
	if rule == AutomaticRanks {
		rule = NormalRanks
		if n <= ExactLimit {
			rule = ExactRanks
		}
	}
	averages := orderstat.NewWalsh(d)
	s := Shift{Result: stats.NewResult("Hodges–Lehmann", n), Pairs: averages.Len(), Achieved: math.NaN()}
	s.Alt, s.Estimate = alt, averages.Median()
	tail := alt.Tail(level)
	name := "order statistics, normal ranks"
	if rule == ExactRanks {
		if n > exactCeiling {
			return Shift{}, &stats.ArgumentError{
				Name: "number of differences for exact Hodges–Lehmann limits", Got: n, Want: "at most 1000: use normal ranks",
			}
		}
		name = "order statistics, exact ranks"
		s.Rank = max(1, dist.SignedRankQuantile(tail, n))
		s.Achieved = 1 - (1-level)/tail*dist.SignedRankCDF(s.Rank-1, n)
		if s.Achieved < level-(1-level)/2 {
			s.Note("too few differences for a %g %% interval: the widest has %.3g %%", 100*level, 100*s.Achieved)
		}
	} else {
		m := float64(n)
		s.Rank = max(1, int(math.RoundToEven(float64(s.Pairs)/2+dist.NormalQuantile(tail)*math.Sqrt(m*(m+1)*(2*m+1)/24))))
	}
	s.Interval = stats.Interval{Estimate: s.Estimate, Lower: math.Inf(-1), Upper: math.Inf(1), Level: level, Method: name}
	if alt != stats.Less {
		s.Interval.Lower = averages.Kth(s.Rank)
	}
	if alt != stats.Greater {
		s.Interval.Upper = averages.Kth(s.Pairs + 1 - s.Rank)
	}
	return s, nil
}
