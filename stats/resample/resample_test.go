package resample

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/sum"
)

var changes = []float64{1.5, 2.25, -0.75, 3, 4.5, 0.25, -1}

func median(x []float64) float64 {
	slices.Sort(x)
	return (x[(len(x)-1)/2] + x[len(x)/2]) / 2
}

// The bootstrap SE of a mean has the closed form √(Σd²/n)/√n. With 200,000
// resamples its Monte Carlo error is below 0.2 %; five times that is allowed.
func TestBootstrapSEOfMean(t *testing.T) {
	b, err := Mean(changes, Settings{Resamples: 200_000, Seed: 7, Level: 0.95})
	require.NoError(t, err)
	want := math.Sqrt(sum.SumSquaresDev(changes)) / 7
	require.InEpsilon(t, want, b.SE, 0.01)
	require.InDelta(t, 0, b.Bias, 0.01)
	require.True(t, b.BCa.Contains(b.Estimate))
}

// R 4.2.2: sd(boot(x, function(v, i) median(v[i]), R = 200000)$t) with seed 1 is
// 1.16029.
func TestBootstrapSEOfMedianAgainstR(t *testing.T) {
	b, err := Values(changes, median, Settings{Resamples: 100_000, Seed: 7, Level: 0.95})
	require.NoError(t, err)
	require.InEpsilon(t, 1.1602866908741887, b.SE, 0.015)
}

// Leave-one-out estimates that are all equal have no spread, whatever the
// rounding of their mean: the median of ten equal values but two.
func TestJackknifeOfEqualEstimates(t *testing.T) {
	x := []float64{0.1, 0.62, 0.62, 0.62, 0.62, 0.62, 0.62, 0.62, 0.62, 0.62, 3}
	j, err := Jackknife(x, func(v []float64) float64 { return slices.Sorted(slices.Values(v))[len(v)/2] })
	require.NoError(t, err)
	require.Zero(t, j.SE)
	require.Zero(t, j.Acceleration)
}

// By hand: leave-one-out means of n values are (n·mean − x)/(n − 1), so the
// jackknife SE of a mean is SD/√n and its acceleration Σd³/(6(Σd²)^1.5).
func TestJackknifeOfMeanByHand(t *testing.T) {
	j, err := Jackknife(changes, sum.Mean)
	require.NoError(t, err)
	require.InEpsilon(t, math.Sqrt(sum.Variance(changes)/7), j.SE, 1e-13)
	var squares, cubes float64
	for _, v := range changes {
		d := v - j.Estimate
		squares += d * d
		cubes += d * d * d
	}
	require.InEpsilon(t, cubes/(6*math.Pow(squares, 1.5)), j.Acceleration, 1e-12)
}

// The same seed gives the same numbers, the general way those of the way for
// means, and clusters of one row those of single rows.
func TestSeedsAndWaysAgree(t *testing.T) {
	s := Settings{Resamples: 2000, Seed: 42, Level: 0.9}
	a, err := Mean(changes, s)
	require.NoError(t, err)
	b, err := Values(changes, sum.Mean, s)
	require.NoError(t, err)
	require.InDelta(t, a.BCa.Lower, b.BCa.Lower, 1e-12)
	require.InDelta(t, a.BCa.Upper, b.BCa.Upper, 1e-12)
	again, err := Mean(changes, s)
	require.NoError(t, err)
	require.Equal(t, a, again)
	byRow := func(rows []int) float64 {
		total := 0.0
		for _, row := range rows {
			total += changes[row]
		}
		return total / float64(len(rows))
	}
	c, err := Rows(len(changes), byRow, s)
	require.NoError(t, err)
	require.InDelta(t, a.Percentile.Lower, c.Percentile.Lower, 1e-12)
	s.Seed = 43
	d, err := Mean(changes, s)
	require.NoError(t, err)
	require.NotEqual(t, a.SE, d.SE)
}

