package glm_test

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/glm"
	"keratally/stats/internal/rvalues"
)

// testdata/reference.R, R 4.2.2.
func TestAgreesWithStoredR(t *testing.T) { agrees(t, rvalues.Read(t, "testdata/reference.txt"), 1e-8) }

// The covariance is that of the last least-squares step. Where the deviance
// changes by almost exactly the stopping rule's 1e-14, rounding decides whether
// there is one more step, so it agrees to six digits on any data.
func TestAgreesWithLiveR(t *testing.T) {
	for seed := range 8 {
		r := rvalues.Live(t, "testdata/reference.R", seed)
		t.Run(fmt.Sprintf("seed %d", seed), func(t *testing.T) { agrees(t, r, 1e-6) })
	}
}

func agrees(t *testing.T, r rvalues.Values, covarianceShare float64) {
	full, slopes := design(true, r["data.x1"], r["data.x2"]), design(false, r["data.x1"], r["data.x2"])
	names := []string{"(Intercept)", "x1", "x2"}
	shares := make([]float64, len(r["data.yes"]))
	logTime, tenth := make([]float64, len(shares)), make([]float64, len(shares))
	for i, yes := range r["data.yes"] {
		shares[i] = yes / r["data.trials"][i]
		logTime[i], tenth[i] = math.Log(r["data.time"][i]), r["data.time"][i]/10
	}
	for _, tt := range []struct {
		name string
		fit  func(glm.Data, float64) (*glm.Fit, error)
		data glm.Data
	}{
		{"logistic", glm.Logistic, glm.Data{Y: r["data.y"], X: full, Terms: names}},
		{"trials", glm.Logistic, glm.Data{Y: shares, X: full, Terms: names, Trials: r["data.trials"]}},
		{"offset", glm.Logistic, glm.Data{Y: r["data.y"], X: full, Terms: names, Offset: tenth}},
		{"rate", glm.PoissonRegression, glm.Data{Y: r["data.count"], X: full, Terms: names, Offset: logTime}},
		{"through", glm.PoissonRegression, glm.Data{Y: r["data.count"], X: slopes, Terms: names[1:]}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f, err := tt.fit(tt.data, 0.95)
			require.NoError(t, err)
			var coefficients, limits, covariance []float64
			for j, c := range f.Coefficients {
				coefficients = append(coefficients, c.Estimate)
				p, err := f.ProfileInterval(j)
				require.NoError(t, err)
				limits = append(limits, p.Lower, p.Upper)
				for k := range f.Coefficients {
					covariance = append(covariance, f.Covariance.At(j, k))
				}
			}
			r.Agree(t, tt.name+".coef", 1e-10, coefficients...)
			r.Agree(t, tt.name+".vcov", covarianceShare, covariance...)
			r.Agree(t, tt.name+".profile", 1e-8, limits...)
			r.Agree(t, tt.name+".summary", 1e-11, f.Deviance, f.NullDeviance, float64(f.DFResidual), float64(f.DFNull), f.LogLik, f.AIC)
			if tt.name == "logistic" {
				d, err := f.Discrimination()
				require.NoError(t, err)
				r.Agree(t, "logistic.discrimination", 1e-10, d.AUC, d.Brier, d.McFadden, d.Nagelkerke)
			}
		})
	}
}

// design has the columns given, after a column of ones if constant is true.
func design(constant bool, columns ...[]float64) *mat.Dense {
	if constant {
		ones := make([]float64, len(columns[0]))
		for i := range ones {
			ones[i] = 1
		}
		columns = append([][]float64{ones}, columns...)
	}
	x := mat.NewDense(len(columns[0]), len(columns), nil)
	for j, c := range columns {
		x.SetCol(j, c)
	}
	return x
}

// A 2 × 2 table by hand, 3 of 10 against 6 of 8: log odds ratio
// log((6/2)/(3/7)) = log 7, variance 1/3 + 1/7 + 1/6 + 1/2.
func TestTwoByTwoByHand(t *testing.T) {
	var y, g []float64
	add := func(group float64, events, others int) {
		for range events {
			y, g = append(y, 1), append(g, group)
		}
		for range others {
			y, g = append(y, 0), append(g, group)
		}
	}
	add(0, 3, 7)
	add(1, 6, 2)
	f, err := glm.Logistic(glm.Data{Y: y, X: design(true, g), Terms: []string{"(Intercept)", "g"}}, 0.95)
	require.NoError(t, err)
	require.InDelta(t, math.Log(7), f.Coefficients[1].Estimate, 1e-12)
	require.InDelta(t, 7, f.Coefficients[1].Ratio.Estimate, 1e-11)
	// The standard error is that of the last least-squares step: eight digits.
	require.InDelta(t, math.Sqrt(1./3+1./7+1./6+1./2), f.Coefficients[1].SE, 1e-7)
}

