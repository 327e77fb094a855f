package proportion

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// Stratum is a 2×2 table of one stratum: two groups within it.
type Stratum struct{ A, B Count }

// cells returns the table in the letters of the Mantel–Haenszel formulas: a
// and b with and without event in the first group, c and d in the second, n₁
// and n₀ the groups' sizes, n their sum.
func (s Stratum) cells() (a, b, c, d, n1, n0, n float64) {
	a, c, n1, n0 = float64(s.A.Events), float64(s.B.Events), float64(s.A.N), float64(s.B.N)
	return a, n1 - a, c, n0 - c, n1, n0, n1 + n0
}

// informative reports whether the stratum has both groups and both outcomes;
// any other says nothing about an association.
func (s Stratum) informative() bool {
	events, n := s.A.Events+s.B.Events, s.A.N+s.B.N
	return s.A.N > 0 && s.B.N > 0 && events > 0 && events < n
}

// checkStrata refuses counts that cannot be and strata none of which is
// informative; it returns the number of observations.
func checkStrata(method string, strata []Stratum) (total int, err error) {
	informative := 0
	for i, s := range strata {
		for _, c := range []Count{s.A, s.B} {
			if c.Events < 0 || c.Events > c.N {
				return 0, fmt.Errorf("%s: stratum %d: %w", method, i+1, &stats.ArgumentError{Name: "events", Got: c.Events, Want: fmt.Sprintf("between 0 and n = %d", c.N)})
			}
		}
		total += s.A.N + s.B.N
		if s.informative() {
			informative++
		}
	}
	if total == 0 {
		return 0, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	if informative == 0 {
		return 0, fmt.Errorf("%s: in every stratum one group or one outcome is missing: %w", method, ErrEmptyMargin)
	}
	return total, nil
}

// startStrata begins a result and notes the strata that say nothing.
func startStrata(method string, strata []Stratum) (stats.Result, error) {
	total, err := checkStrata(method, strata)
	if err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, total)
	idle := 0
	for _, s := range strata {
		if !s.informative() {
			idle++
		}
	}
	if idle > 0 {
		r.Note("%d of %d strata have one group or one outcome only and say nothing", idle, len(strata))
	}
	return r, nil
}

// MantelHaenszel tests the hypothesis that group and event are independent in
// every stratum:
//
//	Stat = χ² = (|Σ(a − n₁m/n)| − ½)² / Σ n₁n₀m(n − m)/(n²(n − 1))
//
// on one degree of freedom, m being the events of a stratum; the ½ only with
// corrected and only when the distance reaches it. Estimate and Interval are
// CommonOddsRatio's at 95 %, where it exists.
//
// The error is stats.ErrNoData without observations, ErrEmptyMargin when every
// stratum lacks a group or an outcome.
//
// Mantel & Haenszel, J Natl Cancer Inst 1959;22:719–748.
func MantelHaenszel(strata []Stratum, corrected bool) (stats.Result, error) {
	method := "Mantel–Haenszel test"
	if corrected {
		method += ", continuity-corrected"
	}
	r, err := startStrata(method, strata)
	if err != nil {
		return stats.Result{}, err
	}
	excess, variance := 0.0, 0.0
	for _, s := range strata {
		if !s.informative() {
			continue
		}
		a, _, c, _, n1, n0, n := s.cells()
		m := a + c
		excess += a - n1*m/n
		variance += n1 * n0 * m * (n - m) / (n * n * (n - 1))
	}
	distance := math.Abs(excess)
	if corrected && distance >= 0.5 {
		distance -= 0.5
	}
	r.Stat, r.DF = distance*distance/variance, 1
	r.P = dist.ChiSquaredSF(r.Stat, 1)
	if iv, err := CommonOddsRatio(strata, 0.95); err == nil {
		r.Estimate, r.Interval = iv.Estimate, iv
	} else {
		r.Note("no common odds ratio: %v", err)
	}
	return r, nil
}

// CommonOddsRatio returns the Mantel–Haenszel odds ratio Σ(ad/n)/Σ(bc/n) with
// log limits from the variance of Robins, Breslow and Greenland.
//
// When one of the sums is 0 the estimate is 0 or infinite, without a standard
// error: the error is stats.ErrSeparation, and CommonOddsRatioExact has limits.
//
// Robins, Breslow & Greenland, Biometrics 1986;42:311–323.
func CommonOddsRatio(strata []Stratum, level float64) (stats.Interval, error) {
	const method = "Mantel–Haenszel odds ratio"
	if err := checkStrataLevel(method, strata, level); err != nil {
		return stats.Interval{}, err
	}
	var agree, oppose, aa, mixed, oo float64
	for _, s := range strata {
		a, b, c, d, _, _, n := s.cells()
		if n == 0 {
			continue
		}
		agree += a * d / n
		oppose += b * c / n
		aa += (a + d) * a * d / (n * n)
		mixed += ((a+d)*b*c + (b+c)*a*d) / (n * n)
		oo += (b + c) * b * c / (n * n)
	}
	if agree == 0 || oppose == 0 {
		return stats.Interval{}, wrap(method, stats.ErrSeparation)
	}
	se := math.Sqrt(aa/(2*agree*agree) + mixed/(2*agree*oppose) + oo/(2*oppose*oppose))
	return aroundLog(stats.Interval{Estimate: agree / oppose, Level: level, Method: method}, se), nil
}

