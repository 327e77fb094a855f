package survival_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/survival"
)

// Acute myelogenous leukaemia, maintained arm (Miller, Survival Analysis, 1981,
// p. 49). S by hand: 10/11, ·9/10, ·7/8, ·6/7, ·4/5, ·3/4, ·1/2 at the events;
// Greenwood at 13 weeks: S²·(1/(11·10) + 1/(10·9)).
func TestKaplanMeierByHand(t *testing.T) {
	d := survival.Data{
		Time:  []float64{9, 13, 13, 18, 23, 28, 31, 34, 45, 48, 161},
		Event: []bool{true, true, false, true, true, false, true, true, false, true, false},
	}
	c, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
	require.NoError(t, err)
	require.Equal(t, 7, c.Events)
	want := map[float64]float64{
		9: 10. / 11, 13: 9. / 11, 18: 9. / 11 * 7 / 8, 23: 9. / 11 * 6 / 8, 28: 9. / 11 * 6 / 8,
		31: 9. / 11 * 6 / 8 * 4 / 5, 34: 9. / 11 * 6 / 8 * 3 / 5, 48: 9. / 11 * 6 / 8 * 3 / 5 / 2,
	}
	for at, s := range want {
		require.InDelta(t, s, c.At(at).Survival, 1e-15, "at %v", at)
	}
	require.InDelta(t, 9./11*math.Sqrt(1./110+1./90), c.At(13).SE, 1e-15)
	require.Equal(t, 10, c.AtRisk(13))
	require.Equal(t, 8, c.AtRisk(13.5))
	require.Equal(t, 0, c.AtRisk(162))
	require.InDelta(t, 1, c.At(5).Survival, 0)
	require.InDelta(t, 31, c.Median().Estimate, 0)
	require.True(t, math.IsInf(c.Median().Upper, 1), "the upper limit of the median was not reached")
}

// Level at exactly one half from 3 to 4: the median is the middle, 3.5; where
// nothing ends the level stretch, the median is its start and the quantile the
// middle of the stretch to the last time (4.5).
func TestLevelStretchAtOneHalf(t *testing.T) {
	ended := survival.Data{Time: []float64{1, 2, 3, 4, 5, 6}, Event: []bool{true, true, true, true, true, true}}
	c, err := survival.KaplanMeier(ended, survival.Plain, 0.95)
	require.NoError(t, err)
	require.InDelta(t, 3.5, c.Median().Estimate, 0)
	open := survival.Data{Time: []float64{1, 2, 3, 4, 5, 6}, Event: []bool{true, true, true, false, false, false}}
	c, err = survival.KaplanMeier(open, survival.Plain, 0.95)
	require.NoError(t, err)
	require.InDelta(t, 3, c.Median().Estimate, 0)
	q, err := c.Quantile(0.5)
	require.NoError(t, err)
	require.InDelta(t, 4.5, q.Estimate, 0)
}

func TestNearlyEqualTimesAreOneTime(t *testing.T) {
	d := survival.Data{Time: []float64{0.1 + 0.2, 0.3, 0.7}, Event: []bool{true, true, false}}
	c, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
	require.NoError(t, err)
	require.Len(t, c.Points, 2)
	require.Equal(t, 2, c.Points[0].Events)
	require.InDelta(t, 1./3, c.Points[0].Survival, 1e-15)
}

func TestCurveWithoutEvents(t *testing.T) {
	c, err := survival.KaplanMeier(survival.Data{Time: []float64{3, 1}, Event: []bool{false, false}}, survival.LogLog, 0.95)
	require.NoError(t, err)
	require.InDelta(t, 1, c.At(2).Survival, 0)
	require.InDelta(t, 0, c.At(2).SE, 0)
	require.True(t, math.IsInf(c.Median().Estimate, 1))
	m, err := c.RestrictedMean(2)
	require.NoError(t, err)
	require.InDelta(t, 2, m.Estimate, 0)
}

// Area by hand: S is 1 to 2, 2/3 to 4, 1/3 to 6, 0 after: 2 + 4/3 + 2/3.
func TestRestrictedMeanByHand(t *testing.T) {
	c, err := survival.KaplanMeier(survival.Data{Time: []float64{2, 4, 6}, Event: []bool{true, true, true}}, survival.LogLog, 0.95)
	require.NoError(t, err)
	m, err := c.RestrictedMean(10)
	require.NoError(t, err)
	require.InDelta(t, 4, m.Estimate, 1e-15)
	// Right areas 2 and 2/3 with d/(n(n−d)) of 1/6 and 1/2: (4/6 + 4/18) = 8/9.
	require.InDelta(t, math.Sqrt(8./9), m.SE, 1e-15)
}

