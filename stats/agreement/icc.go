package agreement

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
)

// ICC holds the intraclass correlations of n subjects each rated once by each
// of k raters, in the notation of Shrout and Fleiss: (1, ·) raters differ from
// subject to subject; (2, ·) the same raters, a sample of raters, absolute
// agreement; (3, ·) the same raters, the only ones of interest, consistency.
// (·, 1) is about a single rating, (·, k) about the mean of k.
//
// Each has the F test of no correlation in Stat, DF, DF2 and P.
type ICC struct {
	N, K                                 int
	MSRows, MSCols, MSError, MSWithin    float64 // mean squares; MSWithin pools raters and error
	OneSingle, TwoSingle, ThreeSingle    stats.Result
	OneAverage, TwoAverage, ThreeAverage stats.Result
	TwoDF                                float64 // Satterthwaite degrees of freedom of the limits of (2, ·)
	SEMAgreement                         float64 // √(rater variance + error variance), in the units of the data
	SEMConsistency                       float64 // √(error variance)
}

// NewICC returns the intraclass correlations of a matrix of subjects (rows) by
// raters (columns), with limits from the F distribution.
//
// Ratings are normal and complete. The error is stats.ErrTooFew below two
// subjects or two raters, stats.ErrLengths for a ragged matrix,
// stats.ErrNotFinite, and stats.ErrNoVariance where all subjects have the same
// mean and no error. Perfect agreement has an F that is infinite: correlations
// and limits are then 1.
//
// Shrout & Fleiss, Psychol Bull 1979;86:420–428; McGraw & Wong, Psychol Methods
// 1996;1:30–46.
func NewICC(ratings [][]float64, level float64) (ICC, error) {
	const method = "intraclass correlation"
	if err := checkLevel(method, level); err != nil {
		return ICC{}, err
	}
	o, err := newANOVA(method, ratings)
	if err != nil {
		return ICC{}, err
	}
	n, k := float64(o.n), float64(o.k)
	if o.rows == 0 && o.error == 0 {
		return ICC{}, wrap(method, stats.ErrNoVariance)
	}
	msr, msc, mse := o.rows/(n-1), o.cols/(k-1), o.error/((n-1)*(k-1))
	msw := (o.cols + o.error) / (n * (k - 1))
	c := ICC{
		N: o.n, K: o.k, MSRows: msr, MSCols: msc, MSError: mse, MSWithin: msw,
		SEMAgreement: math.Sqrt(max(0, (msc-mse)/n) + mse), SEMConsistency: math.Sqrt(mse),
	}
	tail := (1 - level) / 2
	c.OneSingle, c.OneAverage = oneError("1", o, msr, msw, n*(k-1), level)
	c.ThreeSingle, c.ThreeAverage = oneError("3", o, msr, mse, (n-1)*(k-1), level)

	r := (msr - mse) / (msr + (k-1)*mse + k*(msc-mse)/n)
	var low, high float64
	if r == 1 {
		low, high = 1, 1
	} else {
		a, b := k*r/(n*(1-r)), 1+k*r*(n-1)/(n*(1-r))
		top := a*msc + b*mse
		c.TwoDF = top * top / (a*msc*a*msc/(k-1) + b*mse*b*mse/((n-1)*(k-1)))
		f1, f2 := 1/dist.FQuantile(tail, c.TwoDF, n-1), 1/dist.FQuantile(tail, n-1, c.TwoDF)
		rest := k*msc + (k*n-k-n)*mse
		low = n * (msr - f1*mse) / (f1*rest + n*msr)
		high = n * (f2*msr - mse) / (rest + n*f2*msr)
	}
	c.TwoSingle = iccResult("ICC(2,1), absolute agreement, single rating", o, c.ThreeSingle, r, low, high, level)
	average := func(v float64) float64 { return k * v / (1 + v*(k-1)) }
	c.TwoAverage = iccResult("ICC(2,k), absolute agreement, mean rating", o, c.ThreeSingle,
		(msr-mse)/(msr+(msc-mse)/n), average(low), average(high), level)
	return c, nil
}

// oneError returns the single and average correlations whose error is one mean
// square ms on df degrees of freedom: models 1 and 3.
func oneError(model string, o anova, msr, ms, df, level float64) (single, average stats.Result) {
	n, k, tail := float64(o.n), float64(o.k), (1-level)/2
	f := msr / ms
	// The upper quantile of F is the reciprocal of the lower one with the
	// degrees of freedom exchanged.
	low, high := f*dist.FQuantile(tail, df, n-1), f/dist.FQuantile(tail, n-1, df)
	of := func(f float64) float64 { // limits as F goes to infinity are 1
		if math.IsInf(f, 1) {
			return 1
		}
		return (f - 1) / (f + k - 1)
	}
	test := stats.NewResult("", o.n*o.k)
	test.Stat, test.DF, test.DF2, test.P = f, n-1, df, dist.FSF(f, n-1, df)
	kind := map[string]string{"1": "one-way", "3": "consistency"}[model]
	single = iccResult("ICC("+model+",1), "+kind+", single rating", o, test, (msr-ms)/(msr+(k-1)*ms), of(low), of(high), level)
	average = iccResult("ICC("+model+",k), "+kind+", mean rating", o, test, (msr-ms)/msr, 1-1/low, 1-1/high, level)
	return single, average
}

