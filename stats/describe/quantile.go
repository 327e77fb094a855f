package describe

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/rank"
)

// QuantileType is a definition of the sample quantile, by its number in
// Hyndman & Fan, Am Stat 1996;50:361–365.
type QuantileType int

// The definitions on offer. Reports use type 7 throughout.
const (
	Type2 QuantileType = 2 // inverse of the distribution function, averaged at its steps
	Type6 QuantileType = 6 // (n+1)·p
	Type7 QuantileType = 7 // 1 + (n−1)·p
	Type8 QuantileType = 8 // (n+⅓)·p + ⅓, median-unbiased
)

// Quantile returns the p quantile of x, type 7: with the values in ascending
// order, the one at place 1 + (n−1)·p, by linear interpolation. The median of
// 1, 2, 3, 4 is 2.5. Errors: no data, a value that is not finite, p outside
// [0, 1].
func Quantile(x []float64, p float64) (float64, error) {
	q, err := Quantiles(x, Type7, p)
	if err != nil {
		return 0, err
	}
	return q[0], nil
}

// Quantiles returns the quantiles of x at each p under the given definition;
// see Quantile.
func Quantiles(x []float64, definition QuantileType, p ...float64) ([]float64, error) {
	if err := stats.CheckSample("quantile", x, 1); err != nil {
		return nil, err
	}
	sorted := sortedAt(x, p)
	out := make([]float64, len(p))
	for i, at := range p {
		if !(at >= 0 && at <= 1) {
			return nil, &stats.ArgumentError{Name: "quantile probability", Got: at, Want: "between 0 and 1"}
		}
		switch definition {
		case Type7:
			out[i] = type7(sorted, at)
		case Type2, Type6, Type8:
			out[i] = otherType(sorted, definition, at)
		default:
			return nil, &stats.ArgumentError{Name: "quantile type", Got: int(definition), Want: "2, 6, 7 or 8"}
		}
	}
	return out, nil
}

// Median returns the median of x: the middle value, or the mean of the two
// middle ones.
func Median(x []float64) (float64, error) { return Quantile(x, 0.5) }

func type7(sorted []float64, p float64) float64 {
	place := float64(len(sorted)-1) * p
	low := math.Floor(place)
	a := sorted[int(low)]
	if place == low {
		return a
	}
	return interpolate(a, sorted[int(low)+1], place-low)
}

func interpolate(a, b, h float64) float64 {
	if a == b {
		return a
	}
	return (1-h)*a + h*b
}

// otherType interpolates at place a + p·(n+1−a−b); a place within a few
// rounding errors of an observation is that observation.
func otherType(sorted []float64, definition QuantileType, p float64) float64 {
	const fuzz = 4 * 0x1p-52
	n := float64(len(sorted))
	at := func(i float64) float64 { // the i-th smallest, from 1
		return sorted[int(math.Max(0, math.Min(n-1, i-1)))]
	}
	var place float64
	switch definition {
	case Type2:
		place = n * p
	case Type6:
		place = (n + 1) * p
	default:
		place = 1.0/3 + p*(n+1.0/3)
	}
	low := math.Floor(place + fuzz)
	h := place - low
	if definition == Type2 {
		if h > fuzz {
			return at(low + 1)
		}
		return interpolate(at(low), at(low+1), 0.5)
	}
	if math.Abs(h) < fuzz {
		return at(low)
	}
	return interpolate(at(low), at(low+1), h)
}

func medianDeviation(x []float64, median float64) float64 {
	off := make([]float64, len(x))
	for i, v := range x {
		off[i] = math.Abs(v - median)
	}
	return type7(rank.Sorted(off), 0.5)
}

// MedianInterval is a median with an exact confidence interval, whose limits
// are observations.
type MedianInterval struct {
	stats.Interval
	N                 int
	RankLow, RankHigh int     // which observations in ascending order, from 1
	Achieved          float64 // exact coverage, at least Level
}

// MedianCI returns the median of x and the shortest symmetric interval between
// two order statistics that covers it with at least the given probability:
// ranks k and n+1−k with
//
//	2·P(B ≤ k−1) ≤ 1 − level,  B binomial(n, ½)
//
// It assumes independent observations of one continuous distribution; ties
// make it conservative. Errors: no data, a value that is not finite, a level
// outside (0, 1), or a *stats.TooFewError where even the range of the sample
// covers the median with less than level (5 or fewer at 95 %).
//
// Conover, Practical Nonparametric Statistics, 3rd ed, section 3.2.
func MedianCI(x []float64, level float64) (MedianInterval, error) {
	if err := stats.CheckLevel(level); err != nil {
		return MedianInterval{}, err
	}
	if err := stats.CheckSample("interval of the median", x, 1); err != nil {
		return MedianInterval{}, err
	}
	n := len(x)
	miss := 1 - level
	k := dist.BinomialQuantile(miss/2, n, 0.5)
	for k > 0 && 2*dist.BinomialCDF(k-1, n, 0.5) > miss {
		k--
	}
	if k < 1 {
		need := int(math.Ceil(1 - math.Log2(miss)))
		return MedianInterval{}, fmt.Errorf("exact interval at %g %%: %w", 100*level,
			&stats.TooFewError{Method: "interval of the median", Got: n, Need: need})
	}
	sorted := rank.Sorted(x)
	return MedianInterval{
		Interval: stats.Interval{
			Estimate: type7(sorted, 0.5), Lower: sorted[k-1], Upper: sorted[n-k],
			Level: level, Method: "exact order statistics",
		},
		N: n, RankLow: k, RankHigh: n + 1 - k,
		Achieved: 1 - 2*dist.BinomialCDF(k-1, n, 0.5),
	}, nil
}
