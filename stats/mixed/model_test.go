package mixed_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/mixed"
	"keratally/stats/regress"
	"keratally/stats/regress/regresstest"
)

// table reads the children of Potthoff and Roy, or an open data set kept with
// the selfcheck's cases.
func table(t *testing.T, name string) *regress.Frame {
	t.Helper()
	if name == "potthoff_roy" {
		return regresstest.Read(t, "testdata/potthoff_roy.csv")
	}
	return regresstest.Reference(t, name)
}

func design(t *testing.T, frame *regress.Frame, formula string) *regress.Design {
	t.Helper()
	f, err := regress.ParseFormula(formula)
	require.NoError(t, err)
	d, err := f.Design(frame)
	require.NoError(t, err)
	return d
}

// Dyestuff is balanced, so REML is the analysis of variance: with batch mean
// squares 56357.5/5 and 58830/24 (Davies & Goldsmith 1972, table 6.1) the
// variance of a batch is (11271.5 − 2451.25)/5 and the mean, 1527.5, has 5
// degrees of freedom.
func TestDyestuff(t *testing.T) {
	frame := regress.NewFrame(30)
	require.NoError(t, frame.AddNumbers("Yield", []float64{
		1545, 1440, 1440, 1520, 1580, // A
		1540, 1555, 1490, 1560, 1495, // B
		1595, 1550, 1605, 1510, 1560, // C
		1445, 1440, 1595, 1465, 1545, // D
		1595, 1630, 1515, 1635, 1625, // E
		1520, 1455, 1450, 1480, 1445, // F
	}))
	batch := make([]float64, 30)
	for i := range batch {
		batch[i] = float64(i / 5)
	}
	require.NoError(t, frame.AddNumbers("Batch", batch))
	f, err := mixed.Model(design(t, frame, "Yield ~ 1 + (1 | Batch)"), mixed.REML, mixed.Satterthwaite, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, (11271.5-2451.25)/5, f.Variance("Batch"), 1e-10)
	require.InEpsilon(t, 2451.25, f.Variance("Residual"), 1e-10)
	require.InEpsilon(t, 1527.5, f.Coefficients[0].Estimate, 1e-13)
	require.InEpsilon(t, math.Sqrt(11271.5/30), f.Coefficients[0].SE, 1e-10)
	require.InEpsilon(t, 5, f.Coefficients[0].DF, 1e-8)
	k, err := f.Estimate("mean", []float64{1}, mixed.KenwardRoger)
	require.NoError(t, err)
	require.InEpsilon(t, 5, k.DF, 1e-8)
	require.InEpsilon(t, f.Coefficients[0].SE, k.SE, 1e-8)
}

// R 4.2.2, lmerTest 3.1-3: lmer(dk12 ~ 1 + (1 | patient)) on the simulated eyes,
// bobyqa with rhoend 1e-10, good to about 6 digits. The mean of
// RandomInterceptMean is the same model.
func TestMeanOfSimulatedEyes(t *testing.T) {
	frame := table(t, "cxl_demo_wide")
	f, err := mixed.Model(design(t, frame, "dk12 ~ 1 + (1 | patient)"), mixed.REML, mixed.Satterthwaite, 0.95)
	require.NoError(t, err)
	var values []float64
	var patients []int
	for i := range frame.Rows() {
		v, ok := frame.Number("dk12", i)
		if id, _ := frame.Number("patient", i); ok {
			values, patients = append(values, v), append(patients, int(id))
		}
	}
	m, err := mixed.RandomInterceptMean(values, patients, 0.95)
	require.NoError(t, err)
	for _, got := range []regress.Coefficient{f.Coefficients[0], {Estimate: m.Estimate, SE: m.SE, DF: m.DF, P: m.P}} {
		require.InEpsilon(t, -0.712801441804331, got.Estimate, 1e-6)
		require.InEpsilon(t, 0.117022392095639, got.SE, 1e-6)
		require.InEpsilon(t, 51.3192205041083, got.DF, 1e-5)
		require.InEpsilon(t, 1.44491781080676e-07, got.P, 1e-5)
	}
	require.InEpsilon(t, 0.537560277891230, m.BetweenSD*m.BetweenSD, 1e-5)
	require.InEpsilon(t, 0.274304932658223, m.WithinSD*m.WithinSD, 1e-5)
	require.Equal(t, 54, m.Clusters)
	require.Equal(t, 80, m.N)
}

