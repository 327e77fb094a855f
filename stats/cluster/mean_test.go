package cluster_test

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/proportion"
)

// Shrout & Fleiss, Psychol Bull 1979;86:420–428, tables 2 and 4: six targets
// rated by four judges, ICC(1,1) = .17. The limits are R 4.2.2's, from
// qf(0.975, 5, 18) and qf(0.975, 18, 5) on F = 1.7946784922394678.
func TestICCShroutFleiss(t *testing.T) {
	ratings := []float64{9, 2, 5, 8, 6, 1, 3, 2, 8, 4, 6, 8, 7, 1, 2, 6, 10, 5, 6, 9, 6, 2, 4, 7}
	target := make([]int, len(ratings))
	for i := range target {
		target[i] = i / 4
	}
	r, err := cluster.ICC(ratings, target, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 0.1657417684054754, r.Estimate, 1e-12)
	require.InEpsilon(t, -0.13293232487475098, r.Lower, 1e-9)
	require.InEpsilon(t, 0.722560062328121, r.Upper, 1e-9)
	require.Equal(t, 4.0, r.Size)
}

func TestICCEdges(t *testing.T) {
	r, err := cluster.ICC([]float64{1, 1, 2, 2, 5}, []int{1, 1, 2, 2, 3}, 0.95)
	require.NoError(t, err)
	require.Equal(t, 1.0, r.Estimate)
	_, err = cluster.ICC([]float64{1, 2, 3}, []int{1, 2, 3}, 0.95)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = cluster.ICC([]float64{2, 2, 2}, []int{1, 1, 3}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoVariance)
}

// One eye a patient: the plain Wilson interval.
func TestProportionWithoutPairs(t *testing.T) {
	events := []bool{true, false, false, true, false, false, false, false, true, false}
	r, err := cluster.Proportion(events, []int{9, 8, 7, 6, 5, 4, 3, 2, 1, 0}, 0.95)
	require.NoError(t, err)
	want, err := proportion.Wilson(3, 10, 0.95)
	require.NoError(t, err)
	require.InDelta(t, want.Lower, r.Interval.Lower, 1e-15)
	require.InDelta(t, want.Upper, r.Interval.Upper, 1e-15)
	require.Empty(t, r.Notes)
}

// By hand: patients with 2, 0, 2, 0 events of 2 eyes: p = 1/2, Σ(x − 1)² = 4,
// variance 4/3·4/64 = 1/12, against 1/32 naive: design effect 8/3, effective
// n 3. No event at all: one observation a patient, 4 in place of 8.
func TestProportionByHand(t *testing.T) {
	id := []int{1, 1, 2, 2, 3, 3, 4, 4}
	r, err := cluster.Proportion([]bool{true, true, false, false, true, true, false, false}, id, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 8.0/3, r.DesignEffect, 1e-13)
	require.InEpsilon(t, 3, r.EffectiveN, 1e-13)
	require.InEpsilon(t, math.Sqrt(1.0/12), r.SE, 1e-13)
	none, err := cluster.Proportion(make([]bool, 8), id, 0.95)
	require.NoError(t, err)
	want, err := proportion.Wilson(0, 4, 0.95)
	require.NoError(t, err)
	require.Zero(t, none.Interval.Lower)
	require.InEpsilon(t, want.Upper, none.Interval.Upper, 1e-14)
	require.NotEmpty(t, none.Notes)
}

// The interval contains the estimate, lies in [0, 1], and is never narrower
// than that of as many independent observations.
func TestProportionIsNeverNarrowerThanPerEye(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		var events []bool
		var id []int
		total := 0
		for p := range rapid.IntRange(2, 20).Draw(rt, "patients") {
			for range rapid.IntRange(1, 3).Draw(rt, "eyes") {
				e := rapid.Bool().Draw(rt, "event")
				if e {
					total++
				}
				events, id = append(events, e), append(id, p)
			}
		}
		r, err := cluster.Proportion(events, id, 0.95)
		require.NoError(rt, err)
		want, err := proportion.Wilson(total, len(events), 0.95)
		require.NoError(rt, err)
		require.GreaterOrEqual(rt, r.Interval.Upper-r.Interval.Lower, (want.Upper-want.Lower)*(1-1e-12))
		require.True(rt, r.Interval.Contains(r.Estimate))
		require.True(rt, r.Interval.Lower >= -1e-12 && r.Interval.Upper <= 1+1e-12)
	})
}
