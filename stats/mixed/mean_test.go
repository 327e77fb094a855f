package mixed_test

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/mixed"
	"keratally/stats/sum"
)

// eyes draws values of patients with one to three eyes, with a shared part.
func eyes(r *rand.Rand, patients int, between float64) (values []float64, cluster []int) {
	for p := range patients {
		shared := between * r.NormFloat64()
		for range 1 + r.IntN(3) {
			values = append(values, math.Round(4*(shared+r.NormFloat64()-0.5))/4)
			cluster = append(cluster, 1000+7*p)
		}
	}
	return values, cluster
}

// One eye a patient: the mixed model is the one-sample t test, digit for digit,
// by t = mean/(s/√n) on n − 1 degrees of freedom.
func TestMeanWithoutPairsIsStudent(t *testing.T) {
	x := []float64{1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}
	r, err := mixed.RandomInterceptMean(x, []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9}, 0.95)
	require.NoError(t, err)
	se := math.Sqrt(sum.Variance(x) / 10)
	require.Equal(t, sum.Mean(x), r.Estimate)
	require.Equal(t, se, r.SE)
	require.Equal(t, 9.0, r.DF)
	require.Equal(t, dist.PT(r.Estimate/se, 9, stats.TwoSided), r.P)
	require.Zero(t, r.Pairs)
	require.True(t, math.IsNaN(r.WithinCorrelation))
}

// Balanced pairs have a closed form (one-way analysis of variance): the mean is
// that of the patient means, on patients − 1 degrees of freedom, and the
// correlation (MSB − MSW)/(MSB + MSW). By hand: pair means 2, 5, 9, 12; MSB =
// 2·Σ(m − 7)²/3 = 2·58/3; MSW = (2 + 2 + 2 + 8)/4 = 3.5.
func TestMeanOfBalancedPairs(t *testing.T) {
	x := []float64{1, 3, 4, 6, 8, 10, 10, 14}
	r, err := mixed.RandomInterceptMean(x, []int{1, 1, 2, 2, 3, 3, 4, 4}, 0.95)
	require.NoError(t, err)
	msb, msw := 2*58.0/3, 3.5
	require.InEpsilon(t, 7.0, r.Estimate, 1e-12)
	require.InEpsilon(t, math.Sqrt(58.0/3/4), r.SE, 1e-10)
	require.InEpsilon(t, 3.0, r.DF, 1e-9)
	require.InEpsilon(t, (msb-msw)/(msb+msw), r.WithinCorrelation, 1e-10)
	require.Equal(t, 4, r.Clusters)
}

// Pairs that differ more within than between: the variance between patients is
// 0, on the boundary, and the t test on all values remains. mean 2, s² = 8/3.
func TestMeanOnTheBoundary(t *testing.T) {
	r, err := mixed.RandomInterceptMean([]float64{0, 4, 1, 3, 0, 4}, []int{1, 1, 2, 2, 3, 3}, 0.95)
	require.NoError(t, err)
	require.True(t, r.Boundary)
	require.Zero(t, r.WithinCorrelation)
	require.Equal(t, 5.0, r.DF)
	require.InEpsilon(t, math.Sqrt(18.0/5/6), r.SE, 1e-12)
	require.NotEmpty(t, r.Notes)
}

// Both eyes of every patient equal: each patient counts once, as in the t test
// of 1, 2, 6 (mean 3, variance 7).
func TestMeanOfEqualPairs(t *testing.T) {
	r, err := mixed.RandomInterceptMean([]float64{1, 1, 2, 6, 6, 6}, []int{1, 1, 2, 3, 3, 3}, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 3.0, r.Estimate, 1e-14)
	require.InEpsilon(t, math.Sqrt(7.0/3), r.SE, 1e-14)
	require.Equal(t, 2.0, r.DF)
	require.Equal(t, 1.0, r.WithinCorrelation)
}

func TestMeanRefusals(t *testing.T) {
	for _, tt := range []struct {
		values  []float64
		cluster []int
		want    error
	}{
		{nil, nil, stats.ErrNoData},
		{[]float64{1}, []int{1}, stats.ErrTooFew},
		{[]float64{1, 2}, []int{1, 1}, stats.ErrOneGroup},
		{[]float64{2, 2, 2}, []int{1, 1, 2}, stats.ErrNoVariance},
		{[]float64{1, math.NaN(), 2}, []int{1, 2, 3}, stats.ErrNotFinite},
		{[]float64{1, 2}, []int{1}, stats.ErrLengths},
	} {
		_, err := mixed.RandomInterceptMean(tt.values, tt.cluster, 0.95)
		require.ErrorIs(t, err, tt.want)
	}
}

// The mean moves and stretches with the data, does not depend on the order of
// the rows, and lies inside its interval.
func TestMeanProperties(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 1))
		x, id := eyes(r, rapid.IntRange(3, 25).Draw(rt, "patients"), rapid.Float64Range(0, 3).Draw(rt, "between"))
		a, err := mixed.RandomInterceptMean(x, id, 0.95)
		if errors.Is(err, stats.ErrNoVariance) {
			rt.Skip("all values drawn are equal")
		}
		require.NoError(rt, err)
		shift := float64(rapid.IntRange(-1000, 1000).Draw(rt, "shift"))
		y, other := make([]float64, len(x)), make([]int, len(x))
		for i, k := range r.Perm(len(x)) {
			y[i], other[i] = -2*x[k]+shift, id[k]
		}
		b, err := mixed.RandomInterceptMean(y, other, 0.95)
		require.NoError(rt, err)
		require.InDelta(rt, -2*a.Estimate+shift, b.Estimate, 1e-7*(1+math.Abs(shift)))
		require.InEpsilon(rt, 2*a.SE, b.SE, 1e-6)
		require.InEpsilon(rt, a.DF, b.DF, 1e-5)
		require.True(rt, a.Interval.Contains(a.Estimate))
		require.True(rt, a.P >= 0 && a.P <= 1)
		if !a.Boundary && a.Pairs > 0 {
			require.True(rt, a.WithinCorrelation > 0 && a.WithinCorrelation <= 1)
		}
	})
}

// BenchmarkRandomInterceptMean is the size at which the reference software
// (lme4 1.1-31) takes 0.81 s.
func BenchmarkRandomInterceptMean(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	n := 100_000
	x, id := make([]float64, n), make([]int, n)
	shared := 0.0
	for i := range n {
		if i%4 == 0 {
			shared = r.NormFloat64()
		}
		x[i], id[i] = shared+r.NormFloat64(), i/4
	}
	for b.Loop() {
		if _, err := mixed.RandomInterceptMean(x, id, 0.95); err != nil {
			b.Fatal(err)
		}
	}
}
