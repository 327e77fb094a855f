package describe

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
)

// Seven changes of Kmax in quarter dioptres, made up for the test.
var changes = []float64{1.5, 2.25, -0.75, 3, 4.5, 0.25, -1}

// R 4.2.2: t.test(x)$conf.int of the changes.
func TestMeanAgainstR(t *testing.T) {
	r, err := Mean(changes, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 1.3928571428571428, r.Estimate, 1e-15)
	require.InEpsilon(t, -0.48008462346765651, r.Interval.Lower, 1e-13)
	require.InEpsilon(t, 3.2657989091819415, r.Interval.Upper, 1e-13)
	require.Equal(t, 6.0, r.DF)
}

// R 4.2.2: quantile(x, c(.1, .25, .5, .9), type = k) of the changes.
func TestQuantileTypesAgainstR(t *testing.T) {
	for definition, want := range map[QuantileType][]float64{
		Type2: {-1, -0.75, 1.5, 4.5},
		Type6: {-1, -0.75, 1.5, 4.5},
		Type7: {-0.85, -0.25, 1.5, 3.6},
		Type8: {-0.98333333333333339, -0.58333333333333304, 1.5, 4.4},
	} {
		got, err := Quantiles(changes, definition, 0.1, 0.25, 0.5, 0.9)
		require.NoError(t, err)
		require.InDeltaSlice(t, want, got, 1e-14, "type %d", definition)
	}
}

// The median of 1, 2, 3, 4 lies half-way between the middle two.
func TestMedianByHand(t *testing.T) {
	median, err := Median([]float64{4, 1, 3, 2})
	require.NoError(t, err)
	require.Equal(t, 2.5, median)
}

// By hand: 0, 0, 0, 4 has mean 1, m₂ = 3, m₃ = 6, m₄ = 21, so g1 = 6/3^1.5 and
// g2 = 21/9 − 3; G1 = g1·√12/2, G2 = 3/(2·1)·(5·g2 + 6).
func TestShapeByHand(t *testing.T) {
	for _, offset := range []float64{0, 1e9, -1e9} {
		s, err := Summarise([]float64{offset, offset, offset + 4, offset}, 0.95)
		require.NoError(t, err)
		g1, g2 := 6/math.Pow(3, 1.5), 21.0/9-3
		require.InEpsilon(t, g1, s.Shape.SkewnessMoment, 1e-14)
		require.InEpsilon(t, g1*math.Sqrt(12)/2, s.Shape.Skewness, 1e-14)
		require.InEpsilon(t, 1.5*(5*g2+6), s.Shape.Kurtosis, 1e-14)
		require.Equal(t, 2.0, s.SD) // Σ = 9 + 3 = 12 over 3
	}
}