// The fast form of one intercept and the general form are the same likelihood:
// an intercept written as a column of ones takes the general one.
func TestFastAndGeneralInterceptsAgree(t *testing.T) {
	frame := table(t, "potthoff_roy")
	ones := make([]float64, frame.Rows())
	for i := range ones {
		ones[i] = 1
	}
	require.NoError(t, frame.AddNumbers("one", ones))
	a, err := mixed.Model(design(t, frame, "distance ~ Sex * age + (1 | Subject)"), mixed.REML, mixed.KenwardRoger, 0.95)
	require.NoError(t, err)
	b, err := mixed.Model(design(t, frame, "distance ~ Sex * age + (0 + one | Subject)"), mixed.REML, mixed.KenwardRoger, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, a.Criterion, b.Criterion, 1e-12)
	for j := range a.Coefficients {
		require.InEpsilon(t, a.Coefficients[j].Estimate, b.Coefficients[j].Estimate, 1e-9)
		require.InEpsilon(t, a.Coefficients[j].DF, b.Coefficients[j].DF, 1e-7)
		require.InEpsilon(t, a.Coefficients[j].SE, b.Coefficients[j].SE, 1e-9)
	}
}

func TestModelRefusals(t *testing.T) {
	frame := regress.NewFrame(6)
	require.NoError(t, frame.AddNumbers("y", []float64{1, 3, 2, 5, 4, 7}))
	require.NoError(t, frame.AddNumbers("x", []float64{1, 2, 3, 4, 5, 6}))
	require.NoError(t, frame.AddNumbers("twice", []float64{2, 4, 6, 8, 10, 12}))
	require.NoError(t, frame.AddNumbers("id", []float64{1, 2, 3, 4, 5, 6}))
	require.NoError(t, frame.AddNumbers("pair", []float64{1, 1, 2, 2, 3, 3}))
	require.NoError(t, frame.AddNumbers("all", []float64{1, 1, 1, 1, 1, 1}))
	for formula, want := range map[string]error{
		"y ~ x + (1 | id)":           stats.ErrTooFew,
		"y ~ x + (1 | all)":          stats.ErrOneGroup,
		"y ~ x + twice + (1 | pair)": stats.ErrCollinear,
		"x ~ twice + (1 | pair)":     stats.ErrNoVariance,
	} {
		_, err := mixed.Model(design(t, frame, formula), mixed.REML, mixed.Satterthwaite, 0.95)
		require.ErrorIs(t, err, want, formula)
	}
	_, err := mixed.Model(design(t, frame, "y ~ x + (1 | pair)"), mixed.ML, mixed.KenwardRoger, 0.95)
	var argument *stats.ArgumentError
	require.ErrorAs(t, err, &argument)
}

// On the boundary the model is the linear model without groups: the same
// estimates, errors and degrees of freedom as least squares.
func TestBoundaryIsLeastSquares(t *testing.T) {
	frame := table(t, "cxl_demo_wide")
	f, err := mixed.Model(design(t, frame, "kmax_m0 ~ age + (1 | site)"), mixed.REML, mixed.Satterthwaite, 0.95)
	require.NoError(t, err)
	require.True(t, f.Boundary)
	require.NotEmpty(t, f.Notes)
	require.Zero(t, f.Variance("site"))
	o, err := regress.OLS(design(t, frame, "kmax_m0 ~ age"), 0.95)
	require.NoError(t, err)
	for j, c := range o.Coefficients {
		require.InEpsilon(t, c.SE, f.Coefficients[j].SE, 1e-9)
		require.InEpsilon(t, c.DF, f.Coefficients[j].DF, 1e-6)
	}
}
