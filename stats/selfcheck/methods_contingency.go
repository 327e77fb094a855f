package selfcheck

import (
	"errors"
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/proportion"
)

// contingencyMethods are about tables of counts and matched pairs.
var contingencyMethods = map[string]Method{
	"table_tests":            tableTests,
	"chisq":                  chiSquaredTest,
	"chisq_goodness_of_fit":  goodnessOfFit,
	"cochran_armitage_trend": trendTest,
	"k_proportions":          equalProportions,
	"mcnemar":                mcnemarAll,
	"bowker_symmetry":        bowkerSymmetry,
	"stuart_maxwell":         stuartMaxwell,
	"cochran_q":              cochranQ,
}

func tableTests(in *Input) (Results, error) {
	t, err := tableOf(in, "T")
	if err != nil {
		return nil, err
	}
	a, reason := proportion.ChiSquared(t, false)
	if reason != nil && !errors.Is(reason, proportion.ErrEmptyMargin) {
		return nil, reason
	}
	g, err := proportion.GTest(t)
	if err != nil {
		return nil, err
	}
	out := Results{
		"n": a.N, "chisq": a.Stat, "df": a.DF, "p_value": a.P, "g_statistic": g.Stat, "g_p": g.P,
		"cramers_v": a.CramersV, "expected": a.Expected, "std_residuals": a.StdResiduals, "min_expected": a.MinExpected,
	}
	if len(t) != 2 || len(t[0]) != 2 {
		f, err := proportion.FisherExact(t, stats.TwoSided)
		if err != nil {
			return out, err
		}
		out["fisher_p"] = f.P
		return out, reason
	}
	out["chisq_yates"], out["p_yates"], out["phi"] = math.NaN(), math.NaN(), math.NaN()
	if reason == nil {
		yates, err := proportion.ChiSquared(t, true)
		if err != nil {
			return nil, err
		}
		phi, err := proportion.Phi(t)
		if err != nil {
			return nil, err
		}
		out["chisq_yates"], out["p_yates"], out["phi"] = yates.Stat, yates.P, phi
	}
	if err := fisherResults(out, t); err != nil {
		return nil, err
	}
	f, err := proportion.FisherExact(t, stats.TwoSided)
	if err != nil {
		return nil, err
	}
	out["or_conditional_mle"], out["or_conditional_ci_low"], out["or_conditional_ci_high"] = f.Estimate, f.Interval.Lower, f.Interval.Upper
	return out, reason
}

func chiSquaredTest(in *Input) (Results, error) {
	t, err := tableOf(in, "T")
	if err != nil {
		return nil, err
	}
	corrected, err := callCorrects(in, "chisq.test")
	if err != nil {
		return nil, err
	}
	a, err := proportion.ChiSquared(t, corrected && len(t) == 2 && len(t[0]) == 2)
	if err != nil && !errors.Is(err, proportion.ErrEmptyMargin) {
		return nil, err
	}
	return Results{"statistic": a.Stat, "statistic_name": "X-squared", "df": a.DF, "p_value": a.P, "expected": a.Expected, "observed": [][]int(t)}, err
}