func iccResult(name string, o anova, test stats.Result, r, low, high, level float64) stats.Result {
	test.Method, test.N, test.Clusters, test.Estimate = name, o.n*o.k, o.n, r
	test.Interval = stats.Interval{Estimate: r, Lower: low, Upper: high, Level: level, Method: "F"}
	return test
}

// anova holds the sums of squares of a complete two-way layout without
// replication.
type anova struct {
	n, k              int
	rows, cols, error float64
}

func newANOVA(method string, ratings [][]float64) (anova, error) {
	n := len(ratings)
	if n < 2 {
		return anova{}, fmt.Errorf("subjects: %w", &stats.TooFewError{Method: method, Got: n, Need: 2})
	}
	k := len(ratings[0])
	if k < 2 {
		return anova{}, fmt.Errorf("raters: %w", &stats.TooFewError{Method: method, Got: k, Need: 2})
	}
	rows, cols := make([]float64, n), make([]float64, k)
	column, all := make([]float64, n), make([]float64, 0, n*k)
	for i, row := range ratings {
		if len(row) != k {
			return anova{}, fmt.Errorf("%s: subject %d: %w", method, i+1, stats.ErrLengths)
		}
		if err := stats.CheckSample(fmt.Sprintf("%s: subject %d", method, i+1), row, k); err != nil {
			return anova{}, err
		}
		rows[i] = sum.Mean(row)
		all = append(all, row...)
	}
	for j := range cols {
		for i, row := range ratings {
			column[i] = row[j]
		}
		cols[j] = sum.Mean(column)
	}
	grand := sum.Mean(all)
	// The error is summed from its own residuals: as a difference of sums of
	// squares it would be rounding when raters agree closely.
	residuals := make([]float64, 0, n*k)
	for i, row := range ratings {
		for j, v := range row {
			residuals = append(residuals, (v-rows[i])-(cols[j]-grand))
		}
	}
	return anova{
		n: n, k: k,
		rows:  float64(k) * sum.SumSquaresDev(rows),
		cols:  float64(n) * sum.SumSquaresDev(cols),
		error: sum.Dot(residuals, residuals),
	}, nil
}

// Components are the variances of a complete layout of subjects by raters, by
// restricted maximum likelihood under crossed random effects.
type Components struct {
	N, K                   int
	Subject, Rater, Error  float64
	Agreement, Consistency float64 // subject / all three, and subject / (subject + error)
	Notes                  []string
}

// CrossedComponents returns the variances of subjects, raters and error by
// REML. In a complete layout the restricted likelihood is that of three
// independent mean squares, so inside the boundary the estimates are those of
// the analysis of variance; where a variance would be negative it is 0 and its
// sum of squares joins the error.
//
// The errors are those of NewICC.
//
// Searle, Casella & McCulloch, Variance Components 1992, section 4.7.
func CrossedComponents(ratings [][]float64) (Components, error) {
	const method = "variance components of subjects and raters, REML"
	o, err := newANOVA(method, ratings)
	if err != nil {
		return Components{}, err
	}
	n, k := float64(o.n), float64(o.k)
	c := Components{N: o.n, K: o.k}
	type square struct{ ss, df float64 }
	rows, cols, rest := square{o.rows, n - 1}, square{o.cols, k - 1}, square{o.error, (n - 1) * (k - 1)}
	ms := func(s square) float64 { return s.ss / s.df }
	// Pool the smaller offender first; the other may offend against the pool.
	keepRows, keepCols := true, true
	for range 2 {
		low, high := keepRows && ms(rows) <= ms(rest), keepCols && ms(cols) <= ms(rest)
		switch {
		case low && (!high || ms(rows) <= ms(cols)):
			rest, keepRows = square{rest.ss + rows.ss, rest.df + rows.df}, false
			c.Notes = append(c.Notes, "the variance of subjects is on its boundary, 0")
		case high:
			rest, keepCols = square{rest.ss + cols.ss, rest.df + cols.df}, false
			c.Notes = append(c.Notes, "the variance of raters is on its boundary, 0")
		}
	}
	c.Error = ms(rest)
	if keepRows {
		c.Subject = (ms(rows) - c.Error) / k
	}
	if keepCols {
		c.Rater = (ms(cols) - c.Error) / n
	}
	if c.Subject+c.Error == 0 {
		return Components{}, wrap(method, stats.ErrNoVariance)
	}
	c.Agreement = c.Subject / (c.Subject + c.Rater + c.Error)
	c.Consistency = c.Subject / (c.Subject + c.Error)
	return c, nil
}
