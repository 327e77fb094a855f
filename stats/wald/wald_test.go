package wald_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/wald"
)

// On one degree of freedom T is Cauchy: P(T > 1) = ¼, and the quantile of
// 0.975 is tan(0.475π).
func TestCauchyByHand(t *testing.T) {
	r := stats.NewResult("by hand", 2)
	r.Estimate, r.SE = 3, 2
	require.NoError(t, wald.T(&r, 1, 1, stats.TwoSided, 0.95))
	require.Equal(t, 1.0, r.Stat)
	require.InEpsilon(t, 0.5, r.P, 1e-14)
	require.InEpsilon(t, 3-2*math.Tan(0.475*math.Pi), r.Interval.Lower, 1e-12)
	require.NoError(t, wald.T(&r, 1, 1, stats.Greater, 0.75))
	require.InEpsilon(t, 0.25, r.P, 1e-14)
	require.InEpsilon(t, 1.0, r.Interval.Lower, 1e-12) // 3 − 2·tan(π/4)
	require.Equal(t, math.Inf(1), r.Interval.Upper)
	require.NoError(t, wald.T(&r, 1, 1, stats.Less, 0.75))
	require.InEpsilon(t, 0.75, r.P, 1e-14)
	require.InEpsilon(t, 5.0, r.Interval.Upper, 1e-12)
	argument := new(stats.ArgumentError)
	require.ErrorAs(t, wald.T(&r, 1, 1, stats.Less, 1), &argument)
}
