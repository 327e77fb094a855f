package groups_test

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/groups"
	"keratally/stats/multiplicity"
)

const tight = 1e-12

var (
	x = []float64{1.25, 2.5, 2.5, 4, 5.75, 3}
	y = []float64{0.5, 2.5, 1, 1.75, 3, 0.25, 2}
)

// plants are dried weights: Dobson, An Introduction to Statistical Modelling,
// 1983, table 7.1.
var plants = []groups.Group{
	{Name: "ctrl", Values: []float64{4.17, 5.58, 5.18, 6.11, 4.50, 4.61, 5.17, 4.53, 5.33, 5.14}},
	{Name: "trt1", Values: []float64{4.81, 4.17, 4.41, 3.59, 5.87, 3.83, 6.03, 4.89, 4.32, 4.69}},
	{Name: "trt2", Values: []float64{6.31, 5.12, 5.54, 5.50, 5.37, 5.29, 4.92, 6.15, 5.80, 5.26}},
}

// R 4.2.2, t.test(x, y); t.test(x, y, var.equal = TRUE, alternative =
// "greater", mu = 0.5, conf.level = 0.9); var.test(x, y).
func TestTwoSamples(t *testing.T) {
	w, err := groups.Welch(x, y, 0, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 2.15190599276357, w.Stat, tight)
	require.InEpsilon(t, 8.48912653237592, w.DF, tight)
	require.InEpsilon(t, 0.0616461066523887, w.P, tight)
	require.InEpsilon(t, -0.09724128495769607, w.Interval.Lower, 1e-11)
	require.InEpsilon(t, 3.287717475433886, w.Interval.Upper, tight)

	s, err := groups.Student(x, y, 0.5, stats.Greater, 0.9)
	require.NoError(t, err)
	require.InEpsilon(t, 1.526372602825576, s.Stat, tight)
	require.InEpsilon(t, 0.07757165316461608, s.P, tight)
	require.InEpsilon(t, 0.6169181085360473, s.Interval.Lower, tight)
	require.Equal(t, math.Inf(1), s.Interval.Upper)

	summary, err := groups.WelchFromSummary(groups.Summarise(x), groups.Summarise(y), 0, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.Equal(t, w.P, summary.P)
	require.Equal(t, w.Interval, summary.Interval)

	v, err := groups.VarianceRatio(x, y, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 2.263661971830986, v.Stat, tight)
	require.InEpsilon(t, 0.3486142099182024, v.P, tight)
	require.InEpsilon(t, 0.3780605177860479, v.Interval.Lower, tight)
	require.InEpsilon(t, 15.79515834794137, v.Interval.Upper, tight)
}

func TestTwoSamplesSymmetry(t *testing.T) {
	values := rapid.SliceOfN(rapid.Map(rapid.IntRange(-50, 50), func(i int) float64 { return float64(i) / 4 }), 2, 30)
	rapid.Check(t, func(t *rapid.T) {
		x, y := values.Draw(t, "x"), values.Draw(t, "y")
		a, err := groups.Welch(x, y, 0, stats.TwoSided, 0.95)
		b, swapped := groups.Welch(y, x, 0, stats.TwoSided, 0.95)
		if err != nil {
			require.ErrorIs(t, swapped, stats.ErrNoVariance)
			return
		}
		require.InDelta(t, a.P, b.P, 1e-12)
		require.InDelta(t, a.Interval.Lower, -b.Interval.Upper, 1e-9)
		require.True(t, a.Interval.Contains(a.Estimate))
		reversed := slices.Clone(x)
		slices.Reverse(reversed)
		c, err := groups.Welch(reversed, y, 0, stats.TwoSided, 0.95)
		require.NoError(t, err)
		require.Equal(t, a.P, c.P) // bit for bit
	})
}

func TestMannWhitney(t *testing.T) {
	// R 4.2.2, wilcox.test(x, y, exact = FALSE).
	n, err := groups.MannWhitney(x, y, groups.MannWhitneyOptions{Distribution: groups.NormalCorrected})
	require.NoError(t, err)
	require.Equal(t, 34.5, n.U)
	require.InEpsilon(t, 0.06147952877355996, n.P, tight)
	// R 4.2.2, coin 1.4-2, wilcox_test(v ~ g, distribution = "exact").
	e, err := groups.MannWhitney(x, y, groups.MannWhitneyOptions{})
	require.NoError(t, err)
	require.InEpsilon(t, 1.941955152152733, e.Z, tight)
	require.InEpsilon(t, 0.05419580419580419, e.P, tight)
	require.InEpsilon(t, 0.9772727272727273, e.PLess, tight)
	require.InEpsilon(t, 0.02622377622377622, e.PGreater, tight)
}

// The tails are those of all allocations written out, whichever sample is the
// smaller.
func TestMannWhitneyExactCountsEveryAllocation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 6), func(i int) float64 { return float64(i) }), 2, 10).Draw(t, "values")
		m := rapid.IntRange(1, len(all)-1).Draw(t, "m")
		got, err := groups.MannWhitney(all[:m], all[m:], groups.MannWhitneyOptions{})
		if slices.Min(all) == slices.Max(all) {
			require.ErrorIs(t, err, stats.ErrNoVariance)
			return
		}
		require.NoError(t, err)
		mean := float64(m*(len(all)-m)) / 2
		var total, less, greater, far float64
		for chosen := range 1 << len(all) {
			var x, y []float64
			for i, v := range all {
				if chosen>>i&1 == 1 {
					x = append(x, v)
				} else {
					y = append(y, v)
				}
			}
			if len(x) != m {
				continue
			}
			u := 0.0
			for _, a := range x {
				for _, b := range y {
					if a > b {
						u++
					} else if a == b {
						u += 0.5
					}
				}
			}
			total++
			if u <= got.U {
				less++
			}
			if u >= got.U {
				greater++
			}
			if math.Abs(u-mean) >= math.Abs(got.U-mean) {
				far++
			}
		}
		require.InDelta(t, less/total, got.PLess, 1e-14)
		require.InDelta(t, greater/total, got.PGreater, 1e-14)
		require.InDelta(t, far/total, got.P, 1e-14)
	})
}

