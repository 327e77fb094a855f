package selfcheck

import (
	"strings"

	"keratally/stats/glm"
)

var glmMethods = map[string]Method{
	"logistic_regression":                glmFit,
	"logistic_regression_profile_ci":     glmProfile,
	"logistic_regression_discrimination": glmDiscrimination,
	"poisson_regression":                 glmFit,
	"poisson_regression_profile_ci":      glmProfile,
}

// glmModel fits the model of the case's glm call.
func glmModel(in *Input, level float64) (*glm.Fit, error) {
	call, err := in.Call("glm")
	if err != nil {
		return nil, err
	}
	call.Allow("control", "model", "x", "y")
	if data := call.Expression("data"); data != "d" && data != "" {
		return nil, NotCovered("data = %s is not the data set", data)
	}
	text := call.Expression("formula")
	position := call.Positional()
	if text == "" && len(position) > 0 {
		text, position = position[0], position[1:]
	}
	family := call.Expression("family")
	if family == "" && len(position) > 0 {
		family = position[0]
	}
	for _, argument := range []string{"formula", "family"} {
		if in.Has(argument) { // the call says the same
			if _, err := in.Value(argument); err != nil {
				return nil, err
			}
		}
	}
	if offset := call.Expression("offset"); offset != "" {
		text += "+offset(" + offset + ")"
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	data, err := glmData(frame, text)
	if err != nil {
		return nil, err
	}
	switch strings.ReplaceAll(family, "'", "\"") {
	case "binomial()", "binomial", "\"binomial\"", "binomial(link=\"logit\")", "binomial(\"logit\")", "binomial(logit)":
		return glm.Logistic(data, level)
	case "poisson()", "poisson", "\"poisson\"", "poisson(link=\"log\")", "poisson(\"log\")", "poisson(log)":
		return glm.PoissonRegression(data, level)
	}
	return nil, NotCovered("family = %s", family)
}

func glmData(frame *Frame, text string) (glm.Data, error) {
	formula, err := modelFormula(text)
	if err != nil {
		return glm.Data{}, err
	}
	design, err := modelDesign(frame, formula)
	if err != nil {
		return glm.Data{}, err
	}
	data := glm.Data{Y: design.Y, X: design.X, Terms: design.Names, Offset: design.Offset}
	switch function, _, _ := formula.Response.Call(); {
	case design.Y != nil:
	case function == "cbind" && len(design.Parts) == 2:
		for i, yes := range design.Parts[0] {
			n := yes + design.Parts[1][i]
			data.Y, data.Trials = append(data.Y, yes/n), append(data.Trials, n)
		}
	default:
		return data, NotCovered("response %s", formula.Response)
	}
	return data, nil
}

func glmFit(in *Input) (Results, error) {
	f, err := glmModel(in, 0.95)
	if err != nil {
		return nil, err
	}
	return Results{
		"coefficients": each(f.Coefficients, func(c glm.Coefficient) any {
			return Results{
				"term": c.Term, "estimate": c.Estimate, "se": c.SE, "z": c.Z, "p": c.P,
				"wald_ci_low": c.Wald.Lower, "wald_ci_high": c.Wald.Upper, "exp_estimate": c.Ratio.Estimate,
			}
		}),
		"n": f.N, "deviance": f.Deviance, "null_deviance": f.NullDeviance, "df_residual": f.DFResidual,
		"loglik": f.LogLik, "aic": f.AIC, "lr_chisq": f.LikelihoodRatio, "lr_df": f.LikelihoodDF, "lr_p": f.LikelihoodP,
		"vcov": matrixRows(f.Covariance),
	}, nil
}

func glmProfile(in *Input) (Results, error) {
	call, err := in.Call("profile_ci")
	if err != nil {
		return nil, err
	}
	level, err := call.NumberOr("conf", 0.95)
	if err != nil {
		return nil, err
	}
	if position := call.Positional(); len(position) > 1 {
		if level, err = parseRNumber("conf", position[1]); err != nil {
			return nil, err
		}
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	f, err := glmModel(in, level)
	if err != nil {
		return nil, err
	}
	rows := make([]any, len(f.Coefficients))
	for j, c := range f.Coefficients {
		limits, err := f.ProfileInterval(j)
		if err != nil {
			return nil, err
		}
		rows[j] = Results{"term": c.Term, "ci_low": limits.Lower, "ci_high": limits.Upper}
	}
	return Results{"conf_level": level, "rows": rows}, nil
}

func glmDiscrimination(in *Input) (Results, error) {
	f, err := glmModel(in, 0.95)
	if err != nil {
		return nil, err
	}
	d, err := f.Discrimination()
	if err != nil {
		return nil, err
	}
	return Results{"auc": d.AUC, "brier": d.Brier, "mcfadden_r2": d.McFadden, "nagelkerke_r2": d.Nagelkerke}, nil
}
