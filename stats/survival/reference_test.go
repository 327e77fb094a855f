package survival_test

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"keratally/stats/internal/rvalues"
	"keratally/stats/survival"
)

// reference is testdata/reference.txt, which testdata/reference.R made with R
// 4.2.2, survival 3.5-3 and cmprsk 2.2-11.
type reference struct{ rvalues.Values }

func readReference(t *testing.T) reference {
	return reference{rvalues.Read(t, "testdata/reference.txt")}
}

// data is the follow-up with cause 1 as the event.
func (r reference) data() survival.Data {
	d := survival.Data{Time: r.Values["data.time"]}
	for _, c := range r.Values["data.cause"] {
		d.Event = append(d.Event, c == 1)
	}
	return d
}

func (r reference) competing() survival.CompetingData {
	return survival.CompetingData{Time: r.Values["data.time"], Cause: r.Ints("data.cause")}
}

// design has the columns x1, x2 and two indicators of group.
func (r reference) design() (*mat.Dense, []string) {
	x := mat.NewDense(len(r.Values["data.x1"]), 4, nil)
	for i, g := range r.Ints("data.group") {
		x.Set(i, 0, r.Values["data.x1"][i])
		x.Set(i, 1, r.Values["data.x2"][i])
		if g > 0 {
			x.Set(i, 1+g, 1)
		}
	}
	return x, []string{"x1", "x2", "group1", "group2"}
}

// agreements are the comparisons, on whatever data.
var agreements = map[string]func(*testing.T, reference){
	"Kaplan–Meier": kaplanMeierAgrees, "clustered curve": clusteredCurveAgrees, "log-rank": logRankAgrees,
	"proportional hazards": coxAgrees, "competing risks": competingRisksAgree, "Fine–Gray": fineGrayAgrees,
}

func TestAgreesWithStoredR(t *testing.T) {
	for name, agrees := range agreements {
		t.Run(name, func(t *testing.T) { agrees(t, readReference(t)) })
	}
}

func TestAgreesWithLiveR(t *testing.T) {
	for seed := range 4 {
		r := reference{rvalues.Live(t, "testdata/reference.R", seed)}
		for name, agrees := range agreements {
			t.Run(fmt.Sprintf("seed %d, %s", seed, name), func(t *testing.T) { agrees(t, r) })
		}
	}
}

func of[T any](list []T, value func(T) float64) []float64 {
	out := make([]float64, len(list))
	for i, x := range list {
		out[i] = value(x)
	}
	return out
}

func cells(m mat.Matrix) []float64 {
	rows, cols := m.Dims()
	var out []float64
	for j := range cols {
		for i := range rows {
			out = append(out, m.At(i, j))
		}
	}
	return out
}

func kaplanMeierAgrees(t *testing.T, r reference) {
	for _, limits := range []struct {
		name   string
		limits survival.Limits
	}{{"log-log", survival.LogLog}, {"log", survival.Log}, {"plain", survival.Plain}} {
		c, err := survival.KaplanMeier(r.data(), limits.limits, 0.9)
		require.NoError(t, err)
		r.Agree(t, "km."+limits.name+".lower", 1e-11, of(c.Points, func(p survival.Point) float64 { return p.Lower })...)
		r.Agree(t, "km."+limits.name+".upper", 1e-11, of(c.Points, func(p survival.Point) float64 { return p.Upper })...)
		var estimate, lower, upper []float64
		for _, p := range []float64{0.1, 0.25, 0.5} {
			q, err := c.Quantile(p)
			require.NoError(t, err)
			estimate, lower, upper = append(estimate, q.Estimate), append(lower, q.Lower), append(upper, q.Upper)
		}
		r.Agree(t, "km."+limits.name+".quantile", 1e-13, append(append(estimate, lower...), upper...)...)
	}
	c, err := survival.KaplanMeier(r.data(), survival.LogLog, 0.95)
	require.NoError(t, err)
	r.Agree(t, "km.time", 0, of(c.Points, func(p survival.Point) float64 { return p.Time })...)
	r.Agree(t, "km.risk", 0, of(c.Points, func(p survival.Point) float64 { return float64(p.AtRisk) })...)
	r.Agree(t, "km.surv", 1e-13, of(c.Points, func(p survival.Point) float64 { return p.Survival })...)
	r.Agree(t, "km.se", 1e-12, of(c.Points, func(p survival.Point) float64 { return p.SE })...)
	r.Agree(t, "km.cumhaz", 1e-13, of(c.Points, func(p survival.Point) float64 { return p.CumulativeHazard })...)
	r.Agree(t, "km.cumhaz.se", 1e-12, of(c.Points, func(p survival.Point) float64 { return p.CumulativeHazardSE })...)
	m, err := c.RestrictedMean(25)
	require.NoError(t, err)
	r.Agree(t, "km.rmst", 1e-12, m.Estimate, m.SE)
}

