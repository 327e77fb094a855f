package groups

import (
	"math"

	"keratally/stats"
	"keratally/stats/describe"
	"keratally/stats/dist"
	"keratally/stats/rank"
	"keratally/stats/sum"
)

// VarianceRatio tests whether two normal samples have equal variances by
// F = s₁²/s₂² on m − 1 and n − 1 degrees of freedom. Estimate and Stat are the
// ratio, with limits F/F(upper quantile) and F/F(lower quantile); the two-sided
// p is twice the smaller tail. It is sensitive to long tails: BrownForsythe is
// not.
//
// Fewer than two values are ErrTooFew; a constant sample is ErrNoVariance.
func VarianceRatio(x, y []float64, alt stats.Alternative, level float64) (stats.Result, error) {
	const method = "variance ratio test"
	if err := stats.CheckLevel(level); err != nil {
		return stats.Result{}, err
	}
	if err := checkBoth(method, x, y, 2); err != nil {
		return stats.Result{}, err
	}
	vx, vy := sum.Variance(x), sum.Variance(y)
	if vx == 0 || vy == 0 {
		return stats.Result{}, noVariance(method)
	}
	r := stats.NewResult("F test of two variances", len(x)+len(y))
	r.Stat, r.DF, r.DF2, r.Alt = vx/vy, float64(len(x)-1), float64(len(y)-1), alt
	r.Estimate = r.Stat
	less, greater := dist.FCDF(r.Stat, r.DF, r.DF2), dist.FSF(r.Stat, r.DF, r.DF2)
	r.P = alt.P(less, greater)
	tail := alt.Tail(level)
	r.Interval = stats.Interval{Estimate: r.Stat, Lower: 0, Upper: math.Inf(1), Level: level, Method: "F"}
	if alt != stats.Less { // the upper quantile is 1/(lower quantile with the degrees of freedom swapped)
		r.Interval.Lower = r.Stat * dist.FQuantile(tail, r.DF2, r.DF)
	}
	if alt != stats.Greater {
		r.Interval.Upper = r.Stat / dist.FQuantile(tail, r.DF, r.DF2)
	}
	return r, nil
}

// Bartlett tests whether normal groups have equal variances: K² is
//
//	(N−k)·log s² − Σ(nᵢ−1)·log sᵢ², over 1 + (Σ1/(nᵢ−1) − 1/(N−k))/(3(k−1))
//
// and χ² on k − 1 degrees of freedom. Each group needs two values (ErrTooFew)
// that are not all equal (ErrNoVariance). Sensitive to long tails.
//
// Bartlett, Proc R Soc A 1937;160:268–282.
func Bartlett(groups []Group) (stats.Result, error) {
	const method = "Bartlett test"
	n, err := check(method, groups, 2)
	if err != nil {
		return stats.Result{}, err
	}
	k := float64(len(groups))
	within := float64(n) - k
	var squares, logs, inverses float64
	for _, g := range groups {
		v, m := sum.Variance(g.Values), float64(len(g.Values)-1)
		if v == 0 {
			return stats.Result{}, noVariance(method + ", group " + g.Name)
		}
		squares += m * v
		logs += m * math.Log(v)
		inverses += 1 / m
	}
	r := stats.NewResult("Bartlett test of equal variances", n)
	r.Stat = (within*math.Log(squares/within) - logs) / (1 + (inverses-1/within)/(3*(k-1)))
	r.DF = k - 1
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// Levene tests whether groups have equal spread: a one-way analysis of
// variance of the distances |x − mean of the group|.
//
// Levene 1960, in Contributions to Probability and Statistics (Olkin ed.), 278–292.
func Levene(groups []Group) (stats.Result, error) {
	return spread("Levene test", "Levene test of equal variances", groups, func(x []float64) (float64, error) {
		return sum.Mean(x), nil
	})
}

// BrownForsythe is Levene with distances from the median, which holds its level
// also for skewed data.
//
// Brown & Forsythe, J Am Stat Assoc 1974;69:364–367.
func BrownForsythe(groups []Group) (stats.Result, error) {
	return spread("Brown–Forsythe test", "Brown–Forsythe test of equal variances", groups, describe.Median)
}

func spread(method, printed string, groups []Group, centre func([]float64) (float64, error)) (stats.Result, error) {
	if _, err := check(method, groups, 1); err != nil {
		return stats.Result{}, err
	}
	distances := make([]Group, len(groups))
	for i, g := range groups {
		c, err := centre(g.Values)
		if err != nil {
			return stats.Result{}, err
		}
		distances[i] = Group{Name: g.Name, Values: make([]float64, len(g.Values))}
		for j, v := range g.Values {
			distances[i].Values[j] = math.Abs(v - c)
		}
	}
	a, err := anova(method, printed, distances)
	if err != nil {
		return stats.Result{}, err
	}
	return a.Result, nil
}

// FlignerKilleen tests whether groups have equal spread by ranks: the distances
// from the median of their group are ranked together, scored
// a = Φ⁻¹(½ + rank/2(N+1)), and compared by
//
//	X² = Σ nᵢ(āᵢ − ā)² / var(a)
//
// which is χ² on k − 1 degrees of freedom. It holds its level for almost any
// shape. All distances equal are ErrNoVariance.
//
// Fligner & Killeen, J Am Stat Assoc 1976;71:210–213, in the median-centred
// form of Conover, Johnson & Johnson, Technometrics 1981;23:351–361.
func FlignerKilleen(groups []Group) (stats.Result, error) {
	const method = "Fligner–Killeen test"
	n, err := check(method, groups, 1)
	if err != nil {
		return stats.Result{}, err
	}
	distances := make([]float64, 0, n)
	for _, g := range groups {
		median, err := describe.Median(g.Values)
		if err != nil {
			return stats.Result{}, err
		}
		for _, v := range g.Values {
			distances = append(distances, math.Abs(v-median))
		}
	}
	scores, _ := rank.Midranks(distances)
	for i, r := range scores {
		scores[i] = dist.NormalQuantile((1 + r/float64(n+1)) / 2)
	}
	mean, variance := sum.Mean(scores), sum.Variance(scores)
	if variance == 0 || n < 2 {
		return stats.Result{}, noVariance(method)
	}
	r := stats.NewResult("Fligner–Killeen test of equal variances, median-centred", n)
	r.Stat = betweenSquares(scores, mean, groups) / variance
	r.DF = float64(len(groups) - 1)
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// betweenSquares returns Σ nᵢ(mean of the scores in group i − mean)², the scores
// being those of the groups' values one after another.
func betweenSquares(scores []float64, mean float64, groups []Group) float64 {
	total, start := 0.0, 0
	for _, g := range groups {
		end := start + len(g.Values)
		d := sum.Mean(scores[start:end]) - mean
		total += d * d * float64(len(g.Values))
		start = end
	}
	return total
}
