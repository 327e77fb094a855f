package design_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/design"
	"keratally/stats/groups"
)

// Student, Biometrika 1908;6:1–25, section IX: hours of extra sleep.
var (
	second = []float64{1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4}
	first  = []float64{0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0}
)

// R 4.2.2 on sleep: t = (1.58 ∓ 2)/0.38896 on 9 degrees of freedom, pt(), and
// t.test(second, first, paired = TRUE, conf.level = 0.9).
func TestEquivalencePaired(t *testing.T) {
	e, err := design.EquivalencePaired(second, first, -2, 2, 0.05)
	require.NoError(t, err)
	require.InEpsilon(t, 9.204061459814994, e.TLower, 1e-12)
	require.InEpsilon(t, 3.5523441592476932e-06, e.PLower, 1e-11)
	require.InEpsilon(t, -1.079806093050921, e.TUpper, 1e-12)
	require.InEpsilon(t, 0.15415723566909742, e.P, 1e-12)
	require.InEpsilon(t, 0.8669947329707166, e.Interval.Lower, 1e-12)
	require.InEpsilon(t, 2.2930052670292835, e.Interval.Upper, 1e-12)
	require.False(t, e.Equivalent)
	require.True(t, e.NonInferiorLower)
	require.Equal(t, "Not shown to be equivalent: the 90 % interval 0.867 to 2.293 reaches beyond the margins -2 to 2.", e.Conclusion)

	wide, err := design.EquivalencePaired(second, first, -2.5, 2.5, 0.05)
	require.NoError(t, err)
	require.True(t, wide.Equivalent)
	require.Contains(t, wide.Conclusion, "Equivalent: ")
	outside, err := design.EquivalencePaired(second, first, -1, 0.5, 0.05)
	require.NoError(t, err)
	require.Contains(t, outside.Conclusion, "Not equivalent: ")
}

// The verdict and the interval say the same, whichever way round the samples.
func TestVerdictIsTheInterval(t *testing.T) {
	for _, margin := range []float64{0.5, 1, 2, 3, 4} {
		for _, test := range []func(x, y []float64, low, high, alpha float64) (design.Equivalence, error){
			design.EquivalencePaired, design.EquivalenceWelch, design.EquivalenceStudent,
		} {
			e, err := test(second, first, -margin, margin, 0.05)
			require.NoError(t, err)
			require.Equal(t, e.Interval.Lower > -margin && e.Interval.Upper < margin, e.Equivalent)
			mirrored, err := test(first, second, -margin, margin, 0.05)
			require.NoError(t, err)
			require.InDelta(t, e.P, mirrored.P, 1e-14)
		}
	}
}

func TestNotInferior(t *testing.T) {
	welch, err := groups.Welch(second, first, 0, stats.TwoSided, 0.95)
	require.NoError(t, err)
	// More sleep is better: a loss of 1 h would be accepted.
	n, err := design.NotInferior(welch.Result, -1, stats.Greater, 0.025)
	require.NoError(t, err)
	require.True(t, n.NonInferior)
	require.False(t, n.Superior)
	require.Contains(t, n.Conclusion, "Not inferior: ")
	require.InDelta(t, 0.95, n.Interval.Level, 1e-15)
	// R 4.2.2, t.test(second, first, mu = -1, alternative = "greater").
	mu, err := groups.Welch(second, first, -1, stats.Greater, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, mu.P, n.P, 1e-13)
	// If less sleep were better, a gain of up to 1 h would have been accepted.
	n, err = design.NotInferior(welch.Result, 1, stats.Less, 0.025)
	require.NoError(t, err)
	require.False(t, n.NonInferior)
	require.Contains(t, n.Conclusion, "Not shown to be non-inferior: ")
}

func TestErrors(t *testing.T) {
	argument := new(stats.ArgumentError)
	_, err := design.EquivalencePaired(second, first, 2, -2, 0.05)
	require.ErrorAs(t, err, &argument)
	_, err = design.EquivalenceWelch(second, first, -2, 2, 0.5)
	require.ErrorAs(t, err, &argument)
	_, err = design.EquivalencePaired(second, first[:3], -2, 2, 0.05)
	require.ErrorIs(t, err, stats.ErrLengths)
	_, err = design.NotInferior(stats.NewResult("none", 3), -1, stats.Greater, 0.05)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = design.NotInferior(stats.Result{Estimate: 1, SE: 1}, -1, stats.TwoSided, 0.05)
	require.ErrorAs(t, err, &argument)
	// Equal differences have no spread, but an estimate.
	e, err := design.EquivalencePaired([]float64{2, 3, 4}, []float64{1, 2, 3}, -2, 2, 0.05)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	require.Equal(t, 1.0, e.Estimate)
	require.True(t, e.Equivalent)
}
