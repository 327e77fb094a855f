package proof

import (
	"fmt"
	"maps"
	"math"
	"slices"

	"keratally/stats"
	"keratally/stats/agreement"
	"keratally/stats/correlation"
	"keratally/stats/describe"
	"keratally/stats/design"
	"keratally/stats/effect"
	"keratally/stats/groups"
	"keratally/stats/multiplicity"
	"keratally/stats/paired"
	"keratally/stats/pool"
	"keratally/stats/resample"
)

const level = 0.95

// methods are ours by the name that reference.R prints.
var methods = joined(pairedMethods, groupsMethods, countsMethods, followMethods, eyesMethods)

func joined(families ...map[string]method) map[string]method {
	all := map[string]method{}
	for _, f := range families {
		for name, m := range f {
			if _, twice := all[name]; twice {
				panic("two methods are named " + name)
			}
			all[name] = m
		}
	}
	return all
}

// within lets numbers differ by as much as the reference itself may be off.
func (m method) within(slack float64) method {
	m.slack = slack
	return m
}

// nums returns the numbers, or the error of the method that made them.
func nums(err error, x ...float64) ([]float64, error) { return x, err }

func limits(iv stats.Interval) []float64 { return []float64{iv.Estimate, iv.Lower, iv.Upper} }

func (s *dataSet) one(name string) float64 { return s.column[name][0] }
func (s *dataSet) whole(name string) int   { return int(s.column[name][0]) }
func (s *dataSet) alt() stats.Alternative {
	return []stats.Alternative{stats.TwoSided, stats.Less, stats.Greater}[s.whole("alt")]
}

func (s *dataSet) ints(name string) []int {
	out := make([]int, len(s.column[name]))
	for i, x := range s.column[name] {
		out[i] = int(x)
	}
	return out
}

func (s *dataSet) bools(name string) []bool {
	out := make([]bool, len(s.column[name]))
	for i, x := range s.column[name] {
		out[i] = x == 1
	}
	return out
}

// pairs returns the complete pairs of a set, and their differences rounded to
// the step.
func (s *dataSet) pairs() (x, y, d []float64) {
	for i, a := range s.column["x"] {
		if b := s.column["y"][i]; !math.IsNaN(a) && !math.IsNaN(b) {
			x, y, d = append(x, a), append(y, b), append(d, round(a-b, s.step))
		}
	}
	return x, y, d
}

// onDifferences is a method of the differences of a set.
func onDifferences(digits float64, f func(d []float64, s *dataSet) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		_, _, d := s.pairs()
		return f(d, s)
	}}
}

// onPairs is a method of the two columns of a set.
func onPairs(digits float64, f func(x, y []float64, s *dataSet) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		x, y, _ := s.pairs()
		return f(x, y, s)
	}}
}

func signedRank(o paired.SignedRankOptions, take func(r paired.SignedRankTest) []float64) method {
	return onDifferences(tail, func(d []float64, s *dataSet) ([]float64, error) {
		o := o
		o.Unit = s.step
		if o.Zeros == paired.DropZeros && o.Distribution != paired.Exact {
			o.Alternative = s.alt()
		}
		r, err := paired.SignedRank(d, o)
		return nums(err, take(r)...)
	})
}

func vp(r paired.SignedRankTest) []float64 { return []float64{r.Stat, r.P} }

