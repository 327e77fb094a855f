package selfcheck

import (
	"math"
	"regexp"
	"strings"

	"keratally/stats/regress"
)

var regressMethods = map[string]Method{
	"ols": olsMethod, "linear_regression": linearRegression,
	"anova_type1": anovaTable(regress.Sequential), "anova_type2": anovaTable(regress.Marginal), "anova_type3": anovaTable(regress.Partial),
	"ols_hc_se": robustErrors, "ols_influence": influenceMethod,
	"emmeans": marginalMeans, "emmeans_pairs_none": marginalPairs(regress.NoAdjustment),
	"emmeans_pairs_tukey": marginalPairs(regress.Tukey), "emmeans_pairs_holm": marginalPairs(regress.Holm),
}

// reportLevel is the confidence level of the reference where a case names none.
const reportLevel = 0.95

// linearModel fits the least-squares model of a case, from its formula and the
// arguments of lm in its call.
func linearModel(in *Input) (*regress.Fit, error) {
	level, err := in.NumberOr("conf_level", reportLevel)
	if err != nil {
		return nil, err
	}
	var options []regress.Option
	text := ""
	if call, ok := findCall(in.CallText(), "lm"); ok {
		call.Allow("data", "formula")
		if options, err = contrastOptions(call.Expression("contrasts")); err != nil {
			return nil, err
		}
		if err := call.Unread(); err != nil {
			return nil, err
		}
		if text = call.Expression("formula"); text == "" && len(call.Positional()) > 0 {
			text = call.Positional()[0]
		}
	}
	if in.Has("formula") || text == "" {
		if text, err = in.Text("formula"); err != nil {
			return nil, err
		}
	}
	design, err := fixedDesign(in, text, options...)
	if err != nil {
		return nil, err
	}
	return regress.OLS(design, level)
}

// fixedDesign evaluates a formula on the case's data set.
func fixedDesign(in *Input, text string, options ...regress.Option) (*regress.Design, error) {
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	formula, err := modelFormula(text)
	if err != nil {
		return nil, err
	}
	return modelDesign(frame, formula, options...)
}

// contrastOptions reads contrasts = list(f = "contr.sum", …).
func contrastOptions(text string) ([]regress.Option, error) {
	if text == "" {
		return nil, nil
	}
	call, ok := findCall(text, "list")
	if !ok {
		return nil, NotCovered("contrasts = %s is not a list", text)
	}
	var options []regress.Option
	for name, coding := range call.named {
		switch strings.Trim(coding, `"'`) {
		case "contr.sum":
			options = append(options, regress.SumContrasts(name))
		case "contr.treatment":
		default:
			return nil, NotCovered("contrasts %s of %s are not known", coding, name)
		}
	}
	return options, nil
}

func coefficientRows(coefficients []regress.Coefficient, names map[string]string) []Results {
	rows := make([]Results, len(coefficients))
	for i, c := range coefficients {
		all := map[string]any{
			"term": c.Term, "estimate": c.Estimate, "se": c.SE, "t": c.T, "p": c.P,
			"ci_low": c.Lower, "ci_high": c.Upper, "df": c.DF, "exp_estimate": nil,
		}
		rows[i] = Results{}
		for ours, theirs := range names {
			rows[i][theirs] = all[ours]
		}
	}
	return rows
}

func olsMethod(in *Input) (Results, error) {
	f, err := linearModel(in)
	if err != nil {
		return nil, err
	}
	return Results{
		"coefficients": coefficientRows(f.Coefficients, map[string]string{
			"term": "term", "estimate": "estimate", "se": "se", "t": "t", "p": "p", "ci_low": "ci_low", "ci_high": "ci_high"}),
		"n": f.N, "df_residual": f.DF, "sigma": f.Sigma, "r_squared": f.R2, "adj_r_squared": f.AdjR2,
		"f": f.F, "f_df1": f.FDF1, "f_df2": f.FDF2, "f_p": f.FP, "rss": f.RSS,
		"loglik": f.LogLik, "aic": f.AIC, "bic": f.BIC, "vcov": matrixRows(f.VCov),
	}, nil
}

var barePower = regexp.MustCompile(`\bx\^(\d+)`)

