package proportion_test

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/proportion"
)

func stratum(a, b, c, d int) proportion.Stratum {
	return proportion.Stratum{A: count(a, a+b), B: count(c, c+d)}
}

// Admissions to the six departments of Berkeley, datasets::UCBAdmissions; R
// 4.2.2 mantelhaen.test (correct = FALSE, TRUE, exact = TRUE), Breslow–Day and
// Tarone from the formulas of statsmodels 0.13.5 StratifiedTable.
func TestBerkeley(t *testing.T) {
	strata := []proportion.Stratum{
		stratum(512, 89, 313, 19), stratum(353, 17, 207, 8), stratum(120, 202, 205, 391),
		stratum(138, 131, 279, 244), stratum(53, 94, 138, 299), stratum(22, 24, 351, 317),
	}
	or, err := proportion.CommonOddsRatio(strata, 0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.9046968282586231, or.Estimate, 1e-12)
	assert.InEpsilon(t, 0.7719073617593505, or.Lower, 1e-10)
	assert.InEpsilon(t, 1.0603297644366556, or.Upper, 1e-10)
	r, err := proportion.MantelHaenszel(strata, false)
	require.NoError(t, err)
	assert.InEpsilon(t, 1.5246066604434356, r.Stat, 1e-10)
	r, err = proportion.MantelHaenszel(strata, true)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.23226346281704827, r.P, 1e-10)
	x, err := proportion.CommonOddsRatioExact(strata, 0.95)
	require.NoError(t, err)
	assert.InEpsilon(t, 0.2277625267982058, x.P, 1e-10)
	assert.InEpsilon(t, 0.9050699613409702, x.Estimate, 1e-9)
	assert.InEpsilon(t, 0.7697303585258308, x.Interval.Lower, 1e-9)
	assert.InEpsilon(t, 1.063429228089821, x.Interval.Upper, 1e-9)
	b, err := proportion.BreslowDay(strata, false)
	require.NoError(t, err)
	assert.InEpsilon(t, 18.825513705236514, b.Stat, 1e-10)
	b, err = proportion.BreslowDay(strata, true)
	require.NoError(t, err)
	assert.InEpsilon(t, 18.82550125205323, b.Stat, 1e-10)
	w, err := proportion.WoolfHomogeneity(strata)
	require.NoError(t, err)
	assert.InEpsilon(t, 17.901712469797225, w.Stat, 1e-10)
}

// One stratum: the Mantel–Haenszel odds ratio is ad/bc, the risk difference and
// ratio are those of the table, and the exact test is Fisher's.
func TestOneStratumReduces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		cell := rapid.IntRange(1, 30)
		a, b, c, d := cell.Draw(t, "a"), cell.Draw(t, "b"), cell.Draw(t, "c"), cell.Draw(t, "d")
		strata := []proportion.Stratum{stratum(a, b, c, d)}
		or, err := proportion.CommonOddsRatio(strata, 0.95)
		require.NoError(t, err)
		assert.InEpsilon(t, float64(a*d)/float64(b*c), or.Estimate, 1e-12)
		rr, err := proportion.CommonRiskRatio(strata, 0.95)
		require.NoError(t, err)
		katz, err := proportion.RatioKatz(strata[0].A, strata[0].B, 0.95)
		require.NoError(t, err)
		assert.InEpsilon(t, katz.Estimate, rr.Estimate, 1e-12)
		assert.InEpsilon(t, katz.Lower, rr.Lower, 1e-9)
		rd, err := proportion.CommonRiskDifference(strata, 0.95)
		require.NoError(t, err)
		assert.InDelta(t, strata[0].A.Proportion()-strata[0].B.Proportion(), rd.Estimate, 1e-12)
		x, err := proportion.CommonOddsRatioExact(strata, 0.95)
		require.NoError(t, err)
		f, err := proportion.FisherExact(proportion.Table{{a, b}, {c, d}}, stats.TwoSided)
		require.NoError(t, err)
		assert.InDelta(t, f.P, x.P, 1e-11)
		assert.InEpsilon(t, f.Interval.Lower, x.Interval.Lower, 1e-8)
	})
}

// Strata that lack a group or an outcome change nothing, and are counted in a
// note; the order of strata does not matter.
func TestIdleStrata(t *testing.T) {
	strata := []proportion.Stratum{stratum(2, 8, 5, 4), stratum(1, 9, 6, 3), stratum(3, 6, 4, 5)}
	plain, err := proportion.MantelHaenszel(strata, false)
	require.NoError(t, err)
	idle := []proportion.Stratum{stratum(0, 4, 0, 3), strata[2], strata[1], stratum(2, 3, 0, 0), strata[0]}
	r, err := proportion.MantelHaenszel(idle, false)
	require.NoError(t, err)
	assert.InEpsilon(t, plain.Stat, r.Stat, 1e-12)
	assert.NotEmpty(t, r.Notes)
	b, err := proportion.BreslowDay(idle, false)
	require.NoError(t, err)
	assert.Equal(t, 2.0, b.DF)
}

func TestStrataErrors(t *testing.T) {
	_, err := proportion.MantelHaenszel(nil, false)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = proportion.MantelHaenszel([]proportion.Stratum{stratum(0, 4, 0, 3)}, false)
	require.ErrorIs(t, err, proportion.ErrEmptyMargin)
	_, err = proportion.CommonOddsRatio([]proportion.Stratum{stratum(3, 0, 0, 4)}, 0.95)
	require.ErrorIs(t, err, stats.ErrSeparation)
	_, err = proportion.CommonRiskRatio([]proportion.Stratum{stratum(3, 1, 0, 4)}, 0.95)
	require.ErrorIs(t, err, stats.ErrNoEvents)
	_, err = proportion.BreslowDay([]proportion.Stratum{stratum(3, 1, 1, 4)}, false)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = proportion.WoolfHomogeneity([]proportion.Stratum{stratum(3, 0, 1, 4), stratum(3, 1, 1, 4)})
	require.ErrorIs(t, err, stats.ErrSeparation)
}