var pairedMethods = map[string]method{
	"paired.T": onDifferences(tail, func(d []float64, s *dataSet) ([]float64, error) {
		r, err := paired.T(d, 0, s.alt(), level)
		return nums(err, r.Estimate, r.Stat, r.DF, r.P, r.Interval.Lower, r.Interval.Upper)
	}),
	"paired.Sign": onDifferences(closed, func(d []float64, s *dataSet) ([]float64, error) {
		r, err := paired.Sign(d, s.alt(), level)
		return nums(err, float64(r.Positive), r.P, r.Interval.Lower, r.Interval.Upper)
	}),
	"paired.SignedRank normal":      signedRank(paired.SignedRankOptions{Distribution: paired.NormalCorrected}, vp),
	"paired.SignedRank uncorrected": signedRank(paired.SignedRankOptions{Distribution: paired.NormalUncorrected}, vp),
	"paired.SignedRank exact": signedRank(paired.SignedRankOptions{Distribution: paired.Exact},
		func(r paired.SignedRankTest) []float64 { return []float64{r.P} }),
	"paired.SignedRank exact Pratt": signedRank(paired.SignedRankOptions{Distribution: paired.Exact, Zeros: paired.PrattZeros},
		func(r paired.SignedRankTest) []float64 { return []float64{r.P} }),
	"paired.SignedRank Pratt": signedRank(paired.SignedRankOptions{Distribution: paired.NormalUncorrected, Zeros: paired.PrattZeros},
		func(r paired.SignedRankTest) []float64 { return []float64{r.Z, r.P} }),
	"paired.HodgesLehmann exact": onDifferences(closed, func(d []float64, _ *dataSet) ([]float64, error) {
		r, err := paired.HodgesLehmann(d, stats.TwoSided, level, paired.ExactRanks)
		return nums(err, limits(r.Interval)...)
	}),
	"describe.Mean": onDifferences(tail, func(d []float64, _ *dataSet) ([]float64, error) {
		r, err := describe.Mean(d, level)
		return nums(err, r.Estimate, r.SE, r.Interval.Lower, r.Interval.Upper)
	}),
	"describe.Quantiles": onPairs(closed, func(x, _ []float64, _ *dataSet) ([]float64, error) {
		all, err := describe.Quantiles(x, describe.Type7, .05, .25, .5, .75, .9)
		for _, q := range []describe.QuantileType{describe.Type2, describe.Type6, describe.Type8} {
			more, _ := describe.Quantiles(x, q, .1, .5, .95)
			all = append(all, more...)
		}
		return all, err
	}),
	"describe.ShapiroWilk": onPairs(tail, func(x, _ []float64, _ *dataSet) ([]float64, error) {
		r, err := describe.ShapiroWilk(x)
		return nums(err, r.Stat, r.P)
	}),
	"describe.Summarise": onPairs(closed, func(x, _ []float64, _ *dataSet) ([]float64, error) {
		r, err := describe.Summarise(x, level)
		return nums(err, r.Mean.Estimate, r.SD, r.IQR, r.MAD, r.Min, r.Max, r.Shape.Skewness, r.Shape.Kurtosis)
	}),
	"describe.MedianCI": onPairs(closed, func(x, _ []float64, _ *dataSet) ([]float64, error) {
		r, err := describe.MedianCI(x, level)
		return nums(err, limits(r.Interval)...)
	}),
	"describe.GeometricMean": onPairs(tail, func(x, _ []float64, _ *dataSet) ([]float64, error) {
		r, err := describe.GeometricMean(x, level)
		return nums(err, append(limits(r.Mean), r.SD)...)
	}),
	"describe.Autocorrelation": onPairs(closed, func(x, _ []float64, _ *dataSet) ([]float64, error) {
		r, err := describe.Autocorrelation(x)
		return nums(err, r)
	}),
	"correlation.Pearson": onPairs(tail, func(x, y []float64, s *dataSet) ([]float64, error) {
		r, err := correlation.Pearson(x, y, s.alt(), level)
		return nums(err, r.Estimate, r.Stat, r.DF, r.P, r.Interval.Lower, r.Interval.Upper)
	}),
	"correlation.Spearman t": onPairs(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := correlation.Spearman(x, y, stats.TwoSided, level, correlation.StudentT)
		return nums(err, r.Estimate, r.Stat, r.P)
	}),
	"correlation.Kendall": onPairs(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := correlation.Kendall(x, y, stats.TwoSided, level, correlation.NormalKendall)
		return nums(err, r.Estimate, r.Stat, r.P)
	}),
	"agreement.NewBlandAltman": onPairs(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := agreement.NewBlandAltman(x, y, level)
		return nums(err, slices.Concat(limits(r.Bias.Interval), []float64{r.SD}, limits(r.Lower1999), limits(r.Upper1999))...)
	}),
	"agreement.NewICC": onPairs(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		ratings := make([][]float64, len(x))
		for i := range x {
			ratings[i] = []float64{x[i], y[i]}
		}
		r, err := agreement.NewICC(ratings, level)
		return nums(err, r.TwoSingle.Estimate, r.ThreeSingle.Estimate, r.ThreeSingle.Stat, r.ThreeSingle.P)
	}),
	"agreement.NewRepeatability": onPairs(closed, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := agreement.NewRepeatability(x, y)
		return nums(err, r.WithinSD, r.MeanAbs, r.RMS)
	}),
	"agreement.NewConcordance": onPairs(closed, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := agreement.NewConcordance(x, y, level)
		return nums(err, r.CCC.Estimate, r.Correlation, r.Accuracy)
	}),
	"design.EquivalencePaired": onPairs(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := design.EquivalencePaired(x, y, -0.5, 0.5, 0.05)
		return nums(err, r.TLower, r.PLower, r.TUpper, r.PUpper, r.P)
	}),
	"effect.OfDifferences": onPairs(closed, func(x, y []float64, _ *dataSet) ([]float64, error) {
		d, err := paired.Differences(x, y)
		if err != nil {
			return nil, err
		}
		r, err := effect.OfDifferences(d)
		return nums(err, r.DZ, r.GZ)
	}),
	"resample.Jackknife": onPairs(closed, func(x, _ []float64, _ *dataSet) ([]float64, error) {
		r, err := resample.Jackknife(x, func(v []float64) float64 { m, _ := describe.Median(v); return m })
		return nums(err, r.SE)
	}),
}

