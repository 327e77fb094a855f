package agreement_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/agreement"
)

// Peak expiratory flow of 17 subjects by a large and a small meter, first
// readings: Bland & Altman, Lancet 1986;i:307–310, Table.
var (
	large = []float64{494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427}
	small = []float64{512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451}
)

// The paper prints a mean difference of −2.1, SD 38.8, limits −79.7 and 75.5
// with 2 SD. The exact factors are R 4.2.2: qt(p, 16, qnorm(0.975)·√17)/√17.
func TestBlandAltman1986(t *testing.T) {
	b, err := agreement.NewBlandAltman(large, small, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, -2.1, b.Bias.Estimate, 0.05)
	assert.InDelta(t, 38.8, b.SD, 0.05)
	assert.InDelta(t, -79.7, b.Bias.Estimate-2*b.SD, 0.1)
	assert.InDelta(t, 75.5, b.Bias.Estimate+2*b.SD, 0.1)
	assert.InEpsilon(t, 1.3150293710901688, b.Inner, 1e-9)
	assert.InEpsilon(t, 3.1482714396658626, b.Outer, 1e-9)
	assert.InEpsilon(t, 16.39490579365342, b.SE1999, 1e-12)
	assert.InEpsilon(t, 0.749498533649294, b.Slope.P, 1e-9)
}

// Shift and scale: a constant added to one method moves bias and limits, a
// factor multiplies them; exchanging the methods mirrors them.
func TestBlandAltmanProperties(t *testing.T) {
	base, err := agreement.NewBlandAltman(large, small, 0.95)
	require.NoError(t, err)
	swapped, err := agreement.NewBlandAltman(small, large, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, -base.Upper.Upper, swapped.Lower.Lower, 1e-9)
	assert.InDelta(t, -base.Lower.Lower, swapped.Upper.Upper, 1e-9)
	rapid.Check(t, func(t *rapid.T) {
		shift := rapid.Float64Range(-1e4, 1e4).Draw(t, "shift")
		moved := make([]float64, len(large))
		for i, v := range large {
			moved[i] = v + shift
		}
		b, err := agreement.NewBlandAltman(moved, small, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, base.Bias.Estimate+shift, b.Bias.Estimate, 1e-8)
		assert.InDelta(t, base.SD, b.SD, 1e-8)
		assert.True(t, b.Lower.Contains(b.Lower.Estimate))
		assert.True(t, b.Upper.Contains(b.Upper.Estimate))
	})
}

// By hand, three subjects with two differences each, 1 and 3, 2 and 4, 6 and 8:
// means 2, 3, 7, of mean 4 and variance 7; within, each sum of squares is 2, so
// the pooled variance is 6/3 = 2; total variance 7 + 2/2 = 8, between 7 − 1 = 6.
func TestRepeatedByHand(t *testing.T) {
	x := []float64{1, 3, 2, 4, 6, 8}
	y := make([]float64, 6)
	r, err := agreement.NewRepeated(x, y, []int{7, 7, 3, 3, 9, 9}, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 4, r.Bias.Estimate, 1e-14)
	assert.InDelta(t, 2, r.WithinSD*r.WithinSD, 1e-14)
	assert.InDelta(t, 6, r.BetweenSD*r.BetweenSD, 1e-13)
	assert.InDelta(t, 8, r.TotalSD*r.TotalSD, 1e-13)
	assert.InDelta(t, 4+1.959963984540054*math.Sqrt(8), r.Upper.Estimate, 1e-12)
	assert.True(t, r.Upper.Contains(r.Upper.Estimate))
	// The order of the pairs does not matter.
	again, err := agreement.NewRepeated([]float64{8, 2, 4, 6, 3, 1}, y, []int{9, 3, 3, 9, 7, 7}, 0.95)
	require.NoError(t, err)
	assert.Equal(t, r, again)
}

// With one pair a subject the limits are those of the plain method.
func TestRepeatedReduces(t *testing.T) {
	subjects := make([]int, len(large))
	for i := range subjects {
		subjects[i] = i
	}
	r, err := agreement.NewRepeated(large, small, subjects, 0.95)
	require.NoError(t, err)
	b, err := agreement.NewBlandAltman(large, small, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, b.Lower.Estimate, r.Lower.Estimate, 1e-10)
	assert.InDelta(t, b.Upper.Estimate, r.Upper.Estimate, 1e-10)
	assert.InDelta(t, b.Bias.Interval.Lower, r.Bias.Lower, 1e-10)
	assert.NotEmpty(t, r.Notes)
}

