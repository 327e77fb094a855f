package proportion_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/proportion"
)

type limits func(events, n int, level float64) (stats.Interval, error)

// Newcombe RG, Stat Med 1998;17:857–872, Table I, 95 %, methods 1, 3, 4, 5 and
// 6. The table prints four decimals, so agreement means within half of the
// last one.
func TestLimitsNewcombe1998(t *testing.T) {
	const halfPlace = 0.00005
	for _, m := range []struct {
		name   string
		limits limits
		want   [4][2]float64 // 81 of 263, 15 of 148, 0 of 20, 1 of 29
	}{
		{"Wald", proportion.Wald, [4][2]float64{{0.2522, 0.3638}, {0.0527, 0.1500}, {0, 0}, {-0.0319, 0.1009}}},
		{"Wilson", proportion.Wilson, [4][2]float64{{0.2553, 0.3662}, {0.0624, 0.1605}, {0, 0.1611}, {0.0061, 0.1718}}},
		{"Wilson corrected", proportion.WilsonCorrected, [4][2]float64{{0.2535, 0.3682}, {0.0598, 0.1644}, {0, 0.2005}, {0.0018, 0.1963}}},
		{"Clopper–Pearson", proportion.ClopperPearson, [4][2]float64{{0.2527, 0.3676}, {0.0578, 0.1617}, {0, 0.1684}, {0.0009, 0.1776}}},
		{"mid-p", proportion.MidP, [4][2]float64{{0.2544, 0.3658}, {0.0601, 0.1581}, {0, 0.1391}, {0.0017, 0.1585}}},
	} {
		for i, c := range []proportion.Count{{Events: 81, N: 263}, {Events: 15, N: 148}, {Events: 0, N: 20}, {Events: 1, N: 29}} {
			t.Run(fmt.Sprintf("%s %s", m.name, c), func(t *testing.T) {
				iv, err := m.limits(c.Events, c.N, 0.95)
				require.NoError(t, err)
				assert.InDelta(t, m.want[i][0], iv.Lower, halfPlace)
				assert.InDelta(t, m.want[i][1], iv.Upper, halfPlace)
				assert.Equal(t, c.Proportion(), iv.Estimate)
				assert.Equal(t, 0.95, iv.Level)
			})
		}
	}
}

// R 4.2.2: binom.test, prop.test(correct = FALSE) and qbeta at full precision.
func TestLimitsR(t *testing.T) {
	for _, tt := range []struct {
		name         string
		limits       limits
		events, n    int
		level        float64
		lower, upper float64
	}{
		{"binom.test(81, 263)", proportion.ClopperPearson, 81, 263, 0.95, 0.2527367455852712, 0.3676219226013514},
		{"binom.test(81, 263, conf.level = 0.99)", proportion.ClopperPearson, 81, 263, 0.99, 0.23683735816553864, 0.38625832566974494},
		{"prop.test(81, 263, correct = FALSE)", proportion.Wilson, 81, 263, 0.95, 0.2552885198782743, 0.36620957698280016},
		{"qbeta(c(.025, .975), 81.5, 182.5)", proportion.Jeffreys, 81, 263, 0.95, 0.25452193499102344, 0.36564749917408246},
		{"Agresti–Coull with qnorm(.975)^2", proportion.AgrestiCoull, 81, 263, 0.95, 0.25522066518999675, 0.3662774316710775},
	} {
		t.Run(tt.name, func(t *testing.T) {
			iv, err := tt.limits(tt.events, tt.n, tt.level)
			require.NoError(t, err)
			assert.InEpsilon(t, tt.lower, iv.Lower, 1e-10)
			assert.InEpsilon(t, tt.upper, iv.Upper, 1e-10)
		})
	}
}

// Closed forms: with no event the one-sided exact limit is 1 − 0.05^(1/n), the
// two-sided one 1 − 0.025^(1/n); 9.50 %, 2.95 % and 3.62 % are common examples
// of the rule of three.
func TestNoEventClosedForm(t *testing.T) {
	for _, tt := range []struct {
		n        int
		oneSided float64
	}{{30, 0.0950}, {100, 0.0295}, {501, 0.00596}} {
		iv, err := proportion.ClopperPearsonUpper(0, tt.n, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, tt.oneSided, iv.Upper, 0.00005)
		assert.Zero(t, iv.Lower)
	}
	iv, err := proportion.ClopperPearson(0, 100, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.0362, iv.Upper, 0.00005)
}

var allLimits = map[string]limits{
	"Clopper–Pearson": proportion.ClopperPearson, "Wilson": proportion.Wilson, "Wilson corrected": proportion.WilsonCorrected,
	"Agresti–Coull": proportion.AgrestiCoull, "Jeffreys": proportion.Jeffreys, "Wald": proportion.Wald, "mid-p": proportion.MidP,
}

