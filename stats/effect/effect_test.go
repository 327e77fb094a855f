package effect_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/effect"
)

// Γ(1)/(√1·Γ(½)) = 1/√π for 2 degrees of freedom and Γ(2)/(√2·Γ(3/2)) = √(2/π)
// for 4. Hedges 1981, table 2, prints 0.9139 → c(9) = 0.9139 and c(50) = 0.9849.
func TestHedgesFactor(t *testing.T) {
	require.InEpsilon(t, 1/math.Sqrt(math.Pi), effect.HedgesFactor(2), 1e-14)
	require.InEpsilon(t, math.Sqrt(2/math.Pi), effect.HedgesFactor(4), 1e-14)
	require.InDelta(t, 0.9139, effect.HedgesFactor(9), 0.00005)
	require.InDelta(t, 0.9849, effect.HedgesFactor(50), 0.00005)
	require.True(t, math.IsNaN(effect.HedgesFactor(1)))
	// The series takes over without a step.
	for df := 59.0; df < 62; df++ {
		top, _ := math.Lgamma(df / 2)
		bottom, _ := math.Lgamma((df - 1) / 2)
		require.InEpsilon(t, math.Exp(top-bottom)/math.Sqrt(df/2), effect.HedgesFactor(df), 1e-13)
	}
}

// Differences 1, 2, 3 have mean 2 and standard deviation 1.
func TestByHand(t *testing.T) {
	p, err := effect.OfDifferences([]float64{1, 2, 3})
	require.NoError(t, err)
	require.InEpsilon(t, 2.0, p.DZ, 1e-15)
	require.InEpsilon(t, 2/math.Sqrt(math.Pi), p.GZ, 1e-14)
	// Means 2 and 5, variances 1 and 4, pooled 2.5.
	s, err := effect.OfSamples([]float64{1, 2, 3}, []float64{3, 5, 7})
	require.NoError(t, err)
	require.InEpsilon(t, -3/math.Sqrt(2.5), s.D, 1e-14)
	require.InEpsilon(t, -1.5, s.GlassDelta, 1e-15)
	require.InEpsilon(t, -3/math.Sqrt(2.5), s.SMDAverageVar, 1e-14)
}

func TestErrors(t *testing.T) {
	_, err := effect.OfDifferences([]float64{1})
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = effect.OfDifferences([]float64{1, 1})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = effect.OfSamples([]float64{1, 1}, []float64{2, 2})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = effect.OfSamples(nil, []float64{2, 2})
	require.ErrorIs(t, err, stats.ErrNoData)
}
