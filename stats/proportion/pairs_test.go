package proportion_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/proportion"
)

// b 3, c 12, by hand: χ² = 81/15 = 5.4, corrected 64/15 = 4.2667, exact
// P = 2·(1 + 15 + 105 + 455)/2¹⁵ = 1152/32768 = 0.03515625.
func TestMcNemarByHand(t *testing.T) {
	p := proportion.Pairs{Both: 10, FirstOnly: 3, SecondOnly: 12, Neither: 20}
	r, err := proportion.McNemar(p, false)
	require.NoError(t, err)
	assert.InDelta(t, 5.4, r.Stat, 1e-14)
	assert.InDelta(t, 0.0201, r.P, 0.00005)
	r, err = proportion.McNemar(p, true)
	require.NoError(t, err)
	assert.InDelta(t, 64.0/15, r.Stat, 1e-14)
	assert.InDelta(t, 0.0389, r.P, 0.00005)
	r, err = proportion.McNemarExact(p)
	require.NoError(t, err)
	assert.InDelta(t, 1152.0/32768, r.P, 1e-14)
	assert.InDelta(t, 0.25, r.Estimate, 1e-15)
}

// Equal discordant counts: the correction leaves 0, and mid-p is 1 − P(3 of
// 6)/2 = 1 − (20/64)/2 = 0.84375 (Fagerland and others 2013).
func TestMcNemarEqualDiscordant(t *testing.T) {
	p := proportion.Pairs{Both: 5, FirstOnly: 3, SecondOnly: 3, Neither: 9}
	r, err := proportion.McNemar(p, true)
	require.NoError(t, err)
	assert.Zero(t, r.Stat)
	r, err = proportion.McNemarMidP(p)
	require.NoError(t, err)
	assert.InDelta(t, 0.84375, r.P, 1e-14)
}

// Newcombe RG, Stat Med 1998;17:2635–2650, Table III, 36, 12, 2 and 0 pairs:
// methods 1 and 10; Tango's limits by R 4.2.2, bisection on the score statistic
// of Stat Med 1998;17:891–908.
func TestPairedDifferences(t *testing.T) {
	p := proportion.Pairs{Both: 36, FirstOnly: 12, SecondOnly: 2}
	w, err := proportion.PairedWald(p, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.0642, w.Lower, 0.00005)
	assert.InDelta(t, 0.3358, w.Upper, 0.00005)
	n, err := proportion.PairedNewcombe(p, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.0569, n.Lower, 0.00005)
	assert.InDelta(t, 0.3404, n.Upper, 0.00005)
	s, err := proportion.PairedTango(p, 0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.06111240618634402, s.Lower, 1e-9)
	assert.InEpsilon(t, 0.3447087482821487, s.Upper, 1e-9)
}

// Without discordant pairs Tango's limits are ±z²/(n + z²), 0.0664 for 54 pairs.
func TestPairedWithoutDiscordance(t *testing.T) {
	p := proportion.Pairs{Both: 54}
	s, err := proportion.PairedTango(p, 0.95)
	require.NoError(t, err)
	z2 := 1.959963984540054 * 1.959963984540054
	assert.InDelta(t, z2/(54+z2), s.Upper, 1e-10)
	assert.InDelta(t, -s.Upper, s.Lower, 1e-12)
	r, err := proportion.McNemarExact(p)
	require.NoError(t, err)
	assert.Equal(t, 1.0, r.P)
	assert.NotEmpty(t, r.Notes)
	_, err = proportion.McNemar(p, false)
	require.ErrorIs(t, err, proportion.ErrNoDiscordant)
	_, err = proportion.McNemarMidP(p)
	require.ErrorIs(t, err, proportion.ErrNoDiscordant)
	_, err = proportion.McNemarOddsRatio(p, 0.95)
	require.ErrorIs(t, err, proportion.ErrNoDiscordant)
	_, err = proportion.PairedTango(proportion.Pairs{}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoData)
}