func clusteredCurveAgrees(t *testing.T, r reference) {
	d := r.data()
	d.Cluster = r.Ints("data.id")
	c, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
	require.NoError(t, err)
	r.Agree(t, "km.cluster.se", 1e-10, of(c.Points, func(p survival.Point) float64 { return p.SE })...)
	r.Agree(t, "km.cluster.cumhaz.se", 1e-10, of(c.Points, func(p survival.Point) float64 { return p.CumulativeHazardSE })...)
	m, err := c.RestrictedMean(25)
	require.NoError(t, err)
	r.Agree(t, "km.cluster.rmst.se", 1e-10, m.SE)
}

func logRankAgrees(t *testing.T, r reference) {
	for _, tt := range []struct {
		name   string
		strata bool
		rho    float64
	}{{"logrank", false, 0}, {"petopeto", false, 1}, {"halfrho", true, 0.5}, {"stratified", true, 0}} {
		t.Run(tt.name, func(t *testing.T) {
			d := r.data()
			if tt.strata {
				d.Strata = r.Ints("data.site")
			}
			got, err := survival.LogRank(d, r.Ints("data.group"), survival.LogRankOptions{Rho: tt.rho})
			require.NoError(t, err)
			r.Agree(t, tt.name+".chisq", 1e-11, got.Stat)
			r.Agree(t, tt.name+".obs", 1e-12, got.Observed...)
			r.Agree(t, tt.name+".exp", 1e-12, got.Expected...)
			var v []float64
			for _, row := range got.Variance {
				v = append(v, row...)
			}
			r.Agree(t, tt.name+".var", 1e-11, v...)
		})
	}
	trend, err := survival.LogRankTrend(r.data(), r.Ints("data.group"), []float64{0, 1, 2}, survival.LogRankOptions{})
	require.NoError(t, err)
	r.Agree(t, "trend.chisq", 1e-10, trend.Stat)
	d := r.data()
	d.Strata = r.Ints("data.site")
	trend, err = survival.LogRankTrend(d, r.Ints("data.group"), []float64{0, 1, 2}, survival.LogRankOptions{})
	require.NoError(t, err)
	r.Agree(t, "trend.stratified.chisq", 1e-10, trend.Stat)
	d = r.data()
	d.Cluster = r.Ints("data.id")
	clustered, err := survival.LogRank(d, r.Ints("data.group"), survival.LogRankOptions{})
	require.NoError(t, err)
	r.Agree(t, "logrank.cluster.chisq", 1e-10, clustered.Stat)
}

