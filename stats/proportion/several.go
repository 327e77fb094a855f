package proportion

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// EqualProportions tests whether k groups share one proportion, by Pearson's
// χ² of the k×2 table on k − 1 degrees of freedom, without correction.
//
// The error is stats.ErrOneGroup for fewer than two groups, stats.ErrNoEvents
// when no group has an event, stats.ErrNoVariance when all have nothing else.
func EqualProportions(groups []Count) (stats.Result, error) {
	const method = "χ² test of equal proportions"
	pooled, total, err := poolGroups(method, groups)
	if err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, total)
	r.Stat, r.DF = 0, float64(len(groups)-1)
	for _, g := range groups {
		n := float64(g.N)
		d := float64(g.Events) - n*pooled
		r.Stat += d * d / (n * pooled * (1 - pooled))
		if e := n * min(pooled, 1-pooled); e < 5 {
			r.Note("group of %d: expected count %.2g is below 5", g.N, e)
		}
	}
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// Trend tests for a linear trend of the proportion over ordered groups with
// the given scores (nil: 1, 2, 3, …). With p̄ the pooled proportion,
//
//	Stat = χ² = (Σ sᵢ(xᵢ − nᵢp̄))² / (p̄(1−p̄)·(Σ nᵢsᵢ² − (Σ nᵢsᵢ)²/N))
//
// on one degree of freedom, two-sided.
//
// The errors are those of EqualProportions; scores that are all equal are
// stats.ErrNoVariance.
//
// Cochran, Biometrics 1954;10:417–451; Armitage, Biometrics 1955;11:375–386.
func Trend(groups []Count, scores []float64) (stats.Result, error) {
	const method = "Cochran–Armitage test for trend"
	pooled, total, err := poolGroups(method, groups)
	if err != nil {
		return stats.Result{}, err
	}
	if scores == nil {
		for i := range groups {
			scores = append(scores, float64(i+1))
		}
	}
	if len(scores) != len(groups) {
		return stats.Result{}, wrap(method, stats.ErrLengths)
	}
	mean := 0.0
	for i, g := range groups {
		mean += float64(g.N) * scores[i] / float64(total)
	}
	numerator, spread := 0.0, 0.0
	for i, g := range groups {
		s := scores[i] - mean
		numerator += s * (float64(g.Events) - float64(g.N)*pooled)
		spread += float64(g.N) * s * s
	}
	if math.IsNaN(spread) || math.IsInf(spread, 0) {
		return stats.Result{}, wrap(method, stats.ErrNotFinite)
	}
	if spread == 0 {
		return stats.Result{}, fmt.Errorf("%s: scores: %w", method, stats.ErrNoVariance)
	}
	r := stats.NewResult(method, total)
	r.Stat, r.DF = numerator*numerator/(pooled*(1-pooled)*spread), 1
	r.P = dist.ChiSquaredSF(r.Stat, 1)
	return r, nil
}

// poolGroups returns the proportion of all groups together and their size.
func poolGroups(method string, groups []Count) (pooled float64, total int, err error) {
	if len(groups) < 2 {
		return 0, 0, wrap(method, stats.ErrOneGroup)
	}
	events := 0
	for i, g := range groups {
		if err := g.check(method); err != nil {
			return 0, 0, fmt.Errorf("group %d: %w", i+1, err)
		}
		events += g.Events
		total += g.N
	}
	switch events {
	case 0:
		return 0, 0, wrap(method, stats.ErrNoEvents)
	case total:
		return 0, 0, wrap(method, stats.ErrNoVariance)
	}
	return float64(events) / float64(total), total, nil
}

// CochranQ tests whether the proportion of ones is the same in each column of
// a matrix of 0 and 1, a row being one subject seen under every condition. Rows
// that are all 0 or all 1 say nothing and cancel out. Stat is Q on columns − 1
// degrees of freedom.
//
// The error is stats.ErrOneGroup for fewer than two columns, stats.ErrNoData
// without rows, ErrNoDiscordant when no row varies.
//
// Cochran, Biometrika 1950;37:256–266.
func CochranQ(rows [][]int) (stats.Result, error) {
	const method = "Cochran's Q test"
	if len(rows) == 0 {
		return stats.Result{}, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	k := len(rows[0])
	if k < 2 {
		return stats.Result{}, wrap(method, stats.ErrOneGroup)
	}
	columns := make([]int, k)
	total, within := 0, 0
	for i, row := range rows {
		if len(row) != k {
			return stats.Result{}, fmt.Errorf("%s: row %d: %w", method, i+1, stats.ErrLengths)
		}
		ones := 0
		for j, v := range row {
			if v != 0 && v != 1 {
				return stats.Result{}, fmt.Errorf("%s: row %d, column %d: %w", method, i+1, j+1, &stats.ArgumentError{Name: "value", Got: v, Want: "0 or 1"})
			}
			ones += v
			columns[j] += v
		}
		total += ones
		within += ones * (k - ones)
	}
	if within == 0 {
		return stats.Result{}, wrap(method, ErrNoDiscordant)
	}
	between := 0
	for _, c := range columns {
		between += c * c
	}
	r := stats.NewResult(method, len(rows))
	r.Stat = float64(k-1) * float64(k*between-total*total) / float64(within)
	r.DF = float64(k - 1)
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}