// R 4.2.2 on the same readings: Lin 1989 with the erratum of 2000.
func TestConcordance(t *testing.T) {
	c, err := agreement.NewConcordance(large, small, 0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.9427424314274845, c.CCC.Estimate, 1e-12)
	assert.InEpsilon(t, 0.02861673746064904, c.SE, 1e-10)
	assert.InEpsilon(t, 0.8504918731685605, c.CCC.Lower, 1e-10)
	assert.InEpsilon(t, 0.9787262791701224, c.CCC.Upper, 1e-10)
	same, err := agreement.NewConcordance(large, large, 0.95)
	require.NoError(t, err)
	assert.InDelta(t, 1, same.CCC.Estimate, 1e-14)
	two, err := agreement.NewConcordance(large[:2], small[:2], 0.95)
	require.NoError(t, err)
	assert.Equal(t, -1.0, two.CCC.Lower)
}

// Shrout & Fleiss, Psychol Bull 1979;86:420–428, Tables 2 and 4: six subjects,
// four judges; the six correlations to two decimals.
func TestShroutFleiss1979(t *testing.T) {
	ratings := [][]float64{{9, 2, 5, 8}, {6, 1, 3, 2}, {8, 4, 6, 8}, {7, 1, 2, 6}, {10, 5, 6, 9}, {6, 2, 4, 7}}
	c, err := agreement.NewICC(ratings, 0.95)
	require.NoError(t, err)
	for _, tt := range []struct {
		got  stats.Result
		want float64
	}{
		{c.OneSingle, 0.17}, {c.TwoSingle, 0.29}, {c.ThreeSingle, 0.71},
		{c.OneAverage, 0.44}, {c.TwoAverage, 0.62}, {c.ThreeAverage, 0.91},
	} {
		assert.InDelta(t, tt.want, tt.got.Estimate, 0.005, tt.got.Method)
		assert.True(t, tt.got.Interval.Contains(tt.got.Estimate), tt.got.Method)
	}
	// By the formulas of McGraw & Wong in R 4.2.2.
	assert.InEpsilon(t, 0.018786513374712023, c.TwoSingle.Interval.Lower, 1e-9)
	assert.InEpsilon(t, 0.761084369648953, c.TwoSingle.Interval.Upper, 1e-9)
	// REML inside its boundary is the analysis of variance: 46/18, 94.4/18 and
	// 18.35/18, as the sums of squares 56.2083, 97.4583 and 15.2917 give.
	v, err := agreement.CrossedComponents(ratings)
	require.NoError(t, err)
	assert.InDelta(t, 2.5555556, v.Subject, 1e-6)
	assert.InDelta(t, 5.2444444, v.Rater, 1e-6)
	assert.InDelta(t, 1.0194444, v.Error, 1e-6)
}

// On the boundary: raters who differ less than chance have variance 0, and the
// error pools theirs. Two subjects 0 and 10 by two raters, by hand: no rater
// difference (sum of squares 0 on 1), error 1 on 1, so the error is 1/2.
func TestComponentsBoundary(t *testing.T) {
	v, err := agreement.CrossedComponents([][]float64{{0, 1}, {11, 10}})
	require.NoError(t, err)
	assert.Zero(t, v.Rater)
	assert.InDelta(t, 0.5, v.Error, 1e-12)
	assert.InDelta(t, (100-0.5)/2, v.Subject, 1e-12)
	assert.NotEmpty(t, v.Notes)
}

// Stuart's 7477 women, R 4.2.2 with the formulas of Fleiss, Cohen & Everitt.
func TestKappaVision(t *testing.T) {
	vision := [][]int{{1520, 266, 124, 66}, {234, 1512, 432, 78}, {117, 362, 1772, 205}, {36, 82, 179, 492}}
	for _, tt := range []struct {
		weights         agreement.Weights
		kappa, se, null float64
	}{
		{agreement.Unweighted, 0.5953888280894342, 0.007286851134745738, 0.007039275500765643},
		{agreement.Linear, 0.652380429500598, 0.007075263570698374, 0.008140557723234574},
		{agreement.Quadratic, 0.702334252490098, 0.00838193658653672, 0.01155914680127113},
	} {
		k, err := agreement.NewKappa(vision, tt.weights, 0.95)
		require.NoError(t, err)
		assert.InEpsilon(t, tt.kappa, k.Estimate, 1e-11)
		assert.InEpsilon(t, tt.se, k.SE, 1e-10)
		assert.InEpsilon(t, tt.null, k.SENull, 1e-10)
	}
}

