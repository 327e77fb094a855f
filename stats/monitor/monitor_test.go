package monitor_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/monitor"
	"keratally/stats/proportion"
)

// Spiegelhalter's interpolated exact limits, worked in R 4.2.2 with qbinom and
// pbinom, in per cent to two decimals: target 5 % and 3 %.
func TestFunnelLimits(t *testing.T) {
	for _, tt := range []struct {
		n                int
		target           float64
		low95, high95    float64
		low998, high998  float64
		normal95Low, n95 float64 // 0, 0 where not worked
	}{
		{25, 0.05, 0, 13.35, 0, 20.82, -3.54, 13.54},
		{50, 0.05, 0, 10.98, 0, 15.80, -1.04, 11.04},
		{100, 0.05, 0.61, 9.19, 0, 12.46, 0.73, 9.27},
		{200, 0.05, 1.96, 7.97, 0.65, 10.12, 1.98, 8.02},
		{400, 0.05, 2.84, 7.12, 1.84, 8.55, 2.86, 7.14},
		{50, 0.03, 0, 7.64, 0, 11.80, 0, 0},
		{100, 0.03, 0, 6.30, 0, 8.95, 0, 0},
		{200, 0.03, 0.60, 5.35, 0, 7.10, 0, 0},
	} {
		t.Run(fmt.Sprintf("%d at %g", tt.n, tt.target), func(t *testing.T) {
			const halfPlace = 0.00005
			lower, upper, err := monitor.Band(tt.n, tt.target, 0.95)
			require.NoError(t, err)
			assert.InDelta(t, tt.low95/100, lower.Value, halfPlace)
			assert.InDelta(t, tt.high95/100, upper.Value, halfPlace)
			if tt.n95 > 0 {
				assert.InDelta(t, tt.normal95Low/100, lower.Normal, halfPlace)
				assert.InDelta(t, tt.n95/100, upper.Normal, halfPlace)
			}
			lower, upper, err = monitor.Band(tt.n, tt.target, 0.998)
			require.NoError(t, err)
			assert.InDelta(t, tt.low998/100, lower.Value, halfPlace)
			assert.InDelta(t, tt.high998/100, upper.Value, halfPlace)
		})
	}
}

// Units that all lie on the target have z 0 and no variance between them; by
// hand, 10 of 20 and 30 of 60 at one half.
func TestUnitsOnTarget(t *testing.T) {
	units := []proportion.Count{{Events: 10, N: 20}, {Events: 30, N: 60}}
	target, err := monitor.Pooled(units)
	require.NoError(t, err)
	assert.Equal(t, 0.5, target)
	u, err := monitor.NewUnits(units, target)
	require.NoError(t, err)
	assert.Zero(t, u.Phi)
	assert.Zero(t, u.Tau2)
	assert.Zero(t, u.Units[1].Z)
	assert.Equal(t, 1.0, u.Units[0].PExact)
	_, err = monitor.NewUnits(units, 0)
	require.ErrorIs(t, err, stats.ErrNoEvents)
	_, err = monitor.NewUnits(nil, 0.1)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = monitor.NewUnits([]proportion.Count{{}}, 0.1)
	require.ErrorIs(t, err, stats.ErrNoData)
}

// Weights by hand: ln 2 = 0.6931 and ln(0.90/0.95) = −0.0541 for 5 against
// 10 %; ln 2 and ln(0.94/0.97) = −0.0314 for 3 against 6 %; an odds ratio of 2
// on 5 % is 9.52 %, with 0.6444 and −0.0488. The path is their running sum.
func TestCUSUMPath(t *testing.T) {
	c, err := monitor.NewCUSUM(0.05, 0.10)
	require.NoError(t, err)
	event, none := c.Weights()
	assert.InDelta(t, 0.6931, event, 0.00005)
	assert.InDelta(t, -0.0541, none, 0.00005)
	chart, err := c.Run([]bool{false, false, true, false, true, false, false, false, true}, math.Inf(1))
	require.NoError(t, err)
	for i, want := range []float64{0, 0, 0.6931, 0.6391, 1.3322, 1.2782, 1.2241, 1.1700, 1.8632} {
		assert.InDelta(t, want, chart.Path[i], 0.00005)
	}
	assert.Empty(t, chart.Signals)
	c, err = monitor.NewCUSUM(0.03, 0.06)
	require.NoError(t, err)
	_, none = c.Weights()
	assert.InDelta(t, -0.0314, none, 0.00005)
	double := monitor.ByOddsRatio(0.05, 2)
	assert.InDelta(t, 0.0952, double, 0.00005)
	c, err = monitor.NewCUSUM(0.05, double)
	require.NoError(t, err)
	event, none = c.Weights()
	assert.InDelta(t, 0.6444, event, 0.00005)
	assert.InDelta(t, -0.0488, none, 0.00005)
	// The same cases, risk-adjusted at one common rate, draw the same chart.
	events := []bool{true, false, true, true}
	plain, err := c.Run(events, 1.2)
	require.NoError(t, err)
	adjusted, err := monitor.RunAdjusted([]float64{0.05, 0.05, 0.05, 0.05}, 2, events, 1.2)
	require.NoError(t, err)
	assert.InDeltaSlice(t, plain.Path, adjusted.Path, 1e-12)
	assert.Equal(t, []int{2}, plain.Signals)
	assert.Equal(t, plain.Signals, adjusted.Signals)
}

