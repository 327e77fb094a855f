package selfcheck

import (
	"keratally/stats"
	"keratally/stats/effect"
	"keratally/stats/groups"
)

// twoSampleMethods are about two independent groups.
var twoSampleMethods = map[string]Method{
	"welch_t": twoSampleT, "welch_t_less": twoSampleT, "welch_t_greater": twoSampleT,
	"student_t": twoSampleT, "student_t_less": twoSampleT, "student_t_greater": twoSampleT,
	"variance_f": varianceF, "effect_size_two_sample": twoSampleEffect,

	"mann_whitney_counts":          mannWhitneyCounts,
	"mann_whitney_exact":           wilcoxRankSum,
	"mann_whitney_exact_less":      wilcoxRankSum,
	"mann_whitney_exact_greater":   wilcoxRankSum,
	"mann_whitney_normal_cc":       wilcoxRankSum,
	"mann_whitney_normal_nocc":     wilcoxRankSum,
	"mann_whitney_r_asymptotic_ci": wilcoxRankSum,
	"mann_whitney_exact_midranks":  mannWhitneyExact,
	"mann_whitney_coin_exact":      coinRankSum,
	"mann_whitney_scipy":           mannWhitneyPython,
	"hodges_lehmann_shift":         hodgesLehmannShift,
	"brunner_munzel_t":             brunnerMunzel,
	"brunner_munzel_normal":        brunnerMunzel,
}

func twoSampleT(in *Input) (Results, error) {
	t, err := readTestCall(in, "t.test")
	if err != nil {
		return nil, err
	}
	pooled, err := t.call.BoolOr("var.equal", false)
	if err != nil {
		return nil, err
	}
	if isPaired, err := t.call.BoolOr("paired", false); err != nil || isPaired {
		return nil, NotCovered("the call %q pairs the samples", in.CallText())
	}
	if err := t.call.Unread(); err != nil {
		return nil, err
	}
	x, y, err := twoVectors(in)
	if err != nil {
		return nil, err
	}
	test := groups.Welch
	if pooled {
		test = groups.Student
	}
	r, err := test(x, y, t.mu, t.alt, t.level)
	if err != nil {
		return nil, err
	}
	out := htest(r.Result)
	out["estimates"] = Results{"mean of x": r.First.Mean, "mean of y": r.Second.Mean}
	return out, nil
}

func varianceF(in *Input) (Results, error) {
	t, err := readTestCall(in, "var.test")
	if err != nil {
		return nil, err
	}
	if err := t.call.Unread(); err != nil {
		return nil, err
	}
	x, y, err := twoVectors(in)
	if err != nil {
		return nil, err
	}
	return htestMethod(groups.VarianceRatio(x, y, t.alt, t.level))
}

func twoSampleEffect(in *Input) (Results, error) {
	x, y, err := vectorsOf(in, "effect_two")
	if err != nil {
		return nil, err
	}
	e, err := effect.OfSamples(x, y)
	if err != nil {
		return nil, err
	}
	return Results{
		"cohen_d": e.D, "hedges_g": e.G, "hedges_J": e.J, "glass_delta_y": e.GlassDelta, "smd_avg_var": e.SMDAverageVar,
	}, nil
}

// vectorsOf returns the samples of a function that takes nothing but x and y.
func vectorsOf(in *Input, function string) (x, y []float64, err error) {
	c, err := countCall(in, function)
	if err != nil {
		return nil, nil, err
	}
	if p := c.Positional(); len(p) != 2 || p[0] != "x" || p[1] != "y" {
		return nil, nil, NotCovered("%s is not called with x and y alone in %q", function, in.CallText())
	}
	if err := c.Unread(); err != nil {
		return nil, nil, err
	}
	return twoVectors(in)
}

func mannWhitneyCounts(in *Input) (Results, error) {
	x, y, err := vectorsOf(in, "mw_counts")
	if err != nil {
		return nil, err
	}
	t, err := groups.MannWhitney(x, y, groups.MannWhitneyOptions{Distribution: groups.NormalUncorrected})
	if err != nil && t.First == 0 {
		return nil, err
	}
	return Results{
		"m": t.First, "n": t.Second, "U_x": t.U, "U_y": t.USecond,
		"auc_x_gt_y": t.Estimate, "rank_biserial": t.RankBiserial, "ties": t.Ties,
	}, err
}