// linearRegression is NIST's form of a case: its formulas write a power of the
// variable without I( ).
func linearRegression(in *Input) (Results, error) {
	text := ""
	if in.Has("formula") {
		written, err := in.Text("formula")
		if err != nil {
			return nil, err
		}
		text = written
	} else {
		call, err := in.Call("lm")
		if err != nil {
			return nil, err
		}
		call.Allow("data")
		if err := call.Unread(); err != nil {
			return nil, err
		}
		text = call.Positional()[0]
	}
	if !strings.Contains(text, "I(") {
		text = barePower.ReplaceAllString(text, "I(x^$1)")
	}
	design, err := fixedDesign(in, text)
	if err != nil {
		return nil, err
	}
	f, err := regress.OLS(design, reportLevel)
	if err != nil {
		return nil, err
	}
	var estimates, errors []float64
	for _, c := range f.Coefficients {
		estimates, errors = append(estimates, c.Estimate), append(errors, c.SE)
	}
	out := Results{"estimate": estimates, "se": errors, "residual_sd": f.Sigma, "r_squared": f.R2}
	if len(estimates) == 1 {
		out["estimate"], out["se"] = estimates[0], errors[0]
		if _, list := in.c.Results["estimate"].([]any); list {
			out["estimate"], out["se"] = estimates, errors
		}
	}
	return out, nil
}

func anovaTable(kind regress.AnovaType) Method {
	return func(in *Input) (Results, error) {
		f, err := linearModel(in)
		if err != nil {
			return nil, err
		}
		lines, err := f.Anova(kind)
		if err != nil {
			return nil, err
		}
		rows := make([]Results, len(lines))
		for i, l := range lines {
			rows[i] = Results{"term": l.Term, "df": l.DF, "ss": l.SS, "ms": l.MS, "f": l.F, "p": l.P}
		}
		return Results{"terms": rows}, nil
	}
}

func robustErrors(in *Input) (Results, error) {
	f, err := linearModel(in)
	if err != nil {
		return nil, err
	}
	out := Results{}
	for _, kind := range []regress.HCType{regress.HC0, regress.HC1, regress.HC2, regress.HC3, regress.HC4} {
		if !in.Expects(kind.String()) {
			continue
		}
		v, err := f.HC(kind)
		if err != nil {
			return nil, err
		}
		se := Results{}
		for j, c := range f.Coefficients {
			se[c.Term] = math.Sqrt(v.At(j, j))
		}
		out[kind.String()] = Results{"se": se, "vcov": matrixRows(v)}
	}
	return out, nil
}

func influenceMethod(in *Input) (Results, error) {
	f, err := linearModel(in)
	if err != nil {
		return nil, err
	}
	i := f.Influence()
	return Results{"hat": i.Hat, "rstudent": i.Studentised, "rstandard": i.Standardised, "cooks_distance": i.Cook}, nil
}

// marginSpecification reads the ~ targets | by of emmeans(model, ~ …).
func marginSpecification(in *Input) (string, error) {
	call, err := in.Call("emmeans")
	if err != nil {
		return "", err
	}
	call.Allow("lmer.df")
	if err := call.Unread(); err != nil {
		return "", err
	}
	if p := call.Positional(); len(p) == 2 && strings.HasPrefix(p[1], "~") {
		return p[1], nil
	}
	return "", NotCovered("the call %q has no emmeans(model, ~ …)", in.CallText())
}

func marginRows(margins []regress.Margin) Results {
	rows := make([]Results, len(margins))
	for i, m := range margins {
		rows[i] = Results{"estimate": m.Estimate, "se": m.SE, "df": m.DF, "ci_low": m.Lower, "ci_high": m.Upper, "t": m.T, "p": m.P}
		if m.Contrast != "" {
			rows[i]["contrast"] = m.Contrast
		}
		for _, s := range m.Settings {
			rows[i][s.Variable] = s.Level
			if s.Numeric {
				rows[i][s.Variable] = s.Number
			}
		}
	}
	return Results{"rows": rows}
}

func marginalMeans(in *Input) (Results, error) {
	specification, err := marginSpecification(in)
	if err != nil {
		return nil, err
	}
	f, err := linearModel(in)
	if err != nil {
		return nil, err
	}
	means, err := f.Means(specification)
	return marginRows(means), err
}

func marginalPairs(adjust regress.Adjustment) Method {
	return func(in *Input) (Results, error) {
		specification, err := marginSpecification(in)
		if err != nil {
			return nil, err
		}
		f, err := linearModel(in)
		if err != nil {
			return nil, err
		}
		pairs, err := f.Pairs(specification, adjust)
		return marginRows(pairs), err
	}
}