// split returns the groups of a set without missing values, and their values
// in whole steps.
func (s *dataSet) split() (values, inSteps []groups.Group) {
	by := map[int][]float64{}
	for i, v := range s.column["values"] {
		if g := int(s.column["group"][i]); !math.IsNaN(v) {
			by[g] = append(by[g], v)
		}
	}
	for _, g := range slices.Sorted(maps.Keys(by)) {
		whole := make([]float64, len(by[g]))
		for i, v := range by[g] {
			whole[i] = v
			if s.step > 0 {
				whole[i] = math.Round(v / s.step)
			}
		}
		name := fmt.Sprint(g)
		values = append(values, groups.Group{Name: name, Values: by[g]})
		inSteps = append(inSteps, groups.Group{Name: name, Values: whole})
	}
	return values, inSteps
}

// ofTwo is a method of the first two groups of a set.
func ofTwo(digits float64, f func(x, y []float64, s *dataSet) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		g, _ := s.split()
		if len(g) < 2 {
			return nil, stats.ErrOneGroup
		}
		return f(g[0].Values, g[1].Values, s)
	}}
}

// ofAll is a test of all groups, in whole steps for those that rank.
func ofAll(digits float64, ranks bool, f func(g []groups.Group) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		values, inSteps := s.split()
		if ranks {
			values = inSteps
		}
		return f(values)
	}}
}

func chiSquared(f func([]groups.Group) (stats.Result, error)) func([]groups.Group) ([]float64, error) {
	return func(g []groups.Group) ([]float64, error) {
		r, err := f(g)
		return nums(err, r.Stat, r.DF, r.P)
	}
}

func fTest(f func([]groups.Group) (stats.Result, error)) func([]groups.Group) ([]float64, error) {
	return func(g []groups.Group) ([]float64, error) {
		r, err := f(g)
		return nums(err, r.Stat, r.DF, r.DF2, r.P)
	}
}

func twoSample(r groups.TwoSample, err error) ([]float64, error) {
	return nums(err, r.Estimate, r.Stat, r.DF, r.P, r.Interval.Lower, r.Interval.Upper)
}

// adjusted are the adjusted p values of all pairs, in the order of R's lower
// triangle by column: first group, then second.
func adjusted(pairs []groups.Pair, err error) ([]float64, error) {
	slices.SortStableFunc(pairs, func(a, b groups.Pair) int {
		if a.First != b.First {
			return int(a.First[0]) - int(b.First[0])
		}
		return int(a.Second[0]) - int(b.Second[0])
	})
	p := make([]float64, len(pairs))
	for i := range pairs {
		p[i] = pairs[i].Adjusted
	}
	return p, err
}