// CommonRiskRatio returns the Mantel–Haenszel ratio of proportions
// Σ(a·n₀/n)/Σ(c·n₁/n) with log limits from the variance of Greenland and
// Robins. The error is stats.ErrNoEvents when a group has no event at all.
//
// Greenland & Robins, Biometrics 1985;41:55–68.
func CommonRiskRatio(strata []Stratum, level float64) (stats.Interval, error) {
	const method = "Mantel–Haenszel risk ratio"
	if err := checkStrataLevel(method, strata, level); err != nil {
		return stats.Interval{}, err
	}
	var first, second, spread float64
	for _, s := range strata {
		a, _, c, _, n1, n0, n := s.cells()
		if n == 0 {
			continue
		}
		first += a * n0 / n
		second += c * n1 / n
		spread += (n1*n0*(a+c) - a*c*n) / (n * n)
	}
	if first == 0 || second == 0 {
		return stats.Interval{}, wrap(method, stats.ErrNoEvents)
	}
	return aroundLog(stats.Interval{Estimate: first / second, Level: level, Method: method}, math.Sqrt(spread/(first*second))), nil
}

// CommonRiskDifference returns the Mantel–Haenszel difference of proportions
// Σ((a·n₀ − c·n₁)/n)/Σ(n₁n₀/n), with its standard error and limits from Sato's
// variance, which holds for many small strata and for few large ones.
//
// Sato, Biometrics 1989;45:1323–1324.
func CommonRiskDifference(strata []Stratum, level float64) (stats.Result, error) {
	const method = "Mantel–Haenszel risk difference, Sato variance"
	if err := checkLevel(method, level); err != nil {
		return stats.Result{}, err
	}
	r, err := startStrata(method, strata)
	if err != nil {
		return stats.Result{}, err
	}
	var apart, weight, p, q float64
	for _, s := range strata {
		a, _, c, _, n1, n0, n := s.cells()
		if n == 0 {
			continue
		}
		apart += (a*n0 - c*n1) / n
		weight += n1 * n0 / n
		p += (n1*n1*c - n0*n0*a + n1*n0*(n0-n1)/2) / (n * n)
		q += (a*(n0-c) + c*(n1-a)) / (2 * n)
	}
	r.Estimate = apart / weight
	r.SE = math.Sqrt(max(0, r.Estimate*p+q)) / weight
	half := twoSidedZ(level) * r.SE
	r.Interval = stats.Interval{Estimate: r.Estimate, Lower: r.Estimate - half, Upper: r.Estimate + half, Level: level, Method: method}
	return r, nil
}

// CommonOddsRatioExact tests the hypothesis that the common odds ratio is 1 by
// the exact distribution of the sum of the first cells given all margins, and
// returns the conditional maximum likelihood odds ratio with exact central
// limits. The two-sided P sums all sums no more likely than the observed one.
// The cost grows with the number of strata times the square of their events.
//
// Estimate and limits behave at the extremes as OddsRatioConditional's; the
// errors are those of MantelHaenszel.
//
// Agresti, Categorical Data Analysis, 2nd ed. 2002, section 6.6.
func CommonOddsRatioExact(strata []Stratum, level float64) (stats.Result, error) {
	const method = "exact conditional test of a common odds ratio"
	if err := checkLevel(method, level); err != nil {
		return stats.Result{}, err
	}
	r, err := startStrata(method, strata)
	if err != nil {
		return stats.Result{}, err
	}
	tilt := roughLogOdds(strata)
	all, x := family{log: []float64{0}}, 0
	for _, s := range strata {
		all = all.convolve(newHypergeometric(s.A.N, s.B.N, s.A.Events+s.B.Events), tilt)
		x += s.A.Events
	}
	var lower, upper float64
	r.Estimate, lower, upper = all.oddsRatio(x, level)
	r.Interval = stats.Interval{Estimate: r.Estimate, Lower: lower, Upper: upper, Level: level, Method: "exact central limits of the conditional odds ratio"}
	r.Stat = float64(x)
	r.P = all.noMoreLikely(x)
	return r, nil
}

// roughLogOdds is a log odds ratio near which the observed sum is likely, so
// that no probability that matters underflows.
func roughLogOdds(strata []Stratum) float64 {
	agree, oppose := 0.5, 0.5
	for _, s := range strata {
		if a, b, c, d, _, _, n := s.cells(); n > 0 {
			agree += a * d / n
			oppose += b * c / n
		}
	}
	return math.Log(agree / oppose)
}

func checkStrataLevel(method string, strata []Stratum, level float64) error {
	if _, err := checkStrata(method, strata); err != nil {
		return err
	}
	return checkLevel(method, level)
}
