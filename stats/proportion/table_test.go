package proportion_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/proportion"
)

// The lady tasting tea: Fisher, The Design of Experiments 1935, chapter II. Of
// the C(8,4) = 70 ways to choose, 1 has all four right and 16 have three, so
// the one-sided P is 17/70 and the two-sided one 34/70.
func TestFisherTea(t *testing.T) {
	tea := proportion.Table{{3, 1}, {1, 3}}
	greater, err := proportion.FisherExact(tea, stats.Greater)
	require.NoError(t, err)
	assert.InDelta(t, 17.0/70, greater.P, 1e-14)
	two, err := proportion.FisherExact(tea, stats.TwoSided)
	require.NoError(t, err)
	assert.InDelta(t, 34.0/70, two.P, 1e-14)
	// R 4.2.2, the conditional likelihood of fisher.test solved by bisection.
	assert.InEpsilon(t, 6.40831965819967, two.Estimate, 1e-9)
	assert.InEpsilon(t, 0.21173559544657863, two.Interval.Lower, 1e-9)
	assert.InEpsilon(t, 626.2435305888145, two.Interval.Upper, 1e-9)
}

// R 4.2.2, fisher.test(T, workspace = 2e8)$p.value; the first table is the
// job satisfaction of Agresti, Categorical Data Analysis, in fisher.test's help.
func TestFisherRByC(t *testing.T) {
	for _, tt := range []struct {
		table proportion.Table
		p     float64
	}{
		{proportion.Table{{1, 3, 10, 6}, {2, 3, 10, 7}, {1, 6, 14, 12}, {0, 1, 9, 11}}, 0.7826849389656926},
		{proportion.Table{{3, 1, 2, 4, 2}, {2, 5, 2, 1, 3}, {1, 2, 6, 2, 2}, {4, 1, 1, 5, 2}, {2, 3, 1, 1, 6}}, 0.222672180269},
		{proportion.Table{{5, 1, 2, 4, 2}, {2, 5, 2, 1, 3}, {1, 2, 6, 2, 2}}, 0.222886434995},
		{proportion.Table{{40, 20, 35}, {90, 70, 80}, {30, 20, 10}}, 0.036617836871},
		{proportion.Table{{4, 2, 3}, {9, 7, 8}}, 1},
	} {
		r, err := proportion.FisherExact(tt.table, stats.TwoSided)
		require.NoError(t, err)
		assert.InEpsilon(t, tt.p, r.P, 1e-10)
		turned, err := proportion.FisherExact(tt.table.Transposed(), stats.TwoSided)
		require.NoError(t, err)
		assert.InEpsilon(t, r.P, turned.P, 1e-11)
	}
}

// A column without observations changes nothing, so the network on 2×3 must
// give what the hypergeometric sum gives on 2×2; exchanging rows does not
// matter.
func TestFisherNetworkAgreesWithHypergeometric(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.IntRange(0, 12)
		a, b, c, d := cell.Draw(t, "a"), cell.Draw(t, "b"), cell.Draw(t, "c"), cell.Draw(t, "d")
		if a+b+c+d == 0 {
			return
		}
		small, err := proportion.FisherExact(proportion.Table{{a, b}, {c, d}}, stats.TwoSided)
		require.NoError(t, err)
		large, err := proportion.FisherExact(proportion.Table{{a, 0, b}, {c, 0, d}}, stats.TwoSided)
		require.NoError(t, err)
		assert.InDelta(t, small.P, large.P, 1e-11)
		turned, err := proportion.FisherExact(proportion.Table{{c, d}, {a, b}}, stats.TwoSided)
		require.NoError(t, err)
		assert.InDelta(t, small.P, turned.P, 1e-12)
		less, err := proportion.FisherExact(proportion.Table{{a, b}, {c, d}}, stats.Less)
		require.NoError(t, err)
		greater, err := proportion.FisherExact(proportion.Table{{a, b}, {c, d}}, stats.Greater)
		require.NoError(t, err)
		assert.GreaterOrEqual(t, less.P+greater.P, 1-1e-12, "the two tails share the observed table")
	})
}

