package rate_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/rate"
)

// R 4.2.2: poisson.test(x, t)$conf.int, and Byar's approximation as in Breslow
// & Day 1987 with qnorm(0.975).
func TestRateR(t *testing.T) {
	for _, tt := range []struct {
		e            rate.Exposure
		lower, upper float64
		byarUpper    float64 // 0 where not taken
	}{
		{rate.Exposure{Events: 0, Time: 1}, 0, 3.6888794541139354, 3.6680118321737507},
		{rate.Exposure{Events: 0, Time: 250.5}, 0, 3.6888794541139354 / 250.5, 0},
	} {
		iv, err := rate.Exact(tt.e, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, tt.lower, iv.Lower, 1e-15)
		assert.InEpsilon(t, tt.upper, iv.Upper, 1e-12)
		if tt.byarUpper > 0 {
			iv, err = rate.Byar(tt.e, 0.95)
			require.NoError(t, err)
			assert.InEpsilon(t, tt.byarUpper, iv.Upper, 1e-12)
		}
	}
}

// poisson.test's help, "137 of 24.19893": the accidental deaths of Mallows, R
// 4.2.2 poisson.test(137, 24.19893): rate 5.661407, P < 2.2e−16, limits
// 4.753125 to 6.692709.
func TestRateOfHelpPage(t *testing.T) {
	e := rate.Exposure{Events: 137, Time: 24.19893}
	iv, err := rate.Exact(e, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 5.661407, iv.Estimate, 5e-7)
	assert.InDelta(t, 4.753125, iv.Lower, 5e-7)
	assert.InDelta(t, 6.692709, iv.Upper, 5e-7)
	r, err := rate.Test(e, 1, stats.TwoSided, 0.95)
	require.NoError(t, err)
	assert.Less(t, r.P, 2.2e-16)
	assert.Positive(t, r.P, "from the tail itself")
}

// R 4.2.2: poisson.test(c(11, 6 + 8 + 7 + 2), c(800, 1083 + 1050 + 878)) of its
// help page, and log limits with qnorm(0.975).
func TestRatioR(t *testing.T) {
	a, b := rate.Exposure{Events: 11, Time: 800}, rate.Exposure{Events: 23, Time: 3011}
	r, err := rate.Ratio(a, b, stats.TwoSided, 0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, 1.800054347826087, r.Estimate, 1e-14)
	assert.InEpsilon(t, 0.13663444706428246, r.P, 1e-10)
	assert.InEpsilon(t, 0.7922050858330065, r.Interval.Lower, 1e-10)
	assert.InEpsilon(t, 3.8438627403949517, r.Interval.Upper, 1e-10)
	w, err := rate.RatioWald(a, b, 0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.8774950218260151, w.Lower, 1e-12)
	d, err := rate.DifferenceWald(a, b, 0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.01481596908848504, d.Upper, 1e-12)
}

// By hand: 0 events where 2 are expected. P(0) = e⁻²; of the counts above, P(k)
// ≤ P(0) = 0.1353 holds from 4 on (P(3) = 0.1804, P(4) = 0.0902), so P is
// e⁻²·(1 + e² − 1 − 2 − 2 − 4/3).
func TestTwoSidedByHand(t *testing.T) {
	r, err := rate.Test(rate.Exposure{Events: 0, Time: 2}, 1, stats.TwoSided, 0.95)
	require.NoError(t, err)
	p0 := math.Exp(-2)
	assert.InDelta(t, p0+1-p0*(1+2+2+4.0/3), r.P, 1e-12)
	r, err = rate.Test(rate.Exposure{Events: 0, Time: 2}, 1, stats.Less, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, p0, r.P, 1e-15)
}

// Closed forms of the exact limits after no event in n, and the figures that
// the rule of three is known by: 2.95 % one-sided and 3.62 % two-sided of 100.
func TestNought(t *testing.T) {
	n, err := rate.NewNought(100, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 1-math.Pow(0.05, 0.01), n.OneSided, 1e-14)
	assert.InDelta(t, 1-math.Pow(0.025, 0.01), n.TwoSided, 1e-14)
	assert.InDelta(t, 0.03, n.Three, 1e-15)
	assert.Equal(t, "no event in 100: with 95 % confidence fewer than 1 in 33 (at most 2.95 %, one-sided); the two-sided 95 % interval reaches 3.62 %", n.String())
	_, err = rate.NewNought(0, 0.95)
	require.ErrorIs(t, err, stats.ErrNoData)
}

// The unit of time scales rates and leaves ratios and p values alone; swapping
// the groups inverts the ratio.
func TestRateProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := rapid.IntRange(0, 300).Draw(t, "x"), rapid.IntRange(0, 300).Draw(t, "y")
		s, u := rapid.Float64Range(0.1, 1e4).Draw(t, "s"), rapid.Float64Range(0.1, 1e4).Draw(t, "u")
		a, b := rate.Exposure{Events: x, Time: s}, rate.Exposure{Events: y, Time: u}
		iv, err := rate.Exact(a, 0.95)
		require.NoError(t, err)
		assert.True(t, iv.Contains(iv.Estimate))
		scaled, err := rate.Exact(rate.Exposure{Events: x, Time: s / 100}, 0.95)
		require.NoError(t, err)
		per := rate.PerTime(iv, 100)
		assert.InEpsilon(t, per.Upper, scaled.Upper, 1e-12)
		if x+y == 0 {
			return
		}
		r, err := rate.Ratio(a, b, stats.TwoSided, 0.95)
		require.NoError(t, err)
		swapped, err := rate.Ratio(b, a, stats.TwoSided, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, r.P, swapped.P, 1e-9)
		if x > 0 {
			assert.InEpsilon(t, 1/swapped.Interval.Upper, r.Interval.Lower, 1e-9)
		}
	})
}

func TestRateErrors(t *testing.T) {
	_, err := rate.Exact(rate.Exposure{Events: 1}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = rate.Exact(rate.Exposure{Events: 1, Time: math.NaN()}, 0.95)
	require.ErrorIs(t, err, stats.ErrNotFinite)
	var bad *stats.ArgumentError
	_, err = rate.Exact(rate.Exposure{Events: -1, Time: 1}, 0.95)
	require.ErrorAs(t, err, &bad)
	_, err = rate.Exact(rate.Exposure{Events: 1, Time: 1}, 0)
	require.ErrorAs(t, err, &bad)
	none := rate.Exposure{Time: 3}
	r, err := rate.Ratio(none, none, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrNoEvents)
	assert.Equal(t, 1.0, r.P)
	_, err = rate.RatioWald(none, none, 0.95)
	require.ErrorIs(t, err, stats.ErrNoEvents)
}
