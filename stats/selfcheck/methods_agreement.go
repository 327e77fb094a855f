package selfcheck

import (
	"math"
	"regexp"

	"keratally/stats"
	"keratally/stats/agreement"
)

// agreementMethods are about two or more measurements of the same thing.
var agreementMethods = map[string]Method{
	"bland_altman":     blandAltman,
	"repeatability":    repeatability,
	"lin_ccc":          linConcordance,
	"icc_two_ratings":  iccOfVectors,
	"icc":              iccOfColumns,
	"icc_lme4_two_way": crossedComponents,
	"kappa_none":       kappa(agreement.Unweighted, "none"),
	"kappa_linear":     kappa(agreement.Linear, "linear"),
	"kappa_quadratic":  kappa(agreement.Quadratic, "quadratic"),
	"fleiss_kappa":     fleissKappa,
}

func blandAltman(in *Input) (Results, error) {
	x, y, level, err := twoMeasurements(in, "bland_altman")
	if err != nil {
		return nil, err
	}
	b, err := agreement.NewBlandAltman(x, y, level)
	if err != nil {
		return nil, err
	}
	return Results{
		"n": b.N, "bias": b.Bias.Estimate, "sd_diff": b.SD, "se_bias": b.Bias.SE,
		"bias_ci_low": b.Bias.Interval.Lower, "bias_ci_high": b.Bias.Interval.Upper, "bias_p": b.Bias.P,
		"z": b.Z, "loa_low": b.Lower.Estimate, "loa_high": b.Upper.Estimate,
		"se_loa": b.SE1999, "loa_low_ci_low": b.Lower1999.Lower, "loa_low_ci_high": b.Lower1999.Upper,
		"loa_high_ci_low": b.Upper1999.Lower, "loa_high_ci_high": b.Upper1999.Upper,
		"se_loa_1986": b.SE1986, "loa_low_ci86_low": b.Lower1986.Lower, "loa_low_ci86_high": b.Lower1986.Upper,
		"loa_high_ci86_low": b.Upper1986.Lower, "loa_high_ci86_high": b.Upper1986.Upper,
		"carkeet_k_inner": b.Inner, "carkeet_k_outer": b.Outer,
		"loa_high_exact_ci_low": b.Upper.Lower, "loa_high_exact_ci_high": b.Upper.Upper,
		"loa_low_exact_ci_low": b.Lower.Lower, "loa_low_exact_ci_high": b.Lower.Upper,
		"slope_diff_on_mean": b.Slope.Estimate, "slope_se": b.Slope.SE, "slope_p": b.Slope.P, "intercept": b.Intercept,
	}, nil
}

func repeatability(in *Input) (Results, error) {
	x, y, _, err := twoMeasurements(in, "repeatability")
	if err != nil {
		return nil, err
	}
	r, err := agreement.NewRepeatability(x, y)
	if err != nil {
		return nil, err
	}
	return Results{
		"n": r.N, "within_sd": r.WithinSD, "repeatability_1.96": r.Coefficient, "dahlberg": r.WithinSD,
		"mean_abs_diff": r.MeanAbs, "rms_diff": r.RMS, "within_cv_log": r.WithinCV,
	}, nil
}

func linConcordance(in *Input) (Results, error) {
	x, y, level, err := twoMeasurements(in, "ccc")
	if err != nil {
		return nil, err
	}
	c, err := agreement.NewConcordance(x, y, level)
	if err != nil {
		return nil, err
	}
	return Results{
		"ccc": c.CCC.Estimate, "c_b": c.Accuracy, "pearson": c.Correlation, "se": c.SE,
		"ci_low": c.CCC.Lower, "ci_high": c.CCC.Upper,
	}, nil
}

func twoMeasurements(in *Input, function string) (x, y []float64, level float64, err error) {
	if x, err = in.Vector("x"); err != nil {
		return nil, nil, 0, err
	}
	if y, err = in.Vector("y"); err != nil {
		return nil, nil, 0, err
	}
	level, err = confidence(in, function)
	return x, y, level, err
}

func iccOfVectors(in *Input) (Results, error) {
	x, y, level, err := twoMeasurements(in, "icc_all")
	if err != nil {
		return nil, err
	}
	if len(x) != len(y) {
		return nil, stats.ErrLengths
	}
	ratings := make([][]float64, len(x))
	for i := range x {
		ratings[i] = []float64{x[i], y[i]}
	}
	return iccResults(ratings, level)
}

func iccOfColumns(in *Input) (Results, error) {
	var names [3]string
	for i, argument := range []string{"value", "row", "column"} {
		var err error
		if names[i], err = in.Text(argument); err != nil {
			return nil, err
		}
	}
	level, err := confidence(in, "icc_all")
	if err != nil {
		return nil, err
	}
	ratings, err := ratingsOf(in, names[0], names[1], names[2])
	if err != nil {
		return nil, err
	}
	return iccResults(ratings, level)
}

