package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
	"keratally/stats/dist"
)

// LogRankOptions chooses among the tests of LogRank.
type LogRankOptions struct {
	// Rho weights each event time by S(t−)^Rho, S being the pooled
	// Kaplan–Meier curve of the stratum (Harrington & Fleming): 0 is the
	// log-rank test, 1 the Peto–Peto form of the Wilcoxon test.
	Rho float64
}

// LogRankResult is a log-rank test with what it was made from.
type LogRankResult struct {
	stats.Result             // Stat is χ²
	Groups       []int       // group codes, ascending
	PerGroup     []int       // rows of each group
	Observed     []float64   // (weighted) events of each group
	Expected     []float64   // (weighted) events expected under one hazard
	Variance     [][]float64 // of Observed − Expected
}

// LogRank tests the hypothesis that all groups share one hazard of the event:
//
//	χ² = (O−E)ᵀ·V⁻¹·(O−E), one group left out, on groups − 1 degrees of freedom,
//
// E summing d·n_g/n over event times and V the hypergeometric variance, both
// within strata (d.Strata) and then summed over them. A group with nobody at
// risk at any event time takes no part and costs no degree of freedom. If
// d.Cluster is given V is instead the sum over clusters of the squared score
// contributions, as in the robust score test of proportional hazards
// regression with Breslow's ties, and Rho must be 0.
//
// It assumes that censoring is alike in the groups, and is most powerful
// against proportional hazards. Errors: stats.ErrOneGroup, stats.ErrNoEvents,
// stats.ErrNoVariance if at every event only one group was at risk, and those
// of KaplanMeier.
//
// Mantel, Cancer Chemother Rep 1966;50:163–170; Peto & Peto, J R Stat Soc A
// 1972;135:185–207; Harrington & Fleming, Biometrika 1982;69:553–566.
func LogRank(d Data, group []int, o LogRankOptions) (LogRankResult, error) {
	r, err := logRankSums(d, group, o)
	if err != nil {
		return r, err
	}
	var used []int
	for g, e := range r.Expected {
		if e > 0 {
			used = append(used, g)
		}
	}
	if len(used) < 2 {
		return r, fmt.Errorf("%s: at every event only one group was at risk: %w", r.Method, stats.ErrNoVariance)
	}
	k := len(used) - 1
	diff, v := make([]float64, len(r.Groups)), mat.NewSymDense(len(r.Groups), nil)
	for g := range diff {
		diff[g] = r.Observed[g] - r.Expected[g]
		for h := g; h < len(diff); h++ {
			v.SetSym(g, h, r.Variance[g][h])
		}
	}
	chi, ok := definite.Wald(v, diff, used[1:])
	if !ok {
		return r, fmt.Errorf("%s: %w", r.Method, stats.ErrNoVariance)
	}
	r.Stat, r.DF = chi, float64(k)
	r.P = dist.ChiSquaredSF(chi, r.DF)
	if len(used) < len(r.Groups) {
		r.Note("%d of %d groups had nobody at risk at any event and take no part", len(r.Groups)-len(used), len(r.Groups))
	}
	return r, nil
}

// LogRankTrend tests one hazard against a hazard that rises or falls with the
// score of the group:
//
//	χ² = (Σ s·(O−E))² / sᵀVs on 1 degree of freedom.
//
// scores holds one number for each group, in ascending order of group code.
// Errors are those of LogRank, stats.ErrLengths if the number of scores is
// not that of the groups, and stats.ErrNoVariance if all scores are equal.
//
// Tarone, Biometrika 1975;62:679–682.
func LogRankTrend(d Data, group []int, scores []float64, o LogRankOptions) (LogRankResult, error) {
	r, err := logRankSums(d, group, o)
	if err != nil {
		return r, err
	}
	r.Method += ", trend"
	if len(scores) != len(r.Groups) {
		return r, fmt.Errorf("%s: %d groups but %d scores: %w", r.Method, len(r.Groups), len(scores), stats.ErrLengths)
	}
	var u, v, scale float64
	for g, s := range scores {
		if math.IsNaN(s) || math.IsInf(s, 0) {
			return r, fmt.Errorf("%s: score of group %d: %w", r.Method, r.Groups[g], stats.ErrNotFinite)
		}
		u += s * (r.Observed[g] - r.Expected[g])
		for h, t := range scores {
			v += s * t * r.Variance[g][h]
			scale += math.Abs(s * t * r.Variance[g][h])
		}
	}
	if v <= 1e-12*scale || v == 0 {
		return r, fmt.Errorf("%s: %w", r.Method, stats.ErrNoVariance)
	}
	r.Stat, r.DF = u*u/v, 1
	r.P = dist.ChiSquaredSF(r.Stat, 1)
	return r, nil
}

