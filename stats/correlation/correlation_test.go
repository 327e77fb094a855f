package correlation_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/correlation"
)

// tuna holds the colour and the quality of nine lots: Hollander & Wolfe,
// Nonparametric Statistical Methods, 1973, page 187.
var (
	colour  = []float64{44.4, 45.9, 41.9, 53.3, 44.7, 44.1, 50.7, 45.2, 60.1}
	quality = []float64{2.6, 3.1, 2.5, 5.0, 3.6, 4.0, 5.2, 2.8, 3.8}

	tiedX = []float64{1.25, 2.5, 2.5, 4, 5.75, 3, 2.5}
	tiedY = []float64{0.5, 2.5, 1, 1.75, 3, 0.25, 2}
)

// R 4.2.2, cor.test(colour, quality), with method = "spearman", and with
// method = "kendall", alternative = "greater".
func TestTuna(t *testing.T) {
	p, err := correlation.Pearson(colour, quality, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 1.841082638115338, p.Stat, 1e-12)
	require.InEpsilon(t, 0.1081730543494938, p.P, 1e-12)
	require.InEpsilon(t, 0.5711815575638287, p.Estimate, 1e-13)
	require.InEpsilon(t, -0.1497426330367572, p.Interval.Lower, 1e-12)
	require.InEpsilon(t, 0.8955794618387393, p.Interval.Upper, 1e-12)

	s, err := correlation.Spearman(colour, quality, stats.TwoSided, 0.95, correlation.Automatic)
	require.NoError(t, err)
	require.InEpsilon(t, 48.0, s.Stat, 1e-13)
	require.InEpsilon(t, 0.6, s.Estimate, 1e-13)
	require.InEpsilon(t, 0.09679783950617284, s.P, 1e-12)

	k, err := correlation.Kendall(colour, quality, stats.Greater, 0.95, correlation.AutomaticKendall)
	require.NoError(t, err)
	require.Equal(t, 26, k.Concordant)
	require.InEpsilon(t, 0.0597194664902998, k.P, 1e-12)
	require.InEpsilon(t, 16.0/36, k.Estimate, 1e-14)
}

// R 4.2.2, cor.test(tiedX, tiedY, exact = FALSE) with method = "kendall" and
// "spearman".
func TestTies(t *testing.T) {
	k, err := correlation.Kendall(tiedX, tiedY, stats.TwoSided, 0.95, correlation.AutomaticKendall)
	require.NoError(t, err)
	require.InEpsilon(t, 0.9408750722807701, k.Stat, 1e-12)
	require.InEpsilon(t, 0.346768883452443, k.P, 1e-12)
	require.InEpsilon(t, 0.3086066999241838, k.Estimate, 1e-13)
	s, err := correlation.Spearman(tiedX, tiedY, stats.TwoSided, 0.95, correlation.StudentT)
	require.NoError(t, err)
	require.InEpsilon(t, 35.24501913348917, s.S, 1e-13)
	require.InEpsilon(t, 0.4131162002551658, s.P, 1e-12)
}

// R 4.2.2, cor.test(x, y, method = "spearman", alternative = …), which calls
// the Edgeworth series exact for ten rows.
func TestEdgeworth(t *testing.T) {
	x := []float64{3, 1, 4, 1.5, 9, 2.6, 5, 3.5, 8, 9.7}
	y := []float64{2, 7, 1, 8, 2.8, 1.8, 2.84, 5.9, 0.4, 5.2}
	for alt, want := range map[stats.Alternative]float64{
		stats.TwoSided: 0.2789652161163172, stats.Less: 0.1394826080581586, stats.Greater: 0.8685566082376553,
	} {
		got, err := correlation.Spearman(x, y, alt, 0.95, correlation.Edgeworth)
		require.NoError(t, err)
		require.InEpsilon(t, want, got.P, 1e-11, alt.String())
		// The series is meant to be within 0.001 or so of all 10! orders.
		exact, err := correlation.Spearman(x, y, alt, 0.95, correlation.Permutations)
		require.NoError(t, err)
		require.InDelta(t, exact.P, got.P, 0.002)
	}
}