func TestErrorsInWords(t *testing.T) {
	good := survival.Data{Time: []float64{1, 2, 3, 4}, Event: []bool{true, false, true, true}}
	x := mat.NewDense(4, 1, []float64{1, 3, 2, 5})
	km := func(d survival.Data) error {
		_, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
		return err
	}
	cox := func(d survival.Data, x *mat.Dense, terms ...string) error {
		_, err := survival.Cox(d, x, terms, survival.CoxOptions{Level: 0.95})
		return err
	}
	logRank := func(d survival.Data, group ...int) error {
		_, err := survival.LogRank(d, group, survival.LogRankOptions{})
		return err
	}
	none := survival.Data{Time: good.Time, Event: make([]bool, 4)}
	for _, tt := range []struct {
		name string
		err  error
		is   error
	}{
		{"no rows", km(survival.Data{}), stats.ErrNoData},
		{"lengths", km(survival.Data{Time: []float64{1}}), stats.ErrLengths},
		{"not finite", km(survival.Data{Time: []float64{math.NaN()}, Event: []bool{true}}), stats.ErrNotFinite},
		{"log-rank of one group", logRank(good, 1, 1, 1, 1), stats.ErrOneGroup},
		{"log-rank without events", logRank(none, 0, 1, 0, 1), stats.ErrNoEvents},
		{"log-rank, one group at risk", logRank(survival.Data{Time: []float64{1, 1, 3, 4}, Event: []bool{false, false, true, true}}, 0, 0, 1, 1), stats.ErrNoVariance},
		{"regression without events", cox(none, x, "x"), stats.ErrNoEvents},
		{"constant term", cox(good, mat.NewDense(4, 1, []float64{2, 2, 2, 2}), "x"), stats.ErrCollinear},
		{"doubled term", cox(good, mat.NewDense(4, 2, []float64{1, 2, 3, 6, 2, 4, 5, 10}), "x", "twice x"), stats.ErrCollinear},
		{"hazard ratio without end", cox(good, mat.NewDense(4, 1, []float64{4, 3, 2, 1}), "x"), stats.ErrSeparation},
		{"term not finite", cox(good, mat.NewDense(4, 1, []float64{4, math.Inf(1), 2, 1}), "x"), stats.ErrNotFinite},
		{"terms and columns", cox(good, x, "x", "y"), stats.ErrLengths},
	} {
		t.Run(tt.name, func(t *testing.T) { require.ErrorIs(t, tt.err, tt.is) })
	}
	var argument *stats.ArgumentError
	require.ErrorAs(t, km(survival.Data{Time: []float64{-1}, Event: []bool{true}}), &argument)
	_, err := survival.KaplanMeier(good, survival.LogLog, 1)
	require.ErrorAs(t, err, &argument)
	_, err = survival.CumulativeIncidence(survival.CompetingData{Time: []float64{1, 2}, Cause: []int{0, 0}}, survival.LogLog, 0.95)
	require.ErrorIs(t, err, stats.ErrNoEvents)
	_, err = survival.GrayTest(survival.CompetingData{Time: []float64{1, 2}, Cause: []int{1, 0}}, []int{1, 1}, 0)
	require.ErrorIs(t, err, stats.ErrOneGroup)
	_, err = survival.FineGray(survival.CompetingData{Time: []float64{1, 2}, Cause: []int{2, 0}}, 1, mat.NewDense(2, 1, []float64{1, 2}), []string{"x"}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoEvents)
}

// drawData draws follow-up with ties.
func drawData(t *rapid.T, least int) survival.Data {
	n := rapid.IntRange(least, 60).Draw(t, "n")
	d := survival.Data{Time: make([]float64, n), Event: make([]bool, n)}
	for i := range n {
		d.Time[i] = float64(rapid.IntRange(1, 25).Draw(t, "time"))
		d.Event[i] = rapid.Bool().Draw(t, "event")
	}
	return d
}

func permuted(d survival.Data, order []int) survival.Data {
	out := survival.Data{}
	for _, i := range order {
		out.Time, out.Event = append(out.Time, d.Time[i]), append(out.Event, d.Event[i])
	}
	return out
}

func indices(n int) []int {
	out := make([]int, n)
	for i := range out {
		out[i] = i
	}
	return out
}

func TestCurveProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawData(t, 1)
		c, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
		require.NoError(t, err)
		before := 1.0
		for _, p := range c.Points {
			require.LessOrEqual(t, p.Survival, before)
			before = p.Survival
			if !math.IsNaN(p.Lower) {
				require.LessOrEqual(t, p.Lower, p.Survival)
				require.GreaterOrEqual(t, p.Upper, p.Survival)
			}
		}
		// Row order does not matter, to the last bit.
		other, err := survival.KaplanMeier(permuted(d, rapid.Permutation(indices(len(d.Time))).Draw(t, "order")), survival.LogLog, 0.95)
		require.NoError(t, err)
		for k, p := range c.Points {
			require.Equal(t, p.Survival, other.Points[k].Survival)
			require.Equal(t, p.SE, other.Points[k].SE)
		}
		// With one row a cluster the clustered error is Greenwood's.
		d.Cluster = indices(len(d.Time))
		single, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
		require.NoError(t, err)
		for k, p := range c.Points {
			require.InDelta(t, p.SE, single.Points[k].SE, 1e-7)
			require.InDelta(t, p.CumulativeHazardSE*p.CumulativeHazardSE,
				single.Points[k].CumulativeHazardSE*single.Points[k].CumulativeHazardSE+tiedHazard(c.Points[:k+1]), 1e-9)
		}
	})
}