// 40 against 60 %: both weights are ln 1.5, so the sum is a walk of single
// steps held at 0. By hand, the first step up takes 1/0.4 = 2.5 cases, each
// further level 2.5 + 1.5 times the one below: 2.5, 6.25, 11.875. Two levels
// take 8.75 cases, three 20.625; at 60 % they take 5/3, 25/9 and 95/27.
func TestRunLengthByHand(t *testing.T) {
	c, err := monitor.NewCUSUM(0.4, 0.6)
	require.NoError(t, err)
	r, err := c.RunLengths(2 * math.Log(1.5))
	require.NoError(t, err)
	assert.InDelta(t, 8.75, r.InControl, 1e-12)
	assert.InDelta(t, 5.0/3+25.0/9, r.OutOf, 1e-12)
	l, err := c.LimitFor(20)
	require.NoError(t, err)
	assert.Equal(t, 3, l.States)
	assert.InDelta(t, 20.625, l.InControl, 1e-11)
	assert.InDelta(t, 3*math.Log(1.5), l.Limit, 1e-12)
	// Two cases signal with probability 0.4² at two levels, three with
	// 0.4²·(1 + 0.6), for a loss at 0 changes nothing.
	p, err := c.SignalWithin(3, 0.4, 2*math.Log(1.5))
	require.NoError(t, err)
	assert.InDelta(t, 0.16*1.6, p, 1e-14)
}

// Brook & Evans's linear equations (I − P)·L = 1 over the same lattice, solved
// densely, and both directions of a chart.
func TestRunLengthAgainstLinearEquations(t *testing.T) {
	for _, rates := range [][2]float64{{0.05, 0.1}, {0.1, 0.05}, {0.02, 0.05}} {
		c, err := monitor.NewCUSUM(rates[0], rates[1])
		require.NoError(t, err)
		r, err := c.LimitFor(150)
		require.NoError(t, err)
		event, none := c.Weights()
		unit := r.Limit / float64(r.States)
		up, down, chance := int(math.Round(event/unit)), int(math.Round(-none/unit)), rates[0]
		if event < 0 {
			up, down, chance = int(math.Round(none/unit)), int(math.Round(-event/unit)), 1-rates[0]
		}
		m := r.States
		a := mat.NewDense(m, m, nil)
		ones := mat.NewVecDense(m, nil)
		for i := range m {
			ones.SetVec(i, 1)
			a.Set(i, i, a.At(i, i)+1)
			if i+up < m {
				a.Set(i, i+up, a.At(i, i+up)-chance)
			}
			to := max(0, i-down)
			a.Set(i, to, a.At(i, to)-(1-chance))
		}
		var x mat.VecDense
		require.NoError(t, x.SolveVec(a, ones))
		assert.InEpsilon(t, x.AtVec(0), r.InControl, 1e-8, rates)
		assert.GreaterOrEqual(t, r.InControl, 150.0)
	}
}

// The unrounded chart simulated, 20,000 seeded runs: the run length agrees
// within three standard errors (2.1 %), and the rounding is said to be small.
func TestRunLengthAgainstSimulation(t *testing.T) {
	g := rand.New(rand.NewPCG(3, 4))
	for _, rates := range [][2]float64{{0.05, 0.1}, {0.03, 0.06}} {
		c, err := monitor.NewCUSUM(rates[0], rates[1])
		require.NoError(t, err)
		r, err := c.LimitFor(500)
		require.NoError(t, err)
		assert.Less(t, r.Error, 0.001)
		event, none := c.Weights()
		const runs = 20000
		total := 0
		for range runs {
			for s := 0.0; s < r.Limit-1e-9; total++ {
				if g.Float64() < rates[0] {
					s += event
				} else {
					s = max(0, s+none)
				}
			}
		}
		assert.InEpsilon(t, r.InControl, float64(total)/runs, 0.0213)
	}
}

