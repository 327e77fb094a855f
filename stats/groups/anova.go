package groups

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
)

// Anova is a one-way analysis of variance. Stat is F on DF and DF2 degrees of
// freedom.
type Anova struct {
	stats.Result
	BetweenSS, WithinSS float64
	BetweenMS, WithinMS float64
	ResidualSD          float64 // √WithinMS
	EtaSquared          float64 // BetweenSS / total: the R² of the group means
	OmegaSquared        float64 // (BetweenSS − (k−1)·WithinMS)/(total + WithinMS), less biased
}

// OneWay tests whether the means of the groups are equal:
//
//	F = [Σ nᵢ(x̄ᵢ − x̄)²/(k−1)] / [ΣΣ(x − x̄ᵢ)²/(N−k)]
//
// It assumes independent observations, normal within groups with one variance;
// WelchAnova does without the last. Sums are taken about a value near the mean
// and without rounding error, so that data of which only the last digits vary
// lose nothing.
//
// Fewer values than groups plus one are ErrTooFew; one group is ErrOneGroup; no
// variation within any group is ErrNoVariance, with a result that has the sums
// of squares and the degrees of freedom.
func OneWay(groups []Group) (Anova, error) {
	return anova("one-way analysis of variance", "one-way analysis of variance", groups)
}

func anova(method, printed string, groups []Group) (Anova, error) {
	n, err := check(method, groups, 1)
	if err != nil {
		return Anova{}, err
	}
	k := len(groups)
	if n <= k {
		return Anova{}, &stats.TooFewError{Method: method, Got: n, Need: k + 1}
	}
	means, within := aboutCentre(groups, n)
	grand, between := 0.0, 0.0
	for i, g := range groups {
		grand += means[i] * float64(len(g.Values)) / float64(n)
	}
	for i, g := range groups {
		between += (means[i] - grand) * (means[i] - grand) * float64(len(g.Values))
	}
	a := Anova{Result: stats.NewResult(printed, n), BetweenSS: between, WithinSS: within}
	a.DF, a.DF2 = float64(k-1), float64(n-k)
	if within <= 0 {
		return a, noVariance(method)
	}
	a.BetweenMS, a.WithinMS = between/a.DF, within/a.DF2
	a.ResidualSD = math.Sqrt(a.WithinMS)
	a.Stat = a.BetweenMS / a.WithinMS
	a.P = dist.FSF(a.Stat, a.DF, a.DF2)
	a.EtaSquared = between / (between + within)
	a.OmegaSquared = (between - a.DF*a.WithinMS) / (between + within + a.WithinMS)
	return a, nil
}

// aboutCentre returns the means of the groups as distances from the rounded
// grand mean, and the sum of squares within groups. Subtracting that centre is
// exact for values near it, so that the means keep the digits that an offset
// would have taken.
func aboutCentre(groups []Group, n int) (means []float64, within float64) {
	totals := make([]float64, len(groups))
	for i, g := range groups {
		totals[i] = sum.Sum(g.Values)
	}
	centre := sum.Sum(totals) / float64(n)
	means = make([]float64, len(groups))
	squares := make([]float64, len(groups))
	for i, g := range groups {
		off := make([]float64, len(g.Values))
		for j, v := range g.Values {
			off[j] = v - centre
		}
		means[i], squares[i] = sum.Mean(off), math.Max(0, sum.SumSquaresDev(off))
	}
	return means, sum.Sum(squares)
}

// WelchAnova tests whether the means of the groups are equal, with variances
// that may differ: with weights wᵢ = nᵢ/sᵢ² and their mean x̃,
//
//	F = Σwᵢ(x̄ᵢ − x̃)²/(k−1) / (1 + 2(k−2)λ),  λ = Σ(1 − wᵢ/Σw)²/(nᵢ−1) / (k²−1)
//
// on k − 1 and 1/(3λ) degrees of freedom. Each group needs two values
// (ErrTooFew) that are not all equal (ErrNoVariance).
//
// Welch, Biometrika 1951;38:330–336.
func WelchAnova(groups []Group) (stats.Result, error) {
	const method = "Welch analysis of variance"
	w, n, err := weigh(method, groups)
	if err != nil {
		return stats.Result{}, err
	}
	k := float64(len(groups))
	var lambda, between float64
	for i, g := range groups {
		lambda += (1 - w.weight[i]/w.total) * (1 - w.weight[i]/w.total) / float64(len(g.Values)-1)
		between += w.weight[i] * w.deviation[i] * w.deviation[i]
	}
	lambda /= k*k - 1
	r := stats.NewResult("Welch analysis of variance", n)
	r.Stat = between / (k - 1) / (1 + 2*(k-2)*lambda)
	r.DF, r.DF2 = k-1, 1/(3*lambda)
	r.P = dist.FSF(r.Stat, r.DF, r.DF2)
	return r, nil
}

// weighted holds the groups' precisions and the distances of their means from
// the precision-weighted mean.
type weighted struct {
	weight, deviation []float64
	total             float64
}

func weigh(method string, groups []Group) (weighted, int, error) {
	n, err := check(method, groups, 2)
	if err != nil {
		return weighted{}, 0, err
	}
	w := weighted{weight: make([]float64, len(groups))}
	means, _ := aboutCentre(groups, n)
	mean := 0.0
	for i, g := range groups {
		variance := sum.Variance(g.Values)
		if variance == 0 {
			return weighted{}, 0, noVariance(method + ", group " + g.Name)
		}
		w.weight[i] = float64(len(g.Values)) / variance
		w.total += w.weight[i]
		mean += w.weight[i] * means[i]
	}
	mean /= w.total
	for i := range means {
		means[i] -= mean
	}
	w.deviation = means
	return w, n, nil
}

// AlexanderGovern tests whether the means of the groups are equal, with
// variances that may differ: each group's t from the weighted mean is turned
// into a normal deviate by Hill's expansion, and the sum of their squares is χ²
// on k − 1 degrees of freedom. Conditions and errors are those of WelchAnova.
//
// Alexander & Govern, J Educ Stat 1994;19:91–101.
func AlexanderGovern(groups []Group) (stats.Result, error) {
	w, n, err := weigh("Alexander–Govern test", groups)
	if err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult("Alexander–Govern test of means", n)
	r.Stat = 0
	for i, g := range groups {
		df := float64(len(g.Values) - 1)
		t := w.deviation[i] * math.Sqrt(w.weight[i])
		a := df - 0.5
		b := 48 * a * a
		c := math.Sqrt(a * math.Log1p(t*t/df))
		c3 := c * c * c
		z := c + (c3+3*c)/b - (4*c3*c3*c+33*c3*c*c+240*c3+855*c)/(10*b*b+8*b*c3*c+1000*b)
		r.Stat += z * z
	}
	r.DF = float64(len(groups) - 1)
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}
