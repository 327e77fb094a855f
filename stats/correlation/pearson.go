// Package correlation measures how closely two columns of numbers go together:
// along a line (Pearson), in rank (Spearman), or pair by pair (Kendall).
//
// Rows are taken to be independent. Two eyes of one patient are not: use
// stats/cluster or stats/mixed for them.
package correlation

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
	"keratally/stats/wald"
)

// Pearson returns the correlation r of x and y, −1 to 1, the test that it is
// zero, and its limits:
//
//	t = r·√((n−2)/(1−r²)) on n − 2 degrees of freedom
//	limits tanh(atanh r ± z/√(n−3))
//
// The test assumes rows drawn from a bivariate normal distribution (normal y
// at each x is enough); limits exist from n = 4 on. Alternative is about r.
//
// Fewer than three rows are ErrTooFew, a constant column ErrNoVariance, columns
// of different lengths ErrLengths. A perfect correlation has t infinite and p 0.
//
// Fisher, Metron 1921;1(4):3–32.
func Pearson(x, y []float64, alt stats.Alternative, level float64) (stats.Result, error) {
	const method = "Pearson correlation"
	r, err := coefficient(method, x, y, level, 3)
	if err != nil {
		return stats.Result{}, err
	}
	result := withT("Pearson correlation", len(x), r, alt)
	if len(x) > 3 {
		result.Interval = fisher(r, 1/math.Sqrt(float64(len(x)-3)), alt, level, "Fisher z")
	} else {
		result.Note("three rows allow no limits")
	}
	return result, nil
}

// coefficient checks the columns and returns their product-moment correlation.
func coefficient(method string, x, y []float64, level float64, need int) (float64, error) {
	if err := stats.CheckLevel(level); err != nil {
		return 0, err
	}
	if err := stats.CheckPairs(method, x, y, need); err != nil {
		return 0, err
	}
	sx, sy := sum.SumSquaresDev(x), sum.SumSquaresDev(y)
	if sx <= 0 || sy <= 0 {
		return 0, fmt.Errorf("%s: one column is constant: %w", method, stats.ErrNoVariance)
	}
	scale := math.Sqrt(sx * sy) // exact where sx = sy, so that a perfect line is exactly 1
	if scale == 0 || math.IsInf(scale, 1) {
		scale = math.Sqrt(sx) * math.Sqrt(sy)
	}
	r := sum.ProductsDev(x, y) / scale
	return math.Max(-1, math.Min(1, r)), nil
}

// withT fills in the t test of a correlation.
func withT(method string, n int, r float64, alt stats.Alternative) stats.Result {
	result := stats.NewResult(method, n)
	result.Estimate, result.Alt, result.DF = r, alt, float64(n-2)
	result.Stat = r * math.Sqrt(result.DF/((1-r)*(1+r)))
	result.P = dist.PT(result.Stat, result.DF, alt)
	return result
}

// fisher gives limits of a correlation whose inverse hyperbolic tangent is
// close to normal with standard error se. A one-sided interval ends at −1 or 1.
func fisher(r, se float64, alt stats.Alternative, level float64, method string) stats.Interval {
	lower, upper := wald.Limits(alt, level, func(tail float64) float64 { return -dist.NormalQuantile(tail) })
	limits := stats.Interval{Estimate: r, Level: level, Method: method, Lower: r, Upper: r}
	if math.Abs(r) < 1 {
		limits.Lower, limits.Upper = math.Tanh(math.Atanh(r)-lower*se), math.Tanh(math.Atanh(r)+upper*se)
	} else if alt == stats.Greater {
		limits.Upper = 1
	} else if alt == stats.Less {
		limits.Lower = -1
	}
	return limits
}