// A rare event keeps its digits and its speed: 1 in 1000 against 2.
func TestRunLengthOfRareEvents(t *testing.T) {
	c, err := monitor.NewCUSUM(0.001, 0.002)
	require.NoError(t, err)
	r, err := c.LimitFor(20000)
	require.NoError(t, err)
	assert.GreaterOrEqual(t, r.InControl, 20000.0)
	assert.Less(t, r.OutOf, r.InControl)
	again, err := c.RunLengths(r.Limit)
	require.NoError(t, err)
	assert.InEpsilon(t, r.InControl, again.InControl, 1e-10)
}

func TestCUSUMErrors(t *testing.T) {
	var bad *stats.ArgumentError
	_, err := monitor.NewCUSUM(0.1, 0.1)
	require.ErrorAs(t, err, &bad)
	_, err = monitor.NewCUSUM(0, 0.1)
	require.ErrorAs(t, err, &bad)
	c, err := monitor.NewCUSUM(0.05, 0.1)
	require.NoError(t, err)
	_, err = c.Run(nil, 0)
	require.ErrorAs(t, err, &bad)
	_, err = c.LimitFor(1)
	require.ErrorAs(t, err, &bad)
	_, err = c.SignalWithin(5, 0.05, -1)
	require.ErrorAs(t, err, &bad)
	_, err = monitor.RunAdjusted([]float64{0.1}, 2, nil, 3)
	require.ErrorIs(t, err, stats.ErrLengths)
}

// Swed & Eisenhart, Ann Math Stat 1943;14:66–87, Tables II and III, the 2.5 %
// points from memory: with 5 and 5, 2 runs or fewer and 10 or more are
// unusual; with 10 and 10, 6 and 16; with 20 and 20, 14 and 28.
func TestRunLimits(t *testing.T) {
	for _, tt := range []struct{ above, below, fewest, most int }{{5, 5, 3, 9}, {10, 10, 7, 15}, {20, 20, 15, 27}} {
		fewest, most := monitor.RunLimits(tt.above, tt.below)
		assert.Equal(t, tt.fewest, fewest)
		assert.Equal(t, tt.most, most)
	}
	// 3 and 3: 2 runs, the fewest there can be, have probability 2/20 = 0.1, and
	// so have 6, the most.
	fewest, most := monitor.RunLimits(3, 3)
	assert.Equal(t, 2, fewest)
	assert.Equal(t, 6, most)
}

func TestRunChartRules(t *testing.T) {
	// Six in a row above, then six below, the centre counting on neither side.
	shift := []float64{6, 7, 6, 5, 8, 6, 7, 4, 3, 4, 2, 4, 3}
	r, err := monitor.NewRunChart(shift, 5)
	require.NoError(t, err)
	assert.Equal(t, 12, r.Useful)
	assert.Equal(t, 2, r.Runs)
	assert.Equal(t, 6, r.LongestRun)
	assert.True(t, r.Shift)
	assert.True(t, r.TooFew)
	assert.True(t, r.Signal())
	assert.Len(t, r.Words(), 2)
	// Five points rising, one of them twice.
	r, err = monitor.NewRunChart([]float64{3, 1, 2, 2, 3, 4, 5, 2}, 2.5)
	require.NoError(t, err)
	assert.Equal(t, 5, r.LongestRise)
	assert.True(t, r.Trend)
	// A sawtooth of twenty has twenty runs, too many.
	saw := make([]float64, 20)
	for i := range saw {
		saw[i] = float64(i % 2)
	}
	r, err = monitor.NewRunChart(saw, monitor.Median(saw))
	require.NoError(t, err)
	assert.Equal(t, 20, r.Runs)
	assert.True(t, r.TooMany)
	assert.False(t, r.Shift)
	// Anhøj & Olesen: with 20 useful points a run of more than
	// round(log₂ 20 + 3) = 7 is long, and fewer crossings than the 5 % point of
	// 19 tosses, 6, are few.
	assert.Equal(t, 7, r.LongestAllowed)
	assert.Equal(t, 6, r.FewestCrossings)
	_, err = monitor.NewRunChart([]float64{1, 1, 1}, 1)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = monitor.NewRunChart(nil, 1)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = monitor.NewRunChart([]float64{1, math.NaN()}, 1)
	require.ErrorIs(t, err, stats.ErrNotFinite)
}

// Values chosen so that nothing speaks.
func TestRunChartSilent(t *testing.T) {
	r, err := monitor.NewRunChart([]float64{1, 3, 3, 1, 1, 3, 1, 3, 3, 1}, 2)
	require.NoError(t, err)
	assert.False(t, r.Signal())
	assert.Equal(t, []string{"no sign of anything but chance"}, r.Words())
}
