package selfcheck

import (
	"math"

	"keratally/stats"
	"keratally/stats/proportion"
)

// proportionMethods are about one proportion and two independent ones.
var proportionMethods = map[string]Method{
	"proportion_ci":               proportionLimits,
	"binomial_test_exact":         binomialTest,
	"proportion_score_test":       proportionScoreTest,
	"two_proportions":             twoProportions,
	"two_proportions_statsmodels": twoProportionsStatsmodels,
	"non_inferiority_proportions": nonInferiorityProportions,
	"or_conditional":              conditionalOddsRatio,
	"barnard_exact_two_sided":     unconditionalExact("barnard_exact", proportion.BarnardRounded, stats.TwoSided),
	"barnard_exact_less":          unconditionalExact("barnard_exact", proportion.BarnardRounded, stats.Less),
	"barnard_exact_greater":       unconditionalExact("barnard_exact", proportion.BarnardRounded, stats.Greater),
	"boschloo_exact_two_sided":    unconditionalExact("boschloo_exact", proportion.Boschloo, stats.TwoSided),
	"boschloo_exact_less":         unconditionalExact("boschloo_exact", proportion.Boschloo, stats.Less),
	"boschloo_exact_greater":      unconditionalExact("boschloo_exact", proportion.Boschloo, stats.Greater),
}

func proportionLimits(in *Input) (Results, error) {
	c, err := countOf(in, "x", "n")
	if err != nil {
		return nil, err
	}
	level, err := confidence(in, "prop_one")
	if err != nil {
		return nil, err
	}
	out := Results{"x": c.Events, "n": c.N, "conf_level": level, "proportion": c.Proportion()}
	for key, limits := range map[string]func(int, int, float64) (stats.Interval, error){
		"clopper_pearson": proportion.ClopperPearson, "wilson": proportion.Wilson, "wilson_cc": proportion.WilsonCorrected,
		"agresti_coull": proportion.AgrestiCoull, "jeffreys": proportion.Jeffreys,
		"jeffreys_unmodified": proportion.JeffreysUnmodified, "wald": proportion.Wald, "mid_p": proportion.MidP,
	} {
		iv, err := limits(c.Events, c.N, level)
		if err != nil {
			return nil, err
		}
		out[key] = lowHigh(iv)
		if key == "agresti_coull" {
			out["agresti_coull_clipped"] = Results{"low": max(0, iv.Lower), "high": min(1, iv.Upper)}
		}
	}
	upper, err := proportion.ClopperPearsonUpper(c.Events, c.N, level)
	if err != nil {
		return nil, err
	}
	lower, err := proportion.ClopperPearsonLower(c.Events, c.N, level)
	if err != nil {
		return nil, err
	}
	out["one_sided_upper_clopper_pearson"], out["one_sided_lower_clopper_pearson"] = upper.Upper, lower.Lower
	return out, nil
}

func binomialTest(in *Input) (Results, error) {
	t, err := nullProportion(in, "binom.test")
	if err != nil {
		return nil, err
	}
	if err := t.call.Unread(); err != nil {
		return nil, err
	}
	r, err := proportion.BinomialTest(t.Events, t.N, t.p0, t.alt, t.level)
	if err != nil {
		return nil, err
	}
	out := testResults(r)
	out["statistic_name"], out["df"] = "number of successes", t.N
	return out, nil
}

func proportionScoreTest(in *Input) (Results, error) {
	t, err := nullProportion(in, "prop.test")
	if err != nil {
		return nil, err
	}
	corrected, err := t.call.BoolOr("correct", true)
	if err != nil {
		return nil, err
	}
	if err := t.call.Unread(); err != nil {
		return nil, err
	}
	// R lessens its correction with the distance to p, also in the limits.
	if corrected && math.Abs(float64(t.Events)-float64(t.N)*t.p0) < 0.5 {
		return nil, NotCovered("prop.test changes its correction this close to p")
	}
	r, err := proportion.ScoreTest(t.Events, t.N, t.p0, t.alt, t.level, corrected)
	if err != nil {
		return nil, err
	}
	out := testResults(r)
	out["statistic_name"] = "X-squared"
	return out, nil
}

// nullTest is a test of one proportion against a hypothetical one.
type nullTest struct {
	proportion.Count
	p0, level float64
	alt       stats.Alternative
	call      *Call
}

func nullProportion(in *Input, function string) (t nullTest, err error) {
	if t.Count, err = countOf(in, "x", "n"); err != nil {
		return t, err
	}
	if t.call, err = countCall(in, function); err != nil {
		return t, err
	}
	if t.p0, err = in.NumberOr("p", 0.5); err != nil {
		return t, err
	}
	if t.call.Has("p") {
		if written := t.call.Expression("p"); written != "p" {
			if t.p0, err = t.call.NumberOr("p", 0.5); err != nil {
				return t, err
			}
		}
	}
	if t.level, err = callConfidence(in, t.call); err != nil {
		return t, err
	}
	t.alt, err = callAlternative(in, t.call)
	return t, err
}

