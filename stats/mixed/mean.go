package mixed

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/regress"
	"keratally/stats/sum"
)

// MeanResult is a mean over rows that are correlated within clusters.
type MeanResult struct {
	stats.Result
	WithinCorrelation float64 // τ²/(τ² + σ²), of two rows of one cluster; NaN if no cluster has two rows
	BetweenSD         float64 // τ; NaN if no cluster has two rows
	WithinSD          float64 // σ
	Pairs             int     // clusters with at least two rows
	Boundary          bool    // τ is estimated as 0
}

const meanMethod = "linear mixed model with a random patient intercept, REML, Satterthwaite"

// RandomInterceptMean estimates the mean of values whose rows are correlated
// within clusters, such as the change of the eyes of patients, and tests it
// against 0. The model is
//
//	y_ij = μ + b_i + e_ij,  b ~ N(0, τ²),  e ~ N(0, σ²)
//
// fitted by REML with Satterthwaite's degrees of freedom for μ. A patient with two
// eyes counts for less than two patients, the less the more alike the eyes
// are. cluster holds any number that tells patients apart.
//
// Where no cluster has two rows, this is the one-sample t test, digit for
// digit; also where τ² = 0, on the boundary, which a note says. Where the rows
// of every cluster are equal, the mean is that of the cluster means on
// clusters − 1 degrees of freedom.
//
// The errors are stats.ErrNoData or stats.ErrTooFew for fewer than two rows,
// stats.ErrOneGroup for one cluster, stats.ErrNoVariance if all values are
// equal, stats.ErrNotFinite, stats.ErrLengths and stats.ErrNotConverged.
func RandomInterceptMean(values []float64, cluster []int, level float64) (MeanResult, error) {
	var none MeanResult
	if err := stats.CheckLevel(level); err != nil {
		return none, err
	}
	if len(values) != len(cluster) {
		return none, fmt.Errorf("values and clusters: %w", stats.ErrLengths)
	}
	if err := stats.CheckSample("mean of clustered values", values, 2); err != nil {
		return none, err
	}
	codes, count := number(cluster)
	if count < 2 {
		return none, fmt.Errorf("mean of clustered values: %w", stats.ErrOneGroup)
	}
	sizes := make([]int, count)
	for _, g := range codes {
		sizes[g]++
	}
	pairs := 0
	for _, s := range sizes {
		if s > 1 {
			pairs++
		}
	}
	mean, variance := sum.Mean(values), sum.Variance(values)
	if variance == 0 {
		return none, fmt.Errorf("mean of clustered values: %w", stats.ErrNoVariance)
	}
	n := len(values)
	plain := func() MeanResult {
		c := regress.NewCoefficient("", mean, math.Sqrt(variance/float64(n)), float64(n-1), level)
		return MeanResult{Result: resultOf(c, meanMethod, n, count, level), WithinCorrelation: math.NaN(),
			BetweenSD: math.NaN(), WithinSD: math.Sqrt(variance), Pairs: pairs}
	}
	if pairs == 0 {
		r := plain()
		r.Note("no patient has two observations: this is the one-sample t test")
		return r, nil
	}
	if equalWithin(values, codes, count) {
		return equalClusters(values, codes, sizes, level), nil
	}
	w := make([]float64, 2*n)
	scale := math.Sqrt(variance)
	for i, y := range values {
		w[2*i], w[2*i+1] = 1/math.Sqrt(float64(n)), (y-mean)/scale
	}
	c := core{
		data:      &data{n: n, p: 1, scale: scale, logDetR: 0.5 * math.Log(float64(n))},
		structure: &withResidual{random: newIntercepts(w, 2, codes, count)},
	}
	best, err := c.data.minimise(c.structure, mapping{{cholesky, 1}, {logarithm, 1}}, []float64{math.Sqrt(0.5), math.Log(0.5)})
	if err != nil {
		return none, fmt.Errorf("mean of clustered values: %w", err)
	}
	between, within := best.psi[0], best.psi[1]
	if between < boundaryShare*within {
		r := plain()
		r.WithinCorrelation, r.BetweenSD, r.Boundary = 0, 0, true
		r.Note("within-patient correlation estimated as 0, on the boundary: the interval is that of the one-sample t test")
		return r, nil
	}
	c.best = best
	c.finish([][]float64{{1 / math.Sqrt(float64(n))}}, []float64{mean})
	se, df, err := c.one([]float64{1}, Satterthwaite)
	if err != nil {
		return none, err
	}
	return MeanResult{
		Result:            resultOf(regress.NewCoefficient("", c.beta[0], se, df, level), meanMethod, n, count, level),
		WithinCorrelation: between / (between + within),
		BetweenSD:         math.Sqrt(between) * scale, WithinSD: math.Sqrt(within) * scale, Pairs: pairs,
	}, nil
}

// number gives the clusters the numbers 0, 1, … in order of first appearance.
func number(cluster []int) (codes []int, count int) {
	codes = make([]int, len(cluster))
	lowest, highest := cluster[0], cluster[0]
	for _, c := range cluster {
		lowest, highest = min(lowest, c), max(highest, c)
	}
	if highest-lowest >= 0 && highest-lowest < 4*len(cluster)+1024 {
		place := make([]int, highest-lowest+1)
		for i, c := range cluster {
			k := &place[c-lowest]
			if *k == 0 {
				count++
				*k = count
			}
			codes[i] = *k - 1
		}
		return codes, count
	}
	index := make(map[int]int, len(cluster))
	for i, c := range cluster {
		k, ok := index[c]
		if !ok {
			k = count
			index[c] = k
			count++
		}
		codes[i] = k
	}
	return codes, count
}

func equalWithin(values []float64, codes []int, count int) bool {
	first := make([]float64, count)
	seen := make([]bool, count)
	for i, g := range codes {
		if !seen[g] {
			first[g], seen[g] = values[i], true
		} else if first[g] != values[i] {
			return false
		}
	}
	return true
}

// equalClusters is the limit σ² → 0: every cluster counts once.
func equalClusters(values []float64, codes, sizes []int, level float64) MeanResult {
	k := len(sizes)
	means := make([]float64, k)
	for i, g := range codes {
		means[g] = values[i]
	}
	variance := sum.Variance(means)
	c := regress.NewCoefficient("", sum.Mean(means), math.Sqrt(variance/float64(k)), float64(k-1), level)
	r := MeanResult{Result: resultOf(c, meanMethod, len(values), k, level), WithinCorrelation: 1, BetweenSD: math.Sqrt(variance)}
	for _, s := range sizes {
		if s > 1 {
			r.Pairs++
		}
	}
	r.Note("the values of each patient are equal: every patient counts once")
	return r
}