// Exchanging events and non-events mirrors the limits about one half; the
// limits contain the estimate; a higher level widens them.
func TestLimitsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 2000).Draw(t, "n")
		x := rapid.IntRange(0, n).Draw(t, "events")
		level := rapid.Float64Range(0.5, 0.999).Draw(t, "level")
		for name, f := range allLimits {
			iv, err := f(x, n, level)
			require.NoError(t, err)
			mirror, err := f(n-x, n, level)
			require.NoError(t, err)
			assert.InDelta(t, 1-mirror.Upper, iv.Lower, 1e-12, name)
			assert.InDelta(t, 1-mirror.Lower, iv.Upper, 1e-12, name)
			assert.LessOrEqual(t, iv.Lower, iv.Estimate+1e-15, name)
			assert.GreaterOrEqual(t, iv.Upper, iv.Estimate-1e-15, name)
			if name == "Agresti–Coull" {
				continue // its limits need not widen with the level in tiny samples
			}
			wider, err := f(x, n, level+(1-level)/2)
			require.NoError(t, err)
			assert.LessOrEqual(t, wider.Lower, iv.Lower+1e-12, name)
		}
	})
}

func TestExactEnds(t *testing.T) {
	for _, name := range []string{"Clopper–Pearson", "Wilson", "Wilson corrected", "Jeffreys", "mid-p"} {
		none, err := allLimits[name](0, 17, 0.95)
		require.NoError(t, err)
		assert.Zero(t, none.Lower, name)
		all, err := allLimits[name](17, 17, 0.95)
		require.NoError(t, err)
		assert.Equal(t, 1.0, all.Upper, name)
	}
}

// With as many effective observations as observations the plain limits come
// back, and fewer widen them.
func TestWilsonEffective(t *testing.T) {
	plain, err := proportion.Wilson(14, 163, 0.95)
	require.NoError(t, err)
	same, err := proportion.WilsonEffective(14, 163, 163, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, plain.Lower, same.Lower, 1e-15)
	assert.InDelta(t, plain.Upper, same.Upper, 1e-15)
	fewer, err := proportion.WilsonEffective(14, 163, 163/1.4, 0.95)
	require.NoError(t, err)
	assert.Less(t, fewer.Lower, plain.Lower)
	assert.Greater(t, fewer.Upper, plain.Upper)
	_, err = proportion.WilsonEffective(14, 163, 164, 0.95)
	var bad *stats.ArgumentError
	require.ErrorAs(t, err, &bad)
}

// R 4.2.2: binom.test(x, n, p)$p.value and prop.test(x, n, p, correct = FALSE).
func TestOneProportionR(t *testing.T) {
	for _, tt := range []struct {
		events, n int
		p0        float64
		exact     float64
		score     float64 // 0 where not taken from R
	}{
		{3, 50, 0.02, 0.07842774835096912, 0.04335175126086257},
		{81, 263, 0.25, 0.03260397861373865, 0.029881505974546526},
		{1, 2, 0.5, 1, 1},
	} {
		r, err := proportion.BinomialTest(tt.events, tt.n, tt.p0, stats.TwoSided, 0.95)
		require.NoError(t, err)
		assert.InEpsilon(t, tt.exact, r.P, 1e-10)
		r, err = proportion.ScoreTest(tt.events, tt.n, tt.p0, stats.TwoSided, 0.95, false)
		require.NoError(t, err)
		assert.InEpsilon(t, tt.score, r.P, 1e-10)
	}
}

// 0 of 5 against p₀ = 0.3, by hand: P(0) = 0.7⁵ = 0.16807, and of the outcomes
// above the mean 1.5 those no likelier are 3, 4 and 5: P(2) = 0.3087 is likelier,
// P(3) = 10·0.027·0.49 = 0.1323, P(4) = 5·0.0081·0.7 = 0.02835, P(5) = 0.00243.
func TestBinomialTwoSidedByHand(t *testing.T) {
	r, err := proportion.BinomialTest(0, 5, 0.3, stats.TwoSided, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.16807+0.1323+0.02835+0.00243, r.P, 1e-12)
	less, err := proportion.BinomialTest(0, 5, 0.3, stats.Less, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.16807, less.P, 1e-12)
	certain, err := proportion.BinomialTest(5, 5, 1, stats.TwoSided, 0.95)
	require.NoError(t, err)
	assert.Equal(t, 1.0, certain.P)
	never, err := proportion.BinomialTest(4, 5, 1, stats.TwoSided, 0.95)
	require.NoError(t, err)
	assert.Zero(t, never.P)
}

func TestOneProportionErrors(t *testing.T) {
	for name, f := range allLimits {
		_, err := f(0, 0, 0.95)
		require.ErrorIs(t, err, stats.ErrNoData, name)
		var bad *stats.ArgumentError
		_, err = f(3, 2, 0.95)
		require.ErrorAs(t, err, &bad, name)
		_, err = f(-1, 2, 0.95)
		require.ErrorAs(t, err, &bad, name)
		_, err = f(1, 2, 1)
		require.ErrorAs(t, err, &bad, name)
	}
	var bad *stats.ArgumentError
	_, err := proportion.ScoreTest(1, 2, 1, stats.TwoSided, 0.95, false)
	require.ErrorAs(t, err, &bad)
	_, err = proportion.BinomialTest(1, 2, 1.5, stats.TwoSided, 0.95)
	require.ErrorAs(t, err, &bad)
}
