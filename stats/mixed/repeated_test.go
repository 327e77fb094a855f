package mixed_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/mixed"
)

func orthodont(t *testing.T, shape mixed.Covariance) *mixed.RepeatedFit {
	t.Helper()
	d := design(t, table(t, "potthoff_roy"), "distance ~ Sex * age")
	by := mixed.Repeated{Shape: shape, Method: mixed.REML, Freedom: mixed.Satterthwaite}
	var err error
	by.Subjects, _, err = d.Groups("Subject")
	require.NoError(t, err)
	by.Visits, by.Labels, err = d.Groups("age")
	require.NoError(t, err)
	f, err := mixed.MMRM(d, by, 0.95)
	require.NoError(t, err)
	return f
}

// R 4.2.2, nlme 3.1-162: gls(distance ~ Sex * age, correlation = corCompSymm or
// corAR1(form = ~ visit | Subject), method = "REML"); gls stops at about 1e-7.
func TestShapesAgainstGLS(t *testing.T) {
	for _, tt := range []struct {
		shape            mixed.Covariance
		rho, sigma, logL float64
		estimate, se     []float64
	}{
		{mixed.CompoundSymmetric, 0.631838133981594, 2.284881189508, -216.878624600602,
			[]float64{17.372727272727268, -1.032102272727275, 0.479545454545455, 0.304829545454546},
			[]float64{1.1835070799497625, 1.5374207951928516, 0.0934698795791375, 0.1214209353063081}},
		{mixed.AR1, 0.624488848286869, 2.28350734124415, -222.293724287844,
			[]float64{17.320552928653040, -0.721475872574397, 0.483819563373474, 0.285443408984602},
			[]float64{1.639256330497068, 2.129456438287373, 0.141048048210373, 0.183226789356592}},
	} {
		t.Run(tt.shape.String(), func(t *testing.T) {
			f := orthodont(t, tt.shape)
			require.InEpsilon(t, tt.rho, f.Correlation(0, 1), 1e-5)
			require.InEpsilon(t, tt.sigma, math.Sqrt(f.Covariance.At(2, 2)), 1e-5)
			require.InEpsilon(t, tt.logL, f.LogLik, 1e-9)
			for j, c := range f.Coefficients {
				require.InEpsilon(t, tt.estimate[j], c.Estimate, 1e-5)
				require.InEpsilon(t, tt.se[j], c.SE, 1e-5)
			}
		})
	}
}

// Compound symmetry with a positive covariance is a random intercept. R 4.2.2,
// lmerTest: lmer(distance ~ Sex * age + (1 | Subject)), degrees of freedom.
func TestCompoundSymmetryIsARandomIntercept(t *testing.T) {
	f := orthodont(t, mixed.CompoundSymmetric)
	for j, df := range []float64{103.9863609832186, 103.9863609872186, 79, 79} {
		require.InEpsilon(t, df, f.Coefficients[j].DF, 1e-6)
	}
	require.InEpsilon(t, 433.757249201136, f.Criterion, 1e-10)
}

// A cluster's intercept above compound symmetry within subjects is the nested
// model (1 | patient) + (1 | eye), which the selfcheck compares with lme4.
func TestClusteredShapeIsNested(t *testing.T) {
	frame := table(t, "cxl_demo")
	nested, err := mixed.Model(design(t, frame, "pachy ~ factor(visit) + (1 | patient) + (1 | eye_id)"), mixed.REML, mixed.Satterthwaite, 0.95)
	require.NoError(t, err)
	d := design(t, frame, "pachy ~ factor(visit)")
	by := mixed.Repeated{Shape: mixed.CompoundSymmetric, Method: mixed.REML, Freedom: mixed.Satterthwaite}
	by.Subjects, _, err = d.Groups("eye_id")
	require.NoError(t, err)
	by.Visits, by.Labels, err = d.Groups("visit")
	require.NoError(t, err)
	by.Clusters, _, err = d.Groups("patient")
	require.NoError(t, err)
	f, err := mixed.MMRM(d, by, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, nested.Criterion, f.Criterion, 1e-9)
	require.InEpsilon(t, nested.Variance("patient"), f.ClusterVariance, 1e-6)
	for j, c := range nested.Coefficients {
		require.InEpsilon(t, c.Estimate, f.Coefficients[j].Estimate, 1e-8)
		require.InEpsilon(t, c.SE, f.Coefficients[j].SE, 1e-7)
		require.InEpsilon(t, c.DF, f.Coefficients[j].DF, 1e-5)
	}
}

