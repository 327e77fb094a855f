package agreement

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
)

// Repeatability is how far two measurements of one thing by one method lie
// apart, in the units of the data.
type Repeatability struct {
	N           int
	WithinSD    float64 // √(Σd²/2n), Dahlberg's error of method
	Coefficient float64 // Φ⁻¹(0.975)·√2·WithinSD: 95 % of pairs differ by less
	MeanAbs     float64 // mean absolute difference
	RMS         float64 // root mean square difference
	// WithinCV is the within-subject coefficient of variation by the log
	// method, √(exp(mean (ln x − ln y)²/2) − 1), a proportion; NaN, with a
	// note, when a value is not positive.
	WithinCV float64
	Notes    []string
}

// NewRepeatability returns the repeatability of one method from two
// measurements of each subject. It takes the second measurement to have no bias
// against the first.
//
// The error is stats.ErrNoData without pairs, stats.ErrLengths,
// stats.ErrNotFinite.
//
// Bland & Altman, BMJ 1996;313:744 and 1996;313:106; Dahlberg, Statistical
// Methods for Medical and Biological Students 1940.
func NewRepeatability(x, y []float64) (Repeatability, error) {
	const method = "repeatability"
	if err := checkPaired(method, x, y, 1); err != nil {
		return Repeatability{}, err
	}
	n := float64(len(x))
	r := Repeatability{N: len(x)}
	diff, logs := make([]float64, len(x)), make([]float64, 0, len(x))
	abs := make([]float64, len(x))
	for i := range x {
		diff[i] = x[i] - y[i]
		abs[i] = math.Abs(diff[i])
		if x[i] > 0 && y[i] > 0 {
			logs = append(logs, math.Log(x[i])-math.Log(y[i]))
		}
	}
	squares := sum.Dot(diff, diff)
	r.WithinSD = math.Sqrt(squares / (2 * n))
	r.Coefficient = -dist.NormalQuantile(0.025) * math.Sqrt2 * r.WithinSD
	r.MeanAbs, r.RMS = sum.Mean(abs), math.Sqrt(squares/n)
	r.WithinCV = math.NaN()
	if len(logs) == len(x) {
		r.WithinCV = math.Sqrt(math.Expm1(sum.Dot(logs, logs) / n / 2))
	} else {
		r.Notes = append(r.Notes, "a value is not positive, so there is no coefficient of variation")
	}
	return r, nil
}

// Concordance is Lin's concordance correlation: how far pairs lie from the
// line of identity.
type Concordance struct {
	N           int
	CCC         stats.Interval // with limits from Fisher's z transform
	SE          float64        // of the CCC
	Correlation float64        // Pearson's
	Accuracy    float64        // CCC / correlation, Lin's C_b: 1 when nothing but scatter separates the two
}

// NewConcordance returns Lin's concordance correlation
//
//	2·s_xy / (s²_x + s²_y + (x̄ − ȳ)²)
//
// with moments of denominator n, and the standard error of the 2000 erratum on
// n − 2. Perfect agreement has no standard error: SE and limits are then 0 and
// the estimate. Two pairs leave nothing to estimate it from: SE is then +Inf
// and the limits are −1 and 1.
//
// The error is stats.ErrTooFew below two pairs, stats.ErrNoVariance when
// either column is constant, stats.ErrLengths, stats.ErrNotFinite. Columns
// without any correlation have a CCC of 0 and no standard error, which is
// stats.ErrNoVariance too.
//
// Lin, Biometrics 1989;45:255–268, with the erratum of 2000;56:324–325.
func NewConcordance(x, y []float64, level float64) (Concordance, error) {
	const method = "Lin's concordance correlation"
	if err := checkPaired(method, x, y, 2); err != nil {
		return Concordance{}, err
	}
	if err := checkLevel(method, level); err != nil {
		return Concordance{}, err
	}
	n := float64(len(x))
	sxx, syy, sxy := sum.SumSquaresDev(x)/n, sum.SumSquaresDev(y)/n, sum.ProductsDev(x, y)/n
	r := sxy / math.Sqrt(sxx*syy)
	if sxx == 0 || syy == 0 || r == 0 {
		return Concordance{}, wrap(method, stats.ErrNoVariance)
	}
	apart := sum.Mean(x) - sum.Mean(y)
	c := Concordance{N: len(x), Correlation: r}
	p := 2 * sxy / (sxx + syy + apart*apart)
	c.Accuracy = p / r
	if len(x) == 2 {
		c.SE = math.Inf(1)
		c.CCC = stats.Interval{Estimate: p, Lower: -1, Upper: 1, Level: level, Method: "none: two pairs"}
		return c, nil
	}
	u2 := apart * apart / math.Sqrt(sxx*syy)
	v := ((1-r*r)*p*p*(1-p*p)/(r*r) + 2*p*p*p*(1-p)*u2/r - p*p*p*p*u2*u2/(2*r*r)) / (n - 2)
	c.SE = math.Sqrt(max(0, v))
	c.CCC = stats.Interval{Estimate: p, Lower: p, Upper: p, Level: level, Method: "Fisher z"}
	if c.SE > 0 {
		half := twoSidedZ(level) * c.SE / (1 - p*p)
		c.CCC.Lower, c.CCC.Upper = math.Tanh(math.Atanh(p)-half), math.Tanh(math.Atanh(p)+half)
	}
	return c, nil
}
