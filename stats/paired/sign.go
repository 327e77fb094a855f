package paired

import (
	"errors"
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/describe"
	"keratally/stats/dist"
)

// SignTest is the result of Sign. Estimate is the share of positive among the
// non-zero differences with Clopper–Pearson limits; Stat their number.
type SignTest struct {
	stats.Result
	Positive, Negative, Zero int
	PLess, PGreater          float64
	// Median is that of all differences, zeros included, with exact limits by
	// order statistics; its Level is 0 where too few differences allow none.
	Median stats.Interval
}

// Sign tests whether a difference is as likely to be positive as negative, zeros
// left out: the number of positive ones is binomial(n, ½). The two-sided p is
// twice the smaller tail, at most 1. It assumes independent differences and
// nothing about their shape.
//
// No difference is ErrNoData. All zero are ErrAllZero, with a result that counts
// them and whose p is 1.
//
// Conover, Practical Nonparametric Statistics, 3rd ed., sections 3.2 and 3.4.
func Sign(d []float64, alt stats.Alternative, level float64) (SignTest, error) {
	const method = "sign test"
	if err := stats.CheckLevel(level); err != nil {
		return SignTest{}, err
	}
	if err := stats.CheckSample(method, d, 1); err != nil {
		return SignTest{}, err
	}
	t := SignTest{Result: stats.NewResult("sign test, exact binomial", len(d))}
	for _, v := range d {
		switch {
		case v > 0:
			t.Positive++
		case v < 0:
			t.Negative++
		default:
			t.Zero++
		}
	}
	n := t.Positive + t.Negative
	if n == 0 {
		t.P, t.PLess, t.PGreater, t.Alt = 1, 1, 1, alt
		return t, fmt.Errorf("%s: %w", method, stats.ErrAllZero)
	}
	if t.Zero > 0 {
		t.Note("%d of %d differences are zero: left out", t.Zero, t.N)
	}
	t.PLess = dist.BinomialCDF(t.Positive, n, 0.5)
	t.PGreater = dist.BinomialSF(t.Positive-1, n, 0.5)
	t.Stat, t.Alt = float64(t.Positive), alt
	t.P = alt.P(t.PLess, t.PGreater)
	t.Estimate = float64(t.Positive) / float64(n)
	t.Interval = positiveShare(t.Positive, n, alt, level)
	median, err := describe.MedianCI(d, level)
	switch {
	case errors.Is(err, stats.ErrTooFew):
		t.Median.Estimate, err = describe.Median(d)
		t.Median.Lower, t.Median.Upper = math.NaN(), math.NaN()
		t.Note("too few differences for an exact interval of their median")
	case err == nil:
		t.Median = median.Interval
	}
	return t, err
}

// positiveShare gives the Clopper–Pearson limits of positive/n.
func positiveShare(positive, n int, alt stats.Alternative, level float64) stats.Interval {
	tail := alt.Tail(level)
	x, m := float64(positive), float64(n)
	share := stats.Interval{Estimate: x / m, Lower: 0, Upper: 1, Level: level, Method: "Clopper–Pearson"}
	if alt != stats.Less && positive > 0 {
		share.Lower = dist.BetaQuantile(tail, x, m-x+1)
	}
	if alt != stats.Greater && positive < n {
		share.Upper = dist.BetaQuantileUpper(tail, x+1, m-x)
	}
	return share
}
