package dist

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
)

// A quantile undoes its distribution function, from either tail.
func TestQuantilesInvertTails(t *testing.T) {
	logUniform := func(t *rapid.T, name string, low, high float64) float64 {
		return math.Exp(rapid.Float64Range(math.Log(low), math.Log(high)).Draw(t, name))
	}
	rapid.Check(t, func(t *rapid.T) {
		p := logUniform(t, "p", 1e-14, 0.5)
		a := logUniform(t, "a", 0.2, 3e4)
		b := logUniform(t, "b", 0.2, 3e4)
		near := func(name string, want, got float64) {
			require.InEpsilon(t, want, got, 5e-12, "%s of p=%g a=%g b=%g", name, p, a, b)
		}
		near("normal", p, NormalCDF(NormalQuantile(p)))
		near("t", p, TCDF(TQuantile(p, a), a))
		near("chi-squared", p, ChiSquaredCDF(ChiSquaredQuantile(p, a), a))
		near("gamma upper", p, ChiSquaredSF(2*GammaQuantileUpper(p, a/2), a))
		near("F", p, FCDF(FQuantile(p, a, b), a, b))
		near("F upper", p, FSF(FQuantileUpper(p, a, b), a, b))
		// Below, x may be so close to 1 that no double lies nearer.
		if x := BetaQuantile(p, a, b); x < 0.99 && x > 1e-300 {
			near("beta", p, BetaCDF(x, a, b))
		}
	})
}

func TestTailsAddToOne(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-40, 40).Draw(t, "x")
		a := rapid.Float64Range(0.3, 500).Draw(t, "a")
		b := rapid.Float64Range(0.3, 500).Draw(t, "b")
		n := rapid.IntRange(1, 300).Draw(t, "n")
		k := rapid.IntRange(-1, n+1).Draw(t, "k")
		p := rapid.Float64Range(0, 1).Draw(t, "p")
		for name, total := range map[string]float64{
			"normal":         NormalCDF(x) + NormalSF(x),
			"t":              TCDF(x, a) + TSF(x, a),
			"chi-squared":    ChiSquaredCDF(x*x, a) + ChiSquaredSF(x*x, a),
			"F":              FCDF(math.Abs(x), a, b) + FSF(math.Abs(x), a, b),
			"beta":           BetaCDF(p, a, b) + BetaSF(p, a, b),
			"binomial":       BinomialCDF(k, n, p) + BinomialSF(k, n, p),
			"Poisson":        PoissonCDF(k, a) + PoissonSF(k, a),
			"hypergeometric": HypergeometricCDF(k, n, 40, 30) + HypergeometricSF(k, n, 40, 30),
			"noncentral t":   NoncentralTCDF(x, a, 1.5) + NoncentralTSF(x, a, 1.5),
			"noncentral F":   NoncentralFCDF(math.Abs(x), a, b, 3) + NoncentralFSF(math.Abs(x), a, b, 3),
			"signed rank":    SignedRankCDF(k, 12) + SignedRankSF(k, 12),
			"rank sum":       RankSumCDF(k, 7, 9) + RankSumSF(k, 7, 9),
		} {
			require.InDelta(t, 1, total, 1e-12, name)
		}
	})
}

func TestProbabilitiesSumToOne(t *testing.T) {
	total := 0.0
	for k := range 61 {
		total += BinomialPMF(k, 60, 0.37)
	}
	require.InDelta(t, 1, total, 1e-14)
	total = 0
	for k := range 31 {
		total += HypergeometricPMF(k, 30, 50, 40)
	}
	require.InDelta(t, 1, total, 1e-14)
	for _, table := range [][]float64{SignedRankPMF(0), SignedRankPMF(1), SignedRankPMF(57), RankSumPMF(5, 9), RankSumPMF(30, 21), RankSumPMF(0, 4)} {
		total = 0
		for i, p := range table {
			total += p
			require.InDelta(t, table[len(table)-1-i], p, 1e-15) // symmetric
		}
		require.InDelta(t, 1, total, 1e-13)
	}
}