func TestHodgesLehmann(t *testing.T) {
	a, b := []float64{1.1, 2.2, 3.3}, []float64{0.4, 5.5, 4.6, 7.7, 2.8}
	// R 4.2.2, wilcox.test(a, b, conf.int = TRUE, conf.level = 0.8).
	s, err := groups.HodgesLehmann(a, b, stats.TwoSided, 0.8, groups.AutomaticRanks)
	require.NoError(t, err)
	require.InEpsilon(t, -2.2, s.Estimate, tight)
	require.InEpsilon(t, -4.4, s.Interval.Lower, tight)
	require.InEpsilon(t, 0.7, s.Interval.Upper, tight)

	// R 4.2.2, qwilcox(0.025, c(26, 50, 200, 3), c(26, 50, 200, 40)).
	for _, tt := range []struct{ m, n, rank int }{{26, 26, 231}, {50, 50, 966}, {200, 200, 17735}, {3, 40, 19}} {
		s, err := groups.HodgesLehmann(ramp(tt.m), ramp(tt.n), stats.TwoSided, 0.95, groups.ExactRanks)
		require.NoError(t, err)
		require.Equal(t, tt.rank, s.Rank)
		require.GreaterOrEqual(t, s.Achieved, 0.95)
		require.Less(t, s.Achieved, 0.96)
	}
	// R 4.2.2, wilcox.test(x, y, exact = FALSE, conf.int = TRUE, tol.root = 1e-12).
	i, err := groups.InvertMannWhitney(x, y, stats.TwoSided, 0.95, true, 1e-12)
	require.NoError(t, err)
	require.InDelta(t, 1.5, i.Estimate, 1e-9)
	require.InDelta(t, 0, i.Interval.Lower, 1e-9)
	require.InDelta(t, 3.5, i.Interval.Upper, 1e-9)
}

func ramp(n int) []float64 {
	v := make([]float64, n)
	for i := range v {
		v[i] = float64(i)
	}
	return v
}

