package paired_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/paired"
)

// sleep is the difference in hours of extra sleep with two drugs, 2 minus 1:
// Student, Biometrika 1908;6:1–25, section IX.
var sleep = []float64{1.2, 2.4, 1.3, 1.3, 0, 1.0, 1.8, 0.8, 4.6, 1.4}

// kmax is a change in quarter dioptres with ties and zeros; r is untied.
var (
	kmax = []float64{-1.25, -0.5, 0, 0.25, -0.5, -2, -0.75, 1, -1.25, -0.5, 0, -3}
	r    = []float64{1.1, 2.3, -0.4, 3.7, 5.2, -1.6, 2.9}
)

// Student 1908 prints a mean of 1.58 and, by his z, odds of 666 to 1; the rest
// is R 4.2.2, t.test(sleep).
func TestTStudent1908(t *testing.T) {
	got, err := paired.T(sleep, 0, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InDelta(t, 1.58, got.Estimate, 1e-15)
	require.InEpsilon(t, 4.062127683382037, got.Stat, 1e-13)
	require.Equal(t, 9.0, got.DF)
	require.InEpsilon(t, 0.00283289019738427, got.P, 1e-12)
	require.InEpsilon(t, 0.7001142367230175, got.Interval.Lower, 1e-12)
	require.InEpsilon(t, 2.4598857632769824, got.Interval.Upper, 1e-12)

	// R 4.2.2, t.test(sleep, alternative = "less") and "greater".
	less, err := paired.T(sleep, 0, stats.Less, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 0.9985835549013078, less.P, 1e-13)
	require.Equal(t, math.Inf(-1), less.Interval.Lower)
	require.InEpsilon(t, 2.2930052670292835, less.Interval.Upper, 1e-12)
	greater, err := paired.T(sleep, 0, stats.Greater, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, 0.001416445098692135, greater.P, 1e-12)
	require.InEpsilon(t, 0.8669947329707165, greater.Interval.Lower, 1e-12)
}

// An offset of 10⁹ on both columns changes nothing: the values below are
// halves, which doubles hold exactly beside it. Of one sample it leaves the
// standard error, and the mean to the last digit that a double has there.
func TestTKeepsItsDigitsUnderAnOffset(t *testing.T) {
	x, y := []float64{0.5, 1, 2.5, 4, 3.5}, []float64{1, 1, 0.5, 2, 4}
	d, err := paired.Differences(x, y)
	require.NoError(t, err)
	moved, err := paired.Differences(paired.Shifted(x, -1e9), paired.Shifted(y, -1e9))
	require.NoError(t, err)
	require.Equal(t, d, moved)

	plain, err := paired.T(x, 0, stats.TwoSided, 0.95)
	require.NoError(t, err)
	offset, err := paired.T(paired.Shifted(x, -1e9), 1e9, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, plain.SE, offset.SE, 1e-14)
	require.InDelta(t, plain.Estimate, offset.Estimate-1e9, 0x1p-24)
}

func TestSignedRank(t *testing.T) {
	for _, tt := range []struct {
		name    string
		d       []float64
		options paired.SignedRankOptions
		stat, p float64
	}{
		// R 4.2.2, wilcox.test(kmax, exact = FALSE), and with correct = FALSE.
		{"corrected", kmax, paired.SignedRankOptions{Distribution: paired.NormalCorrected}, 7, 0.04083120567703762},
		{"uncorrected", kmax, paired.SignedRankOptions{Distribution: paired.NormalUncorrected}, 7, 0.03604929557974724},
		// R 4.2.2, coin 1.4-2, wilcoxsign_test(kmax ~ rep(0, 12), distribution =
		// "exact", zero.method = "Wilcoxon") and "Pratt".
		{"exact, zeros dropped", kmax, paired.SignedRankOptions{}, 7, 0.03515625},
		{"exact, Pratt", kmax, paired.SignedRankOptions{Zeros: paired.PrattZeros}, 11, 0.03515625},
		// R 4.2.2, wilcox.test(r).
		{"exact, untied", r, paired.SignedRankOptions{}, 24, 0.109375},
		{"exact, greater", r, paired.SignedRankOptions{Alternative: stats.Greater}, 24, 0.0546875},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := paired.SignedRank(tt.d, tt.options)
			require.NoError(t, err)
			require.Equal(t, tt.stat, got.Stat)
			require.InEpsilon(t, tt.p, got.P, 1e-12)
		})
	}
	got, err := paired.SignedRank(kmax, paired.SignedRankOptions{Zeros: paired.PrattZeros})
	require.NoError(t, err)
	require.InEpsilon(t, -2.09092908435405, got.Z, 1e-13) // coin, as above
	require.Equal(t, 2, got.Zero)
	require.NotEmpty(t, got.Notes)
}