// By hand: [[20, 5], [10, 15]] agrees in 35/50 = 0.7 where 0.5·0.6 + 0.5·0.4 =
// 0.5 is expected, so kappa is 0.4. With two categories all weights agree, and
// the table turned round (the observers exchanged) has the same kappa.
func TestKappaByHand(t *testing.T) {
	for _, w := range []agreement.Weights{agreement.Unweighted, agreement.Linear, agreement.Quadratic} {
		k, err := agreement.NewKappa([][]int{{20, 5}, {10, 15}}, w, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, 0.4, k.Estimate, 1e-14)
		turned, err := agreement.NewKappa([][]int{{20, 10}, {5, 15}}, w, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, k.SE, turned.SE, 1e-14)
	}
	_, err := agreement.NewKappa([][]int{{20, 0}, {0, 0}}, agreement.Linear, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
}

// The worked example of Fleiss, fourteen raters and ten subjects: 0.210.
// statsmodels 0.13.5 fleiss_kappa gives 0.20993070442195522.
func TestFleissKappa(t *testing.T) {
	r, err := agreement.FleissKappa([][]int{
		{0, 0, 0, 0, 14}, {0, 2, 6, 4, 2}, {0, 0, 3, 5, 6}, {0, 3, 9, 2, 0}, {2, 2, 8, 1, 1},
		{7, 7, 0, 0, 0}, {3, 2, 6, 3, 0}, {2, 5, 3, 2, 2}, {6, 5, 2, 1, 0}, {0, 2, 2, 3, 7},
	})
	require.NoError(t, err)
	assert.InEpsilon(t, 0.20993070442195522, r.Estimate, 1e-12)
	_, err = agreement.FleissKappa([][]int{{2, 0}, {1, 0}})
	var bad *stats.ArgumentError
	require.ErrorAs(t, err, &bad)
	_, err = agreement.FleissKappa([][]int{{2, 0}, {2, 0}})
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = agreement.FleissKappa([][]int{{1, 0}, {0, 1}})
	require.ErrorIs(t, err, stats.ErrTooFew)
}

// By hand: differences 3 and 4, so the within SD is √(25/4) = 2.5 and the
// coefficient 1.959964·√2·2.5.
func TestRepeatabilityByHand(t *testing.T) {
	r, err := agreement.NewRepeatability([]float64{10, 20}, []float64{13, 16})
	require.NoError(t, err)
	assert.InDelta(t, 2.5, r.WithinSD, 1e-14)
	assert.InDelta(t, 1.959963984540054*math.Sqrt2*2.5, r.Coefficient, 1e-12)
	assert.InDelta(t, 3.5, r.MeanAbs, 1e-14)
	r, err = agreement.NewRepeatability([]float64{0, 20}, []float64{1, 16})
	require.NoError(t, err)
	assert.NotEmpty(t, r.Notes)
}

// The confidence limits of the upper limit of agreement hold the truth as often
// as they say: 4,000 seeded samples of 12 pairs, 95 % within three standard
// errors of the simulation (0.0103).
func TestCarkeetCoverage(t *testing.T) {
	g := rand.New(rand.NewPCG(12, 2015))
	inner, outer := agreement.CarkeetFactors(12, 0.95)
	const runs, truth = 4000, 1.959963984540054
	hits := 0
	for range runs {
		s, q := 0.0, 0.0
		for range 12 {
			v := g.NormFloat64()
			s += v
			q += v * v
		}
		mean := s / 12
		sd := math.Sqrt((q - 12*mean*mean) / 11)
		if mean+inner*sd <= truth && truth <= mean+outer*sd {
			hits++
		}
	}
	assert.InDelta(t, 0.95, float64(hits)/runs, 0.0103)
}

func TestAgreementErrors(t *testing.T) {
	_, err := agreement.NewBlandAltman(nil, nil, 0.95)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = agreement.NewBlandAltman([]float64{1}, []float64{2}, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = agreement.NewBlandAltman([]float64{1, 2}, []float64{2, 3}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = agreement.NewBlandAltman([]float64{1, 2}, []float64{2}, 0.95)
	require.ErrorIs(t, err, stats.ErrLengths)
	_, err = agreement.NewBlandAltman([]float64{1, math.NaN()}, []float64{2, 4}, 0.95)
	require.ErrorIs(t, err, stats.ErrNotFinite)
	_, err = agreement.NewConcordance([]float64{1, 1, 1}, []float64{1, 2, 3}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = agreement.NewICC([][]float64{{1, 2}}, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = agreement.NewICC([][]float64{{1, 2}, {1}}, 0.95)
	require.ErrorIs(t, err, stats.ErrLengths)
	_, err = agreement.NewICC([][]float64{{1, 1}, {1, 1}}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = agreement.NewRepeated([]float64{1, 2}, []float64{2, 4}, []int{1, 1}, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
}