func coxAgrees(t *testing.T, r reference) {
	x, terms := r.design()
	for name, ties := range map[string]survival.Ties{"efron": survival.Efron, "breslow": survival.Breslow} {
		for _, strata := range []string{"one", "site"} {
			key := "cox." + name + "." + strata
			t.Run(key, func(t *testing.T) {
				d := r.data()
				if strata == "site" {
					d.Strata = r.Ints("data.site")
				}
				plain, err := survival.Cox(d, x, terms, survival.CoxOptions{Ties: ties, Level: 0.95})
				require.NoError(t, err)
				d.Cluster = r.Ints("data.id")
				robust, err := survival.Cox(d, x, terms, survival.CoxOptions{Ties: ties, Level: 0.95})
				require.NoError(t, err)
				r.Agree(t, key+".coef", 1e-9, of(plain.Coefficients, func(c survival.Coefficient) float64 { return c.Estimate })...)
				r.Agree(t, key+".vcov", 1e-9, cells(plain.Covariance)...)
				r.Agree(t, key+".robust", 1e-9, cells(robust.Covariance)...)
				r.Agree(t, key+".tests", 1e-9, plain.LogLikNull, plain.LogLik, plain.Score.Stat, plain.Wald.Stat, robust.Wald.Stat, robust.RobustScore.Stat)
				r.Agree(t, key+".concordance", 1e-11, plain.Concordance.Estimate, plain.ConcordanceSE, robust.ConcordanceSE)
				for scale, transform := range map[string]survival.Transform{
					"km": survival.KaplanMeierTime, "identity": survival.IdentityTime, "log": survival.LogTime,
				} {
					tests, err := plain.ProportionalHazards(transform, []survival.TermColumns{
						{Name: "x1", Columns: []int{0}}, {Name: "x2", Columns: []int{1}}, {Name: "group", Columns: []int{2, 3}},
					})
					require.NoError(t, err)
					r.Agree(t, key+".zph."+scale, 1e-8, of(tests, func(s survival.Test) float64 { return s.Stat })...)
				}
				r.Agree(t, key+".basehaz", 1e-8, of(plain.BaselineHazard(), func(h survival.Hazard) float64 { return h.Cumulative })...)
			})
		}
	}
}

func competingRisksAgree(t *testing.T, r reference) {
	times := []float64{2, 5, 10, 20, 30}
	d := r.competing()
	plain, err := survival.CumulativeIncidence(d, survival.LogLog, 0.95)
	require.NoError(t, err)
	d.Cluster = r.Ints("data.id")
	clustered, err := survival.CumulativeIncidence(d, survival.LogLog, 0.95)
	require.NoError(t, err)
	for k, cause := range []string{"1", "2"} {
		at := func(inc survival.Incidence, value func(survival.IncidencePoint) float64) []float64 {
			return of(times, func(t float64) float64 { return value(inc.At(t)) })
		}
		r.Agree(t, "cif."+cause, 1e-12, at(plain[k], func(p survival.IncidencePoint) float64 { return p.Incidence })...)
		r.Agree(t, "cif."+cause+".se", 1e-11, at(plain[k], func(p survival.IncidencePoint) float64 { return p.SE })...)
		r.Agree(t, "cif."+cause+".ij", 1e-10, at(plain[k], func(p survival.IncidencePoint) float64 { return p.JackknifeSE })...)
		r.Agree(t, "cif."+cause+".cluster", 1e-7, at(clustered[k], func(p survival.IncidencePoint) float64 { return p.SE })...)
	}
	stat := func(g survival.GrayResult) float64 { return g.Stat }
	for name, rho := range map[string]float64{"gray": 0, "gray.rho1": 1} {
		got, err := survival.GrayTest(r.competing(), r.Ints("data.group"), rho)
		require.NoError(t, err)
		r.Agree(t, name, 1e-10, of(got, stat)...)
	}
	d = r.competing()
	d.Strata = r.Ints("data.site")
	got, err := survival.GrayTest(d, r.Ints("data.group"), 0)
	require.NoError(t, err)
	r.Agree(t, "gray.strata", 1e-10, of(got, stat)...)
}

func fineGrayAgrees(t *testing.T, r reference) {
	x := mat.NewDense(len(r.Values["data.x1"]), 3, nil)
	x.SetCol(0, r.Values["data.x1"])
	x.SetCol(1, r.Values["data.x2"])
	x.SetCol(2, r.Values["data.group"])
	for cause, name := range map[int]string{1: "crr.1", 2: "crr.2"} {
		f, err := survival.FineGray(r.competing(), cause, x, []string{"x1", "x2", "group"}, 0.95)
		require.NoError(t, err)
		got := of(f.Coefficients, func(c survival.Coefficient) float64 { return c.Estimate })
		got = append(got, of(f.Coefficients, func(c survival.Coefficient) float64 { return c.SE })...)
		r.Agree(t, name, 1e-8, append(got, f.LogLik, f.LogLikNull)...)
	}
}
