package groups

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/multiplicity"
	"keratally/stats/rank"
	"keratally/stats/sum"
)

// KruskalWallis tests by ranks whether the groups come from one distribution:
//
//	H = (N−1)·Σ nᵢ(r̄ᵢ − r̄)² / Σ(r − r̄)²
//
// over the midranks of all values, which is the usual H corrected for ties; it
// is χ² on k − 1 degrees of freedom for groups of five and more. An empty
// group is ErrNoData, one group ErrOneGroup, all values equal ErrNoVariance.
//
// Kruskal & Wallis, J Am Stat Assoc 1952;47:583–621.
func KruskalWallis(groups []Group) (stats.Result, error) {
	const method = "Kruskal–Wallis test"
	ranks, variance, err := rankGroups(method, groups)
	if err != nil {
		return stats.Result{}, err
	}
	n := len(ranks)
	r := stats.NewResult("Kruskal–Wallis", n)
	r.Stat = betweenSquares(ranks, float64(n+1)/2, groups) / variance
	r.DF = float64(len(groups) - 1)
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// rankGroups returns the midranks of the groups' values one after another, and
// their variance with denominator N − 1.
func rankGroups(method string, groups []Group) (ranks []float64, variance float64, err error) {
	n, err := check(method, groups, 1)
	if err != nil {
		return nil, 0, err
	}
	all := make([]float64, 0, n)
	for _, g := range groups {
		all = append(all, g.Values...)
	}
	ranks, tied := rank.Midranks(all)
	if len(tied) == 1 {
		return nil, 0, noVariance(method)
	}
	size := float64(n)
	return ranks, (size*(size*size-1) - rank.TieSum(tied)) / (12 * (size - 1)), nil
}

// Pair is the comparison of two groups, the second minus the first.
type Pair struct {
	First, Second string
	Difference    float64        // of means, or of mean ranks
	Stat, DF      float64        // of the comparison; DF is NaN for a normal statistic
	P             float64        // for this pair alone; NaN where the method adjusts by its own distribution
	Adjusted      float64        // for all pairs together
	Interval      stats.Interval // simultaneous limits of Difference; Level 0 where the method has none
}

// Adjustment turns p values into ones adjusted for being several, in the same
// order: multiplicity.Holm, multiplicity.Bonferroni and the like.
type Adjustment func(p []float64) ([]float64, error)

// pairs compares each group with each later one, in order.
func pairs(groups []Group, compare func(i, j int) (Pair, error)) ([]Pair, error) {
	var all []Pair
	for i := range groups {
		for j := i + 1; j < len(groups); j++ {
			p, err := compare(i, j)
			if err != nil {
				return nil, fmt.Errorf("%s and %s: %w", groups[i].Name, groups[j].Name, err)
			}
			p.First, p.Second = groups[i].Name, groups[j].Name
			all = append(all, p)
		}
	}
	return all, nil
}

// adjust fills in Adjusted; no adjustment leaves each p as it is.
func adjust(all []Pair, adjustment Adjustment) ([]Pair, error) {
	raw := make([]float64, len(all))
	for i, p := range all {
		raw[i] = p.P
	}
	if adjustment == nil {
		adjustment = func(p []float64) ([]float64, error) { return p, nil }
	}
	adjusted, err := adjustment(raw)
	if err != nil {
		return nil, err
	}
	for i := range all {
		all[i].Adjusted = adjusted[i]
	}
	return all, nil
}

// Dunn compares all pairs of groups by their mean ranks among all groups, after
// KruskalWallis:
//
//	z = (r̄ⱼ − r̄ᵢ)/√(s²(1/nᵢ + 1/nⱼ))
//
// s² being the variance of the midranks. P is two-sided normal; a nil
// adjustment is Holm. The errors are those of KruskalWallis.
//
// Dunn, Technometrics 1964;6:241–252; Holm, Scand J Stat 1979;6:65–70.
func Dunn(groups []Group, adjustment Adjustment) ([]Pair, error) {
	ranks, variance, err := rankGroups("Dunn test", groups)
	if err != nil {
		return nil, err
	}
	means, start := make([]float64, len(groups)), 0
	for i, g := range groups {
		means[i] = sum.Mean(ranks[start : start+len(g.Values)])
		start += len(g.Values)
	}
	all, err := pairs(groups, func(i, j int) (Pair, error) {
		p := Pair{Difference: means[j] - means[i], DF: math.NaN()}
		p.Stat = p.Difference / math.Sqrt(variance*(1/float64(len(groups[i].Values))+1/float64(len(groups[j].Values))))
		p.P = dist.PZ(p.Stat, stats.TwoSided)
		return p, nil
	})
	if err != nil {
		return nil, err
	}
	if adjustment == nil {
		adjustment = multiplicity.Holm
	}
	return adjust(all, adjustment)
}

// Friedman tests by ranks within blocks whether treatments differ, in a complete
// layout with one value a block (such as a patient) and treatment (such as a
// visit): rows are blocks. With R the sums of midranks by treatment,
//
//	Q = 12·Σ(R − b(k+1)/2)² / (b·k(k+1) − Σ(t³−t)/(k−1))
//
// is χ² on k − 1 degrees of freedom for many blocks. No block is ErrNoData,
// rows of different lengths ErrLengths, one treatment ErrOneGroup, ties
// throughout every block ErrNoVariance.
//
// Friedman, J Am Stat Assoc 1937;32:675–701.
func Friedman(blocks [][]float64) (stats.Result, error) {
	const method = "Friedman test"
	k, err := checkBlocks(method, blocks, 1)
	if err != nil {
		return stats.Result{}, err
	}
	sums := make([]float64, k)
	ties := 0.0
	for _, block := range blocks {
		ranks, tied := rank.Midranks(block)
		ties += rank.TieSum(tied)
		for j, r := range ranks {
			sums[j] += r
		}
	}
	b, m := float64(len(blocks)), float64(k)
	scale := b*m*(m+1) - ties/(m-1)
	if scale == 0 {
		return stats.Result{}, noVariance(method)
	}
	r := stats.NewResult("Friedman", len(blocks)*k)
	r.Clusters = len(blocks)
	r.Stat = 0
	for _, s := range sums {
		r.Stat += 12 * (s - b*(m+1)/2) * (s - b*(m+1)/2) / scale
	}
	r.DF = m - 1
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// checkBlocks returns the number of treatments of a complete layout.
func checkBlocks(method string, blocks [][]float64, need int) (int, error) {
	if len(blocks) < need {
		return 0, &stats.TooFewError{Method: method + ", blocks", Got: len(blocks), Need: need}
	}
	k := len(blocks[0])
	if k < 2 {
		return 0, fmt.Errorf("%s: %w", method, stats.ErrOneGroup)
	}
	for i, block := range blocks {
		if len(block) != k {
			return 0, fmt.Errorf("%s: block %d has %d values, block 1 has %d: %w", method, i+1, len(block), k, stats.ErrLengths)
		}
		if err := stats.CheckSample(fmt.Sprintf("%s, block %d", method, i+1), block, k); err != nil {
			return 0, err
		}
	}
	return k, nil
}

// RepeatedMeasures is the analysis of variance of treatments within blocks.
type RepeatedMeasures struct {
	stats.Result
	TreatmentSS, ErrorSS, BlockSS float64
	Epsilon                       float64 // Greenhouse–Geisser: 1 when all differences have one variance, at least 1/(k−1)
	PGreenhouseGeisser            float64 // p with both degrees of freedom multiplied by Epsilon; NaN where Epsilon is
}

// RepeatedMeasuresAnova tests whether treatments (columns, such as visits)
// differ in mean in a complete layout with one value a block (row, such as a
// patient), each block being its own control:
//
//	F = [b·Σ(x̄ⱼ − x̄)²/(k−1)] / [ΣΣ(x − x̄ᵢ − x̄ⱼ + x̄)²/((b−1)(k−1))]
//
// It assumes normal values and that all differences between treatments have
// one variance (sphericity); PGreenhouseGeisser allows for a departure from
// that. Where values are missing use stats/mixed. Fewer than two blocks are
// ErrTooFew, one treatment ErrOneGroup, no variation left within the blocks
// ErrNoVariance.
//
// Fisher 1925, Statistical Methods for Research Workers; Greenhouse & Geisser,
// Psychometrika 1959;24:95–112.
func RepeatedMeasuresAnova(blocks [][]float64) (RepeatedMeasures, error) {
	const method = "repeated measures analysis of variance"
	k, err := checkBlocks(method, blocks, 2)
	if err != nil {
		return RepeatedMeasures{}, err
	}
	b := len(blocks)
	residuals, blockOff, treatmentOff := doublyCentred(blocks, k)
	a := RepeatedMeasures{Result: stats.NewResult("repeated measures analysis of variance", b*k)}
	a.Clusters = b
	a.TreatmentSS = float64(b) * sum.Dot(treatmentOff, treatmentOff)
	a.BlockSS = float64(k) * sum.Dot(blockOff, blockOff)
	for _, row := range residuals {
		a.ErrorSS += sum.Dot(row, row)
	}
	if a.ErrorSS <= epsilon*epsilon*(a.TreatmentSS+a.BlockSS) {
		return RepeatedMeasures{}, noVariance(method)
	}
	a.DF, a.DF2 = float64(k-1), float64((b-1)*(k-1))
	a.Stat = a.TreatmentSS / a.DF / (a.ErrorSS / a.DF2)
	a.P = dist.FSF(a.Stat, a.DF, a.DF2)
	a.Epsilon = sphericity(residuals, k)
	a.PGreenhouseGeisser = dist.FSF(a.Stat, a.DF*a.Epsilon, a.DF2*a.Epsilon)
	return a, nil
}

// doublyCentred splits a table into the distances of row and column means from
// the grand mean, and what is left.
func doublyCentred(blocks [][]float64, k int) (residuals [][]float64, rows, columns []float64) {
	all := make([]float64, 0, len(blocks)*k)
	for _, block := range blocks {
		all = append(all, block...)
	}
	grand := sum.Mean(all)
	rows, columns = make([]float64, len(blocks)), make([]float64, k)
	residuals = make([][]float64, len(blocks))
	column := make([]float64, len(blocks))
	for i, block := range blocks {
		residuals[i] = make([]float64, k)
		for j, v := range block {
			residuals[i][j] = v - grand
		}
		rows[i] = sum.Mean(residuals[i])
	}
	for j := range columns {
		for i := range blocks {
			column[i] = residuals[i][j]
		}
		columns[j] = sum.Mean(column)
	}
	for i := range residuals {
		for j := range residuals[i] {
			residuals[i][j] -= rows[i] + columns[j]
		}
	}
	return residuals, rows, columns
}

// sphericity is the Greenhouse–Geisser ε, tr(S)²/((k−1)·tr(S²)), S being the
// covariance of the doubly centred values.
func sphericity(residuals [][]float64, k int) float64 {
	var trace, squares float64
	for i := range k {
		for j := range k {
			s := 0.0
			for _, row := range residuals {
				s += row[i] * row[j]
			}
			if i == j {
				trace += s
			}
			squares += s * s
		}
	}
	return trace * trace / (float64(k-1) * squares)
}
