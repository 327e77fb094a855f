package selfcheck

import (
	"gonum.org/v1/gonum/mat"

	"keratally/stats/survival"
)

// fitCox reads and fits the model of the case's coxph call.
func fitCox(in *Input) (*survivalModel, *survival.CoxFit, error) {
	m, call, err := readSurvivalModel(in, "coxph")
	if err != nil {
		return nil, nil, err
	}
	options := survival.CoxOptions{Level: 0.95}
	ties, err := call.TextOr("ties", "efron")
	if err != nil {
		return nil, nil, err
	}
	switch ties {
	case "efron":
	case "breslow":
		options.Ties = survival.Breslow
	default:
		return nil, nil, NotCovered("ties = %s", ties)
	}
	robust, err := call.BoolOr("robust", m.data.Cluster != nil)
	if err != nil {
		return nil, nil, err
	}
	if robust && m.data.Cluster == nil { // every row its own cluster
		for i := range m.data.Time {
			m.data.Cluster = append(m.data.Cluster, i)
		}
	}
	if !robust && m.data.Cluster != nil {
		return nil, nil, NotCovered("robust = FALSE beside a cluster")
	}
	if err := call.Unread(); err != nil {
		return nil, nil, err
	}
	if m.design.Offset != nil {
		return nil, nil, NotCovered("an offset in a proportional hazards model")
	}
	fit, err := survival.Cox(m.data, m.x, m.terms, options)
	return m, fit, err
}

func coxRegression(in *Input) (Results, error) {
	m, fit, err := fitCox(in)
	if err != nil {
		return nil, err
	}
	robust := m.data.Cluster != nil
	out := Results{
		"coefficients": each(fit.Coefficients, func(c survival.Coefficient) any {
			row := Results{
				"term": c.Term, "coef": c.Estimate, "hr": c.HazardRatio.Estimate, "se": c.ModelSE, "z": c.Z, "p": c.P,
				"hr_ci_low": c.HazardRatio.Lower, "hr_ci_high": c.HazardRatio.Upper,
			}
			if robust {
				row["robust_se"] = c.SE
			}
			return row
		}),
		"n": fit.N, "n_event": fit.Events, "loglik_null": fit.LogLikNull, "loglik": fit.LogLik,
		"lr_chisq": fit.LikelihoodRatio.Stat, "lr_df": fit.LikelihoodRatio.DF, "lr_p": fit.LikelihoodRatio.P,
		"wald_chisq": fit.Wald.Stat, "score_chisq": fit.Score.Stat, "score_p": fit.Score.P,
		"concordance": fit.Concordance.Estimate, "concordance_se": fit.ConcordanceSE, "vcov": matrixRows(fit.Covariance),
	}
	if robust {
		out["robust_score_chisq"], out["robust_score_p"] = fit.RobustScore.Stat, fit.RobustScore.P
	}
	return out, nil
}

func matrixRows(m mat.Matrix) [][]float64 {
	rows, cols := m.Dims()
	out := make([][]float64, rows)
	for i := range out {
		out[i] = make([]float64, cols)
		for j := range out[i] {
			out[i][j] = m.At(i, j)
		}
	}
	return out
}

func schoenfeld(in *Input) (Results, error) {
	call, err := in.Call("cox.zph")
	if err != nil {
		return nil, err
	}
	name, err := call.TextOr("transform", "km")
	if err != nil {
		return nil, err
	}
	transform, ok := map[string]survival.Transform{
		"km": survival.KaplanMeierTime, "identity": survival.IdentityTime, "log": survival.LogTime,
	}[name]
	if !ok {
		return nil, NotCovered("transform = %s", name)
	}
	byTerm, err := call.BoolOr("terms", true)
	if err != nil {
		return nil, err
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	m, fit, err := fitCox(in)
	if err != nil {
		return nil, err
	}
	groups := m.groups
	if !byTerm {
		groups = nil
		for j, term := range m.terms {
			groups = append(groups, survival.TermColumns{Name: term, Columns: []int{j}})
		}
	}
	tests, err := fit.ProportionalHazards(transform, groups)
	if err != nil {
		return nil, err
	}
	return Results{"rows": each(tests, func(t survival.Test) any {
		return Results{"term": t.Name, "chisq": t.Stat, "df": t.DF, "p": t.P}
	})}, nil
}

func coxBaseline(in *Input) (Results, error) {
	_, fit, err := fitCox(in)
	if err != nil {
		return nil, err
	}
	return Results{"baseline_cumhaz": each(fit.BaselineHazard(), func(h survival.Hazard) any {
		return Results{"time": h.Time, "cumhaz": h.Cumulative}
	})}, nil
}