// Pairs are those counted one by one.
func TestKendallCountsEveryPair(t *testing.T) {
	values := rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 8), func(i int) float64 { return float64(i) }), 30, 30)
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 30).Draw(t, "n")
		x, y := values.Draw(t, "x")[:n], values.Draw(t, "y")[:n]
		concordant, discordant := 0, 0
		for i := range x {
			for j := range i {
				switch s := (x[i] - x[j]) * (y[i] - y[j]); {
				case s > 0:
					concordant++
				case s < 0:
					discordant++
				}
			}
		}
		k, err := correlation.Kendall(x, y, stats.TwoSided, 0.95, correlation.NormalKendall)
		require.Equal(t, concordant, k.Concordant)
		require.Equal(t, discordant, k.Discordant)
		if err != nil {
			require.ErrorIs(t, err, stats.ErrNoVariance)
			return
		}
		other, err := correlation.Kendall(y, x, stats.TwoSided, 0.95, correlation.NormalKendall)
		require.NoError(t, err)
		require.InDelta(t, k.P, other.P, 1e-13)
	})
}

// A perfect line is 1 or −1 to the last digit, exactly so without an offset.
func TestPearsonProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfNDistinct(rapid.Map(rapid.IntRange(-99, 99), func(i int) float64 { return float64(i) / 4 }), 4, 20, rapid.ID).Draw(t, "x")
		y := make([]float64, len(x))
		for i, v := range x {
			y[i] = -v + 1e6
		}
		p, err := correlation.Pearson(x, y, stats.TwoSided, 0.95)
		require.NoError(t, err)
		require.InDelta(t, -1, p.Estimate, 1e-15)
		require.Less(t, p.P, 1e-6)
		self, err := correlation.Pearson(x, x, stats.TwoSided, 0.95)
		require.NoError(t, err)
		require.Equal(t, 1.0, self.Estimate)
		require.Zero(t, self.P)
		require.Equal(t, [2]float64{1, 1}, [2]float64{self.Interval.Lower, self.Interval.Upper})
	})
}

// Three rows in order: of the 3! orders one has ρ = 1, so p = 2/6.
func TestFewRows(t *testing.T) {
	s, err := correlation.Spearman([]float64{1, 2, 3}, []float64{4, 5, 6}, stats.TwoSided, 0.95, correlation.Automatic)
	require.NoError(t, err)
	require.InEpsilon(t, 1.0/3, s.P, 1e-14)
	require.Equal(t, [2]float64{-1, 1}, [2]float64{s.Interval.Lower, s.Interval.Upper})
	two, err := correlation.Spearman([]float64{1, 2}, []float64{5, 4}, stats.TwoSided, 0.95, correlation.StudentT)
	require.ErrorIs(t, err, stats.ErrTooFew)
	require.InDelta(t, -1, two.Estimate, 1e-15)
}

func TestErrors(t *testing.T) {
	_, err := correlation.Pearson([]float64{1, 2}, []float64{1, 2}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = correlation.Pearson([]float64{1, 1, 1}, []float64{1, 2, 3}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = correlation.Pearson([]float64{1}, []float64{1, 2, 3}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrLengths)
	_, err = correlation.Pearson([]float64{1, 2, math.Inf(1)}, []float64{1, 2, 3}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrNotFinite)
	argument := new(stats.ArgumentError)
	_, err = correlation.Kendall(tiedX, tiedY, stats.TwoSided, 0.95, correlation.ExactKendall)
	require.ErrorAs(t, err, &argument)
	_, err = correlation.Spearman(tiedX, tiedY, stats.TwoSided, 0.95, correlation.Edgeworth)
	require.ErrorAs(t, err, &argument)
}
