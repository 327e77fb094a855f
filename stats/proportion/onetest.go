package proportion

import (
	"fmt"
	"math"
	"sort"

	"keratally/stats"
	"keratally/stats/dist"
)

// likelihoodFuzz is how much more likely than the observed outcome another may
// be and still be counted as no more likely: enough for rounding, too little
// for a different outcome.
const likelihoodFuzz = 1 + 1e-7

// BinomialTest tests the hypothesis that the proportion is p0 by the exact
// binomial distribution of the number of events, which is Stat. The two-sided P
// sums the probabilities of all outcomes no more likely than the observed one
// (relative fuzz 1e−7); Less and Greater sum one tail. Interval is
// Clopper–Pearson, one-sided under Less and Greater.
//
// The error is stats.ErrNoData if n is 0; events outside [0, n], p0 outside
// [0, 1] or a level outside (0, 1) are errors too.
//
// Conover, Practical Nonparametric Statistics, 3rd ed. 1999, section 3.1; the
// two-sided rule is that of R's binom.test.
func BinomialTest(events, n int, p0 float64, alt stats.Alternative, level float64) (stats.Result, error) {
	const method = "exact binomial test"
	if err := checkNull(method, events, n, p0, level); err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, n)
	r.Alt, r.Stat, r.Estimate = alt, float64(events), Count{events, n}.Proportion()
	var err error
	switch alt {
	case stats.Less:
		r.P = dist.BinomialCDF(events, n, p0)
		r.Interval, err = ClopperPearsonUpper(events, n, level)
	case stats.Greater:
		r.P = dist.BinomialSF(events-1, n, p0)
		r.Interval, err = ClopperPearsonLower(events, n, level)
	default:
		r.P = binomialTwoSided(events, n, p0)
		r.Interval, err = ClopperPearson(events, n, level)
	}
	return r, err
}

// binomialTwoSided is the probability of all outcomes no more likely than
// events. On either side of the mean the probabilities fall away from it, so
// the far outcomes that count are a tail, and its beginning is found by halving.
func binomialTwoSided(events, n int, p0 float64) float64 {
	switch p0 {
	case 0:
		return certain(events == 0)
	case 1:
		return certain(events == n)
	}
	mean := float64(n) * p0
	limit := dist.BinomialPMF(events, n, p0) * likelihoodFuzz
	switch {
	case float64(events) == mean:
		return 1
	case float64(events) < mean:
		first := int(math.Ceil(mean))
		k := first + sort.Search(n-first+1, func(i int) bool { return dist.BinomialPMF(first+i, n, p0) <= limit })
		return min(1, dist.BinomialCDF(events, n, p0)+dist.BinomialSF(k-1, n, p0))
	default:
		last := int(math.Floor(mean))
		k := last - sort.Search(last+1, func(i int) bool { return dist.BinomialPMF(last-i, n, p0) <= limit })
		return min(1, dist.BinomialCDF(k, n, p0)+dist.BinomialSF(events-1, n, p0))
	}
}

// certain is the probability of an outcome that is sure or impossible.
func certain(happens bool) float64 {
	if happens {
		return 1
	}
	return 0
}

// ScoreTest tests the hypothesis that the proportion is p0 by the score
// statistic, Stat = χ² = (events − n·p0)² / (n·p0·(1−p0)) on one degree of
// freedom; with corrected, |events − n·p0| is first lessened by ½, though not
// below 0. One-sided P comes from the signed root of χ². Interval is Wilson's,
// with or without the correction, one-sided under Less and Greater.
//
// p0 of exactly 0 or 1 has no score statistic and is an error, as are the
// inputs that BinomialTest refuses.
func ScoreTest(events, n int, p0 float64, alt stats.Alternative, level float64, corrected bool) (stats.Result, error) {
	method := "score test of a proportion"
	if corrected {
		method += ", continuity-corrected"
	}
	if err := checkNull(method, events, n, p0, level); err != nil {
		return stats.Result{}, err
	}
	if p0 == 0 || p0 == 1 {
		return stats.Result{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "hypothetical proportion", Got: p0, Want: "strictly between 0 and 1"})
	}
	size := float64(n)
	apart := float64(events) - size*p0
	distance := math.Abs(apart)
	if corrected {
		distance = max(0, distance-0.5)
	}
	z := math.Copysign(distance/math.Sqrt(size*p0*(1-p0)), apart)

	r := stats.NewResult(method, n)
	r.Alt, r.Stat, r.DF, r.Estimate = alt, z*z, 1, Count{events, n}.Proportion()
	r.P = dist.PZ(z, alt)
	limits := Wilson
	if corrected {
		limits = WilsonCorrected
	}
	twoSided := level
	if alt != stats.TwoSided {
		twoSided = 2*level - 1
		if twoSided <= 0 {
			return stats.Result{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "confidence level", Got: level, Want: "above 0.5 for a one-sided limit"})
		}
	}
	iv, err := limits(events, n, twoSided)
	if err != nil {
		return stats.Result{}, err
	}
	iv.Level = level
	r.Interval = openSide(iv, alt, 0, 1)
	return r, nil
}

// openSide opens an interval to the end of the parameter's range on the side
// that a one-sided alternative does not bound.
func openSide(iv stats.Interval, alt stats.Alternative, lowest, highest float64) stats.Interval {
	switch alt {
	case stats.Less:
		iv.Lower = lowest
	case stats.Greater:
		iv.Upper = highest
	}
	return iv
}

func checkNull(method string, events, n int, p0, level float64) error {
	if err := checkOne(method, events, n, level); err != nil {
		return err
	}
	if !(p0 >= 0 && p0 <= 1) {
		return fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "hypothetical proportion", Got: p0, Want: "between 0 and 1"})
	}
	return nil
}
