package sum

import (
	"math"
	"math/big"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Sums whose exact value is plain: 1e100 cancels, and a half-way case goes to
// the even neighbour only when nothing lies beneath it.
func TestSumIsExact(t *testing.T) {
	require.Equal(t, 2.0, Sum([]float64{1, 1e100, 1, -1e100}))
	require.Equal(t, 1.0, Sum([]float64{1, 0x1p-53}))
	require.Equal(t, 1+0x1p-52, Sum([]float64{1, 0x1p-53, 0x1p-300}))
	require.Equal(t, 0.0, Sum(nil))
	require.Equal(t, math.Inf(1), Sum([]float64{1, math.Inf(1)}))
	require.True(t, math.IsNaN(Sum([]float64{math.Inf(-1), math.Inf(1)})))
}

// The reference is arithmetic with 2200 bits, which holds every sum of doubles
// exactly; it is rounded once.
func TestSumAndDotAgainstBigFloats(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOf(rapid.Float64Range(-1e12, 1e12)).Draw(t, "x")
		y := make([]float64, len(x))
		for i := range y {
			y[i] = rapid.Float64Range(-1e-3, 1e6).Draw(t, "y")
		}
		total, dot := new(big.Float).SetPrec(4400), new(big.Float).SetPrec(4400)
		term := new(big.Float).SetPrec(4400)
		small := false // a product whose digits reach below the least double
		for i, v := range x {
			total.Add(total, term.SetFloat64(v))
			small = small || v != 0 && y[i] != 0 && math.Abs(v*y[i]) < 1e-290
			dot.Add(dot, term.Mul(term.SetFloat64(v), new(big.Float).SetPrec(4400).SetFloat64(y[i])))
		}
		want, _ := total.Float64()
		require.Equal(t, want, Sum(x))
		if want, _ = dot.Float64(); !small {
			require.Equal(t, want, Dot(x, y))
		}
	})
}

// Order changes no bit.
func TestOrderDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.Float64Range(-1e6, 1e9), 2, 60).Draw(t, "x")
		shuffled := append([]float64(nil), x...)
		rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0)).Shuffle(len(shuffled), func(i, j int) {
			shuffled[i], shuffled[j] = shuffled[j], shuffled[i]
		})
		require.Equal(t, Sum(x), Sum(shuffled))
		require.Equal(t, Variance(x), Variance(shuffled))
	})
}

// By hand: 1, 2, 3 have variance 1 wherever they lie. 1e9 + quarter steps are
// doubles, so the offset loses nothing.
func TestVarianceFarFromZero(t *testing.T) {
	for _, offset := range []float64{0, 1e9, -1e9, 1e15} {
		require.Equal(t, 1.0, Variance([]float64{offset + 1, offset + 2, offset + 3}))
		require.Equal(t, 2.0, SumSquaresDev([]float64{offset + 3, offset + 1, offset + 2}))
	}
	require.Zero(t, Variance([]float64{0.1, 0.1, 0.1}))
	require.True(t, math.IsNaN(Variance([]float64{1})))
	require.Zero(t, SumSquaresDev(nil))
	// (1,2), (2,4), (3,6): Σ(x−2)(y−4) = 2 + 0 + 2.
	require.Equal(t, 4.0, ProductsDev([]float64{1e9 + 1, 1e9 + 2, 1e9 + 3}, []float64{2, 4, 6}))
}

func BenchmarkSum(b *testing.B) {
	rng := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, 100_000)
	for i := range x {
		x[i] = rng.NormFloat64()
	}
	for b.Loop() {
		Sum(x)
	}
}
