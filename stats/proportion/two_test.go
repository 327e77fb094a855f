package proportion_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/proportion"
)

type comparison func(a, b proportion.Count, level float64) (stats.Interval, error)

func count(events, n int) proportion.Count { return proportion.Count{Events: events, N: n} }

// Newcombe RG, Stat Med 1998;17:873–890, Table II, 95 %, methods 1, 6 (Mee) and
// 10, examples (a), (c), (f) and (h). Four decimals are printed.
func TestDifferencesNewcombe1998(t *testing.T) {
	const halfPlace = 0.00005
	for _, tt := range []struct {
		a, b           proportion.Count
		wald, mee, new [2]float64
	}{
		{count(56, 70), count(48, 80), [2]float64{0.0575, 0.3425}, [2]float64{0.0533, 0.3377}, [2]float64{0.0524, 0.3339}},
		{count(9, 10), count(3, 10), [2]float64{0.2605, 0.9395}, [2]float64{0.1821, 0.8370}, [2]float64{0.1705, 0.8090}},
		{count(5, 56), count(0, 29), [2]float64{0.0146, 0.1640}, [2]float64{-0.0313, 0.1926}, [2]float64{-0.0381, 0.1926}},
		{count(0, 10), count(0, 20), [2]float64{0, 0}, [2]float64{-0.1611, 0.2775}, [2]float64{-0.1611, 0.2775}},
		{count(10, 10), count(0, 10), [2]float64{1, 1}, [2]float64{0.6777, 1}, [2]float64{0.6075, 1}},
	} {
		t.Run(tt.a.String()+" and "+tt.b.String(), func(t *testing.T) {
			for _, m := range []struct {
				f    comparison
				want [2]float64
			}{{proportion.DifferenceWald, tt.wald}, {proportion.DifferenceMee, tt.mee}, {proportion.DifferenceNewcombe, tt.new}} {
				iv, err := m.f(tt.a, tt.b, 0.95)
				require.NoError(t, err)
				assert.InDelta(t, m.want[0], iv.Lower, halfPlace, iv.Method)
				assert.InDelta(t, m.want[1], iv.Upper, halfPlace, iv.Method)
			}
		})
	}
}

// statsmodels 0.13.5 confint_proportions_2indep for Newcombe and Katz, R 4.2.2
// fisher.test's definition solved by bisection for the conditional odds ratio,
// all for 56 of 70 and 48 of 80; Miettinen–Nurminen and Koopman by the
// constrained likelihood in R.
func TestComparisonsAtFullPrecision(t *testing.T) {
	a, b := count(56, 70), count(48, 80)
	for _, tt := range []struct {
		f            comparison
		lower, upper float64
	}{
		{proportion.DifferenceNewcombe, 0.05243147240236498, 0.33387265403690614},
		{proportion.DifferenceAgrestiCaffo, 0.052452926638053676, 0.33575845547576744},
		{proportion.DifferenceMiettinenNurminen, 0.05282971324584475, 0.3381729400158684},
		{proportion.RatioKatz, 1.0766264227631928, 1.6512485112663871},
		{proportion.RatioKoopman, 1.0798215063618983, 1.6708055780191118},
		{proportion.RatioMiettinenNurminen, 1.0790471195344267, 1.672145359089768},
		{proportion.OddsRatioConditional, 1.2091154789241239, 6.039873013133447},
		{proportion.OddsRatioWoolf, 1.276217870536434, 5.572019696074378},
		{proportion.OddsRatioHaldane, 1.2605343313122692, 5.408657209033635},
	} {
		iv, err := tt.f(a, b, 0.95)
		require.NoError(t, err)
		assert.InEpsilon(t, tt.lower, iv.Lower, 1e-9, iv.Method)
		assert.InEpsilon(t, tt.upper, iv.Upper, 1e-9, iv.Method)
	}
}

// A randomised trial in young patients, progression in 2 of 30 treated and 12
// of 28 untreated: the odds ratio 0.0952 with Woolf limits 0.0189 to 0.4803, a
// risk difference of −0.362 with Newcombe limits −0.549 to −0.142, χ² 10.359
// and Fisher's P 0.00176, worked from the printed counts.
func TestTrialInTheYoung(t *testing.T) {
	a, b := count(2, 30), count(12, 28)
	iv, err := proportion.OddsRatioWoolf(a, b, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 0.0952, iv.Estimate, 0.00005)
	assert.InDelta(t, 0.0189, iv.Lower, 0.00005)
	assert.InDelta(t, 0.4803, iv.Upper, 0.00005)
	iv, err = proportion.DifferenceNewcombe(a, b, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, -0.549, iv.Lower, 0.0005)
	assert.InDelta(t, -0.142, iv.Upper, 0.0005)
	r, err := proportion.DifferenceTest(a, b, stats.TwoSided, 0.95, false)
	require.NoError(t, err)
	assert.InDelta(t, 10.359, r.Stat*r.Stat, 0.0005)
	r, err = proportion.DifferenceTest(a, b, stats.TwoSided, 0.95, true)
	require.NoError(t, err)
	assert.InDelta(t, 8.477, r.Stat*r.Stat, 0.0005)
	f, err := proportion.FisherExact(proportion.TwoByTwo(a, b), stats.TwoSided)
	require.NoError(t, err)
	assert.InDelta(t, 0.00176, f.P, 0.000005)
	assert.InDelta(t, 0.0992, f.Estimate, 0.00005)
}