// R 4.2.2 on the plants: anova(lm(y ~ g)), oneway.test, kruskal.test,
// bartlett.test, fligner.test; car 3.1-1 leveneTest with both centres; scipy
// 1.10.1 stats.alexandergovern.
func TestSeveralGroups(t *testing.T) {
	a, err := groups.OneWay(plants)
	require.NoError(t, err)
	require.InEpsilon(t, 3.76634, a.BetweenSS, tight)
	require.InEpsilon(t, 10.49209, a.WithinSS, tight)
	require.InEpsilon(t, 4.846087862380135, a.Stat, tight)
	require.InEpsilon(t, 0.01590995832562294, a.P, tight)
	for _, tt := range []struct {
		test    func([]groups.Group) (stats.Result, error)
		stat, p float64
	}{
		{groups.WelchAnova, 5.180972408113189, 0.01739282149017},
		{groups.KruskalWallis, 7.988228749443715, 0.01842375573147197},
		{groups.Bartlett, 2.878573787236093, 0.2370967736345582},
		{groups.FlignerKilleen, 2.3499371311582, 0.3088286873863865},
		{groups.BrownForsythe, 1.11918569487039, 0.3412266241254738},
		{groups.Levene, 1.236962954469783, 0.3061949229914475},
		{groups.AlexanderGovern, 8.328463126814757, 0.01554165308759033},
	} {
		r, err := tt.test(plants)
		require.NoError(t, err)
		require.InEpsilon(t, tt.stat, r.Stat, 1e-11, r.Method)
		require.InEpsilon(t, tt.p, r.P, 1e-11, r.Method)
	}
}

// A billion added to thousandths leaves F as it was, to what doubles near 10⁹
// hold of thousandths (10⁻⁷ of them).
func TestOneWayUnderAnOffset(t *testing.T) {
	moved := make([]groups.Group, len(plants))
	for i, g := range plants {
		moved[i].Name = g.Name
		for _, v := range g.Values {
			moved[i].Values = append(moved[i].Values, 1024*1024*1024+math.Round(v*1024)/1024)
		}
	}
	exact := make([]groups.Group, len(plants))
	for i, g := range plants {
		exact[i].Name = g.Name
		for _, v := range g.Values {
			exact[i].Values = append(exact[i].Values, math.Round(v*1024)/1024)
		}
	}
	a, err := groups.OneWay(moved)
	require.NoError(t, err)
	b, err := groups.OneWay(exact)
	require.NoError(t, err)
	require.InEpsilon(t, b.Stat, a.Stat, 1e-13) // both samples are doubles exactly
}

// R 4.2.2 on the plants: TukeyHSD, pairwise.t.test (Holm; and pool.sd = FALSE
// unadjusted), pairwise.wilcox.test(exact = FALSE).
func TestPairs(t *testing.T) {
	tukey, err := groups.Tukey(plants, 0.95)
	require.NoError(t, err)
	for i, want := range []struct{ difference, lower, upper, p float64 }{
		{-0.371, -1.0622160514, 0.3202160514, 0.39087114420},
		{0.494, -0.1972160514, 1.1852160514, 0.19799599130},
		{0.865, 0.1737839486, 1.5562160514, 0.01200642398},
	} {
		require.InDelta(t, want.difference, tukey[i].Difference, 1e-10)
		require.InDelta(t, want.lower, tukey[i].Interval.Lower, 1e-9)
		require.InDelta(t, want.upper, tukey[i].Interval.Upper, 1e-9)
		require.InDelta(t, want.p, tukey[i].Adjusted, 1e-10)
	}
	adjusted := func(pairs []groups.Pair, err error) []float64 {
		require.NoError(t, err)
		var p []float64
		for _, pair := range pairs {
			p = append(p, pair.Adjusted)
		}
		return p
	}
	require.InDeltaSlice(t, []float64{0.194387880054, 0.175363350125, 0.0133777078146}, adjusted(groups.PairwiseT(plants, multiplicity.Holm)), 1e-12)
	require.InDeltaSlice(t, []float64{0.250382508588, 0.047899255602, 0.00929840471727}, adjusted(groups.PairwiseWelch(plants, nil)), 1e-12)
	require.InDeltaSlice(t, []float64{0.198595758633, 0.128044202566, 0.0339890900534},
		adjusted(groups.PairwiseMannWhitney(plants, groups.NormalCorrected, multiplicity.Holm)), 1e-12)
	dunn, err := groups.Dunn(plants, nil)
	require.NoError(t, err)
	require.Equal(t, "trt2", dunn[2].Second)
	require.GreaterOrEqual(t, dunn[2].Adjusted, dunn[2].P)

	// With two groups the studentised range is √2·|t|: Tukey and Games–Howell
	// are Student's and Welch's t.
	student, err := groups.Student(plants[0].Values, plants[1].Values, 0, stats.TwoSided, 0.95)
	require.NoError(t, err)
	tukey, err = groups.Tukey(plants[:2], 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, student.P, tukey[0].Adjusted, 1e-8)
	require.InEpsilon(t, student.Interval.Lower, -tukey[0].Interval.Upper, 1e-8)
	welch, err := groups.Welch(plants[0].Values, plants[1].Values, 0, stats.TwoSided, 0.95)
	require.NoError(t, err)
	howell, err := groups.GamesHowell(plants[:2], 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, welch.P, howell[0].Adjusted, 1e-8)
}