// Complete data with an unstructured covariance: the mean at each visit is the
// plain mean, its variance the visit's s²/n, on n − 1 degrees of freedom. By
// hand from three subjects: visit 1 has 1, 2, 3; visit 2 has 2, 2, 5.
func TestVisitMeansOfCompleteData(t *testing.T) {
	values := []float64{1, 2, 2, 2, 3, 5}
	by := mixed.Repeated{
		Subjects: []int{1, 1, 2, 2, 3, 3}, Visits: []int{0, 1, 0, 1, 0, 1}, Labels: []string{"month 6", "month 12"},
		Shape: mixed.Unstructured, Method: mixed.REML, Freedom: mixed.Satterthwaite,
	}
	r, f, err := mixed.VisitMeans(values, by, 0.95)
	require.NoError(t, err)
	for v, want := range []struct{ mean, variance float64 }{{2, 1}, {3, 3}} {
		require.InEpsilon(t, want.mean, r[v].Estimate, 1e-9)
		require.InEpsilon(t, math.Sqrt(want.variance/3), r[v].SE, 1e-7)
		require.InEpsilon(t, 2, r[v].DF, 1e-6)
		require.Equal(t, 3, r[v].N)
	}
	require.InEpsilon(t, 1.5, f.Covariance.At(0, 1), 1e-7)
}

func TestRepeatedRefusals(t *testing.T) {
	base := mixed.Repeated{Subjects: []int{1, 1, 2, 2}, Visits: []int{0, 1, 0, 1}, Labels: []string{"a", "b"}, Shape: mixed.Unstructured, Method: mixed.REML, Freedom: mixed.Satterthwaite}
	values := []float64{1, 3, 2, 7}
	twice := base
	twice.Visits = []int{0, 0, 0, 1}
	_, _, err := mixed.VisitMeans(values, twice, 0.95)
	var argument *stats.ArgumentError
	require.ErrorAs(t, err, &argument)
	apart := base
	apart.Subjects = []int{1, 2, 3, 4}
	_, _, err = mixed.VisitMeans(values, apart, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	missing := base
	missing.Labels = []string{"a", "b", "c"}
	_, _, err = mixed.VisitMeans(values, missing, 0.95)
	require.ErrorIs(t, err, stats.ErrNoData)
}

// TestVisitMeansDoNotDependOnRowOrder shuffles eyes of patients with missing visits.
func TestVisitMeansDoNotDependOnRowOrder(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 6))
	var values []float64
	by := mixed.Repeated{Labels: []string{"3", "6", "12"}, Shape: mixed.Unstructured, Method: mixed.REML, Freedom: mixed.Satterthwaite}
	for p := range 30 {
		shared := r.NormFloat64()
		for e := range 1 + r.IntN(2) {
			own := r.NormFloat64()
			for v := range 3 {
				if v > 0 && r.IntN(4) == 0 {
					continue
				}
				values = append(values, shared+own+0.5*r.NormFloat64()-0.3*float64(v))
				by.Subjects, by.Visits, by.Clusters = append(by.Subjects, 2*p+e), append(by.Visits, v), append(by.Clusters, p)
			}
		}
	}
	a, fit, err := mixed.VisitMeans(values, by, 0.95)
	require.NoError(t, err)
	require.Positive(t, fit.ClusterVariance)
	other := by
	other.Subjects, other.Visits, other.Clusters = nil, nil, nil
	var shuffled []float64
	for _, k := range r.Perm(len(values)) {
		shuffled = append(shuffled, values[k])
		other.Subjects, other.Visits, other.Clusters = append(other.Subjects, by.Subjects[k]), append(other.Visits, by.Visits[k]), append(other.Clusters, by.Clusters[k])
	}
	b, _, err := mixed.VisitMeans(shuffled, other, 0.95)
	require.NoError(t, err)
	for v := range a {
		require.InEpsilon(t, a[v].Estimate, b[v].Estimate, 1e-7, fmt.Sprint(v))
		require.InEpsilon(t, a[v].SE, b[v].SE, 1e-6)
		require.InEpsilon(t, a[v].DF, b[v].DF, 1e-5)
	}
}