// Exchanging the conditions negates the difference and its limits.
func TestPairedSymmetry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.IntRange(0, 40)
		p := proportion.Pairs{Both: cell.Draw(t, "both"), FirstOnly: cell.Draw(t, "first"), SecondOnly: cell.Draw(t, "second"), Neither: cell.Draw(t, "neither")}
		if p.N() == 0 {
			return
		}
		q := proportion.Pairs{Both: p.Both, FirstOnly: p.SecondOnly, SecondOnly: p.FirstOnly, Neither: p.Neither}
		for _, f := range []func(proportion.Pairs, float64) (stats.Interval, error){proportion.PairedWald, proportion.PairedNewcombe, proportion.PairedTango} {
			iv, err := f(p, 0.95)
			require.NoError(t, err)
			other, err := f(q, 0.95)
			require.NoError(t, err)
			assert.InDelta(t, -other.Upper, iv.Lower, 1e-8, iv.Method)
			assert.LessOrEqual(t, iv.Lower, iv.Estimate+1e-12, iv.Method)
			assert.GreaterOrEqual(t, iv.Upper, iv.Estimate-1e-12, iv.Method)
		}
	})
}

// Stuart, Biometrika 1955;42:412–416, unaided vision of 7477 women: X² 11.96 on
// 3 degrees of freedom; Bowker's by R 4.2.2 mcnemar.test 19.10655 on 6.
func TestVisionOfWomen(t *testing.T) {
	vision := proportion.Table{{1520, 266, 124, 66}, {234, 1512, 432, 78}, {117, 362, 1772, 205}, {36, 82, 179, 492}}
	r, err := proportion.StuartMaxwell(vision)
	require.NoError(t, err)
	assert.InDelta(t, 11.96, r.Stat, 0.005)
	assert.InEpsilon(t, 0.007533425054800538, r.P, 1e-10)
	r, err = proportion.Bowker(vision)
	require.NoError(t, err)
	assert.InEpsilon(t, 19.10655021526677, r.Stat, 1e-12)
	assert.Equal(t, 6.0, r.DF)
}

// Two categories: Stuart–Maxwell and Bowker are McNemar's test.
func TestSymmetryOfTwoCategories(t *testing.T) {
	table := proportion.Table{{10, 3}, {12, 20}}
	for _, f := range []func(proportion.Table) (stats.Result, error){proportion.Bowker, proportion.StuartMaxwell} {
		r, err := f(table)
		require.NoError(t, err)
		assert.InDelta(t, 5.4, r.Stat, 1e-12)
		_, err = f(proportion.Table{{3, 0}, {0, 4}})
		require.ErrorIs(t, err, proportion.ErrNoDiscordant)
		var bad *stats.ArgumentError
		_, err = f(proportion.Table{{3, 0, 1}, {0, 4, 1}})
		require.ErrorAs(t, err, &bad)
	}
}

// statsmodels 0.13.5 cochrans_q: 6.75 on 2, P 0.034218118311666025. With two
// columns Q is McNemar's χ².
func TestCochranQ(t *testing.T) {
	r, err := proportion.CochranQ([][]int{{1, 1, 0}, {1, 0, 0}, {1, 1, 1}, {0, 1, 0}, {1, 0, 0}, {1, 1, 0}, {0, 0, 0}, {1, 0, 1}, {1, 1, 0}, {1, 0, 0}})
	require.NoError(t, err)
	assert.InDelta(t, 6.75, r.Stat, 1e-14)
	assert.InEpsilon(t, 0.034218118311666025, r.P, 1e-10)
	r, err = proportion.CochranQ([][]int{{1, 0}, {1, 0}, {1, 0}, {0, 1}, {1, 1}, {0, 0}})
	require.NoError(t, err)
	assert.InDelta(t, 1, r.Stat, 1e-14) // (3 − 1)²/4
	_, err = proportion.CochranQ([][]int{{1, 1}, {0, 0}})
	require.ErrorIs(t, err, proportion.ErrNoDiscordant)
	_, err = proportion.CochranQ(nil)
	require.ErrorIs(t, err, stats.ErrNoData)
}
