package orderstat_test

import (
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats/orderstat"
)

// sample draws values with many ties and either sign, as rounded clinical
// measurements have.
func sample(t *rapid.T, name string) []float64 {
	quarters := rapid.SliceOfN(rapid.IntRange(-12, 12), 1, 40).Draw(t, name)
	x := make([]float64, len(quarters))
	for i, q := range quarters {
		x[i] = float64(q) * 0.1
	}
	return x
}

// Every order statistic is that of the averages written out and sorted.
func TestWalshIsTheSortedList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := sample(t, "x")
		var all []float64
		for i, a := range x {
			for _, b := range x[i:] {
				all = append(all, (a+b)/2)
			}
		}
		slices.Sort(all)
		w := orderstat.NewWalsh(x)
		require.Equal(t, len(all), w.Len())
		for k := 1; k <= len(all); k++ {
			require.Equal(t, all[k-1], w.Kth(k), "average %d of %d", k, len(all))
		}
		require.Equal(t, (all[(len(all)-1)/2]+all[len(all)/2])/2, w.Median())
	})
}

func TestDifferencesAreTheSortedList(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, y := sample(t, "x"), sample(t, "y")
		var all []float64
		for _, a := range x {
			for _, b := range y {
				all = append(all, a-b)
			}
		}
		slices.Sort(all)
		d := orderstat.NewDifferences(x, y)
		require.Equal(t, len(all), d.Len())
		for k := 1; k <= len(all); k++ {
			require.Equal(t, all[k-1], d.Kth(k), "difference %d of %d", k, len(all))
		}
		require.Equal(t, (all[(len(all)-1)/2]+all[len(all)/2])/2, d.Median())
	})
}

// 1, 2, 4: averages 1, 1.5, 2, 2.5, 3, 4, whose median is (2 + 2.5)/2.
func TestWalshMedianByHand(t *testing.T) {
	require.Equal(t, 2.25, orderstat.NewWalsh([]float64{4, 1, 2}).Median())
}

// Values of either sign and of sizes 10⁻³⁰⁰ to 10³⁰⁰ do not overflow.
func TestWalshExtremes(t *testing.T) {
	w := orderstat.NewWalsh([]float64{-1.7e308, 1.7e308, 1e-300})
	require.Equal(t, -1.7e308, w.Kth(1))
	require.Equal(t, 1.7e308, w.Kth(6))
	require.Equal(t, 0.0, w.Kth(3)) // of the two opposites, below 1e-300 itself
}

func BenchmarkWalshMedian100000(b *testing.B) {
	r := rand.New(rand.NewPCG(1, 2))
	x := make([]float64, 100_000)
	for i := range x {
		x[i] = float64(r.IntN(80)-50) / 4
	}
	for b.Loop() {
		orderstat.NewWalsh(x).Median()
	}
}