func twoProportions(in *Input) (Results, error) {
	a, b, err := twoCounts(in)
	if err != nil {
		return nil, err
	}
	level, err := confidence(in, "prop_two")
	if err != nil {
		return nil, err
	}
	p, q := a.Proportion(), b.Proportion()
	out := Results{
		"x1": a.Events, "n1": a.N, "x2": b.Events, "n2": b.N, "conf_level": level,
		"p1": p, "p2": q, "risk_difference": p - q, "z_pooled": nil, "p_pooled": nil,
	}
	var reason error
	if z, err := proportion.DifferenceTest(a, b, stats.TwoSided, level, false); err == nil {
		out["z_pooled"], out["p_pooled"] = z.Stat, z.P
	} else {
		reason = err
	}
	for key, limits := range map[string]func(a, b proportion.Count, level float64) (stats.Interval, error){
		"rd_wald": proportion.DifferenceWald, "rd_wald_cc": proportion.DifferenceWaldCorrected,
		"rd_newcombe": proportion.DifferenceNewcombe, "rd_newcombe_cc": proportion.DifferenceNewcombeCorrected,
		"rd_agresti_caffo":      proportion.DifferenceAgrestiCaffo,
		"rd_miettinen_nurminen": proportion.DifferenceMiettinenNurminen, "rd_mee": proportion.DifferenceMee,
		"or_conditional_ci": proportion.OddsRatioConditional, "or_woolf": proportion.OddsRatioWoolf,
		"or_haldane_ci": proportion.OddsRatioHaldane, "rr_katz_log": proportion.RatioKatz,
		"rr_score_mn": proportion.RatioMiettinenNurminen, "rr_score_koopman": proportion.RatioKoopman,
	} {
		iv, err := limits(a, b, level)
		if err != nil {
			reason = err
			if iv.Level == 0 {
				iv = stats.Interval{Estimate: math.NaN(), Lower: math.NaN(), Upper: math.NaN()}
			}
		}
		out[key] = lowHigh(iv)
		switch key {
		case "or_conditional_ci":
			out["or_conditional_mle"] = iv.Estimate
		case "or_woolf":
			out["odds_ratio"] = iv.Estimate
		case "or_haldane_ci":
			out["or_haldane"] = iv.Estimate
		case "rr_katz_log":
			out["risk_ratio"] = iv.Estimate
		}
	}
	if err := fisherResults(out, proportion.TwoByTwo(a, b)); err != nil {
		return nil, err
	}
	if nn, err := proportion.NewNumberNeeded(a, b, level); err == nil {
		out["nnt"], out["nnt_newcombe_reciprocal_limits"] = nn.Estimate, []float64{nn.Near, nn.Far}
	}
	return out, reason
}

// fisherResults adds Fisher's three p values of a 2×2 table.
func fisherResults(out Results, t proportion.Table) error {
	for key, alt := range map[string]stats.Alternative{"fisher_p": stats.TwoSided, "fisher_p_less": stats.Less, "fisher_p_greater": stats.Greater} {
		r, err := proportion.FisherExact(t, alt)
		if err != nil {
			return err
		}
		out[key] = r.P
	}
	return nil
}

