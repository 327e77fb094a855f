// Package design holds the tests of designs that ask for more than a
// difference: that two treatments are alike within a margin, or that one is not
// worse than the other by more than a margin.
package design

import (
	"errors"
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/groups"
	"keratally/stats/paired"
	"keratally/stats/sum"
)

// Equivalence is the result of two one-sided tests. Estimate is the difference,
// first minus second, and Interval its limits at level 1 − 2α; P is the larger
// of the two p values.
type Equivalence struct {
	stats.Result
	Low, High        float64 // the margins
	Alpha            float64
	TLower, PLower   float64 // against a difference of Low or less
	TUpper, PUpper   float64 // against a difference of High or more
	Equivalent       bool    // P < α: the interval lies within the margins
	NonInferiorLower bool    // PLower < α: the interval lies above Low
	Conclusion       string  // one sentence, from the interval
}

// EquivalencePaired tests whether the mean of the differences x − y lies
// between the margins low and high, by two one-sided paired t tests at α. The
// margins are in the units of the data and are set before the data are seen.
// Errors are those of paired.T, and an *ArgumentError unless low < high; equal
// differences are ErrNoVariance with a result whose interval is one point.
//
// Schuirmann, J Pharmacokinet Biopharm 1987;15:657–680.
func EquivalencePaired(x, y []float64, low, high, alpha float64) (Equivalence, error) {
	if err := checkAlpha(alpha); err != nil {
		return Equivalence{}, err
	}
	d, err := paired.Differences(x, y)
	if err != nil {
		return Equivalence{}, err
	}
	r, err := paired.T(d, 0, stats.TwoSided, 1-2*alpha)
	if errors.Is(err, stats.ErrNoVariance) && low < high {
		return pointEquivalence(d, low, high, alpha), fmt.Errorf("equivalence test: %w", err)
	}
	if err != nil {
		return Equivalence{}, err
	}
	return Equivalent(r, low, high, alpha)
}

// pointEquivalence is what equal differences give: the limit of the tests as
// their spread goes to zero, with an interval of one point.
func pointEquivalence(d []float64, low, high, alpha float64) Equivalence {
	mean := sum.Mean(d)
	e := Equivalence{Result: stats.NewResult("two one-sided tests, equal differences", len(d)), Low: low, High: high, Alpha: alpha}
	e.Estimate, e.SE, e.DF = mean, 0, float64(len(d)-1)
	e.Interval = stats.Interval{Estimate: mean, Lower: mean, Upper: mean, Level: 1 - 2*alpha, Method: "one point"}
	e.TLower, e.PLower = pointTest(mean - low)
	e.TUpper, e.PUpper = pointTest(high - mean)
	e.TUpper = -e.TUpper
	e.P, e.Stat = math.Max(e.PLower, e.PUpper), e.TLower
	if e.PUpper > e.PLower {
		e.Stat = e.TUpper
	}
	e.Equivalent, e.NonInferiorLower = e.P < alpha, e.PLower < alpha
	e.Conclusion = e.conclude()
	e.Note("all differences are equal: nothing tells how far they would vary")
	return e
}

// pointTest is the one-sided test of a distance known without spread: t is
// infinite and p 0 or 1; a distance of zero has no t.
func pointTest(inside float64) (t, p float64) {
	switch {
	case inside > 0:
		return math.Inf(1), 0
	case inside < 0:
		return math.Inf(-1), 1
	default:
		return math.NaN(), 1
	}
}

// EquivalenceWelch is EquivalencePaired for two independent samples, by Welch's
// t; errors are those of groups.Welch.
func EquivalenceWelch(x, y []float64, low, high, alpha float64) (Equivalence, error) {
	return equivalenceOf(groups.Welch, x, y, low, high, alpha)
}

// EquivalenceStudent is EquivalenceWelch with variances taken to be equal.
func EquivalenceStudent(x, y []float64, low, high, alpha float64) (Equivalence, error) {
	return equivalenceOf(groups.Student, x, y, low, high, alpha)
}

type twoSampleTest func(x, y []float64, mu float64, alt stats.Alternative, level float64) (groups.TwoSample, error)

func equivalenceOf(test twoSampleTest, x, y []float64, low, high, alpha float64) (Equivalence, error) {
	if err := checkAlpha(alpha); err != nil {
		return Equivalence{}, err
	}
	t, err := test(x, y, 0, stats.TwoSided, 1-2*alpha)
	if err != nil {
		return Equivalence{}, err
	}
	return Equivalent(t.Result, low, high, alpha)
}

// Equivalent makes the two one-sided tests of any estimate with a standard
// error: that of a mixed model or a cluster-robust one as well as that of a t
// test. DF NaN or infinite means the normal distribution.
func Equivalent(r stats.Result, low, high, alpha float64) (Equivalence, error) {
	if err := checkAlpha(alpha); err != nil {
		return Equivalence{}, err
	}
	if !(low < high) {
		return Equivalence{}, &stats.ArgumentError{Name: "equivalence margins", Got: fmt.Sprintf("%g to %g", low, high), Want: "the lower below the upper"}
	}
	df, err := estimateDF("equivalence test", r)
	if err != nil {
		return Equivalence{}, err
	}
	e := Equivalence{
		Result: r, Low: low, High: high, Alpha: alpha,
		TLower: (r.Estimate - low) / r.SE, TUpper: (r.Estimate - high) / r.SE,
	}
	e.PLower = dist.PT(e.TLower, df, stats.Greater)
	e.PUpper = dist.PT(e.TUpper, df, stats.Less)
	e.P, e.Alt = math.Max(e.PLower, e.PUpper), stats.TwoSided
	e.Stat = e.TLower
	if e.PUpper > e.PLower {
		e.Stat = e.TUpper
	}
	e.Method = "two one-sided tests, " + r.Method
	half := -dist.TQuantile(alpha, df) * r.SE
	e.Interval = stats.Interval{
		Estimate: r.Estimate, Lower: r.Estimate - half, Upper: r.Estimate + half, Level: 1 - 2*alpha, Method: "Student t",
	}
	e.Equivalent, e.NonInferiorLower = e.P < alpha, e.PLower < alpha
	e.Conclusion = e.conclude()
	return e, nil
}

