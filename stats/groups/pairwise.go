package groups

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// PairwiseT compares the means of all pairs of groups by two-sided t tests with
// one variance pooled over all groups, on N − k degrees of freedom. A nil
// adjustment leaves the p values as they are. Errors are those of OneWay.
func PairwiseT(groups []Group, adjustment Adjustment) ([]Pair, error) {
	a, err := anova("pairwise t tests", "", groups)
	if err != nil {
		return nil, err
	}
	means, _ := aboutCentre(groups, a.N)
	all, err := pairs(groups, func(i, j int) (Pair, error) {
		p := Pair{Difference: means[j] - means[i], DF: a.DF2}
		p.Stat = p.Difference / math.Sqrt(a.WithinMS*inverseSizes(groups, i, j))
		p.P = dist.PT(p.Stat, p.DF, stats.TwoSided)
		return p, nil
	})
	if err != nil {
		return nil, err
	}
	return adjust(all, adjustment)
}

func inverseSizes(groups []Group, i, j int) float64 {
	return 1/float64(len(groups[i].Values)) + 1/float64(len(groups[j].Values))
}

// PairwiseWelch compares the means of all pairs of groups by Welch's t test.
func PairwiseWelch(groups []Group, adjustment Adjustment) ([]Pair, error) {
	if _, err := check("pairwise Welch t tests", groups, 2); err != nil {
		return nil, err
	}
	all, err := pairs(groups, func(i, j int) (Pair, error) {
		t, err := Welch(groups[j].Values, groups[i].Values, 0, stats.TwoSided, 0.95)
		return Pair{Difference: t.Estimate, Stat: t.Stat, DF: t.DF, P: t.P}, err
	})
	if err != nil {
		return nil, err
	}
	return adjust(all, adjustment)
}

// PairwiseMannWhitney compares all pairs of groups by two-sided Mann–Whitney
// tests. Stat is U of the second group, Difference its rank-biserial
// correlation with being in that group.
func PairwiseMannWhitney(groups []Group, distribution Distribution, adjustment Adjustment) ([]Pair, error) {
	if _, err := check("pairwise Mann–Whitney tests", groups, 1); err != nil {
		return nil, err
	}
	all, err := pairs(groups, func(i, j int) (Pair, error) {
		t, err := MannWhitney(groups[j].Values, groups[i].Values, MannWhitneyOptions{Distribution: distribution})
		return Pair{Difference: t.RankBiserial, Stat: t.U, DF: math.NaN(), P: t.P}, err
	})
	if err != nil {
		return nil, err
	}
	return adjust(all, adjustment)
}

// Tukey compares the means of all pairs of groups, with limits and p values
// that hold for all of them together (Tukey's honest significant difference, in
// Kramer's form for groups of unequal size):
//
//	q = |x̄ⱼ − x̄ᵢ| / √(s²/2·(1/nᵢ + 1/nⱼ))
//
// is a studentised range of k means on N − k degrees of freedom, s² being the
// pooled variance. It assumes what OneWay does. Stat is q.
//
// Tukey 1953, The Problem of Multiple Comparisons; Kramer, Biometrics
// 1956;12:307–310.
func Tukey(groups []Group, level float64) ([]Pair, error) {
	if err := stats.CheckLevel(level); err != nil {
		return nil, err
	}
	a, err := anova("Tukey test", "", groups)
	if err != nil {
		return nil, err
	}
	means, _ := aboutCentre(groups, a.N)
	q := dist.TukeyQuantile(level, len(groups), a.DF2)
	return pairs(groups, func(i, j int) (Pair, error) {
		se := math.Sqrt(a.WithinMS / 2 * inverseSizes(groups, i, j))
		return rangePair(means[j]-means[i], se, a.DF2, q, len(groups), level, "Tukey–Kramer"), nil
	})
}

// rangePair compares two means by the studentised range of k.
func rangePair(difference, se, df, q float64, k int, level float64, method string) Pair {
	p := Pair{Difference: difference, Stat: math.Abs(difference) / se, DF: df, P: math.NaN()}
	p.Adjusted = dist.TukeySF(p.Stat, k, df)
	p.Interval = stats.Interval{
		Estimate: difference, Lower: difference - q*se, Upper: difference + q*se, Level: level, Method: method,
	}
	return p
}

// GamesHowell is Tukey without taking the variances to be equal: each pair has
// its own standard error √((sᵢ²/nᵢ + sⱼ²/nⱼ)/2) and Satterthwaite degrees of
// freedom. Each group needs two values (ErrTooFew); two groups that are both
// constant are ErrNoVariance.
//
// Games & Howell, J Educ Stat 1976;1:113–125.
func GamesHowell(groups []Group, level float64) ([]Pair, error) {
	if err := stats.CheckLevel(level); err != nil {
		return nil, err
	}
	if _, err := check("Games–Howell test", groups, 2); err != nil {
		return nil, err
	}
	return pairs(groups, func(i, j int) (Pair, error) {
		t, err := Welch(groups[j].Values, groups[i].Values, 0, stats.TwoSided, level)
		if err != nil {
			return Pair{}, err
		}
		q := dist.TukeyQuantile(level, len(groups), t.DF)
		return rangePair(t.Estimate, t.SE/math.Sqrt2, t.DF, q, len(groups), level, "Games–Howell"), nil
	})
}