// Two eyes with the same value are one patient's information: the SE of a mean
// over doubled rows is that over single rows when patients are drawn.
func TestClustersKeepEyesTogether(t *testing.T) {
	clusters := make([][]int, len(changes))
	for i := range clusters {
		clusters[i] = []int{2 * i, 2*i + 1}
	}
	eyes := func(rows []int) float64 {
		total := 0.0
		for _, row := range rows {
			total += changes[row/2]
		}
		return total / float64(len(rows))
	}
	s := Settings{Resamples: 5000, Seed: 3, Level: 0.95}
	b, err := Clusters(clusters, eyes, s)
	require.NoError(t, err)
	single, err := Mean(changes, s)
	require.NoError(t, err)
	require.Equal(t, 14, b.N)
	require.Equal(t, 7, b.Clusters)
	require.InDelta(t, single.SE, b.SE, 1e-12)
	require.InDelta(t, single.BCa.Upper, b.BCa.Upper, 1e-12)
}

// A BCa interval moves with the data: shift and a change of sign.
func TestBCaShiftAndSign(t *testing.T) {
	s := Settings{Resamples: 4000, Seed: 5, Level: 0.95}
	shifted, mirrored := make([]float64, 7), make([]float64, 7)
	for i, v := range changes {
		shifted[i], mirrored[i] = v+1e9, -v
	}
	a, err := Mean(changes, s)
	require.NoError(t, err)
	b, err := Mean(shifted, s)
	require.NoError(t, err)
	c, err := Mean(mirrored, s)
	require.NoError(t, err)
	require.InDelta(t, a.BCa.Lower+1e9, b.BCa.Lower, 1e-6)
	require.InDelta(t, a.BCa.Lower, -c.BCa.Upper, 1e-9)
	require.InDelta(t, a.Acceleration, -c.Acceleration, 1e-14)
}

// Nominal 95 % BCa limits of a normal mean, n = 20: common practice gives
// somewhat below nominal; 400 seeded samples put the share between 0.89 and
// 0.97 with room for their own error.
func TestBCaCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	covered := 0
	for i := range 400 {
		x := make([]float64, 20)
		for j := range x {
			x[j] = rng.NormFloat64()
		}
		b, err := Mean(x, Settings{Resamples: 1000, Seed: uint64(i), Level: 0.95})
		require.NoError(t, err)
		if b.BCa.Contains(0) {
			covered++
		}
	}
	require.InDelta(t, 0.93, float64(covered)/400, 0.04)
}

func TestRefusals(t *testing.T) {
	s := Settings{Resamples: 1000, Seed: 1, Level: 0.95}
	_, err := Mean([]float64{1, 2}, s)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Mean([]float64{2, 2, 2, 2}, s)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = Mean([]float64{1, math.Inf(1), 2}, s)
	require.ErrorIs(t, err, stats.ErrNotFinite)
	_, err = Values(changes, func([]float64) float64 { return math.NaN() }, s)
	require.ErrorIs(t, err, stats.ErrNotFinite)
	_, err = Clusters([][]int{{0}, {1}}, func([]int) float64 { return 0 }, s)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Clusters([][]int{{0}, {}, {1}}, func([]int) float64 { return 0 }, s)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = Jackknife([]float64{1}, sum.Mean)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Mean(changes, Settings{Resamples: 10, Level: 0.95})
	require.Error(t, err)
	_, err = Mean(changes, Settings{Resamples: 1000, Level: 95})
	require.Error(t, err)
}

// No resample of thirty different values has thirty different values, so the
// bias correction is infinite: percentile limits stand in and say so.
func TestBCaAtTheEdge(t *testing.T) {
	x := make([]float64, 30)
	for i := range x {
		x[i] = float64(i)
	}
	distinct := func(x []float64) float64 {
		slices.Sort(x)
		return float64(len(slices.Compact(x)))
	}
	b, err := Values(x, distinct, Settings{Resamples: 1000, Seed: 1, Level: 0.95})
	require.NoError(t, err)
	require.Equal(t, b.Percentile.Lower, b.BCa.Lower)
	require.Less(t, b.BCa.Upper, 30.0)
	require.Contains(t, b.BCa.Method, "no BCa")
	require.NotEmpty(t, b.Notes)
}

func BenchmarkBCaMean(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, 1000)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	for b.Loop() {
		if _, err := Mean(x, Settings{Resamples: 10_000, Seed: 1, Level: 0.95}); err != nil {
			b.Fatal(err)
		}
	}
}