// R 4.2.2, the restricted estimate by root finding: 18 of 20 and 19 of 20,
// margin 0.15: z 1.0519200728349773, P 0.14641811083271858.
func TestNonInferiority(t *testing.T) {
	r, err := proportion.NonInferiority(count(18, 20), count(19, 20), 0.15, 0.9)
	require.NoError(t, err)
	assert.InEpsilon(t, 1.0519200728349773, r.Stat, 1e-10)
	assert.InEpsilon(t, 0.14641811083271858, r.P, 1e-10)
	w, err := proportion.NonInferiorityWald(count(20, 20), count(20, 20), 0.1, 0.9)
	require.NoError(t, err)
	assert.Zero(t, w.P)
	assert.NotEmpty(t, w.Notes)
	var bad *stats.ArgumentError
	_, err = proportion.NonInferiority(count(1, 2), count(1, 2), 0, 0.9)
	require.ErrorAs(t, err, &bad)
}

func TestNumberNeeded(t *testing.T) {
	// 0.8 − 0.6 = 0.2, so 5; the limits are 1/0.33387 and 1/0.05243 (Newcombe).
	nn, err := proportion.NewNumberNeeded(count(56, 70), count(48, 80), 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 5, nn.Estimate, 1e-12)
	assert.InDelta(t, 1/0.33387265403690614, nn.Near, 1e-9)
	assert.InDelta(t, 1/0.05243147240236498, nn.Far, 1e-7)
	assert.False(t, nn.ThroughInfinity)
	nn, err = proportion.NewNumberNeeded(count(5, 56), count(0, 29), 0.95)
	require.NoError(t, err)
	assert.True(t, nn.ThroughInfinity)
	assert.Negative(t, nn.Far)
	_, err = proportion.NewNumberNeeded(count(1, 3), count(2, 6), 0.95)
	require.ErrorIs(t, err, stats.ErrAllZero)
}

// Swapping the groups negates a difference and inverts a ratio; every interval
// contains its estimate.
func TestComparisonsProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n, m := rapid.IntRange(1, 200).Draw(t, "n"), rapid.IntRange(1, 200).Draw(t, "m")
		a := count(rapid.IntRange(0, n).Draw(t, "x"), n)
		b := count(rapid.IntRange(0, m).Draw(t, "y"), m)
		for _, f := range []comparison{
			proportion.DifferenceNewcombe, proportion.DifferenceNewcombeCorrected, proportion.DifferenceWald,
			proportion.DifferenceMee, proportion.DifferenceMiettinenNurminen,
		} {
			iv, err := f(a, b, 0.95)
			require.NoError(t, err)
			swapped, err := f(b, a, 0.95)
			require.NoError(t, err)
			assert.InDelta(t, -swapped.Upper, iv.Lower, 1e-9, iv.Method)
			assert.InDelta(t, -swapped.Lower, iv.Upper, 1e-9, iv.Method)
			assert.LessOrEqual(t, iv.Lower, iv.Estimate+1e-12, iv.Method)
			assert.GreaterOrEqual(t, iv.Upper, iv.Estimate-1e-12, iv.Method)
		}
		if a.Events+b.Events == 0 {
			return
		}
		for _, f := range []comparison{proportion.RatioKatz, proportion.RatioKoopman, proportion.RatioMiettinenNurminen, proportion.OddsRatioConditional} {
			iv, err := f(a, b, 0.95)
			require.NoError(t, err)
			swapped, err := f(b, a, 0.95)
			require.NoError(t, err)
			if iv.Lower > 0 && iv.Lower < 1e9 {
				assert.InEpsilon(t, 1/swapped.Upper, iv.Lower, 1e-8, iv.Method)
			}
			assert.LessOrEqual(t, iv.Lower, iv.Estimate*(1+1e-9)+1e-12, iv.Method)
			assert.GreaterOrEqual(t, iv.Upper, iv.Estimate*(1-1e-9), iv.Method)
		}
	})
}

func TestComparisonEdges(t *testing.T) {
	none, some := count(0, 10), count(4, 10)
	for _, f := range []comparison{proportion.RatioKatz, proportion.RatioKoopman, proportion.RatioMiettinenNurminen, proportion.OddsRatioWoolf} {
		_, err := f(none, none, 0.95)
		require.ErrorIs(t, err, stats.ErrNoEvents)
		iv, err := f(some, none, 0.95)
		require.NoError(t, err)
		assert.True(t, math.IsInf(iv.Upper, 1), iv.Method)
		iv, err = f(none, some, 0.95)
		require.NoError(t, err)
		assert.Zero(t, iv.Lower, iv.Method)
		_, err = f(some, count(0, 0), 0.95)
		require.ErrorIs(t, err, stats.ErrNoData)
	}
	_, err := proportion.OddsRatioWoolf(count(10, 10), count(10, 10), 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = proportion.DifferenceTest(none, none, stats.TwoSided, 0.95, false)
	require.ErrorIs(t, err, stats.ErrNoEvents)
	_, err = proportion.DifferenceTest(count(3, 3), count(3, 3), stats.TwoSided, 0.95, false)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	iv, err := proportion.OddsRatioConditional(none, none, 0.95)
	require.NoError(t, err)
	assert.Zero(t, iv.Lower)
	assert.True(t, math.IsInf(iv.Upper, 1))
}
