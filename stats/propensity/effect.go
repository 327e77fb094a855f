package propensity

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// Effect returns the difference of the weighted mean outcomes, treated less
// control. Its standard error is the sandwich (HC0) of the weighted regression
// on treatment,
//
//	√ Σ over both groups of Σ w²(y − ȳ)² / (Σ w)²,
//
// with w·(y − ȳ)/Σw summed within clusters before squaring if cluster is
// given. It takes the weights as known, which for weights from an estimated
// score makes it somewhat too large rather than too small. Limits and p value
// are normal.
//
// Errors: stats.ErrNoData, stats.ErrLengths, stats.ErrNotFinite,
// stats.ErrOneGroup if a group has no weight, *stats.ArgumentError for a
// negative weight or a level outside (0, 1), and stats.ErrNoVariance if the
// outcome is constant in each group.
//
// Lunceford & Davidian, Stat Med 2004;23:2937–2960. Li, Morgan & Zaslavsky, J Am
// Stat Assoc 2018;113:390–400.
func Effect(treated []bool, y, weights []float64, cluster []int, level float64) (stats.Result, error) {
	r := stats.NewResult("weighted difference of means, robust variance", len(y))
	fail := func(err error) (stats.Result, error) { return r, fmt.Errorf("%s: %w", r.Method, err) }
	if err := stats.CheckLevel(level); err != nil {
		return fail(err)
	}
	n := len(y)
	if n == 0 {
		return fail(stats.ErrNoData)
	}
	if len(treated) != n || len(weights) != n || (cluster != nil && len(cluster) != n) {
		return fail(fmt.Errorf("%d outcomes, %d treatments, %d weights, %d clusters: %w",
			n, len(treated), len(weights), len(cluster), stats.ErrLengths))
	}
	for _, column := range [][]float64{y, weights} {
		if err := stats.CheckSample(r.Method, column, 1); err != nil {
			return r, err
		}
	}
	var groups [2]moments
	for i, v := range y {
		if math.IsNaN(v) || math.IsInf(v, 0) || math.IsNaN(weights[i]) || math.IsInf(weights[i], 0) {
			return fail(fmt.Errorf("row %d: %w", i+1, stats.ErrNotFinite))
		}
		if weights[i] < 0 {
			return fail(fmt.Errorf("row %d: %w", i+1, &stats.ArgumentError{Name: "weight", Got: weights[i], Want: "0 or more"}))
		}
		groups[side(treated[i])].add(v, weights[i])
	}
	if groups[0].weight == 0 || groups[1].weight == 0 {
		return fail(stats.ErrOneGroup)
	}
	slot := make(map[int]int, n)
	var influence []float64 // by row or cluster, in the order of first appearance
	for i, v := range y {
		g := side(treated[i])
		u := weights[i] * (v - groups[g].weighted) / groups[g].weight
		if g == 0 {
			u = -u
		}
		at := i
		if cluster != nil {
			at = cluster[i]
		}
		k, seen := slot[at]
		if !seen {
			k = len(influence)
			slot[at], influence = k, append(influence, 0)
		}
		influence[k] += u
	}
	r.Clusters = len(influence)
	if cluster != nil {
		r.Method += " clustered by patient"
	}
	r.Estimate = groups[1].weighted - groups[0].weighted
	var variance float64
	for _, u := range influence {
		variance += u * u
	}
	if variance == 0 {
		return fail(stats.ErrNoVariance)
	}
	r.SE = math.Sqrt(variance)
	z := dist.NormalQuantile((1 + level) / 2)
	r.Stat = r.Estimate / r.SE
	r.P = dist.PZ(r.Stat, stats.TwoSided)
	r.Interval = stats.Interval{
		Estimate: r.Estimate, Lower: r.Estimate - z*r.SE, Upper: r.Estimate + z*r.SE, Level: level, Method: "normal",
	}
	return r, nil
}

func side(treated bool) int {
	if treated {
		return 1
	}
	return 0
}
