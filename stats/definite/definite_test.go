package definite_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"keratally/stats/definite"
)

// By hand: [[4 2] [2 3]] has determinant 8 and inverse [[3 −2] [−2 4]]/8;
// its product with (1, 2) is (−1, 6)/8 and the quadratic form 11/8.
func TestTwoByTwo(t *testing.T) {
	v := mat.NewSymDense(2, []float64{4, 2, 2, 3})
	f, dependent := definite.Factorise(v)
	require.Equal(t, -1, dependent)
	require.InDeltaSlice(t, []float64{-1. / 8, 6. / 8}, f.Solve([]float64{1, 2}), 1e-15)
	inv := f.Inverse()
	require.InDelta(t, 3./8, inv.At(0, 0), 1e-15)
	require.InDelta(t, -2./8, inv.At(1, 0), 1e-15)
	require.InDelta(t, 4./8, inv.At(1, 1), 1e-15)
	q, ok := definite.QuadraticForm(v, []float64{1, 2})
	require.True(t, ok)
	require.InDelta(t, 11./8, q, 1e-15)
	q, ok = definite.Wald(v, []float64{1, 2}, []int{1})
	require.True(t, ok)
	require.InDelta(t, 4./3, q, 1e-15) // 2²/3
}

func TestUnitsDoNotMatter(t *testing.T) {
	v := mat.NewSymDense(2, []float64{4e20, 2, 2, 3e-20})
	q, ok := definite.QuadraticForm(v, []float64{1e10, 2e-10})
	require.True(t, ok)
	require.InDelta(t, 11./8, q, 1e-14)
}

func TestDependentRowIsNamed(t *testing.T) {
	for _, tt := range []struct {
		name string
		v    []float64
		row  int
	}{
		{"third is the sum of the others", []float64{1, 0, 1, 0, 1, 1, 1, 1, 2}, 2},
		{"second has no variation", []float64{1, 0, 0, 0, 0, 0, 0, 0, 1}, 1},
		{"second is three times the first", []float64{1, 3, 0, 3, 9, 0, 0, 0, 1}, 1},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f, row := definite.Factorise(mat.NewSymDense(3, tt.v))
			require.Nil(t, f)
			require.Equal(t, tt.row, row)
			_, ok := definite.QuadraticForm(mat.NewSymDense(3, tt.v), []float64{1, 1, 1})
			require.False(t, ok)
		})
	}
}