func goodnessOfFit(in *Input) (Results, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	counts, err := wholeNumbers("x", x)
	if err != nil {
		return nil, err
	}
	call, err := countCall(in, "chisq.test")
	if err != nil {
		return nil, err
	}
	if p := call.Expression("p"); p != "" && p != "p" {
		return nil, NotCovered("chisq.test has p = %s", p)
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	shares := make([]float64, len(x))
	for i := range shares {
		shares[i] = 1 / float64(len(x))
	}
	if in.Has("p") {
		if shares, err = in.Vector("p"); err != nil {
			return nil, err
		}
	}
	r, err := proportion.GoodnessOfFit(counts, shares)
	if err != nil {
		return nil, err
	}
	return Results{"statistic": r.Stat, "statistic_name": "X-squared", "df": r.DF, "p_value": r.P}, nil
}

func trendTest(in *Input) (Results, error) {
	groups, err := groupCounts(in)
	if err != nil {
		return nil, err
	}
	call, err := countCall(in, "prop.trend.test")
	if err != nil {
		return nil, err
	}
	var scores []float64
	if name := call.Expression("score"); name != "" || len(call.Positional()) > 2 {
		if name == "" {
			name = call.Positional()[2]
		}
		if scores, err = in.Vector(name); err != nil {
			return nil, err
		}
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	r, err := proportion.Trend(groups, scores)
	if err != nil {
		return nil, err
	}
	return Results{"statistic": r.Stat, "statistic_name": "X-squared", "df": r.DF, "p_value": r.P}, nil
}

func equalProportions(in *Input) (Results, error) {
	groups, err := groupCounts(in)
	if err != nil {
		return nil, err
	}
	if _, err := callCorrects(in, "prop.test"); err != nil {
		return nil, err
	}
	if len(groups) < 3 {
		return nil, NotCovered("prop.test of %d groups: two_proportions has two, proportion_score_test one", len(groups))
	}
	r, err := proportion.EqualProportions(groups)
	if err != nil {
		return nil, err
	}
	estimates := Results{}
	for i, g := range groups {
		estimates[fmt.Sprintf("prop %d", i+1)] = g.Proportion()
	}
	out := testResults(r)
	out["statistic_name"], out["estimates"] = "X-squared", estimates
	return out, nil
}

// callCorrects reports whether a call asks for a continuity correction, as R's
// calls do unless told otherwise.
func callCorrects(in *Input, function string) (bool, error) {
	call, err := countCall(in, function)
	if err != nil {
		return false, err
	}
	corrected, err := call.BoolOr("correct", true)
	if err != nil {
		return false, err
	}
	return corrected, call.Unread()
}

// groupCounts reads events x of sizes n.
func groupCounts(in *Input) ([]proportion.Count, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	n, err := in.Vector("n")
	if err != nil {
		return nil, err
	}
	if len(x) != len(n) {
		return nil, stats.ErrLengths
	}
	events, err := wholeNumbers("x", x)
	if err != nil {
		return nil, err
	}
	sizes, err := wholeNumbers("n", n)
	if err != nil {
		return nil, err
	}
	groups := make([]proportion.Count, len(x))
	for i := range groups {
		groups[i] = proportion.Count{Events: events[i], N: sizes[i]}
	}
	return groups, nil
}

func mcnemarAll(in *Input) (Results, error) {
	var p proportion.Pairs
	for name, cell := range map[string]*int{"a": &p.Both, "b": &p.FirstOnly, "c": &p.SecondOnly, "d": &p.Neither} {
		v, err := in.Int(name)
		if err != nil {
			return nil, err
		}
		*cell = v
	}
	exact, err := proportion.McNemarExact(p)
	if err != nil {
		return nil, err
	}
	out := Results{
		"a": p.Both, "b": p.FirstOnly, "c": p.SecondOnly, "d": p.Neither, "n": p.N(), "p_exact": exact.P,
		"p1": p.First().Proportion(), "p2": p.Second().Proportion(), "difference": p.Difference(),
	}
	if p.Discordant() == 0 {
		out["reason"] = "no discordant pairs"
	} else {
		plain, err := proportion.McNemar(p, false)
		if err != nil {
			return nil, err
		}
		corrected, err := proportion.McNemar(p, true)
		if err != nil {
			return nil, err
		}
		mid, err := proportion.McNemarMidP(p)
		if err != nil {
			return nil, err
		}
		out["chisq"], out["p_asymptotic"] = plain.Stat, plain.P
		out["chisq_edwards"], out["p_edwards"], out["p_mid"] = corrected.Stat, corrected.P, mid.P
		out["odds_ratio_b_over_c"], out["or_exact_ci"] = exact.Estimate, lowHigh(exact.Interval)
	}
	for key, limits := range map[string]func(proportion.Pairs, float64) (stats.Interval, error){
		"wald": proportion.PairedWald, "newcombe_paired_10": proportion.PairedNewcombe, "tango_score": proportion.PairedTango,
	} {
		iv, err := limits(p, 0.95)
		if err != nil {
			return nil, err
		}
		entry := lowHigh(iv)
		if key == "newcombe_paired_10" {
			entry["phi"] = proportion.PairedPhi(p)
		}
		out[key] = entry
	}
	return out, nil
}

func bowkerSymmetry(in *Input) (Results, error) {
	t, err := tableOf(in, "T")
	if err != nil {
		return nil, err
	}
	corrected, err := callCorrects(in, "mcnemar.test")
	if err != nil {
		return nil, err
	}
	var r stats.Result
	if len(t) == 2 && len(t[0]) == 2 && len(t[1]) == 2 {
		r, err = proportion.McNemar(proportion.Pairs{Both: t[0][0], FirstOnly: t[0][1], SecondOnly: t[1][0], Neither: t[1][1]}, corrected)
	} else {
		r, err = proportion.Bowker(t)
	}
	if err != nil {
		return nil, err
	}
	return Results{"statistic": r.Stat, "statistic_name": "McNemar's chi-squared", "df": r.DF, "p_value": r.P}, nil
}

func stuartMaxwell(in *Input) (Results, error) {
	t, err := tableOf(in, "T")
	if err != nil {
		return nil, err
	}
	r, err := proportion.StuartMaxwell(t)
	if err != nil {
		return nil, err
	}
	return Results{"chisq": r.Stat, "df": r.DF, "p_value": r.P}, nil
}

func cochranQ(in *Input) (Results, error) {
	rows, err := tableOf(in, "X")
	if err != nil {
		return nil, err
	}
	r, err := proportion.CochranQ(rows)
	if err != nil {
		return nil, err
	}
	return Results{"statistic": r.Stat, "df": r.DF, "p_value": r.P}, nil
}
