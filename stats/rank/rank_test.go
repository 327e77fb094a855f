package rank

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// By hand: 3 is smallest, the two 5 share ranks 2 and 3, the three 7 share 4, 5, 6.
func TestMidranksByHand(t *testing.T) {
	ranks, ties := Midranks([]float64{7, 5, 7, 3, 5, 7})
	require.Equal(t, []float64{5, 2.5, 5, 1, 2.5, 5}, ranks)
	require.Equal(t, []int{1, 2, 3}, ties)
	require.Equal(t, 6.0+24.0, TieSum(ties)) // 2³−2 + 3³−3
}

func TestMidranksOfNothing(t *testing.T) {
	ranks, ties := Midranks(nil)
	require.Empty(t, ranks)
	require.Empty(t, ties)
}

func TestZerosTie(t *testing.T) {
	ranks, _ := Midranks([]float64{0, math.Copysign(0, -1), -1})
	require.Equal(t, []float64{2.5, 2.5, 1}, ranks)
}

// Above radixFrom the sort is another algorithm: both are checked against the
// standard library's.
func TestOrderMatchesStableSort(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.SampledFrom([]int{0, 1, 5, radixFrom - 1, radixFrom, 3000}).Draw(t, "n")
		seed := rapid.Uint64().Draw(t, "seed")
		rng := rand.New(rand.NewPCG(seed, 1))
		x := make([]float64, n)
		for i := range x {
			switch rng.IntN(3) {
			case 0:
				x[i] = float64(rng.IntN(40)-20) / 4
			case 1:
				x[i] = rng.NormFloat64() * math.Pow(10, float64(rng.IntN(600)-300))
			default:
				x[i] = math.Inf(rng.IntN(2)*2 - 1)
			}
		}
		want := make([]int, n)
		for i := range want {
			want[i] = i
		}
		slices.SortStableFunc(want, func(a, b int) int {
			switch {
			case x[a] < x[b]:
				return -1
			case x[a] > x[b]:
				return 1
			}
			return 0
		})
		require.Equal(t, want, Order(x))
		sorted := slices.Clone(x)
		slices.Sort(sorted)
		require.Equal(t, sorted, Sorted(x))
	})
}

// Midranks sum to n(n+1)/2, tie sizes to n, and negation mirrors the ranks.
func TestMidrankProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		whole := rapid.SliceOfN(rapid.IntRange(-30, 30), 1, 900).Draw(t, "x")
		x, negated := make([]float64, len(whole)), make([]float64, len(whole))
		for i, v := range whole {
			x[i], negated[i] = float64(v), -float64(v)
		}
		ranks, ties := Midranks(x)
		mirrored, _ := Midranks(negated)
		total, size := 0.0, 0
		for i, r := range ranks {
			total += r
			require.Equal(t, float64(len(x)+1), r+mirrored[i])
		}
		for _, s := range ties {
			size += s
		}
		n := len(x)
		require.Equal(t, float64(n*(n+1))/2, total)
		require.Equal(t, n, size)
	})
}

func BenchmarkMidranks(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	for name, scale := range map[string]float64{"tied": 4, "untied": 0} {
		x := make([]float64, 100_000)
		for i := range x {
			x[i] = rng.NormFloat64() * 40
			if scale > 0 {
				x[i] = math.Round(x[i]*scale) / scale
			}
		}
		b.Run(name, func(b *testing.B) {
			for b.Loop() {
				Midranks(x)
			}
		})
	}
}
