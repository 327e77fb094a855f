package agreement

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
	"keratally/stats/sum"
)

// BlandAltman is the agreement of two methods of measurement on n subjects, in
// the units of the data; differences are first less second.
type BlandAltman struct {
	N     int
	Bias  stats.Result // mean difference: t limits on n − 1 degrees of freedom and the paired t test
	SD    float64      // standard deviation of the differences
	Z     float64      // how many SD the limits lie from the bias: Φ⁻¹(0.975)
	Lower stats.Interval
	Upper stats.Interval // limits of agreement, bias ∓ Z·SD, with Carkeet's exact confidence limits
	// The approximate confidence limits of the limits of agreement that most
	// papers print: standard error SD·√(1/n + Z²/2(n−1)) (Bland & Altman
	// 1999), and SD·√(3/n) (1986), both with t on n − 1 degrees of freedom.
	Lower1999, Upper1999, Lower1986, Upper1986 stats.Interval
	SE1999, SE1986                             float64
	// Inner and Outer are Carkeet's factors: the exact limits lie Inner·SD and
	// Outer·SD from the bias.
	Inner, Outer float64
	// Slope is the regression of the difference on the mean of the two, whose
	// P below 0.05 says that the bias changes with the size of what is measured.
	// It is not there (NaN) when all means are equal.
	Slope     stats.Result
	Intercept float64
}

// NewBlandAltman returns the 95 % limits of agreement of two methods from one
// pair of measurements a subject, with confidence limits at level.
//
// The limits of agreement use the exact normal quantile 1.959964, not 1.96. The
// exact confidence limits rest on the noncentral t: K = t'(p; n−1, Z√n)/√n.
// They assume normal differences whose spread does not change with size; Slope
// examines one part of that.
//
// The error is stats.ErrNoData without pairs, stats.ErrTooFew below two,
// stats.ErrLengths for columns of different lengths, stats.ErrNotFinite, and
// stats.ErrNoVariance when all differences are equal: the limits then coincide
// and mean nothing.
//
// Bland & Altman, Lancet 1986;i:307–310, and Stat Methods Med Res
// 1999;8:135–160; Carkeet, Optom Vis Sci 2015;92:e71–e80.
func NewBlandAltman(x, y []float64, level float64) (BlandAltman, error) {
	const method = "Bland–Altman limits of agreement"
	if err := checkPaired(method, x, y, 2); err != nil {
		return BlandAltman{}, err
	}
	if err := checkLevel(method, level); err != nil {
		return BlandAltman{}, err
	}
	n := len(x)
	diff, mean := make([]float64, n), make([]float64, n)
	for i := range x {
		diff[i], mean[i] = x[i]-y[i], (x[i]+y[i])/2
	}
	size, df := float64(n), float64(n-1)
	bias, sd := sum.Mean(diff), math.Sqrt(sum.Variance(diff))
	if sd == 0 {
		return BlandAltman{}, wrap(method, stats.ErrNoVariance)
	}
	t := -dist.TQuantile((1-level)/2, df)
	z := -dist.NormalQuantile(0.025)
	b := BlandAltman{N: n, SD: sd, Z: z}

	b.Bias = stats.NewResult("mean difference, paired t", n)
	b.Bias.Estimate, b.Bias.SE, b.Bias.DF = bias, sd/math.Sqrt(size), df
	b.Bias.Stat = bias / b.Bias.SE
	b.Bias.P = dist.PT(b.Bias.Stat, df, stats.TwoSided)
	b.Bias.Interval = around("t", bias, t*b.Bias.SE, level)

	b.SE1999 = sd * math.Sqrt(1/size+z*z/(2*df))
	b.SE1986 = sd * math.Sqrt(3/size)
	low, high := bias-z*sd, bias+z*sd
	b.Lower1999, b.Upper1999 = around("Bland–Altman 1999", low, t*b.SE1999, level), around("Bland–Altman 1999", high, t*b.SE1999, level)
	b.Lower1986, b.Upper1986 = around("Bland–Altman 1986", low, t*b.SE1986, level), around("Bland–Altman 1986", high, t*b.SE1986, level)

	b.Inner, b.Outer = CarkeetFactors(n, level)
	const exact = "Carkeet exact"
	b.Lower = stats.Interval{Estimate: low, Lower: bias - b.Outer*sd, Upper: bias - b.Inner*sd, Level: level, Method: exact}
	b.Upper = stats.Interval{Estimate: high, Lower: bias + b.Inner*sd, Upper: bias + b.Outer*sd, Level: level, Method: exact}
	b.Slope, b.Intercept = slope(mean, diff, level)
	return b, nil
}

// CarkeetFactors returns how many standard deviations from the bias the exact
// confidence limits of a 95 % limit of agreement lie, for n ≥ 2 pairs; NaN for
// fewer, or a level outside (0, 1).
func CarkeetFactors(n int, level float64) (inner, outer float64) {
	if n < 2 || stats.CheckLevel(level) != nil {
		return math.NaN(), math.NaN()
	}
	df, root := float64(n-1), math.Sqrt(float64(n))
	shift := -dist.NormalQuantile(0.025) * root
	tail := (1 - level) / 2
	return noncentralTLower(tail, df, shift) / root, noncentralTUpper(tail, df, shift) / root
}

// noncentralTLower is the p quantile of the noncentral t, p below one half.
func noncentralTLower(p, df, shift float64) float64 {
	lo, hi := -1.0, max(1, shift)
	for dist.NoncentralTCDF(lo, df, shift) > p {
		lo *= 2
	}
	for dist.NoncentralTCDF(hi, df, shift) < p {
		hi *= 2
	}
	return root.Bisect(func(t float64) float64 { return dist.NoncentralTCDF(t, df, shift) - p }, lo, hi)
}

// noncentralTUpper is the quantile of the noncentral t with q above it, q
// below one half.
func noncentralTUpper(q, df, shift float64) float64 {
	hi := max(1, 2*shift)
	for dist.NoncentralTSF(hi, df, shift) > q {
		hi *= 2
	}
	return root.Bisect(func(t float64) float64 { return dist.NoncentralTSF(t, df, shift) - q }, 0, hi)
}

// slope is the least-squares regression of y on x with a t test of its slope.
// Everything is NaN when x does not vary, and the test when two points or an
// exact line leave no residual variance.
func slope(x, y []float64, level float64) (stats.Result, float64) {
	n := len(x)
	r := stats.NewResult("slope of the difference on the mean", n)
	sxx := sum.SumSquaresDev(x)
	if sxx == 0 {
		r.Note("all means are equal, so no slope can be estimated")
		return r, math.NaN()
	}
	b := sum.ProductsDev(x, y) / sxx
	a := sum.Mean(y) - b*sum.Mean(x)
	r.Estimate = b
	residuals := make([]float64, n)
	for i := range x {
		residuals[i] = y[i] - a - b*x[i]
	}
	rss := sum.SumSquaresDev(residuals)
	if n < 3 || rss == 0 {
		r.Note("no residual variance is left to test the slope against")
		return r, a
	}
	r.DF = float64(n - 2)
	r.SE = math.Sqrt(rss / r.DF / sxx)
	r.Stat = b / r.SE
	r.P = dist.PT(r.Stat, r.DF, stats.TwoSided)
	r.Interval = around("t", b, -dist.TQuantile((1-level)/2, r.DF)*r.SE, level)
	return r, a
}
