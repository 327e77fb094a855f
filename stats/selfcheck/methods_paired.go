package selfcheck

import (
	"errors"
	"math"
	"strconv"

	"keratally/stats"
	"keratally/stats/effect"
	"keratally/stats/paired"
)

// pairedMethods are about one sample or the differences of pairs.
var pairedMethods = map[string]Method{
	"t_paired": pairedT, "t_paired_less": pairedT, "t_paired_greater": pairedT, "t_paired_conf90": pairedT,
	"t_one_sample": pairedT, "t_one_sample_less": pairedT, "t_one_sample_greater": pairedT, "t_one_sample_conf90": pairedT,
	"effect_size_paired": pairedEffect, "effect_size_one_sample": pairedEffect,
	"sign_test_paired": signTest, "sign_test_one_sample": signTest,

	"signed_rank_counts":               signedRankCounts,
	"signed_rank_exact":                wilcoxSignedRank,
	"signed_rank_exact_less":           wilcoxSignedRank,
	"signed_rank_exact_greater":        wilcoxSignedRank,
	"signed_rank_normal_cc":            wilcoxSignedRank,
	"signed_rank_normal_cc_less":       wilcoxSignedRank,
	"signed_rank_normal_nocc":          wilcoxSignedRank,
	"signed_rank_r_asymptotic_ci":      wilcoxSignedRank,
	"signed_rank_exact_midranks":       signedRankExact,
	"signed_rank_exact_midranks_pratt": signedRankExact,
	"signed_rank_coin_exact":           coinSignedRank,
	"signed_rank_coin_exact_pratt":     coinSignedRank,
	"signed_rank_coin_asymptotic":      coinSignedRank,

	"signed_rank_coin_asymptotic_pratt": coinSignedRank,
	"hodges_lehmann_one_sample":         hodgesLehmannOne,
}

// differences returns x − y, or x − mu where there is no y.
func differences(in *Input, mu float64) ([]float64, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	if !in.Has("y") {
		return paired.Shifted(x, mu), nil
	}
	y, err := in.Vector("y")
	if err != nil {
		return nil, err
	}
	d, err := paired.Differences(x, y)
	if err != nil || mu == 0 {
		return d, err
	}
	return paired.Shifted(d, mu), nil
}

// plainDifferences is for the functions that are called with x - y or x - mu.
func plainDifferences(in *Input, function string) (d []float64, c *Call, err error) {
	if c, err = countCall(in, function); err != nil {
		return nil, nil, err
	}
	mu, form := 0.0, "x-y"
	if !in.Has("y") {
		form = "x-mu"
		if mu, err = in.NumberOr("mu", 0); err != nil {
			return nil, nil, err
		}
		if !in.Has("mu") {
			form = "x"
		}
	}
	if p := c.Positional(); len(p) == 0 || p[0] != form {
		return nil, nil, NotCovered("%s is not called with %s in %q", function, form, in.CallText())
	}
	d, err = differences(in, mu)
	return d, c, err
}

func pairedT(in *Input) (Results, error) {
	t, err := readTestCall(in, "t.test")
	if err != nil {
		return nil, err
	}
	isPaired, err := t.call.BoolOr("paired", false)
	if err != nil {
		return nil, err
	}
	if isPaired != in.Has("y") {
		return nil, NotCovered("the call %q does not pair x and y", in.CallText())
	}
	if err := t.call.Unread(); err != nil {
		return nil, err
	}
	d, err := differences(in, 0)
	if err != nil {
		return nil, err
	}
	return htestMethod(paired.T(d, t.mu, t.alt, t.level))
}

func pairedEffect(in *Input) (Results, error) {
	d, c, err := plainDifferences(in, "effect_paired")
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	e, err := effect.OfDifferences(d)
	if err != nil {
		return nil, err
	}
	return Results{"cohen_dz": e.DZ, "hedges_gz": e.GZ, "hedges_J": e.J}, nil
}