func twoProportionsStatsmodels(in *Input) (Results, error) {
	a, b, err := twoCounts(in)
	if err != nil {
		return nil, err
	}
	call, err := pythonCall(in, "statsmodels.stats.proportion.", "confint_proportions_2indep")
	if err != nil {
		return nil, err
	}
	alpha, err := call.NumberOr("alpha", 0.05)
	if err != nil {
		return nil, err
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	out := Results{}
	var reason error
	for key, limits := range map[string]func(a, b proportion.Count, level float64) (stats.Interval, error){
		"diff_newcomb": proportion.DifferenceNewcombe, "diff_agresti_caffo": proportion.DifferenceAgrestiCaffo,
		"diff_wald": proportion.DifferenceWald, "ratio_log": proportion.RatioKatz,
	} {
		if iv, err := limits(a, b, 1-alpha); err == nil {
			out[key] = lowHigh(iv)
		} else {
			reason = err
		}
	}
	return out, reason
}

func nonInferiorityProportions(in *Input) (Results, error) {
	a, b, err := twoCounts(in)
	if err != nil {
		return nil, err
	}
	margin, err := in.Number("margin")
	if err != nil {
		return nil, err
	}
	score, err := proportion.NonInferiority(a, b, margin, 0.95)
	if err != nil {
		return nil, err
	}
	wald, err := proportion.NonInferiorityWald(a, b, margin, 0.95)
	if err != nil {
		return nil, err
	}
	return Results{
		"margin": margin, "z_farrington_manning": score.Stat, "p_farrington_manning": score.P,
		"z_wald": wald.Stat, "p_wald": wald.P,
	}, nil
}

func conditionalOddsRatio(in *Input) (Results, error) {
	t, err := fourfold(in, "T")
	if err != nil {
		return nil, err
	}
	call, err := pythonCall(in, "scipy.stats.contingency.", "odds_ratio")
	if err != nil {
		return nil, err
	}
	if kind, err := call.TextOr("kind", "conditional"); err != nil || kind != "conditional" {
		return nil, NotCovered("an odds ratio of the kind %q", kind)
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	iv, err := proportion.OddsRatioConditional(rowCount(t, 0), rowCount(t, 1), 0.95)
	if err != nil {
		return nil, err
	}
	return Results{"estimate": iv.Estimate, "ci_low": iv.Lower, "ci_high": iv.Upper}, nil
}

// unconditionalExact runs a test of the columns of a 2×2 table, which are the
// groups there. The reference leaves out tables tied with the observed one when
// rounding says so; the test that reports use counts them. How many points a search starts from is no part of the method;
// its direction is in the name and in the call.
func unconditionalExact(function string, test func(a, b proportion.Count, alt stats.Alternative) (stats.Result, error), alt stats.Alternative) Method {
	return func(in *Input) (Results, error) {
		t, err := fourfold(in, "T")
		if err != nil {
			return nil, err
		}
		call, err := pythonCall(in, "scipy.stats.", function)
		if err != nil {
			return nil, err
		}
		call.Allow("n")
		if said, err := callAlternative(in, call); err != nil || said != alt {
			return nil, NotCovered("the call %q under a method for %s", in.CallText(), alt)
		}
		if err := call.Unread(); err != nil {
			return nil, err
		}
		t = t.Transposed()
		r, err := test(rowCount(t, 0), rowCount(t, 1), alt)
		if err != nil {
			return nil, err
		}
		return Results{"statistic": r.Stat, "p_value": r.P}, nil
	}
}

// countOf reads events and size under the given names.
func countOf(in *Input, events, size string) (proportion.Count, error) {
	x, err := in.Int(events)
	if err != nil {
		return proportion.Count{}, err
	}
	n, err := in.Int(size)
	return proportion.Count{Events: x, N: n}, err
}

func twoCounts(in *Input) (a, b proportion.Count, err error) {
	if a, err = countOf(in, "x1", "n1"); err != nil {
		return a, b, err
	}
	b, err = countOf(in, "x2", "n2")
	return a, b, err
}

// rowCount reads row i of a table of two columns as events and others.
func rowCount(t proportion.Table, i int) proportion.Count {
	return proportion.Count{Events: t[i][0], N: t[i][0] + t[i][1]}
}

// tableOf reads a table of counts.
func tableOf(in *Input, name string) (proportion.Table, error) {
	rows, err := in.Matrix(name)
	if err != nil {
		return nil, err
	}
	t := make(proportion.Table, len(rows))
	for i, row := range rows {
		if t[i], err = wholeNumbers(name, row); err != nil {
			return nil, err
		}
	}
	return t, nil
}

func wholeNumbers(name string, x []float64) ([]int, error) {
	out := make([]int, len(x))
	for i, v := range x {
		if v != math.Trunc(v) || math.Abs(v) > 1<<53 {
			return nil, NotCovered("argument %s holds %v, not a count", name, v)
		}
		out[i] = int(v)
	}
	return out, nil
}

// fourfold reads a 2×2 table.
func fourfold(in *Input, name string) (proportion.Table, error) {
	t, err := tableOf(in, name)
	if err != nil {
		return nil, err
	}
	if len(t) != 2 || len(t[0]) != 2 || len(t[1]) != 2 {
		return nil, NotCovered("argument %s is not a table of 2 by 2", name)
	}
	return t, nil
}

func lowHigh(iv stats.Interval) Results { return Results{"low": iv.Lower, "high": iv.Upper} }

// testResults names a test's results as R's tests do.
func testResults(r stats.Result) Results {
	out := Results{"statistic": r.Stat, "p_value": r.P, "alternative": countAlternative(r.Alt)}
	if !math.IsNaN(r.DF) {
		out["df"] = r.DF
	}
	if !math.IsNaN(r.Estimate) {
		out["estimate"] = r.Estimate
	}
	if r.HasInterval() {
		out["ci_low"], out["ci_high"], out["conf_level"] = r.Interval.Lower, r.Interval.Upper, r.Interval.Level
	}
	return out
}
