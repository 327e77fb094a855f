package pool

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
)

var (
	effects   = []float64{0.1, 0.3, -0.2, 0.5, 0.25}
	variances = []float64{0.02, 0.05, 0.03, 0.1, 0.04}
)

// R 4.2.2, metafor 3.8-1: rma(yi, vi, method = m, control = list(threshold =
// 1e-14, maxiter = 10000, tol = 1e-14)) gives tau2, beta, se, I2, H2.
func TestStudiesAgainstR(t *testing.T) {
	for method, want := range map[Heterogeneity][5]float64{
		DerSimonianLaird: {0.0186400462962963, 0.13093443239629288, 0.10752695535399701, 32.664030017239639, 1.4850903614457833},
		REML:             {0.018256387018502639, 0.13064967055381355, 0.10712852689907522, 32.208260514000607, 1.4751059754212736},
		PauleMandel:      {0.019904151080239227, 0.131852523261033, 0.10882617426372472, 34.123306708707887, 1.5179875461845391},
	} {
		m, err := Studies(effects, variances, method, false, 0.95)
		require.NoError(t, err)
		for i, got := range []float64{m.Tau2, m.Estimate, m.SE, m.I2, m.H2} {
			require.InEpsilon(t, want[i], got, 1e-9, "%s, value %d", method, i)
		}
	}
	// rma(…, method = "REML", test = "knha"): se, pval; predict(…)$pi.lb, pi.ub.
	m, err := Studies(effects, variances, REML, true, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 0.10857075544766338, m.SE, 1e-9)
	require.InEpsilon(t, 0.2951853669475305, m.P, 1e-9)
	require.InEpsilon(t, -0.35059722240826657, m.Prediction.Lower, 1e-8)
	require.InEpsilon(t, 0.61189656351589372, m.Prediction.Upper, 1e-8)
}

// By hand: effects 1 and 3 with variances 1 and 1 pool to 2 with variance ½, and
// Q = 1 + 1.
func TestCommonEffectByHand(t *testing.T) {
	m, err := Studies([]float64{1, 3}, []float64{1, 1}, Common, false, 0.95)
	require.NoError(t, err)
	require.Equal(t, 2.0, m.Estimate)
	require.InEpsilon(t, math.Sqrt(0.5), m.SE, 1e-15)
	require.Equal(t, 2.0, m.Q)
	require.Equal(t, 50.0, m.I2)
	one, err := Studies([]float64{1}, []float64{4}, Common, false, 0.95)
	require.NoError(t, err)
	require.Equal(t, 2.0, one.SE)
}

// Studies that agree more than chance have no variance between them.
func TestNoHeterogeneity(t *testing.T) {
	for _, method := range []Heterogeneity{DerSimonianLaird, REML, PauleMandel} {
		m, err := Studies([]float64{1, 1.01, 0.99}, []float64{1, 1, 1}, method, false, 0.95)
		require.NoError(t, err)
		require.Zero(t, m.Tau2, method)
		require.NotEmpty(t, m.Notes)
	}
}

// R 4.2.2, metafor 3.8-1: escalc("RR", ai = 0, bi = 20, ci = 3, di = 17).
func TestLogRiskRatioOfNoEvents(t *testing.T) {
	effect, variance, err := LogRiskRatio(0, 20, 3, 20)
	require.NoError(t, err)
	require.InEpsilon(t, -1.9459101490553135, effect, 1e-14)
	require.InEpsilon(t, 2.1904761904761907, variance, 1e-14)
	_, _, err = LogRiskRatio(5, 4, 1, 10)
	require.Error(t, err)
	_, _, err = LogRiskRatio(0, 0, 1, 10)
	require.Error(t, err)
}

// By hand: estimates 1, 2, 3 with unit standard errors: within 1, between 1,
// total 1 + 4/3, λ = 4/7, ν = 2/(4/7)² = 6.125.
func TestRubinByHand(t *testing.T) {
	r, err := Rubin([]float64{1, 2, 3}, []float64{1, 1, 1}, math.Inf(1), 0.95)
	require.NoError(t, err)
	require.Equal(t, 2.0, r.Estimate)
	require.InEpsilon(t, 7.0/3, r.Total, 1e-15)
	require.InEpsilon(t, 4.0/7, r.Lambda, 1e-15)
	require.InEpsilon(t, 6.125, r.DF, 1e-14)
	equal, err := Rubin([]float64{2, 2}, []float64{1, 1}, 30, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 31.0/33*30, equal.DF, 1e-14)
	require.NotEmpty(t, equal.Notes)
}