// The tails are those of all 2ⁿ signs written out.
func TestSignedRankExactCountsEverySign(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		steps := rapid.SliceOfN(rapid.IntRange(-5, 5), 1, 9).Draw(t, "quarters")
		pratt := rapid.Bool().Draw(t, "pratt")
		d := make([]float64, len(steps))
		nonzero := false
		for i, s := range steps {
			d[i] = float64(s) / 4
			nonzero = nonzero || s != 0
		}
		options := paired.SignedRankOptions{}
		if pratt {
			options.Zeros = paired.PrattZeros
		}
		got, err := paired.SignedRank(d, options)
		if !nonzero {
			require.ErrorIs(t, err, stats.ErrAllZero)
			require.Equal(t, 1.0, got.P)
			return
		}
		require.NoError(t, err)
		less, greater, total := 0, 0, 0
		flipped := slices.Clone(d)
		for signs := range 1 << len(d) {
			skip := false
			for i, v := range d {
				flipped[i] = math.Abs(v)
				if signs>>i&1 == 1 {
					flipped[i], skip = -flipped[i], skip || v == 0 // a zero has one sign
				}
			}
			if skip {
				continue
			}
			v, err := paired.SignedRank(flipped, paired.SignedRankOptions{Zeros: options.Zeros, Distribution: paired.NormalUncorrected})
			require.NoError(t, err)
			total++
			if v.Stat <= got.Stat {
				less++
			}
			if v.Stat >= got.Stat {
				greater++
			}
		}
		require.InDelta(t, float64(less)/float64(total), got.PLess, 1e-14)
		require.InDelta(t, float64(greater)/float64(total), got.PGreater, 1e-14)
	})
}

// Exchanging the columns exchanges the tails; scaling and reordering do nothing.
func TestSignedRankSymmetry(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SliceOfN(rapid.Map(rapid.IntRange(-20, 20), func(i int) float64 { return float64(i) / 4 }), 1, 260).Draw(t, "d")
		options := paired.SignedRankOptions{}
		got, err := paired.SignedRank(d, options)
		swapped, scaled := make([]float64, len(d)), make([]float64, len(d))
		for i, v := range d {
			swapped[i], scaled[len(d)-1-i] = -v, 8*v
		}
		other, otherErr := paired.SignedRank(swapped, options)
		same, sameErr := paired.SignedRank(scaled, options)
		if err != nil {
			require.ErrorIs(t, otherErr, stats.ErrAllZero)
			require.ErrorIs(t, sameErr, stats.ErrAllZero)
			return
		}
		require.Equal(t, got.PLess, same.PLess)
		require.InDelta(t, got.P, other.P, 1e-13)
		require.InDelta(t, got.PLess, other.PGreater, 1e-13)
		require.GreaterOrEqual(t, got.P, 0.0)
		require.LessOrEqual(t, got.P, 1.0)
		require.GreaterOrEqual(t, got.PLess+got.PGreater, 1-1e-13) // they share P(V = v)
	})
}

// 0.3 − 0.2 and 0.2 − 0.1 differ as doubles; in steps of 0.02 logMAR they tie,
// and so do 0.1 and −0.1.
func TestSignedRankUnit(t *testing.T) {
	before, after := []float64{0.2, 0.1, 0.1, 0}, []float64{0.3, 0.2, 0, 0.04}
	d, err := paired.Differences(after, before)
	require.NoError(t, err)
	binary, err := paired.SignedRank(d, paired.SignedRankOptions{})
	require.NoError(t, err)
	inSteps, err := paired.SignedRank(d, paired.SignedRankOptions{Unit: 0.02})
	require.NoError(t, err)
	// Sizes 2, 5, 5, 5 have ranks 1, 3, 3, 3, and one 5 is negative.
	require.Equal(t, 7.0, inSteps.SumPositive)
	require.Equal(t, 3.0, inSteps.SumNegative)
	require.NotEqual(t, binary.SumPositive, inSteps.SumPositive)
}

func TestHodgesLehmann(t *testing.T) {
	// R 4.2.2, wilcox.test(r, conf.int = TRUE).
	got, err := paired.HodgesLehmann(r, stats.TwoSided, 0.95, paired.AutomaticRanks)
	require.NoError(t, err)
	require.InEpsilon(t, 1.9, got.Estimate, 1e-14)
	require.InEpsilon(t, -0.4, got.Interval.Lower, 1e-14)
	require.InEpsilon(t, 4.05, got.Interval.Upper, 1e-14)
	// The same with alternative = "greater", conf.level = 0.9.
	got, err = paired.HodgesLehmann(r, stats.Greater, 0.9, paired.ExactRanks)
	require.NoError(t, err)
	require.InEpsilon(t, 0.35, got.Interval.Lower, 1e-14)
	require.Equal(t, math.Inf(1), got.Interval.Upper)
	// Two differences: P(V = 0) = 1/4, so that the extremes cover 1 − 2/4.
	got, err = paired.HodgesLehmann([]float64{1, 3}, stats.TwoSided, 0.95, paired.ExactRanks)
	require.NoError(t, err)
	require.Equal(t, 0.5, got.Achieved)
	require.NotEmpty(t, got.Notes)
}