func TestSummaryOfFewSaysWhy(t *testing.T) {
	s, err := Summarise([]float64{3}, 0.95)
	require.NoError(t, err)
	require.Equal(t, 3.0, s.Mean.Estimate)
	require.True(t, math.IsNaN(s.SD))
	require.Contains(t, s.Notes, "one observation: no standard deviation, interval or shape")

	s, err = Summarise([]float64{2, 2, 2, 2, 2}, 0.95)
	require.NoError(t, err)
	require.Zero(t, s.SD)
	require.Equal(t, 2.0, s.Mean.Lower)
	require.True(t, math.IsNaN(s.Shape.Skewness))
	require.Contains(t, s.Notes, "all values are equal: no skewness or kurtosis")

	_, err = Summarise(nil, 0.95)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = Summarise([]float64{1, math.NaN()}, 0.95)
	require.ErrorIs(t, err, stats.ErrNotFinite)
	_, err = Summarise([]float64{1}, 1)
	require.Error(t, err)
	_, err = Mean([]float64{1}, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Quantile([]float64{1}, 1.5)
	require.Error(t, err)
	_, err = Quantiles([]float64{1}, 5, 0.5)
	require.Error(t, err)
	_, err = GeometricMean([]float64{1, 0}, 0.95)
	require.Error(t, err)
	_, err = GeometricMean([]float64{1}, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Autocorrelation([]float64{5, 5, 5})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = Autocorrelation([]float64{5})
	require.ErrorIs(t, err, stats.ErrTooFew)
}

// By hand: the geometric mean of 1, 4 and 16 is 4, and log₄ of them is 0, 1, 2,
// so the geometric SD is 4.
func TestGeometricByHand(t *testing.T) {
	g, err := GeometricMean([]float64{16, 1, 4}, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 4, g.Mean.Estimate, 1e-15)
	require.InEpsilon(t, 4, g.SD, 1e-14)
}

// By hand: with 6 observations the range misses the median with probability
// 2/64, and with 5 with 2/32, more than 5 %.
func TestMedianCIByHand(t *testing.T) {
	ci, err := MedianCI([]float64{6, 2, 3, 5, 4, 1}, 0.95)
	require.NoError(t, err)
	require.Equal(t, 1.0, ci.Lower)
	require.Equal(t, 6.0, ci.Upper)
	require.Equal(t, 3.5, ci.Estimate)
	require.InDelta(t, 1-2.0/64, ci.Achieved, 1e-15)
	_, err = MedianCI([]float64{1, 2, 3, 4, 5}, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	require.ErrorContains(t, err, "needs at least 6 observations, got 5")
}

// Weights of 11 men, Shapiro & Wilk, Biometrika 1965;52:591–611, example:
// W = 0.79 there; R 4.2.2 shapiro.test gives W and p below.
func TestShapiroWilkAgainstR(t *testing.T) {
	r, err := ShapiroWilk([]float64{148, 154, 158, 160, 161, 162, 166, 170, 182, 195, 236})
	require.NoError(t, err)
	require.InEpsilon(t, 0.78881469483538735, r.Stat, 1e-12)
	require.InEpsilon(t, 0.0067038140565029254, r.P, 1e-10)

	_, err = ShapiroWilk([]float64{1, 2})
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = ShapiroWilk([]float64{2, 2, 2})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = ShapiroWilk(make([]float64, 5001))
	require.ErrorContains(t, err, "5000 or fewer")
}

// Shifting and scaling move location and spread and leave shape alone; the
// order of rows changes no bit; limits contain the estimate.
func TestSummaryProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Map(rapid.IntRange(-400, 400), func(v int) float64 { return float64(v) / 4 }), 4, 40).Draw(t, "x")
		moved, shuffled := make([]float64, len(x)), append([]float64(nil), x...)
		for i, v := range x {
			moved[i] = 1e9 + 2*v
		}
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)).Shuffle(len(x), func(i, j int) {
			shuffled[i], shuffled[j] = shuffled[j], shuffled[i]
		})
		a, err := Summarise(x, 0.95)
		require.NoError(t, err)
		b, err := Summarise(shuffled, 0.95)
		require.NoError(t, err)
		c, err := Summarise(moved, 0.95)
		require.NoError(t, err)
		require.Equal(t, a.Mean, b.Mean)
		require.Equal(t, a.SD, b.SD)
		require.LessOrEqual(t, a.Min, a.Mean.Estimate)
		require.True(t, a.Mean.Contains(a.Mean.Estimate))
		require.LessOrEqual(t, a.Q25, a.Median)
		require.LessOrEqual(t, a.Median, a.Q75)
		require.InDelta(t, 2*a.SD, c.SD, 1e-12*(1+a.SD))
		require.InDelta(t, 1e9+2*a.Median, c.Median, 1e-6)
		if a.SD > 0 {
			require.InDelta(t, a.Shape.Skewness, c.Shape.Skewness, 1e-11)
			require.InDelta(t, a.Shape.Kurtosis, c.Shape.Kurtosis, 1e-10)
			w, err := ShapiroWilk(x)
			require.NoError(t, err)
			v, err := ShapiroWilk(moved)
			require.NoError(t, err)
			require.InDelta(t, w.Stat, v.Stat, 1e-12)
			require.True(t, w.P >= 0 && w.P <= 1 && w.Stat > 0 && w.Stat <= 1+1e-15)
		}
	})
}

// Large samples are ordered only where the quantiles need it: they are those of
// the whole ordered sample, with ties, in any order and at the ends.
func TestQuantilesOfLargeSamples(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, step := range []float64{0, 0.25, 5} {
		x := make([]float64, 5000)
		for i := range x {
			if x[i] = 3 * r.NormFloat64(); step > 0 {
				x[i] = math.Round(x[i]/step) * step
			}
		}
		ordered := slices.Sorted(slices.Values(x))
		for range 3 {
			p := []float64{0, 0.001, r.Float64(), 0.5, r.Float64(), 0.999, 1}
			for _, q := range []QuantileType{Type2, Type6, Type7, Type8} {
				got, err := Quantiles(x, q, p...)
				require.NoError(t, err)
				for k, at := range p {
					want := otherType(ordered, q, at)
					if q == Type7 {
						want = type7(ordered, at)
					}
					require.Equal(t, want, got[k], "type %d at %v", q, at)
				}
			}
			slices.Sort(x) // and a sample in order
		}
	}
}
