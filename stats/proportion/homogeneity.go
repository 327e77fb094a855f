package proportion

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
)

// BreslowDay tests whether the odds ratio is the same in every stratum: the sum
// over strata of (a − ê)²/v̂, where ê and v̂ are the first cell and its variance
// expected at the Mantel–Haenszel odds ratio. With tarone, the square of the
// summed deviations over the summed variances is subtracted, which makes the
// statistic a score statistic. Degrees of freedom are one fewer than strata;
// strata with one group or one outcome only have none.
//
// The error is stats.ErrTooFew for fewer than two strata that say anything,
// and that of CommonOddsRatio where there is no common odds ratio.
//
// Breslow & Day, Statistical Methods in Cancer Research I, 1980, section 4.4;
// Tarone, Biometrika 1985;72:91–95.
func BreslowDay(strata []Stratum, tarone bool) (stats.Result, error) {
	method := "Breslow–Day test of a common odds ratio"
	if tarone {
		method += ", Tarone"
	}
	r, used, err := startHomogeneity(method, strata)
	if err != nil {
		return stats.Result{}, err
	}
	common, err := CommonOddsRatio(used, 0.95)
	if err != nil {
		return stats.Result{}, wrap(method, err)
	}
	var square, apart, variance float64
	for _, s := range used {
		a, _, _, _, n1, n0, _ := s.cells()
		m := float64(s.A.Events + s.B.Events)
		e := expectedCell(n1, n0, m, common.Estimate)
		v := 1 / (1/e + 1/(n1-e) + 1/(m-e) + 1/(n0-m+e))
		square += (a - e) * (a - e) / v
		apart += a - e
		variance += v
	}
	r.Stat = square
	if tarone {
		r.Stat = max(0, square-apart*apart/variance)
	}
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// expectedCell solves e(n₀ − m + e) = ψ(n₁ − e)(m − e) for the first cell
// within its margins.
func expectedCell(n1, n0, m, odds float64) float64 {
	lo, hi := max(0, m-n0), min(n1, m)
	return root.Bisect(func(e float64) float64 { return e*(n0-m+e) - odds*(n1-e)*(m-e) }, lo, hi)
}

// WoolfHomogeneity tests whether the odds ratio is the same in every stratum by
// the weighted sum of squares of the log odds ratios about their weighted mean,
// the weights being 1/(1/a + 1/b + 1/c + 1/d).
//
// A cell of 0 leaves its stratum without a log odds ratio: the error is
// stats.ErrSeparation, and BreslowDay has an answer.
//
// Woolf, Ann Hum Genet 1955;19:251–253.
func WoolfHomogeneity(strata []Stratum) (stats.Result, error) {
	const method = "Woolf test of a common odds ratio"
	r, used, err := startHomogeneity(method, strata)
	if err != nil {
		return stats.Result{}, err
	}
	var weights, logs []float64
	var total, mean float64
	for i, s := range used {
		a, b, c, d, _, _, _ := s.cells()
		if a == 0 || b == 0 || c == 0 || d == 0 {
			return stats.Result{}, fmt.Errorf("%s: stratum %d: %w", method, i+1, stats.ErrSeparation)
		}
		w, l := 1/(1/a+1/b+1/c+1/d), math.Log(a*d/(b*c))
		weights, logs = append(weights, w), append(logs, l)
		total += w
		mean += w * l
	}
	mean /= total
	r.Stat = 0
	for i, w := range weights {
		r.Stat += w * (logs[i] - mean) * (logs[i] - mean)
	}
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// startHomogeneity keeps the strata that say something, of which a test of
// homogeneity needs two.
func startHomogeneity(method string, strata []Stratum) (stats.Result, []Stratum, error) {
	r, err := startStrata(method, strata)
	if err != nil {
		return stats.Result{}, nil, err
	}
	var used []Stratum
	for _, s := range strata {
		if s.informative() {
			used = append(used, s)
		}
	}
	if len(used) < 2 {
		return stats.Result{}, nil, fmt.Errorf("strata with both groups and both outcomes: %w", &stats.TooFewError{Method: method, Got: len(used), Need: 2})
	}
	r.DF = float64(len(used) - 1)
	return r, used, nil
}