// tiedHazard is what the jackknife takes off Σ d/n² for tied events, Σ d²/n³.
func tiedHazard(points []survival.Point) float64 {
	var sum float64
	for _, p := range points {
		d, n := float64(p.Events), float64(p.AtRisk)
		sum += d * d / (n * n * n)
	}
	return sum
}

func TestLogRankProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawData(t, 6)
		group, swapped := make([]int, len(d.Time)), make([]int, len(d.Time))
		for i := range group {
			group[i] = rapid.IntRange(0, 1).Draw(t, "group")
			swapped[i] = 7 - group[i]
		}
		r, err := survival.LogRank(d, group, survival.LogRankOptions{})
		if err != nil {
			return
		}
		other, err := survival.LogRank(d, swapped, survival.LogRankOptions{})
		require.NoError(t, err)
		require.InDelta(t, r.Stat, other.Stat, 1e-9*(1+r.Stat))
		require.GreaterOrEqual(t, r.P, 0.0)
		require.LessOrEqual(t, r.P, 1.0)
		require.InDelta(t, r.Observed[0]+r.Observed[1], r.Expected[0]+r.Expected[1], 1e-9)
		// Of two groups, any two scores give the test for trend.
		trend, err := survival.LogRankTrend(d, group, []float64{1, 5}, survival.LogRankOptions{})
		require.NoError(t, err)
		require.InDelta(t, r.Stat, trend.Stat, 1e-9*(1+r.Stat))
	})
}

// Shifting a covariate changes no hazard ratio; scaling it scales the
// coefficient; doubling every patient's rows leaves the clustered errors.
func TestCoxShiftScaleAndDoubling(t *testing.T) {
	r := readReference(t)
	d := r.data()
	x, terms := r.design()
	n, p := x.Dims()
	d.Cluster = indices(n)
	base, err := survival.Cox(d, x, terms, survival.CoxOptions{Ties: survival.Breslow, Level: 0.95})
	require.NoError(t, err)
	moved := mat.DenseCopyOf(x)
	for i := range n {
		moved.Set(i, 0, 1e6+10*x.At(i, 0))
	}
	scaled, err := survival.Cox(d, moved, terms, survival.CoxOptions{Ties: survival.Breslow, Level: 0.95})
	require.NoError(t, err)
	require.InEpsilon(t, base.Coefficients[0].Estimate, 10*scaled.Coefficients[0].Estimate, 1e-8)
	require.InDelta(t, base.LogLik, scaled.LogLik, 1e-9)
	twice := survival.Data{Time: append(d.Time[:n:n], d.Time...), Event: append(d.Event[:n:n], d.Event...), Cluster: append(d.Cluster[:n:n], d.Cluster...)}
	doubledX := mat.NewDense(2*n, p, nil)
	doubledX.Stack(x, x)
	doubled, err := survival.Cox(twice, doubledX, terms, survival.CoxOptions{Ties: survival.Breslow, Level: 0.95})
	require.NoError(t, err)
	for j := range p {
		require.InEpsilon(t, base.Coefficients[j].Estimate, doubled.Coefficients[j].Estimate, 1e-8)
		require.InEpsilon(t, base.Coefficients[j].SE, doubled.Coefficients[j].SE, 1e-8)
		require.InEpsilon(t, base.Coefficients[j].ModelSE, math.Sqrt2*doubled.Coefficients[j].ModelSE, 1e-8)
	}
}

// The incidences of all causes and the survival free of any add up to 1.
func TestIncidencesAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 60).Draw(t, "n")
		d := survival.CompetingData{Time: make([]float64, n), Cause: make([]int, n)}
		plain := survival.Data{Time: d.Time, Event: make([]bool, n)}
		for i := range n {
			d.Time[i] = float64(rapid.IntRange(1, 15).Draw(t, "time"))
			d.Cause[i] = rapid.IntRange(0, 3).Draw(t, "cause")
			plain.Event[i] = d.Cause[i] > 0
		}
		causes, err := survival.CumulativeIncidence(d, survival.LogLog, 0.95)
		if err != nil {
			require.ErrorIs(t, err, stats.ErrNoEvents)
			return
		}
		c, err := survival.KaplanMeier(plain, survival.LogLog, 0.95)
		require.NoError(t, err)
		for k, p := range c.Points {
			sum := p.Survival
			for _, inc := range causes {
				sum += inc.Points[k].Incidence
			}
			require.InDelta(t, 1, sum, 1e-12)
		}
	})
}