func signTest(in *Input) (Results, error) {
	d, c, err := plainDifferences(in, "sgn_test")
	if err != nil {
		return nil, err
	}
	level, err := callConfidence(in, c)
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	t, err := paired.Sign(d, stats.TwoSided, level)
	if err != nil && !errors.Is(err, stats.ErrAllZero) {
		return nil, err
	}
	out := Results{
		"n_pos": t.Positive, "n_neg": t.Negative, "n_zero": t.Zero,
		"p_value": t.P, "p_less": t.PLess, "p_greater": t.PGreater,
	}
	if err != nil {
		return out, err
	}
	out["prop_pos"], out["prop_ci_low"], out["prop_ci_high"] = t.Estimate, t.Interval.Lower, t.Interval.Upper
	out["median"], out["median_ci_low"], out["median_ci_high"] = t.Median.Estimate, t.Median.Lower, t.Median.Upper
	return out, nil
}

func signedRankCounts(in *Input) (Results, error) {
	d, c, err := plainDifferences(in, "sr_counts")
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	t, err := paired.SignedRank(d, paired.SignedRankOptions{Distribution: paired.NormalUncorrected})
	if err != nil && !errors.Is(err, stats.ErrAllZero) {
		return nil, err
	}
	return Results{
		"n": t.N, "n_zero": t.Zero, "n_used": t.Used,
		"sum_pos": t.SumPositive, "sum_neg": t.SumNegative, "ties": t.Ties,
	}, err
}

