package cluster_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/rank"
)

// Without pairs the test is the signed-rank test. By hand: the negative values
// have ranks 2 and 5, so T = 36 − 2·7 = 22; of the 256 sign patterns 1, 1, 1, 2,
// 2, 3, 4 and 5 have ranks adding to 0, 1, … 7 on one side, 19 in all.
func TestExactSignedRankWithoutPairs(t *testing.T) {
	x := []float64{1.1, -0.4, 2.3, 0.9, -1.6, 3.2, 0.2, 2.7}
	r, err := cluster.SignedRankExact(x, []int{1, 2, 3, 4, 5, 6, 7, 8})
	require.NoError(t, err)
	require.Equal(t, 22.0, r.Sum)
	require.InEpsilon(t, 2*19.0/256, r.P, 1e-14)
}

// enumerate counts, over all 2^K ways to sign the cluster sums, those at least as extreme.
func enumerate(s []float64) float64 {
	observed := 0.0
	for _, v := range s {
		observed += v
	}
	hits := 0
	for mask := range 1 << len(s) {
		total := 0.0
		for i, v := range s {
			if mask>>i&1 == 1 {
				v = -v
			}
			total += v
		}
		if math.Abs(total) >= math.Abs(observed)-1e-9 {
			hits++
		}
	}
	return float64(hits) / float64(int(1)<<len(s))
}

func TestExactSignedRankIsTheEnumeration(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 2))
		var d []float64
		var id []int
		for p := range rapid.IntRange(2, 9).Draw(rt, "patients") {
			for range 1 + r.IntN(2) {
				d, id = append(d, math.Round(4*r.NormFloat64()+1)/4), append(id, p)
			}
		}
		got, err := cluster.SignedRankExact(d, id)
		if err != nil {
			require.ErrorIs(rt, err, stats.ErrAllZero)
			return
		}
		var sizes []float64
		for _, v := range d {
			if v != 0 {
				sizes = append(sizes, math.Abs(v))
			}
		}
		ranks, _ := rank.Midranks(sizes)
		sums := map[int]float64{}
		k := 0
		for i, v := range d {
			if v != 0 {
				sums[id[i]] += math.Copysign(ranks[k], v)
				k++
			}
		}
		var s []float64
		for _, v := range sums {
			s = append(s, v)
		}
		require.InDelta(rt, enumerate(s), got.P, 1e-12)
		mirrored := make([]float64, len(d))
		for i, v := range d {
			mirrored[i] = -3 * v
		}
		other, err := cluster.SignedRankExact(mirrored, id)
		require.NoError(rt, err)
		require.Equal(rt, got.P, other.P)
		require.Equal(rt, -got.Sum, other.Sum)
	})
}

// By hand: values 1 2 | 3 in the first group, 4 5 | 6 in the second. Ranks are
// the values. Clusters of two: sums 3 and 9, m = n = 1, mean 6, variance
// 1·1/(2·1)·(9 + 9) = 9; of one: 3 and 6, mean 4.5, variance ½·(2.25 + 2.25).
// W = 6, E = 10.5, Var = 11.25, z = −4.5/√11.25.
func TestRankSumByHand(t *testing.T) {
	r, err := cluster.RankSum([]float64{1, 2, 3, 4, 5, 6}, []bool{true, true, true, false, false, false}, []int{1, 1, 2, 3, 3, 4})
	require.NoError(t, err)
	require.Equal(t, 6.0, r.Sum)
	require.InEpsilon(t, 10.5, r.Expected, 1e-15)
	require.InEpsilon(t, 11.25, r.Variance, 1e-15)
	require.InEpsilon(t, -4.5/math.Sqrt(11.25), r.Stat, 1e-14)
}

// Without pairs the test is the rank-sum test: expectation m(N + 1)/2 and, with
// no ties, variance mn(N + 1)/12. Swapping the groups turns the sign of z.
func TestRankSumWithoutPairs(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	x, first, other, id := make([]float64, 15), make([]bool, 15), make([]bool, 15), make([]int, 15)
	for i := range x {
		x[i], first[i], other[i], id[i] = r.NormFloat64(), i < 6, i >= 6, i
	}
	a, err := cluster.RankSum(x, first, id)
	require.NoError(t, err)
	require.InEpsilon(t, 48, a.Expected, 1e-14)
	require.InEpsilon(t, 6*9*16.0/12, a.Variance, 1e-13)
	b, err := cluster.RankSum(x, other, id)
	require.NoError(t, err)
	require.InDelta(t, a.Stat, -b.Stat, 1e-12)
}

func TestRankRefusals(t *testing.T) {
	_, err := cluster.SignedRank([]float64{0, 0, 0}, []int{1, 1, 2})
	require.ErrorIs(t, err, stats.ErrAllZero)
	_, err = cluster.SignedRank([]float64{1, -1, 2, -2}, []int{1, 1, 2, 2})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = cluster.SignedRank([]float64{1}, []int{1})
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = cluster.RankSum([]float64{1, 2, 3}, []bool{true, true, true}, []int{1, 1, 2})
	require.ErrorIs(t, err, stats.ErrOneGroup)
	_, err = cluster.RankSum([]float64{2, 2, 2}, []bool{true, false, true}, []int{1, 2, 3})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = cluster.RankSum([]float64{1, 2, 3}, []bool{true, false, true}, []int{1, 1, 3})
	var argument *stats.ArgumentError
	require.ErrorAs(t, err, &argument)
}