// logRankSums accumulates O, E and V.
func logRankSums(d Data, group []int, o LogRankOptions) (LogRankResult, error) {
	method := logRankName(d, o)
	r := LogRankResult{Result: stats.NewResult(method, len(d.Time))}
	if err := d.check(method); err != nil {
		return r, err
	}
	if len(group) != len(d.Time) {
		return r, fmt.Errorf("%s: %d times but %d groups: %w", method, len(d.Time), len(group), stats.ErrLengths)
	}
	if math.IsNaN(o.Rho) || math.IsInf(o.Rho, 0) {
		return r, &stats.ArgumentError{Name: "rho", Got: o.Rho, Want: "a finite number, 0 for the log-rank test"}
	}
	if d.Cluster != nil && o.Rho != 0 {
		return r, fmt.Errorf("%s: %w", method,
			&stats.ArgumentError{Name: "rho", Got: o.Rho, Want: "0 where the variance is clustered"})
	}
	codes, levels := denseCodes(group)
	if len(levels) < 2 {
		return r, fmt.Errorf("%s: %w", method, stats.ErrOneGroup)
	}
	k := len(levels)
	r.Groups, r.PerGroup = levels, make([]int, k)
	r.Clusters = d.clusters()
	r.Observed, r.Expected, r.Variance = make([]float64, k), make([]float64, k), square(k)
	for _, g := range codes {
		r.PerGroup[g]++
	}
	if d.events() == 0 {
		return r, fmt.Errorf("%s: %w", method, stats.ErrNoEvents)
	}
	var scores *clusterScores
	if d.Cluster != nil {
		scores = newClusterScores(d.Cluster, k)
	}
	order := timeOrder(d.Time)
	settled := settleTies(d.Time, order)
	for _, rows := range byStratum(d.Strata, order) {
		r.addStratum(d, codes, rows, runs(settled, rows), o.Rho, scores)
	}
	if scores != nil {
		scores.variance(r.Variance)
	}
	return r, nil
}

// addStratum adds the rows of one stratum, given in ascending order of time with
// the end of the rows of each distinct time.
func (r *LogRankResult) addStratum(d Data, codes []int, rows []int32, ends []int, rho float64, scores *clusterScores) {
	k := len(r.Groups)
	risk, dead := make([]float64, k), make([]float64, k)
	for _, i := range rows {
		risk[codes[i]]++
	}
	n, surv := float64(len(rows)), 1.0
	var hazard float64                   // Σ d/n so far
	var shareHazard = make([]float64, k) // Σ d/n · n_g/n so far
	start := 0
	for _, end := range ends {
		clear(dead)
		events := 0.0
		for _, i := range rows[start:end] {
			if d.Event[i] {
				dead[codes[i]]++
				events++
			}
		}
		if events > 0 {
			w := 1.0
			if rho != 0 {
				w = math.Pow(surv, rho)
			}
			spread := 0.0
			if n > 1 {
				spread = w * w * events * (n - events) / (n - 1)
			}
			for g := range risk {
				r.Observed[g] += w * dead[g]
				r.Expected[g] += w * events * risk[g] / n
				if scores != nil {
					continue
				}
				share := risk[g] / n
				r.Variance[g][g] += spread * share * (1 - share)
				for h := range g {
					cov := spread * share * risk[h] / n
					r.Variance[g][h] -= cov
					r.Variance[h][g] -= cov
				}
			}
			hazard += events / n
			for g := range risk {
				shareHazard[g] += events / n * risk[g] / n
			}
			surv *= (n - events) / n
		}
		for _, i := range rows[start:end] {
			if scores != nil {
				scores.add(int(i), codes[i], d.Event[i], risk, n, hazard, shareHazard)
			}
		}
		for _, i := range rows[start:end] {
			risk[codes[i]]--
		}
		n -= float64(end - start)
		start = end
	}
}

func logRankName(d Data, o LogRankOptions) string {
	name := "log-rank"
	switch {
	case o.Rho == 1:
		name = "Peto–Peto"
	case o.Rho != 0:
		name = fmt.Sprintf("Harrington–Fleming, rho %g", o.Rho)
	}
	if d.Strata != nil {
		name += ", stratified"
	}
	if d.Cluster != nil {
		name += ", variance clustered by patient"
	}
	return name
}

// byStratum splits row numbers into strata, keeping their order.
func byStratum(strata []int, order []int32) [][]int32 {
	if strata == nil {
		return [][]int32{order}
	}
	codes, levels := denseCodes(strata)
	rows := make([][]int32, len(levels))
	for _, i := range order {
		rows[codes[i]] = append(rows[codes[i]], i)
	}
	return rows
}

// clusterScores sums the score contributions of the rows by cluster.
type clusterScores struct {
	codes []int
	sums  [][]float64
}

func newClusterScores(cluster []int, k int) *clusterScores {
	codes, levels := denseCodes(cluster)
	s := &clusterScores{codes: codes, sums: make([][]float64, len(levels))}
	for c := range s.sums {
		s.sums[c] = make([]float64, k)
	}
	return s
}

// add takes in row i at its time: the observed part if it had the event, less
// what was expected of it up to now.
func (s *clusterScores) add(i, group int, event bool, risk []float64, n, hazard float64, shareHazard []float64) {
	sum := s.sums[s.codes[i]]
	for g := range sum {
		in := 0.0
		if g == group {
			in = 1
		}
		if event {
			sum[g] += in - risk[g]/n
		}
		sum[g] -= in*hazard - shareHazard[g]
	}
}

func (s *clusterScores) variance(v [][]float64) {
	for _, u := range s.sums {
		for g := range u {
			for h := range u {
				v[g][h] += u[g] * u[h]
			}
		}
	}
}

func square(k int) [][]float64 {
	m := make([][]float64, k)
	for i := range m {
		m[i] = make([]float64, k)
	}
	return m
}