func TestFisherTooLarge(t *testing.T) {
	huge := proportion.Table{{900, 800, 700, 650}, {850, 820, 790, 640}, {700, 690, 640, 610}, {500, 510, 530, 560}}
	_, err := proportion.FisherExact(huge, stats.TwoSided)
	require.ErrorIs(t, err, proportion.ErrTooLarge)
}

// R 4.2.2: chisq.test(T, correct = FALSE) on datasets::HairEyeColor summed over
// sex, and chisq.test(matrix(c(120, 95, 80, 130), 2)).
func TestChiSquaredR(t *testing.T) {
	a, err := proportion.ChiSquared(proportion.Table{{68, 20, 15, 5}, {119, 84, 54, 29}, {26, 17, 14, 14}, {7, 94, 10, 16}}, false)
	require.NoError(t, err)
	assert.InEpsilon(t, 138.28984162600827, a.Stat, 1e-12)
	assert.InEpsilon(t, 2.325286787098808e-25, a.P, 1e-10)
	assert.InEpsilon(t, 40.13513513513514, a.Expected[0][0], 1e-14)
}

// By hand: [[3,1],[1,3]] expects 2 everywhere, so χ² = 4·1²/2 = 2, with Yates
// 4·0.5²/2 = 0.5, φ = (9 − 1)/16 = 0.5.
func TestChiSquaredByHand(t *testing.T) {
	tea := proportion.Table{{3, 1}, {1, 3}}
	a, err := proportion.ChiSquared(tea, false)
	require.NoError(t, err)
	assert.InDelta(t, 2, a.Stat, 1e-14)
	assert.NotEmpty(t, a.Notes, "expected counts below 5 are said")
	y, err := proportion.ChiSquared(tea, true)
	require.NoError(t, err)
	assert.InDelta(t, 0.5, y.Stat, 1e-14)
	phi, err := proportion.Phi(tea)
	require.NoError(t, err)
	assert.InDelta(t, 0.5, phi, 1e-14)
	// A table of exact proportions has no distance for Yates to lessen.
	y, err = proportion.ChiSquared(proportion.Table{{2, 4}, {3, 6}}, true)
	require.NoError(t, err)
	assert.Zero(t, y.Stat)
}

// R 4.2.2: chisq.test(c(89, 37, 30, 28, 2), p = c(.4, .2, .2, .15, .05));
// prop.trend.test and prop.test on the smokers of Fleiss 1981, page 139.
func TestSeveralGroupsR(t *testing.T) {
	g, err := proportion.GoodnessOfFit([]int{89, 37, 30, 28, 2}, []float64{0.4, 0.2, 0.2, 0.15, 0.05})
	require.NoError(t, err)
	assert.InEpsilon(t, 9.990143369175627, g.Stat, 1e-12)
	assert.InEpsilon(t, 0.04059404334478122, g.P, 1e-10)
	smokers := []proportion.Count{count(83, 86), count(90, 93), count(129, 136), count(70, 82)}
	r, err := proportion.Trend(smokers, nil)
	require.NoError(t, err)
	assert.InEpsilon(t, 8.22492228519771, r.Stat, 1e-11)
	assert.InEpsilon(t, 0.004131897477641487, r.P, 1e-10)
	shifted, err := proportion.Trend(smokers, []float64{105, 115, 125, 135})
	require.NoError(t, err)
	assert.InEpsilon(t, r.Stat, shifted.Stat, 1e-11, "scores shift and scale")
	e, err := proportion.EqualProportions(smokers)
	require.NoError(t, err)
	assert.InEpsilon(t, 12.60041129712764, e.Stat, 1e-12)
	assert.InEpsilon(t, 0.005585476661627025, e.P, 1e-10)
}

