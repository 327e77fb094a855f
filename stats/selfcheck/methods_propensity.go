package selfcheck

import (
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/propensity"
)

var propensityMethods = map[string]Method{"iptw": weightedComparison}

func weightedComparison(in *Input) (Results, error) {
	call, err := in.Call("iptw")
	if err != nil {
		return nil, err
	}
	position := call.Positional()
	if len(position) != 4 || position[0] != "d" {
		return nil, NotCovered("call %s", in.CallText())
	}
	for _, argument := range []string{"treatment", "propensity", "outcome"} { // the call says the same
		if in.Has(argument) {
			if _, err := in.Text(argument); err != nil {
				return nil, err
			}
		}
	}
	formula, err := modelFormula(position[2])
	if err != nil {
		return nil, err
	}
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	treatment, outcome := strings.Trim(position[1], `"'`), strings.Trim(position[3], `"'`)
	if frame, err = frame.Complete(append(formula.Names(), treatment)...); err != nil {
		return nil, err
	}
	marks, err := frame.Numbers(treatment)
	if err != nil {
		return nil, err
	}
	treated := make([]bool, len(marks))
	for i, t := range marks {
		treated[i] = t == 1
	}
	y, err := frame.Numbers(outcome)
	if err != nil {
		return nil, err
	}
	design, err := modelDesign(frame, formula)
	if err != nil {
		return nil, err
	}
	covariates := slices.DeleteFunc(formula.Names(), func(name string) bool { return name == treatment })
	x, err := numericColumns(frame, covariates)
	if err != nil {
		return nil, err
	}
	scores, err := propensity.Fit(treated, design.X, design.Names)
	if err != nil {
		return nil, err
	}
	out := Results{"ps": scoreSummary(scores)}
	if out["smd_unweighted"], err = balanceRows(treated, x, covariates, nil); err != nil {
		return nil, err
	}
	for name, target := range map[string]propensity.Target{
		"ate": propensity.Everyone, "ate_stabilized": propensity.EveryoneStabilised,
		"att": propensity.Treated, "overlap": propensity.Overlap,
	} {
		if out[name], err = weightedRows(scores, target, treated, y, x, covariates); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func scoreSummary(scores *propensity.Scores) Results {
	coefficients := Results{}
	for _, c := range scores.Model.Coefficients {
		coefficients[c.Term] = c.Estimate
	}
	p := scores.Probability
	mean := 0.0
	for _, e := range p {
		mean += e / float64(len(p))
	}
	return Results{"coef": coefficients, "min": slices.Min(p), "max": slices.Max(p), "mean": mean, "first10": p[:min(10, len(p))]}
}

func weightedRows(scores *propensity.Scores, target propensity.Target, treated []bool, y []float64, x *mat.Dense, covariates []string) (Results, error) {
	w, err := scores.Weights(target)
	if err != nil {
		return nil, err
	}
	balance, err := balanceRows(treated, x, covariates, w)
	if err != nil {
		return nil, err
	}
	effect, err := observedEffect(treated, y, w)
	if err != nil {
		return nil, err
	}
	sum := 0.0
	for _, v := range w {
		sum += v
	}
	treatedSize, controlSize := propensity.EffectiveSize(treated, w)
	return Results{
		"weight_first10": w[:min(10, len(w))], "weight_sum": sum, "weight_max": slices.Max(w),
		"ess_treated": treatedSize, "ess_control": controlSize, "smd_weighted": balance,
		"mean_difference": effect.Estimate, "robust_se_hc0": effect.SE,
	}, nil
}

func balanceRows(treated []bool, x *mat.Dense, covariates []string, w []float64) ([]any, error) {
	balance, err := propensity.BalanceOf(treated, x, covariates, w)
	return each(balance, func(b propensity.Balance) any {
		return Results{
			"covariate": b.Covariate, "mean_treated": b.TreatedMean, "mean_control": b.Control,
			"smd": b.Difference, "denominator": b.SD, "binary": b.Binary,
		}
	}), err
}

// observedEffect leaves out the rows without an outcome, which have a score and
// a weight all the same.
func observedEffect(treated []bool, y, w []float64) (stats.Result, error) {
	var t []bool
	var outcome, weight []float64
	for i, v := range y {
		if !math.IsNaN(v) {
			t, outcome, weight = append(t, treated[i]), append(outcome, v), append(weight, w[i])
		}
	}
	return propensity.Effect(t, outcome, weight, nil, 0.95)
}