// Ranks (1,2,3), (1,3,2), (1,2,3), (2,1,3) have sums 5, 8, 11, so that
// Q = 12·(9 + 0 + 9)/(4·3·4) = 4.5, and p = exp(−4.5/2) on 2 degrees of freedom.
func TestFriedmanByHand(t *testing.T) {
	r, err := groups.Friedman([][]float64{{1, 2, 3}, {10, 30, 20}, {-1, 0, 5}, {2, 1, 9}})
	require.NoError(t, err)
	require.InEpsilon(t, 4.5, r.Stat, 1e-14)
	require.InEpsilon(t, math.Exp(-2.25), r.P, 1e-14)
}

// R 4.2.2, summary(aov(v ~ t + Error(b))) and anova(lm(m ~ 1), X = ~1, test =
// "Spherical"), which prints the Greenhouse–Geisser epsilon to four decimals.
func TestRepeatedMeasures(t *testing.T) {
	a, err := groups.RepeatedMeasuresAnova([][]float64{
		{5.40, 5.50, 5.55}, {5.85, 5.70, 5.75}, {5.20, 5.60, 5.50}, {5.55, 5.50, 5.40}, {5.90, 5.85, 5.70}, {5.45, 5.55, 5.60},
	})
	require.NoError(t, err)
	require.InEpsilon(t, 0.01027777777777765, a.TreatmentSS, 1e-12)
	require.InEpsilon(t, 0.1447222222222217, a.ErrorSS, 1e-12)
	require.InEpsilon(t, 0.3550863723608415, a.Stat, 1e-12)
	require.InEpsilon(t, 0.7096065601737906, a.P, 1e-12)
	require.InDelta(t, 0.6688, a.Epsilon, 0.00005)
	require.InEpsilon(t, 0.6322697810366247, a.PGreenhouseGeisser, 1e-10)
}

// scipy 1.10.1, stats.brunnermunzel on the lengths of 30 and 30 teeth is in the
// reference set; here the symmetry and the words.
func TestBrunnerMunzel(t *testing.T) {
	a, err := groups.BrunnerMunzel(x, y, stats.TwoSided, 0.95)
	require.NoError(t, err)
	b, err := groups.BrunnerMunzel(y, x, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InDelta(t, a.Stat, -b.Stat, 1e-13)
	require.InDelta(t, a.P, b.P, 1e-14)
	u, err := groups.MannWhitney(x, y, groups.MannWhitneyOptions{})
	require.NoError(t, err)
	require.InDelta(t, 1-u.Estimate, a.Estimate, 1e-14) // P(X < Y) + ½·P(X = Y)
	_, err = groups.BrunnerMunzel([]float64{1, 2}, []float64{3, 4}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrSeparation)
}

func TestErrors(t *testing.T) {
	constant := []groups.Group{{Name: "a", Values: []float64{2, 2}}, {Name: "b", Values: []float64{2, 2}}}
	for _, test := range []func([]groups.Group) (stats.Result, error){
		groups.WelchAnova, groups.KruskalWallis, groups.Bartlett, groups.FlignerKilleen, groups.BrownForsythe,
		groups.Levene, groups.AlexanderGovern,
	} {
		_, err := test(constant)
		require.ErrorIs(t, err, stats.ErrNoVariance)
		_, err = test(plants[:1])
		require.ErrorIs(t, err, stats.ErrOneGroup)
		_, err = test(nil)
		require.ErrorIs(t, err, stats.ErrNoData)
	}
	_, err := groups.OneWay(constant)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = groups.Welch([]float64{1}, y, 0, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = groups.Student([]float64{1}, []float64{2}, 0, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = groups.Welch([]float64{1, 1}, []float64{2, 2}, 0, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = groups.MannWhitney(nil, y, groups.MannWhitneyOptions{})
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = groups.Friedman([][]float64{{1, 2}, {1}})
	require.ErrorIs(t, err, stats.ErrLengths)
	_, err = groups.Split([]float64{1}, []int{0, 1}, []string{"a"})
	require.ErrorIs(t, err, stats.ErrLengths)
	argument := new(stats.ArgumentError)
	_, err = groups.Split([]float64{1}, []int{4}, []string{"a"})
	require.ErrorAs(t, err, &argument)
	_, err = groups.Tukey(plants, 0)
	require.ErrorAs(t, err, &argument)
}