// Counts 4, 6 in group 0 and 9, 11, 10 in group 1, by hand: log rate ratio
// log(10/5), variance 1/30 + 1/10, deviance Σ 2·y·log(y/mean).
func TestTwoRatesByHand(t *testing.T) {
	y, g := []float64{4, 6, 9, 11, 10}, []float64{0, 0, 1, 1, 1}
	f, err := glm.PoissonRegression(glm.Data{Y: y, X: design(true, g), Terms: []string{"(Intercept)", "g"}}, 0.95)
	require.NoError(t, err)
	require.InDelta(t, math.Log(2), f.Coefficients[1].Estimate, 1e-12)
	require.InDelta(t, math.Sqrt(1./30+1./10), f.Coefficients[1].SE, 1e-7)
	require.InDelta(t, 2*(4*math.Log(.8)+6*math.Log(1.2)+9*math.Log(.9)+11*math.Log(1.1)), f.Deviance, 1e-12)
}

func TestErrorsInWords(t *testing.T) {
	names := []string{"(Intercept)", "x"}
	x := []float64{1, 2, 3, 4, 5, 6}
	logistic := func(y []float64, columns ...[]float64) error {
		_, err := glm.Logistic(glm.Data{Y: y, X: design(true, columns...), Terms: append(names, "z")[:1+len(columns)]}, 0.95)
		return err
	}
	poisson := func(y []float64, column []float64) error {
		_, err := glm.PoissonRegression(glm.Data{Y: y, X: design(true, column), Terms: names}, 0.95)
		return err
	}
	mixed := []float64{0, 1, 0, 1, 1, 0}
	for _, tt := range []struct {
		name string
		err  error
		is   error
	}{
		{"complete separation", logistic([]float64{0, 0, 0, 1, 1, 1}, x), stats.ErrSeparation},
		{"quasi-complete separation", logistic([]float64{0, 1, 0, 1, 1, 1}, []float64{0, 0, 0, 0, 1, 1}), stats.ErrSeparation},
		{"overlap in one value only", logistic([]float64{0, 0, 0, 1, 1, 1}, []float64{1, 2, 3, 3, 4, 5}), stats.ErrSeparation},
		{"a group without events", poisson([]float64{0, 0, 0, 2, 1, 4}, []float64{1, 1, 1, 0, 0, 0}), stats.ErrSeparation},
		{"no events", logistic(make([]float64, 6), x), stats.ErrNoEvents},
		{"only events", logistic([]float64{1, 1, 1, 1, 1, 1}, x), stats.ErrNoVariance},
		{"no counts", poisson(make([]float64, 6), x), stats.ErrNoEvents},
		{"constant term", logistic(mixed, []float64{2, 2, 2, 2, 2, 2}), stats.ErrCollinear},
		{"doubled term", logistic(mixed, x, []float64{2, 4, 6, 8, 10, 12}), stats.ErrCollinear},
		{"not finite", logistic(mixed, []float64{1, 2, math.NaN(), 4, 5, 6}), stats.ErrNotFinite},
		{"no rows", func() error { _, err := glm.Logistic(glm.Data{}, 0.95); return err }(), stats.ErrNoData},
		{"lengths", logistic([]float64{0, 1}, x), stats.ErrLengths},
	} {
		t.Run(tt.name, func(t *testing.T) { require.ErrorIs(t, tt.err, tt.is) })
	}
	var argument *stats.ArgumentError
	require.ErrorAs(t, logistic([]float64{0, 2, 0, 1, 1, 0}, x), &argument)
	require.ErrorAs(t, poisson([]float64{0, 1.5, 0, 1, 1, 0}, x), &argument)
}

// At the estimates the score is 0: fitted and observed sums agree. Moving a
// covariate by a billion changes the intercept and nothing else; recoding the
// outcome changes every sign.
func TestLogisticProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(8, 50).Draw(t, "n")
		y, other, x, far := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range n {
			y[i] = float64(rapid.IntRange(0, 1).Draw(t, "y"))
			x[i] = float64(rapid.IntRange(-8, 8).Draw(t, "x")) / 4
			other[i], far[i] = 1-y[i], x[i]+1e9
		}
		fit := func(y, x []float64) (*glm.Fit, error) {
			return glm.Logistic(glm.Data{Y: y, X: design(true, x), Terms: []string{"(Intercept)", "x"}}, 0.95)
		}
		f, err := fit(y, x)
		if err != nil {
			return // separated, constant or without events
		}
		var sum, events, moment, observed float64
		for i, p := range f.Fitted {
			sum, events = sum+p, events+y[i]
			moment, observed = moment+p*x[i], observed+y[i]*x[i]
		}
		require.InDelta(t, events, sum, 1e-8)
		require.InDelta(t, observed, moment, 1e-7)
		moved, err := fit(y, far)
		require.NoError(t, err)
		require.InDelta(t, f.Coefficients[1].Estimate, moved.Coefficients[1].Estimate, 1e-6*(1+math.Abs(f.Coefficients[1].Estimate)))
		recoded, err := fit(other, x)
		require.NoError(t, err)
		require.InDelta(t, f.Coefficients[1].Estimate, -recoded.Coefficients[1].Estimate, 1e-7*(1+math.Abs(f.Coefficients[1].Estimate)))
		p, err := f.ProfileInterval(1)
		require.NoError(t, err)
		require.True(t, p.Contains(f.Coefficients[1].Estimate))
	})
}