func TestHodgesLehmannContainsItsEstimateAndMovesWithTheData(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := rapid.SliceOfN(rapid.Map(rapid.IntRange(-400, 400), func(i int) float64 { return float64(i) / 4 }), 1, 230).Draw(t, "d")
		got, err := paired.HodgesLehmann(d, stats.TwoSided, 0.95, paired.AutomaticRanks)
		require.NoError(t, err)
		require.True(t, got.Interval.Contains(got.Estimate))
		moved, err := paired.HodgesLehmann(paired.Shifted(d, 16), stats.TwoSided, 0.95, paired.AutomaticRanks)
		require.NoError(t, err)
		require.Equal(t, got.Estimate-16, moved.Estimate)
		require.Equal(t, got.Interval.Lower-16, moved.Interval.Lower)
	})
}

// R 4.2.2, wilcox.test(kmax, exact = FALSE, conf.int = TRUE, tol.root = 1e-12).
func TestInvertSignedRank(t *testing.T) {
	got, err := paired.InvertSignedRank(kmax, stats.TwoSided, 0.95, true, 1e-12)
	require.NoError(t, err)
	require.InDelta(t, -0.875, got.Estimate, 1e-9)
	require.InDelta(t, -1.75, got.Interval.Lower, 1e-9)
	require.InDelta(t, -0.125, got.Interval.Upper, 1e-9)
}

// Nine of nine positive: p = 2/2⁹, and by hand the lower Clopper–Pearson limit
// of 9/9 is 0.025^(1/9).
func TestSign(t *testing.T) {
	got, err := paired.Sign(sleep, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.Equal(t, [3]int{9, 0, 1}, [3]int{got.Positive, got.Negative, got.Zero})
	require.InEpsilon(t, 2.0/512, got.P, 1e-13)
	require.InEpsilon(t, math.Pow(0.025, 1.0/9), got.Interval.Lower, 1e-13)
	require.Equal(t, 1.0, got.Interval.Upper)
	require.InEpsilon(t, 1.3, got.Median.Estimate, 1e-14)

	short, err := paired.Sign([]float64{1, -2, 3}, stats.TwoSided, 0.95)
	require.NoError(t, err)
	require.Zero(t, short.Median.Level) // the range of three covers the median with 3/4
}

func TestErrors(t *testing.T) {
	const level = 0.95
	_, err := paired.T(nil, 0, stats.TwoSided, level)
	require.ErrorIs(t, err, stats.ErrNoData)
	_, err = paired.T([]float64{1}, 0, stats.TwoSided, level)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = paired.T([]float64{0.1, 0.1, 0.1}, 0, stats.TwoSided, level)
	require.ErrorIs(t, err, stats.ErrNoVariance)
	_, err = paired.T([]float64{1, math.NaN()}, 0, stats.TwoSided, level)
	require.ErrorIs(t, err, stats.ErrNotFinite)
	_, err = paired.Differences([]float64{1}, []float64{1, 2})
	require.ErrorIs(t, err, stats.ErrLengths)
	_, err = paired.SignedRank([]float64{0, 0}, paired.SignedRankOptions{})
	require.ErrorIs(t, err, stats.ErrAllZero)
	_, err = paired.Sign([]float64{0, 0}, stats.TwoSided, level)
	require.ErrorIs(t, err, stats.ErrAllZero)
	argument := new(stats.ArgumentError)
	_, err = paired.T(sleep, 0, stats.TwoSided, 1)
	require.ErrorAs(t, err, &argument)
	_, err = paired.SignedRank(sleep, paired.SignedRankOptions{Distribution: 9})
	require.ErrorAs(t, err, &argument)
	long := make([]float64, 1001)
	for i := range long {
		long[i] = float64(i + 1)
	}
	_, err = paired.SignedRank(long, paired.SignedRankOptions{Distribution: paired.Exact})
	require.ErrorAs(t, err, &argument)
	_, err = paired.InvertSignedRank([]float64{2, 2}, stats.TwoSided, level, true, 1e-9)
	require.ErrorIs(t, err, stats.ErrNoVariance)
}

func BenchmarkSignedRank100000(b *testing.B) {
	random := rand.New(rand.NewPCG(1, 2))
	d := make([]float64, 100_000)
	for i := range d {
		d[i] = math.Round(4*(random.NormFloat64()-0.5)) / 4
	}
	for b.Loop() {
		if _, err := paired.SignedRank(d, paired.SignedRankOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}
