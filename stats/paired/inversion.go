package paired

import (
	"fmt"
	"math"
	"slices"

	"keratally/stats"
	"keratally/stats/describe"
	"keratally/stats/dist"
	"keratally/stats/root"
)

// InvertSignedRank gives the centre of symmetry of the differences d and its
// limits by inverting the normal approximation of SignedRank: the shifts at
// which its z is 0, and ± the quantile of the level with the continuity
// correction if corrected, found to within tolerance by Brent's method between
// the smallest and the largest difference. Differences of zero are left out
// first. Where no shift reaches the level, α is doubled until one does, and
// Interval.Level is the level reached; 0 where none is, the median of the
// differences then standing for both limits.
//
// z is a step function of the shift, so that these are points near, not at,
// order statistics of the Walsh averages, and the estimate can lie anywhere on
// a flat step. It is here to compare with software that works so; HodgesLehmann
// is the method to report.
//
// The errors are those of SignedRank, and ErrNoVariance where the non-zero
// differences are all equal.
func InvertSignedRank(d []float64, alt stats.Alternative, level float64, corrected bool, tolerance float64) (stats.Result, error) {
	const method = "inverted signed-rank test"
	if err := stats.CheckLevel(level); err != nil {
		return stats.Result{}, err
	}
	if err := stats.CheckSample(method, d, 1); err != nil {
		return stats.Result{}, err
	}
	var x []float64
	for _, v := range d {
		if v != 0 {
			x = append(x, v)
		}
	}
	if len(x) == 0 {
		return stats.Result{}, fmt.Errorf("%s: %w", method, stats.ErrAllZero)
	}
	low, high := slices.Min(x), slices.Max(x)
	if low == high {
		return stats.Result{}, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	z := func(correct bool) func(float64) float64 {
		return func(shift float64) float64 { return shiftedZ(x, shift, alt, correct) }
	}
	r := stats.NewResult("Hodges–Lehmann by inverting the normal signed-rank test", len(d))
	r.Alt = alt
	plain := z(false)
	r.Estimate = root.Brent(plain, low, high, plain(low), plain(high), tolerance)

	at := z(corrected)
	zLow, zHigh := at(low), at(high)
	alpha := 1 - level
	quantile := func() float64 { return -dist.NormalQuantile(alt.Tail(1 - alpha)) }
	for alpha < 1 && ((alt != stats.Less && zLow < quantile()) || (alt != stats.Greater && zHigh > -quantile())) {
		alpha *= 2
	}
	limits := stats.Interval{
		Estimate: r.Estimate, Lower: math.Inf(-1), Upper: math.Inf(1), Level: 1 - alpha, Method: "inversion of the normal test",
	}
	if alpha >= 1 {
		middle, err := describe.Median(x)
		if err != nil {
			return stats.Result{}, err
		}
		r.Interval = stats.Interval{Estimate: r.Estimate, Lower: middle, Upper: middle, Method: "median: no level can be reached"}
		if alt == stats.Less {
			r.Interval.Lower = math.Inf(-1)
		} else if alt == stats.Greater {
			r.Interval.Upper = math.Inf(1)
		}
		r.Note("too few differences for limits at any level: their median stands for both")
		return r, nil
	}
	solve := func(target float64) float64 {
		f := func(shift float64) float64 { return at(shift) - target }
		return root.Brent(f, low, high, zLow-target, zHigh-target, tolerance)
	}
	if alt != stats.Less {
		limits.Lower = solve(quantile())
	}
	if alt != stats.Greater {
		limits.Upper = solve(-quantile())
	}
	r.Interval = limits
	if alpha != 1-level {
		r.Note("too few differences for the level %g: the limits have %g", level, 1-alpha)
	}
	return r, nil
}

// shiftedZ is the z of the signed-rank test of x − shift.
func shiftedZ(x []float64, shift float64, alt stats.Alternative, corrected bool) float64 {
	ranked := rankSizes(Shifted(x, shift), SignedRankOptions{})
	deviation := float64(ranked.positive)/2 - float64(ranked.total)/4
	if corrected {
		deviation -= alt.Continuity(deviation)
	}
	return deviation / (math.Sqrt(ranked.squares) / 4)
}