// R 4.2.2: t.test(a, b) and t.test(a, b, var.equal = TRUE) on a = 5.1, 4.9, 6.2,
// 5.8, 6.0, 5.5 and b = 4.2, 4.8, 5.0, 3.9, 4.4, of which only n, mean and SD
// are given here; then alternative = "greater", conf.level = .9.
func TestFromSummariesAgainstR(t *testing.T) {
	a := Published{N: 6, Mean: 5.583333333333333, SD: 0.51153364177409355}
	b := Published{N: 5, Mean: 4.46, SD: 0.4449719092257397}
	w, err := Welch(a, b, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 3.8941976071250188, w.Stat, 1e-13)
	require.InEpsilon(t, 8.9640830099307163, w.DF, 1e-13)
	require.InEpsilon(t, 0.0036795960668393195, w.P, 1e-12)
	require.InEpsilon(t, 0.47038509569594766, w.Interval.Lower, 1e-12)
	require.InEpsilon(t, 1.7762815709707185, w.Interval.Upper, 1e-12)
	s, err := Student(a, b, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 3.8401666636510536, s.Stat, 1e-13)
	require.InEpsilon(t, 0.0039655167466353686, s.P, 1e-12)
	require.InEpsilon(t, 0.46160253652620487, s.Interval.Lower, 1e-12)
	g, err := Welch(a, b, stats.Greater, 0.9)
	require.NoError(t, err)
	require.InEpsilon(t, 0.0018397980334196597, g.P, 1e-12)
	require.InEpsilon(t, 0.72425388766657894, g.Interval.Lower, 1e-12)
	require.True(t, math.IsInf(g.Interval.Upper, 1))
	l, err := Welch(b, a, stats.Less, 0.9)
	require.NoError(t, err)
	require.Equal(t, g.P, l.P)
	require.Equal(t, -g.Interval.Lower, l.Interval.Upper)
}

// The limits of a mean give back its SD.
func TestSDFromCI(t *testing.T) {
	// R 4.2.2: t.test(c(1.5, 2.25, -0.75, 3, 4.5, 0.25, -1))$conf.int
	sd, err := SDFromCI(7, -0.48008462346765651, 3.2657989091819415, 0.95)
	require.NoError(t, err)
	// By hand from the values: Σx = 9.75, Σx² = 38.1875, (Σx² − (Σx)²/7)/6.
	require.InEpsilon(t, math.Sqrt((38.1875-9.75*9.75/7)/6), sd, 1e-12)
	_, err = SDFromCI(7, 2, 1, 0.95)
	require.Error(t, err)
	_, err = SDFromCI(1, 1, 2, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
}

func TestRefusals(t *testing.T) {
	_, err := Studies(nil, nil, REML, false, 0.95)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = Studies([]float64{1}, []float64{1}, REML, false, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Studies([]float64{1, 2}, []float64{1}, REML, false, 0.95)
	require.ErrorIs(t, err, stats.ErrLengths)
	_, err = Studies([]float64{1, 2}, []float64{1, 0}, REML, false, 0.95)
	require.ErrorContains(t, err, "variance of study 2")
	_, err = Studies([]float64{1, 1}, []float64{1, 1}, Common, true, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = Studies([]float64{1, 1}, []float64{1, 1}, 0, true, 0.95)
	require.Error(t, err)
	_, err = Rubin([]float64{1}, []float64{1}, 5, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Rubin([]float64{1, 2}, []float64{1, 0}, 5, 0.95)
	require.Error(t, err)
	_, err = Rubin([]float64{1, 2}, []float64{1, 1}, 0, 0.95)
	require.Error(t, err)
	_, err = Welch(Published{1, 1, 1}, Published{5, 1, 1}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = Student(Published{5, 1, 0}, Published{5, 1, 0}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = Welch(Published{5, 1, -1}, Published{5, 1, 1}, stats.TwoSided, 0.95)
	require.Error(t, err)
	_, err = Welch(Published{5, math.NaN(), 1}, Published{5, 1, 1}, stats.TwoSided, 0.95)
	require.ErrorIs(t, err, stats.ErrNotFinite)
}

// Shifting all effects shifts the pooled one; scaling scales; the pooled effect
// lies between the extremes; REML and Paule–Mandel satisfy their equations.
func TestStudiesProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		k := rapid.IntRange(2, 15).Draw(t, "k")
		y, v, moved := make([]float64, k), make([]float64, k), make([]float64, k)
		low, high := math.Inf(1), math.Inf(-1)
		for i := range y {
			y[i] = rapid.Float64Range(-3, 3).Draw(t, "y")
			v[i] = rapid.Float64Range(0.01, 2).Draw(t, "v")
			moved[i] = y[i] + 10
			low, high = math.Min(low, y[i]), math.Max(high, y[i])
		}
		for _, method := range []Heterogeneity{Common, DerSimonianLaird, REML, PauleMandel} {
			m, err := Studies(y, v, method, false, 0.95)
			require.NoError(t, err)
			require.True(t, m.Estimate >= low-1e-12 && m.Estimate <= high+1e-12)
			require.True(t, m.Interval.Contains(m.Estimate) && m.P >= 0 && m.P <= 1 && m.I2 >= 0 && m.I2 <= 100)
			n, err := Studies(moved, v, method, false, 0.95)
			require.NoError(t, err)
			require.InDelta(t, m.Estimate+10, n.Estimate, 1e-6)
			at := studies{y, v}.at(m.Tau2)
			if method == PauleMandel && m.Tau2 > 0 {
				require.InDelta(t, float64(k-1), at.q, 1e-8)
			}
			if method == REML && m.Tau2 > 0 {
				require.InDelta(t, at.trace, at.qq, 1e-8*at.trace)
			}
		}
	})
}