// scipy 1.10.1: barnard_exact and boschloo_exact, n = 512, groups as columns;
// the tied table of 7/15 and 12/15 by R with a tolerance of 1e−10 (see
// BarnardRounded).
func TestUnconditionalExact(t *testing.T) {
	for _, tt := range []struct {
		a, b              proportion.Count
		barnard, boschloo float64 // two-sided
	}{
		{count(8, 9), count(2, 7), 0.021270751953125, 0.024384872263939},
		{count(56, 104), count(14, 46), 0.008330314028171628, 0.008091009097599371},
	} {
		r, err := proportion.Barnard(tt.a, tt.b, stats.TwoSided)
		require.NoError(t, err)
		assert.InEpsilon(t, tt.barnard, r.P, 1e-7)
		r, err = proportion.Boschloo(tt.a, tt.b, stats.TwoSided)
		require.NoError(t, err)
		assert.InEpsilon(t, tt.boschloo, r.P, 1e-7)
	}
	r, err := proportion.Barnard(count(7, 15), count(12, 15), stats.Less)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.0341091546615973, r.P, 1e-9)
	r, err = proportion.BarnardRounded(count(7, 15), count(12, 15), stats.Less)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.0340767163657678, r.P, 1e-9)
}

// Boschloo's test is never less powerful than Fisher's: its one-sided P is at
// most Fisher's.
func TestBoschlooAtMostFisher(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, m := rapid.IntRange(1, 15).Draw(t, "n"), rapid.IntRange(1, 15).Draw(t, "m")
		a, b := count(rapid.IntRange(0, n).Draw(t, "x"), n), count(rapid.IntRange(0, m).Draw(t, "y"), m)
		r, err := proportion.Boschloo(a, b, stats.Less)
		require.NoError(t, err)
		f, err := proportion.FisherExact(proportion.TwoByTwo(a, b), stats.Less)
		require.NoError(t, err)
		assert.LessOrEqual(t, r.P, f.P+1e-9)
		barnard, err := proportion.Barnard(a, b, stats.TwoSided)
		require.NoError(t, err)
		swapped, err := proportion.Barnard(b, a, stats.TwoSided)
		require.NoError(t, err)
		assert.InDelta(t, barnard.P, swapped.P, 1e-9)
	})
}

func TestTableErrors(t *testing.T) {
	_, err := proportion.ChiSquared(proportion.Table{{0, 0}, {0, 0}}, false)
	require.ErrorIs(t, err, stats.ErrNoData)
	a, err := proportion.ChiSquared(proportion.Table{{3, 0}, {4, 0}}, false)
	require.ErrorIs(t, err, proportion.ErrEmptyMargin)
	assert.Equal(t, 1.0, a.DF)
	var bad *stats.ArgumentError
	_, err = proportion.ChiSquared(proportion.Table{{3, 1}, {4}}, false)
	require.ErrorAs(t, err, &bad)
	_, err = proportion.ChiSquared(proportion.Table{{3, -1}, {4, 2}}, false)
	require.ErrorAs(t, err, &bad)
	_, err = proportion.ChiSquared(proportion.Table{{3, 1, 1}, {4, 2, 2}}, true)
	require.ErrorAs(t, err, &bad)
	_, err = proportion.FisherExact(proportion.Table{{3, 1, 1}, {4, 2, 2}}, stats.Less)
	require.ErrorAs(t, err, &bad)
	_, err = proportion.Trend([]proportion.Count{count(1, 2)}, nil)
	require.ErrorIs(t, err, stats.ErrOneGroup)
	_, err = proportion.Trend([]proportion.Count{count(1, 2), count(1, 3)}, []float64{2, 2})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = proportion.EqualProportions([]proportion.Count{count(0, 2), count(0, 3)})
	require.ErrorIs(t, err, stats.ErrNoEvents)
	_, err = proportion.GoodnessOfFit([]int{1, 2}, []float64{0.5, 0.6})
	require.ErrorAs(t, err, &bad)
}