func layout(g []groups.Group) [][]float64 {
	b := len(g[0].Values)
	for _, one := range g {
		b = min(b, len(one.Values))
	}
	rows := make([][]float64, b)
	for i := range rows {
		for _, one := range g {
			rows[i] = append(rows[i], one.Values[i])
		}
	}
	return rows
}

func published(x []float64) pool.Published {
	d, _ := describe.Summarise(x, level)
	return pool.Published{N: d.N, Mean: d.Mean.Estimate, SD: d.SD}
}

func studies(digits float64, h pool.Heterogeneity, knapp bool, take func(m pool.Meta) []float64) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		m, err := pool.Studies(s.column["effects"], s.column["variances"], h, knapp, level)
		return nums(err, take(m)...)
	}}
}

func wholeMeta(m pool.Meta) []float64 {
	return []float64{m.Estimate, m.SE, m.Interval.Lower, m.Interval.Upper, m.Stat, m.P, m.Tau2, m.Q, m.QP}
}

var groupsMethods = map[string]method{
	"groups.Welch": ofTwo(tail, func(x, y []float64, s *dataSet) ([]float64, error) {
		return twoSample(groups.Welch(x, y, 0, s.alt(), level))
	}),
	"groups.Student": ofTwo(tail, func(x, y []float64, s *dataSet) ([]float64, error) {
		return twoSample(groups.Student(x, y, 0, s.alt(), level))
	}),
	"groups.StudentFromSummary": ofTwo(tail, func(x, y []float64, s *dataSet) ([]float64, error) {
		return twoSample(groups.StudentFromSummary(groups.Summarise(x), groups.Summarise(y), 0, s.alt(), level))
	}),
	"design.Equivalent": ofTwo(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		w, err := groups.Welch(x, y, 0, stats.TwoSided, level)
		if err != nil {
			return nil, err
		}
		r, err := design.Equivalent(w.Result, -0.5, 0.5, 0.05)
		return nums(err, r.P)
	}),
	"pool.Welch": ofTwo(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := pool.Welch(published(x), published(y), stats.TwoSided, level)
		return nums(err, r.Stat, r.DF, r.P)
	}),
	"groups.VarianceRatio": ofTwo(tail, func(x, y []float64, s *dataSet) ([]float64, error) {
		r, err := groups.VarianceRatio(x, y, s.alt(), level)
		return nums(err, r.Estimate, r.DF, r.DF2, r.P, r.Interval.Lower, r.Interval.Upper)
	}),
	"groups.MannWhitney normal": ofTwo(tail, func(x, y []float64, s *dataSet) ([]float64, error) {
		r, err := groups.MannWhitney(x, y, groups.MannWhitneyOptions{Alternative: s.alt(), Distribution: groups.NormalCorrected, Unit: s.step})
		return nums(err, r.Stat, r.P)
	}),
	"groups.MannWhitney exact": ofTwo(closed, func(x, y []float64, s *dataSet) ([]float64, error) {
		r, err := groups.MannWhitney(x, y, groups.MannWhitneyOptions{Distribution: groups.Exact, Unit: s.step})
		return nums(err, r.P)
	}),
	"groups.HodgesLehmann exact": ofTwo(closed, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := groups.HodgesLehmann(x, y, stats.TwoSided, level, groups.ExactRanks)
		return nums(err, limits(r.Interval)...)
	}),
	"effect.OfSamples": ofTwo(closed, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := effect.OfSamples(x, y)
		return nums(err, r.D, r.GlassDelta)
	}),
	"design.EquivalenceWelch": ofTwo(tail, func(x, y []float64, _ *dataSet) ([]float64, error) {
		r, err := design.EquivalenceWelch(x, y, -0.5, 0.5, 0.05)
		return nums(err, r.TLower, r.PLower, r.TUpper, r.PUpper)
	}),
	"groups.OneWay": ofAll(tail, false, func(g []groups.Group) ([]float64, error) {
		r, err := groups.OneWay(g)
		return nums(err, r.Stat, r.DF, r.DF2, r.P, r.BetweenSS, r.WithinSS)
	}),
	"groups.WelchAnova":     ofAll(tail, false, fTest(groups.WelchAnova)),
	"groups.KruskalWallis":  ofAll(tail, true, chiSquared(groups.KruskalWallis)),
	"groups.Bartlett":       ofAll(tail, false, chiSquared(groups.Bartlett)),
	"groups.FlignerKilleen": ofAll(tail, false, chiSquared(groups.FlignerKilleen)),
	"groups.BrownForsythe":  ofAll(tail, false, fTest(groups.BrownForsythe)),
	"groups.Levene":         ofAll(tail, false, fTest(groups.Levene)),
	"groups.Tukey": ofAll(tail, false, func(g []groups.Group) (all []float64, err error) {
		pairs, err := groups.Tukey(g, level)
		for _, p := range pairs {
			all = append(all, p.Difference, p.Adjusted)
		}
		return all, err
	}).within(1e-13),
	// qtukey stops at about 1e-7.
	"groups.Tukey limits": ofAll(iterative, false, func(g []groups.Group) (all []float64, err error) {
		pairs, err := groups.Tukey(g, level)
		for _, p := range pairs {
			all = append(all, p.Interval.Lower, p.Interval.Upper)
		}
		return all, err
	}),
	"groups.PairwiseT": ofAll(tail, false, func(g []groups.Group) ([]float64, error) {
		return adjusted(groups.PairwiseT(g, multiplicity.Holm))
	}),
	"groups.PairwiseWelch": ofAll(tail, false, func(g []groups.Group) ([]float64, error) {
		return adjusted(groups.PairwiseWelch(g, multiplicity.Holm))
	}),
	"groups.PairwiseMannWhitney": ofAll(tail, true, func(g []groups.Group) ([]float64, error) {
		return adjusted(groups.PairwiseMannWhitney(g, groups.NormalCorrected, multiplicity.Holm))
	}),
	"groups.Friedman": ofAll(tail, true, func(g []groups.Group) ([]float64, error) {
		r, err := groups.Friedman(layout(g))
		return nums(err, r.Stat, r.DF, r.P)
	}),
	"groups.RepeatedMeasuresAnova": ofAll(tail, true, func(g []groups.Group) ([]float64, error) {
		r, err := groups.RepeatedMeasuresAnova(layout(g))
		return nums(err, r.Stat, r.DF, r.DF2, r.P)
	}),
	"multiplicity": {digits: closed, covers: []string{"multiplicity.Holm", "multiplicity.Hochberg", "multiplicity.Hommel",
		"multiplicity.BenjaminiHochberg", "multiplicity.BenjaminiYekutieli", "multiplicity.Bonferroni"},
		ours: func(s *dataSet) ([]float64, error) {
			var all []float64
			for _, adjust := range []groups.Adjustment{multiplicity.Holm, multiplicity.Hochberg, multiplicity.Hommel,
				multiplicity.BenjaminiHochberg, multiplicity.BenjaminiYekutieli, multiplicity.Bonferroni} {
				p, err := adjust(s.column["p"])
				if err != nil {
					return nil, err
				}
				all = append(all, p...)
			}
			return all, nil
		}},
	"pool.Studies FE":   studies(tail, pool.Common, false, wholeMeta),
	"pool.Studies DL":   studies(tail, pool.DerSimonianLaird, false, wholeMeta),
	"pool.Studies REML": studies(iterative, pool.REML, false, wholeMeta),
	"pool.Studies PM":   studies(iterative, pool.PauleMandel, false, wholeMeta),
	"pool.Studies Knapp": studies(tail, pool.DerSimonianLaird, true, func(m pool.Meta) []float64 {
		return []float64{m.Estimate, m.SE, m.Interval.Lower, m.Interval.Upper, m.P}
	}),
}
