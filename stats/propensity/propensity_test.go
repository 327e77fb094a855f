package propensity_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/internal/rvalues"
	"keratally/stats/propensity"
)

// testdata/reference.R, R 4.2.2 and sandwich 3.0-2.
func TestAgreesWithStoredR(t *testing.T) { agrees(t, rvalues.Read(t, "testdata/reference.txt")) }

func TestAgreesWithLiveR(t *testing.T) {
	for seed := range 8 {
		r := rvalues.Live(t, "testdata/reference.R", seed)
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) { agrees(t, r) })
	}
}

func agrees(t *testing.T, r rvalues.Values) {
	n := len(r["data.y"])
	design, covariates := mat.NewDense(n, 3, nil), mat.NewDense(n, 2, nil)
	for i := range n {
		design.SetRow(i, []float64{1, r["data.x1"][i], r["data.x2"][i]})
		covariates.SetRow(i, design.RawRowView(i)[1:])
	}
	treated := r.Bools("data.t")
	scores, err := propensity.Fit(treated, design, []string{"(Intercept)", "x1", "x2"})
	require.NoError(t, err)
	r.Agree(t, "score", 1e-9, scores.Probability...)
	before, err := propensity.BalanceOf(treated, covariates, []string{"x1", "x2"}, nil)
	require.NoError(t, err)
	r.Agree(t, "unweighted.smd", 1e-11, before[0].Difference, before[1].Difference)
	require.True(t, before[1].Binary)
	for name, target := range map[string]propensity.Target{
		"everyone": propensity.Everyone, "stabilised": propensity.EveryoneStabilised,
		"treated": propensity.Treated, "overlap": propensity.Overlap,
	} {
		t.Run(name, func(t *testing.T) {
			w, err := scores.Weights(target)
			require.NoError(t, err)
			r.Agree(t, name+".weight", 1e-9, w...)
			after, err := propensity.BalanceOf(treated, covariates, []string{"x1", "x2"}, w)
			require.NoError(t, err)
			// Absolute: overlap weights balance the covariates of the model exactly.
			require.InDelta(t, r[name+".smd"][0], after[0].Difference, 1e-9)
			require.InDelta(t, r[name+".smd"][1], after[1].Difference, 1e-9)
			one, zero := propensity.EffectiveSize(treated, w)
			r.Agree(t, name+".size", 1e-9, one, zero)
			plain, err := propensity.Effect(treated, r["data.y"], w, nil, 0.95)
			require.NoError(t, err)
			clustered, err := propensity.Effect(treated, r["data.y"], w, r.Ints("data.id"), 0.95)
			require.NoError(t, err)
			r.Agree(t, name+".effect", 1e-9, plain.Estimate, plain.SE, clustered.SE)
			require.Equal(t, n, plain.Clusters)
			require.Less(t, clustered.Clusters, n)
			require.True(t, plain.Interval.Contains(plain.Estimate))
		})
	}
}

// Two against two, by hand: difference 4 − 2, each group's part of the variance
// Σ(y − mean)²/n² = 2/4.
func TestEffectByHand(t *testing.T) {
	treated, y, w := []bool{true, true, false, false}, []float64{3, 5, 1, 3}, []float64{1, 1, 1, 1}
	r, err := propensity.Effect(treated, y, w, nil, 0.95)
	require.NoError(t, err)
	require.InDelta(t, 2, r.Estimate, 0)
	require.InDelta(t, 1, r.SE, 1e-15)
	// Influences −½, ½, ½, −½; a patient with rows 1 and 4 has −1, the other 1.
	r, err = propensity.Effect(treated, y, w, []int{1, 2, 2, 1}, 0.95)
	require.NoError(t, err)
	require.InDelta(t, math.Sqrt2, r.SE, 1e-15)
	require.Equal(t, 2, r.Clusters)
}

func TestErrorsInWords(t *testing.T) {
	x := mat.NewDense(4, 2, []float64{1, 1, 1, 2, 1, 3, 1, 4})
	names := []string{"(Intercept)", "x"}
	_, err := propensity.Fit([]bool{true, true, true, true}, x, names)
	require.ErrorIs(t, err, stats.ErrOneGroup)
	_, err = propensity.Fit([]bool{false, false, true, true}, x, names)
	require.ErrorIs(t, err, stats.ErrSeparation)
	scores, err := propensity.Fit([]bool{false, true, false, true}, x, names)
	require.NoError(t, err)
	var argument *stats.ArgumentError
	_, err = scores.Weights(0)
	require.ErrorAs(t, err, &argument)
	column := mat.NewDense(4, 1, []float64{5, 5, 5, 5})
	_, err = propensity.BalanceOf([]bool{true, true, false, false}, column, []string{"x"}, nil)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = propensity.BalanceOf([]bool{true, false, false, false}, mat.NewDense(4, 1, []float64{5, 2, 3, 4}), []string{"x"}, nil)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = propensity.BalanceOf([]bool{true}, column, []string{"x"}, nil)
	require.ErrorIs(t, err, stats.ErrLengths)
	effect := func(treated []bool, y, w []float64) error {
		_, err := propensity.Effect(treated, y, w, nil, 0.95)
		return err
	}
	require.ErrorIs(t, effect(nil, nil, nil), stats.ErrNoData)
	require.ErrorIs(t, effect([]bool{true, true}, []float64{1, 2}, []float64{1, 1}), stats.ErrOneGroup)
	require.ErrorIs(t, effect([]bool{true, false}, []float64{1, 2}, []float64{1, 1}), stats.ErrNoVariance)
	require.ErrorAs(t, effect([]bool{true, false}, []float64{1, 2}, []float64{1, -1}), &argument)
}
