package root_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats/root"
)

// √2 and ln 3 by definition of the function whose root they are.
func TestBisectReachesTheLastBit(t *testing.T) {
	got := root.Bisect(func(x float64) float64 { return x*x - 2 }, 0, 2)
	require.InEpsilon(t, math.Sqrt2, got, 4e-16)
	got = root.Bisect(func(x float64) float64 { return 3 - math.Exp(x) }, -5, 5)
	require.InEpsilon(t, math.Log(3), got, 4e-16)
}

func TestBisectFindsAStep(t *testing.T) {
	got := root.Bisect(func(x float64) float64 {
		if x < 0.7 {
			return math.Inf(1)
		}
		return -1
	}, 0, 1)
	require.InEpsilon(t, 0.7, got, 4e-16)
}

func TestBisectWithoutASignChangeEndsAtHi(t *testing.T) {
	require.InDelta(t, 1, root.Bisect(func(float64) float64 { return 1 }, 0, 1), 1e-15)
}