func (e Equivalence) conclude() string {
	interval := words(e.Interval)
	margins := fmt.Sprintf("the margins %.4g to %.4g", e.Low, e.High)
	switch {
	case e.Equivalent:
		return fmt.Sprintf("Equivalent: %s lies within %s.", interval, margins)
	case e.Interval.Lower >= e.High || e.Interval.Upper <= e.Low:
		return fmt.Sprintf("Not equivalent: %s lies outside %s.", interval, margins)
	default:
		return fmt.Sprintf("Not shown to be equivalent: %s reaches beyond %s.", interval, margins)
	}
}

func words(i stats.Interval) string {
	return fmt.Sprintf("the %.4g %% interval %.4g to %.4g", 100*i.Level, i.Lower, i.Upper)
}

// NonInferiority is the result of a one-sided test against a margin.
type NonInferiority struct {
	stats.Result // Interval is two-sided at level 1 − 2α
	Margin       float64
	Alpha        float64
	NonInferior  bool
	Superior     bool   // the interval excludes 0 on the better side
	Conclusion   string // one sentence, from the interval
}

// NotInferior tests whether an estimated difference, first minus second, is
// better than the margin that would still be accepted. With better Greater
// (higher values are better) the margin is the lowest acceptable difference,
// usually negative, and the test is of difference > margin; with better Less
// (such as logMAR) it is the highest, usually positive. P is one-sided.
//
// The estimate needs a standard error; DF NaN or infinite means the normal
// distribution. A better of TwoSided and an α outside (0, ½) are
// *ArgumentErrors. A margin on the wrong side of 0 asks for superiority by it.
//
// Piaggio and others, JAMA 2012;308:2594–2604.
func NotInferior(r stats.Result, margin float64, better stats.Alternative, alpha float64) (NonInferiority, error) {
	if err := checkAlpha(alpha); err != nil {
		return NonInferiority{}, err
	}
	if better == stats.TwoSided {
		return NonInferiority{}, &stats.ArgumentError{Name: "better direction", Got: better, Want: "less or greater"}
	}
	if math.IsNaN(margin) || math.IsInf(margin, 0) {
		return NonInferiority{}, &stats.ArgumentError{Name: "non-inferiority margin", Got: margin, Want: "a number in the units of the difference"}
	}
	df, err := estimateDF("non-inferiority test", r)
	if err != nil {
		return NonInferiority{}, err
	}
	n := NonInferiority{Result: r, Margin: margin, Alpha: alpha}
	n.Method, n.Alt = "non-inferiority, "+r.Method, better
	n.Stat = (r.Estimate - margin) / r.SE
	n.P = dist.PT(n.Stat, df, better)
	half := -dist.TQuantile(alpha, df) * r.SE
	n.Interval = stats.Interval{
		Estimate: r.Estimate, Lower: r.Estimate - half, Upper: r.Estimate + half, Level: 1 - 2*alpha, Method: "Student t",
	}
	n.NonInferior = n.P < alpha
	n.Superior = dist.PT(r.Estimate/r.SE, df, better) < alpha
	n.Conclusion = n.conclude()
	return n, nil
}

func (n NonInferiority) conclude() string {
	interval := words(n.Interval)
	worseThanMargin := n.Interval.Upper <= n.Margin
	if n.Alt == stats.Less {
		worseThanMargin = n.Interval.Lower >= n.Margin
	}
	switch {
	case n.NonInferior && n.Superior:
		return fmt.Sprintf("Not inferior, and better: %s lies on the better side of the margin %.4g and of 0.", interval, n.Margin)
	case n.NonInferior:
		return fmt.Sprintf("Not inferior: %s lies on the better side of the margin %.4g.", interval, n.Margin)
	case worseThanMargin:
		return fmt.Sprintf("Inferior: %s lies on the worse side of the margin %.4g.", interval, n.Margin)
	default:
		return fmt.Sprintf("Not shown to be non-inferior: %s reaches the margin %.4g.", interval, n.Margin)
	}
}

func estimateDF(method string, r stats.Result) (float64, error) {
	if !(r.SE > 0) || math.IsNaN(r.Estimate) {
		return 0, fmt.Errorf("%s: the estimate has no standard error: %w", method, stats.ErrNoVariance)
	}
	if math.IsNaN(r.DF) {
		return math.Inf(1), nil
	}
	if !(r.DF > 0) {
		return 0, &stats.ArgumentError{Name: "degrees of freedom", Got: r.DF, Want: "above zero, or NaN for the normal distribution"}
	}
	return r.DF, nil
}

func checkAlpha(alpha float64) error {
	if !(alpha > 0 && alpha < 0.5) {
		return &stats.ArgumentError{Name: "one-sided level α", Got: alpha, Want: "between 0 and 0.5, such as 0.05"}
	}
	return nil
}