func iccResults(ratings [][]float64, level float64) (Results, error) {
	c, err := agreement.NewICC(ratings, level)
	if err != nil {
		return nil, err
	}
	average := func(r stats.Result) Results {
		return Results{"icc": r.Estimate, "ci_low": r.Interval.Lower, "ci_high": r.Interval.Upper}
	}
	single := func(r stats.Result) Results {
		out := average(r)
		out["f"], out["df1"], out["df2"], out["p"] = r.Stat, r.DF, r.DF2, r.P
		return out
	}
	two := single(c.TwoSingle)
	two["satterthwaite_v"] = c.TwoDF
	return Results{
		"n": c.N, "k": c.K, "ms_rows": c.MSRows, "ms_cols": c.MSCols, "ms_error": c.MSError, "ms_within": c.MSWithin,
		"icc_1_1": single(c.OneSingle), "icc_1_k": average(c.OneAverage),
		"icc_2_1": two, "icc_2_k": average(c.TwoAverage),
		"icc_3_1": single(c.ThreeSingle), "icc_3_k": average(c.ThreeAverage),
		"sem_agreement": c.SEMAgreement, "sem_consistency": c.SEMConsistency,
	}, nil
}

// ratingsOf lays a column of ratings out as subjects by raters.
func ratingsOf(in *Input, value, row, column string) ([][]float64, error) {
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	if frame, err = frame.Complete(value, row, column); err != nil {
		return nil, err
	}
	numbers, err := frame.Numbers(value)
	if err != nil {
		return nil, err
	}
	subjects, subjectNames, err := frame.Factor(row)
	if err != nil {
		return nil, err
	}
	raters, raterNames, err := frame.Factor(column)
	if err != nil {
		return nil, err
	}
	if len(numbers) != len(subjectNames)*len(raterNames) {
		return nil, NotCovered("%d ratings of %d subjects by %d raters: a complete layout is needed", len(numbers), len(subjectNames), len(raterNames))
	}
	ratings := make([][]float64, len(subjectNames))
	for i := range ratings {
		ratings[i] = make([]float64, len(raterNames))
		for j := range ratings[i] {
			ratings[i][j] = math.NaN()
		}
	}
	for i, v := range numbers {
		ratings[subjects[i]][raters[i]] = v
	}
	return ratings, nil
}

// crossedModel is a mean with two crossed random intercepts.
var crossedModel = regexp.MustCompile(`^\s*(\w[\w.]*)\s*~\s*1\s*\+\s*\(\s*1\s*\|\s*(\w[\w.]*)\s*\)\s*\+\s*\(\s*1\s*\|\s*(\w[\w.]*)\s*\)\s*$`)

func crossedComponents(in *Input) (Results, error) {
	model, err := in.Text("model")
	if err != nil {
		return nil, err
	}
	parts := crossedModel.FindStringSubmatch(model)
	if parts == nil {
		return nil, NotCovered("model %q is not a mean with two crossed random intercepts", model)
	}
	ratings, err := ratingsOf(in, parts[1], parts[2], parts[3])
	if err != nil {
		return nil, err
	}
	c, err := agreement.CrossedComponents(ratings)
	if err != nil {
		return nil, err
	}
	return Results{
		"var_" + parts[2]: c.Subject, "var_" + parts[3]: c.Rater, "var_residual": c.Error,
		"icc_2_1": c.Agreement, "icc_3_1": c.Consistency,
	}, nil
}

func kappa(weights agreement.Weights, name string) Method {
	return func(in *Input) (Results, error) {
		t, err := tableOf(in, "T")
		if err != nil {
			return nil, err
		}
		if w, err := in.TextOr("weights", name); err != nil || w != name {
			return nil, NotCovered("weights %q under the method of %q", w, name)
		}
		if _, err := countCall(in, "kappa_w"); err != nil {
			return nil, err
		}
		k, err := agreement.NewKappa(t, weights, 0.95)
		if err != nil {
			return nil, err
		}
		return Results{
			"n": k.N, "p_observed": k.Observed, "p_expected": k.Expected, "kappa": k.Estimate, "se": k.SE,
			"se_null": k.SENull, "z": k.Stat, "p_value": k.P, "ci_low": k.Interval.Lower, "ci_high": k.Interval.Upper,
		}, nil
	}
}

func fleissKappa(in *Input) (Results, error) {
	t, err := tableOf(in, "T")
	if err != nil {
		return nil, err
	}
	r, err := agreement.FleissKappa(t)
	if err != nil {
		return nil, err
	}
	return Results{"kappa": r.Estimate}, nil
}