// wilcoxRankSum follows R's wilcox.test: exact only without ties, and
// large-sample limits by inverting the test.
func wilcoxRankSum(in *Input) (Results, error) {
	w, err := readWilcoxCall(in, false)
	if err != nil {
		return nil, err
	}
	if w.mu != 0 {
		return nil, NotCovered("a shift of %g under the null hypothesis", w.mu)
	}
	x, y, err := twoVectors(in)
	if err != nil {
		return nil, err
	}
	options := groups.MannWhitneyOptions{Alternative: w.alt, Distribution: groups.NormalUncorrected}
	if w.correct {
		options.Distribution = groups.NormalCorrected
	}
	t, err := groups.MannWhitney(x, y, options)
	if err != nil {
		return nil, err
	}
	exact := !t.Ties && (w.exact || !w.exactSaid && len(x) < 50 && len(y) < 50)
	if exact {
		options.Distribution = groups.Exact
		if t, err = groups.MannWhitney(x, y, options); err != nil {
			return nil, err
		}
	}
	out := Results{"statistic": t.Stat, "p_value": t.P, "alternative": countAlternative(t.Alt)}
	if !w.interval {
		return out, nil
	}
	limits, level := stats.Interval{}, w.level
	if exact {
		s, err := groups.HodgesLehmann(x, y, w.alt, w.level, groups.ExactRanks)
		if err != nil {
			return out, err
		}
		limits = s.Interval
		if miss := 1 - s.Achieved; miss-(1-level) > (1-level)/2 {
			level = s.Achieved // as R reports a level that cannot be had
		}
	} else {
		r, err := groups.InvertMannWhitney(x, y, w.alt, w.level, w.correct, w.tolerance)
		if err != nil {
			return out, err
		}
		limits = r.Interval
	}
	out["estimate"], out["ci_low"], out["ci_high"], out["conf_level"] = limits.Estimate, limits.Lower, limits.Upper, level
	return out, nil
}

func mannWhitneyExact(in *Input) (Results, error) {
	x, y, err := vectorsOf(in, "mw_exact")
	if err != nil {
		return nil, err
	}
	t, err := groups.MannWhitney(x, y, groups.MannWhitneyOptions{Distribution: groups.Exact})
	if err != nil {
		return nil, err
	}
	return Results{
		"statistic": t.U, "p_value": t.P, "p_two_doubled": t.PDoubled, "p_less": t.PLess, "p_greater": t.PGreater,
	}, nil
}

func coinRankSum(in *Input) (Results, error) {
	c, err := countCall(in, "mw_coin")
	if err != nil {
		return nil, err
	}
	options := groups.MannWhitneyOptions{Distribution: groups.Exact}
	switch p := c.Positional(); {
	case len(p) != 3 || p[0] != "x" || p[1] != "y":
		return nil, NotCovered("mw_coin is not called with x, y and a distribution in %q", in.CallText())
	case p[2] == `"asymptotic"`:
		options.Distribution = groups.NormalUncorrected
	case p[2] != `"exact"`:
		return nil, NotCovered("the distribution is %s", p[2])
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	x, y, err := twoVectors(in)
	if err != nil {
		return nil, err
	}
	t, err := groups.MannWhitney(x, y, options)
	if err != nil {
		return nil, err
	}
	return Results{"z": t.Z, "p_value": t.P}, nil
}

func mannWhitneyPython(in *Input) (Results, error) {
	c, err := pythonCall(in, "scipy.stats.", "mannwhitneyu")
	if err != nil {
		return nil, err
	}
	options := groups.MannWhitneyOptions{Distribution: groups.NormalCorrected}
	if options.Alternative, err = callAlternative(in, c); err != nil {
		return nil, err
	}
	method, err := c.TextOr("method", "auto")
	if err != nil {
		return nil, err
	}
	corrected, err := c.BoolOr("use_continuity", true)
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	x, y, err := twoVectors(in)
	if err != nil {
		return nil, err
	}
	if !corrected {
		options.Distribution = groups.NormalUncorrected
	}
	if method != "asymptotic" {
		return nil, NotCovered("the method is %s", method)
	}
	t, err := groups.MannWhitney(x, y, options)
	if err != nil {
		return nil, err
	}
	return Results{"statistic": t.U, "p_value": t.P}, nil
}

func hodgesLehmannShift(in *Input) (Results, error) {
	x, y, level, err := twoMeasurements(in, "hl_two")
	if err != nil {
		return nil, err
	}
	normal, err := groups.HodgesLehmann(x, y, stats.TwoSided, level, groups.NormalRanks)
	if err != nil {
		return nil, err
	}
	out := Results{
		"estimate": normal.Estimate, "m": normal.First, "n": normal.Second, "conf_level": level,
		"k_normal": normal.Rank, "ci_low_normal": normal.Interval.Lower, "ci_high_normal": normal.Interval.Upper,
	}
	if !in.Expects("k_exact") {
		return out, nil
	}
	exact, err := groups.HodgesLehmann(x, y, stats.TwoSided, level, groups.ExactRanks)
	if err != nil {
		return out, err
	}
	out["k_exact"], out["achieved_level_exact"] = exact.Rank, exact.Achieved
	out["ci_low_exact"], out["ci_high_exact"] = exact.Interval.Lower, exact.Interval.Upper
	return out, nil
}

func brunnerMunzel(in *Input) (Results, error) {
	c, err := pythonCall(in, "scipy.stats.", "brunnermunzel")
	if err != nil {
		return nil, err
	}
	alt, err := callAlternative(in, c)
	if err != nil {
		return nil, err
	}
	distribution, err := c.TextOr("distribution", "t")
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	x, y, err := twoVectors(in)
	if err != nil {
		return nil, err
	}
	t, err := groups.BrunnerMunzel(x, y, alt, reportLevel)
	if err != nil {
		return nil, err
	}
	switch distribution {
	case "t":
		return Results{"statistic": t.Stat, "p_value": t.P}, nil
	case "normal":
		return Results{"statistic": t.Stat, "p_value": t.PNormal}, nil
	}
	return nil, NotCovered("the distribution is %s", distribution)
}