func signedRankExact(in *Input) (Results, error) {
	d, c, err := plainDifferences(in, "sr_exact")
	if err != nil {
		return nil, err
	}
	options := paired.SignedRankOptions{Distribution: paired.Exact}
	zero := c.Expression("zero")
	if p := c.Positional(); len(p) > 1 {
		zero = p[1]
	}
	switch zero {
	case "", `"wilcoxon"`:
	case `"pratt"`:
		options.Zeros = paired.PrattZeros
	default:
		return nil, NotCovered("zeros are handled as %s", zero)
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	t, err := paired.SignedRank(d, options)
	if err != nil && !errors.Is(err, stats.ErrAllZero) {
		return nil, err
	}
	return Results{
		"n_used": t.Used, "statistic": t.Stat, "p_value": t.P, "p_less": t.PLess, "p_greater": t.PGreater,
	}, err
}

// wilcoxCall holds the arguments of wilcox.test.
type wilcoxCall struct {
	testCall
	exact, correct, interval bool
	exactSaid                bool
	tolerance                float64
}

func readWilcoxCall(in *Input, wantPaired bool) (w wilcoxCall, err error) {
	if w.testCall, err = readTestCall(in, "wilcox.test"); err != nil {
		return w, err
	}
	w.exactSaid = w.call.Has("exact")
	if w.exact, err = w.call.BoolOr("exact", false); err != nil {
		return w, err
	}
	if w.correct, err = w.call.BoolOr("correct", true); err != nil {
		return w, err
	}
	if w.interval, err = w.call.BoolOr("conf.int", false); err != nil {
		return w, err
	}
	if w.tolerance, err = w.call.NumberOr("tol.root", 1e-4); err != nil {
		return w, err
	}
	isPaired, err := w.call.BoolOr("paired", false)
	if err != nil {
		return w, err
	}
	if isPaired != wantPaired {
		return w, NotCovered("the call %q does not suit %s", in.CallText(), in.Method())
	}
	return w, w.call.Unread()
}

// wilcoxSignedRank follows R's wilcox.test: exact only without ties and zeros,
// and large-sample limits by inverting the test.
func wilcoxSignedRank(in *Input) (Results, error) {
	w, err := readWilcoxCall(in, in.Has("y"))
	if err != nil {
		return nil, err
	}
	d, err := differences(in, w.mu)
	if err != nil {
		return nil, err
	}
	options := paired.SignedRankOptions{Alternative: w.alt, Distribution: paired.NormalUncorrected}
	if w.correct {
		options.Distribution = paired.NormalCorrected
	}
	t, err := paired.SignedRank(d, options)
	if err != nil {
		return nil, err
	}
	exact := !t.Ties && t.Zero == 0 && (w.exact || !w.exactSaid && t.Used < 50)
	if exact {
		options.Distribution = paired.Exact
		if t, err = paired.SignedRank(d, options); err != nil {
			return nil, err
		}
	}
	out := Results{"statistic": t.Stat, "p_value": t.P, "alternative": countAlternative(t.Alt)}
	if !w.interval {
		return out, nil
	}
	limits, level := stats.Interval{}, w.level
	if exact {
		s, err := paired.HodgesLehmann(d, w.alt, w.level, paired.ExactRanks)
		if err != nil {
			return out, err
		}
		limits = s.Interval
		if miss := 1 - s.Achieved; miss-(1-level) > (1-level)/2 {
			level = 1 - twoDigits(miss) // as R reports a level that cannot be had
		}
	} else {
		r, err := paired.InvertSignedRank(d, w.alt, w.level, w.correct, w.tolerance)
		if err != nil {
			return out, err
		}
		limits, level = r.Interval, r.Interval.Level
	}
	out["estimate"] = limits.Estimate + w.mu
	out["ci_low"], out["ci_high"], out["conf_level"] = limits.Lower+w.mu, limits.Upper+w.mu, level
	return out, nil
}

// twoDigits rounds to two significant digits.
func twoDigits(v float64) float64 {
	rounded, err := strconv.ParseFloat(strconv.FormatFloat(v, 'g', 2, 64), 64)
	if err != nil {
		return math.NaN()
	}
	return rounded
}

func coinSignedRank(in *Input) (Results, error) {
	c, err := countCall(in, "wilcoxsign_test")
	if err != nil {
		return nil, err
	}
	form := "x~y"
	if !in.Has("y") {
		form = "x~rep(mu,length(x))"
	}
	if p := c.Positional(); len(p) != 1 || p[0] != form {
		return nil, NotCovered("wilcoxsign_test is not called with %s in %q", form, in.CallText())
	}
	options := paired.SignedRankOptions{}
	if options.Alternative, err = callAlternative(in, c); err != nil {
		return nil, err
	}
	zeros, err := c.TextOr("zero.method", "Pratt")
	if err != nil {
		return nil, err
	}
	switch zeros {
	case "Pratt":
		options.Zeros = paired.PrattZeros
	case "Wilcoxon":
	default:
		return nil, NotCovered("zeros are handled as %s", zeros)
	}
	distribution, err := c.TextOr("distribution", "asymptotic")
	if err != nil {
		return nil, err
	}
	switch distribution {
	case "exact":
		options.Distribution = paired.Exact
	case "asymptotic":
		options.Distribution = paired.NormalUncorrected
	default:
		return nil, NotCovered("the distribution is %s", distribution)
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	mu, err := in.NumberOr("mu", 0)
	if err != nil {
		return nil, err
	}
	d, err := differences(in, mu)
	if err != nil {
		return nil, err
	}
	t, err := paired.SignedRank(d, options)
	if err != nil {
		return nil, err
	}
	return Results{"z": t.Z, "p_value": t.P}, nil
}

func hodgesLehmannOne(in *Input) (Results, error) {
	d, c, err := plainDifferences(in, "hl_one")
	if err != nil {
		return nil, err
	}
	level, err := callConfidence(in, c)
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	normal, err := paired.HodgesLehmann(d, stats.TwoSided, level, paired.NormalRanks)
	if err != nil {
		return nil, err
	}
	out := Results{
		"estimate": normal.Estimate, "n": normal.N, "n_walsh": normal.Pairs, "conf_level": level,
		"k_normal": normal.Rank, "ci_low_normal": normal.Interval.Lower, "ci_high_normal": normal.Interval.Upper,
	}
	if !in.Expects("k_exact") {
		return out, nil
	}
	exact, err := paired.HodgesLehmann(d, stats.TwoSided, level, paired.ExactRanks)
	if err != nil {
		return out, err
	}
	out["k_exact"], out["achieved_level_exact"] = exact.Rank, exact.Achieved
	out["ci_low_exact"], out["ci_high_exact"] = exact.Interval.Lower, exact.Interval.Upper
	return out, nil
}
