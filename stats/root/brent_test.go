package root_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats/root"
)

// cos x = x at 0.739085133215160641655…, the Dottie number (a mathematical
// constant, OEIS A003957).
func TestBrentFindsTheZero(t *testing.T) {
	f := func(x float64) float64 { return math.Cos(x) - x }
	require.InDelta(t, 0.7390851332151607, root.Brent(f, 0, 2, f(0), f(2), 1e-15), 1e-14)
	require.InDelta(t, 0.7390851332151607, root.Brent(f, 2, 0, f(2), f(0), 1e-15), 1e-14)
	cubic := func(x float64) float64 { return x * x * x }
	require.InDelta(t, 0, root.Brent(cubic, -3, 4, cubic(-3), cubic(4), 1e-9), 1e-8)
}

func TestBrentTakesAnEndThatIsZero(t *testing.T) {
	f := func(x float64) float64 { return x - 1 }
	require.Equal(t, 1.0, root.Brent(f, 1, 5, 0, 4, 1e-9))
	require.Equal(t, 1.0, root.Brent(f, -5, 1, -6, 0, 1e-9))
}

// A step has its zero where it jumps.
func TestBrentFindsAStep(t *testing.T) {
	step := func(x float64) float64 { return math.Copysign(1, x-0.3) }
	require.InDelta(t, 0.3, root.Brent(step, 0, 1, -1, 1, 1e-12), 1e-12)
}
