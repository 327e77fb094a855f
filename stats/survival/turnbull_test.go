package survival_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/survival"
)

var inf = math.Inf(1)

// Time to cosmetic deterioration after radiotherapy alone (Finkelstein & Wolfe,
// Biometrics 1985;41:933–945), 46 patients. Data and the printed estimate are
// quoted from memory, the estimate in four decimals as in Fay & Shaw, J Stat
// Softw 2010;36(2); the Kuhn–Tucker check below stands on its own.
func TestTurnbullFinkelsteinWolfe1985(t *testing.T) {
	rows := []survival.Interval{
		{0, 7}, {0, 8}, {0, 5}, {4, 11}, {5, 12}, {5, 11}, {6, 10}, {7, 16}, {7, 14}, {11, 15}, {11, 18}, {15, inf},
		{17, inf}, {17, 25}, {17, 25}, {18, inf}, {19, 35}, {18, 26}, {22, inf}, {24, inf}, {24, inf}, {25, 37},
		{26, 40}, {27, 34}, {32, inf}, {33, inf}, {34, inf}, {36, 44}, {36, 48}, {36, inf}, {36, inf}, {37, 44},
		{37, inf}, {37, inf}, {37, inf}, {38, inf}, {40, inf}, {45, inf}, {46, inf}, {46, inf}, {46, inf}, {46, inf},
		{46, inf}, {46, inf}, {46, inf}, {46, inf},
	}
	e, err := survival.Turnbull(rows)
	require.NoError(t, err)
	want := []survival.Mass{
		{survival.Interval{Left: 4, Right: 5}, 0.0463}, {survival.Interval{Left: 6, Right: 7}, 0.0334},
		{survival.Interval{Left: 7, Right: 8}, 0.0887}, {survival.Interval{Left: 11, Right: 12}, 0.0708},
		{survival.Interval{Left: 24, Right: 25}, 0.0926}, {survival.Interval{Left: 33, Right: 34}, 0.0818},
		{survival.Interval{Left: 38, Right: 40}, 0.1209}, {survival.Interval{Left: 46, Right: 48}, 0.4656},
	}
	require.Len(t, e.Masses, len(want))
	for k, m := range want {
		require.Equal(t, m.Interval, e.Masses[k].Interval)
		require.InDelta(t, m.P, e.Masses[k].P, 0.00005)
	}
	requireOptimal(t, rows, e)
}

// requireOptimal checks the conditions of Gentleman & Geyer (Biometrika
// 1994;81:618–623) from the rows and masses alone: (1/n)·Σ 1/P over the rows
// that contain a mass is 1.
func requireOptimal(t require.TestingT, rows []survival.Interval, e *survival.NPMLE) {
	contains := func(r survival.Interval, m survival.Mass) bool {
		if r.Left == r.Right {
			return m.Left == r.Left && m.Right == r.Right
		}
		return m.Left >= r.Left && m.Right <= r.Right && !(m.Left == m.Right && m.Left == r.Left)
	}
	total := 0.0
	gradient := make([]float64, len(e.Masses))
	for _, r := range rows {
		p := 0.0
		for _, m := range e.Masses {
			if contains(r, m) {
				p += m.P
			}
		}
		for k, m := range e.Masses {
			if contains(r, m) {
				gradient[k] += 1 / (p * float64(len(rows)))
			}
		}
	}
	for k, m := range e.Masses {
		total += m.P
		require.InDelta(t, 0, m.P*(gradient[k]-1), 1e-7, "mass %v", m)
	}
	require.InDelta(t, 1, total, 1e-9)
	require.Less(t, e.KuhnTucker, 1e-9)
}

// With exact and right-censored times the estimate is Kaplan and Meier's, the
// rest lying beyond the last censoring.
func TestTurnbullIsKaplanMeierWithoutIntervals(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawData(t, 2)
		var rows []survival.Interval
		for i, at := range d.Time {
			rows = append(rows, survival.Interval{Left: at, Right: inf})
			if d.Event[i] {
				rows[i].Right = at
			}
		}
		e, err := survival.Turnbull(rows)
		if err != nil {
			require.ErrorIs(t, err, stats.ErrNoEvents)
			return
		}
		c, err := survival.KaplanMeier(d, survival.LogLog, 0.95)
		require.NoError(t, err)
		for _, p := range c.Points {
			_, greatest := e.SurvivalBounds(p.Time)
			require.InDelta(t, p.Survival, greatest, 1e-6, "at %v", p.Time)
		}
		requireOptimal(t, rows, e)
	})
}

// Current status: one visit an eye, the event seen or not. The estimate of the
// probability of an event by each visit is the isotonic regression of the
// shares (Ayer et al, Ann Math Stat 1955;26:641–647). By hand: shares 1/2, 1/4,
// 2/3, 1 at 3, 6, 9, 12 months pool to 2/6, 2/6, 2/3, 1.
func TestTurnbullCurrentStatusByHand(t *testing.T) {
	var rows []survival.Interval
	add := func(at float64, seen, not int) {
		for range seen {
			rows = append(rows, survival.Interval{Left: 0, Right: at})
		}
		for range not {
			rows = append(rows, survival.Interval{Left: at, Right: inf})
		}
	}
	add(3, 1, 1)
	add(6, 1, 3)
	add(9, 2, 1)
	add(12, 2, 0)
	e, err := survival.Turnbull(rows)
	require.NoError(t, err)
	for at, p := range map[float64]float64{3: 2. / 6, 6: 2. / 6, 9: 2. / 3, 12: 1} {
		_, greatest := e.SurvivalBounds(at)
		require.InDelta(t, 1-p, greatest, 1e-6, "at %v", at)
	}
}

func TestTurnbullIsOptimalForVisits(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 80).Draw(t, "n")
		var rows []survival.Interval
		events := false
		for range n {
			left := float64(rapid.IntRange(0, 30).Draw(t, "left"))
			r := survival.Interval{Left: left, Right: left + float64(rapid.IntRange(0, 12).Draw(t, "width"))}
			if rapid.IntRange(0, 2).Draw(t, "open") == 0 {
				r.Right = inf
			}
			events = events || !math.IsInf(r.Right, 1)
			rows = append(rows, r)
		}
		e, err := survival.Turnbull(rows)
		if !events {
			require.ErrorIs(t, err, stats.ErrNoEvents)
			return
		}
		require.NoError(t, err)
		requireOptimal(t, rows, e)
	})
}

func TestTurnbullRefuses(t *testing.T) {
	_, err := survival.Turnbull(nil)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = survival.Turnbull([]survival.Interval{{Left: 3, Right: inf}})
	require.ErrorIs(t, err, stats.ErrNoEvents)
	_, err = survival.Turnbull([]survival.Interval{{Left: math.NaN(), Right: 3}})
	require.ErrorIs(t, err, stats.ErrNotFinite)
	var argument *stats.ArgumentError
	_, err = survival.Turnbull([]survival.Interval{{Left: 5, Right: 3}})
	require.ErrorAs(t, err, &argument)
}