// Counting by hand. Signed ranks of n = 3: sums 0 to 6 come up 1, 1, 1, 2, 1,
// 1, 1 times in 8. Two of two against two: U 0 to 4 come up 1, 1, 2, 1, 1 times
// in 6.
func TestRankDistributionsByHand(t *testing.T) {
	require.InDeltaSlice(t, []float64{.125, .125, .125, .25, .125, .125, .125}, SignedRankPMF(3), 1e-16)
	require.InDeltaSlice(t, []float64{1. / 6, 1. / 6, 2. / 6, 1. / 6, 1. / 6}, RankSumPMF(2, 2), 1e-16)
}

// Hollander & Wolfe, Nonparametric Statistical Methods, tables A.4 and A.6:
// one-sided 0.025 critical sums. Values from memory; they equal R 4.2.2's
// qsignrank(0.025, 15) = 26 and qwilcox(0.025, 10, 12) = 30.
func TestRankQuantiles(t *testing.T) {
	require.Equal(t, 26, SignedRankQuantile(0.025, 15))
	require.Equal(t, 30, RankSumQuantile(0.025, 10, 12))
}

// The studentised range of two groups is √2 times |t|.
func TestTukeyOfTwoGroupsIsT(t *testing.T) {
	for _, df := range []float64{1, 2, 5, 24.7, 400, math.Inf(1)} {
		for _, q := range []float64{0.1, 1, 3, 7, 20} {
			want := 2 * TSF(q/math.Sqrt2, df)
			require.InEpsilon(t, want, TukeySF(q, 2, df), 1e-11, "q %g df %g", q, df)
		}
	}
}

// The three-decimal table of upper 5 % points of the studentised range,
// Harter, Ann Math Stat 1960;31:1122–1147 (values from memory).
func TestTukeyTable(t *testing.T) {
	for _, row := range []struct {
		groups int
		df     float64
		q      float64
	}{{3, 10, 3.877}, {5, 20, 4.232}, {4, 60, 3.737}, {10, math.Inf(1), 4.474}} {
		require.InDelta(t, row.q, TukeyQuantile(0.95, row.groups, row.df), 0.0005)
	}
}

func TestPDirections(t *testing.T) {
	require.InDelta(t, 0.05, PZ(-1.959963984540054, stats.TwoSided), 1e-15)
	require.InDelta(t, 0.975, PZ(-1.959963984540054, stats.Greater), 1e-15)
	require.InDelta(t, 0.025, PZ(-1.959963984540054, stats.Less), 1e-15)
	require.Equal(t, 1.0, PT(0, 7, stats.TwoSided))
	require.InEpsilon(t, PT(2, 7, stats.TwoSided), 2*PT(2, 7, stats.Greater), 1e-15)
	require.InEpsilon(t, PT(2, 7, stats.Greater), PT(-2, 7, stats.Less), 1e-15)
}

func TestEnds(t *testing.T) {
	require.Equal(t, math.Inf(-1), NormalQuantile(0))
	require.Equal(t, math.Inf(1), TQuantile(1, 3))
	require.Zero(t, ChiSquaredQuantile(0, 3))
	require.Equal(t, math.Inf(1), FQuantile(1, 3, 4))
	require.Equal(t, 1.0, BetaQuantile(1, 2, 3))
	require.Zero(t, BinomialSF(10, 10, 0.5))
	require.Equal(t, 1.0, BinomialPMF(0, 10, 0))
	require.Zero(t, PoissonSF(0, 0))
	require.Zero(t, TSF(math.Inf(1), 3))
	require.Equal(t, ChiSquaredSF(9, 3), FSF(3, 3, math.Inf(1)))
	for _, v := range []float64{NormalQuantile(1.1), TSF(1, 0), ChiSquaredCDF(1, -1), FSF(1, 0, 2), BetaCDF(0.5, 0, 1), BinomialCDF(1, 2, 1.5), TukeySF(1, 1, 5), NoncentralTCDF(1, 0, 1)} {
		require.True(t, math.IsNaN(v))
	}
}

func BenchmarkTQuantile(b *testing.B) {
	for b.Loop() {
		TQuantile(0.975, 37.5)
	}
}

func BenchmarkTSF(b *testing.B) {
	for b.Loop() {
		TSF(2.1, 37.5)
	}
}

func BenchmarkBetaQuantile(b *testing.B) {
	for b.Loop() {
		BetaQuantile(0.975, 3.5, 80)
	}
}

func BenchmarkTukeySF(b *testing.B) {
	for b.Loop() {
		TukeySF(3.5, 6, 60)
	}
}
