package selfcheck

import (
	"math"
	"strings"

	"keratally/stats/pool"
)

var poolMethods = map[string]Method{
	"rubin_pool":             rubinPool,
	"log_risk_ratio_effects": logRiskRatios,
	"meta_FE":                metaAnalysis,
	"meta_DL":                metaAnalysis,
	"meta_REML":              metaAnalysis,
	"meta_PM":                metaAnalysis,
	"meta_FE_hartung_knapp":  metaAnalysis, "meta_DL_hartung_knapp": metaAnalysis,
	"meta_REML_hartung_knapp": metaAnalysis, "meta_PM_hartung_knapp": metaAnalysis,
}

func rubinPool(in *Input) (Results, error) {
	q, err := in.Vector("q")
	if err != nil {
		return nil, err
	}
	se, err := in.Vector("se")
	if err != nil {
		return nil, err
	}
	df, err := in.NumberOr("dfcom", math.Inf(1))
	if err != nil {
		return nil, err
	}
	level, err := in.NumberOr("conf_level", 0.95)
	if err != nil {
		return nil, err
	}
	r, err := pool.Rubin(q, se, df, level)
	if err != nil {
		return nil, err
	}
	return Results{
		"estimate": r.Estimate, "within": r.Within, "between": r.Between, "total": r.Total, "se": r.SE,
		"riv": r.Increase, "lambda": r.Lambda, "fmi": r.Missing, "df_rubin": r.DFRubin, "df_barnard_rubin": r.DF,
		"t": r.Stat, "p": r.P, "ci_low": r.Interval.Lower, "ci_high": r.Interval.Upper,
	}, nil
}

// riskRatios evaluates escalc("RR", ai = …, bi = …, ci = …, di = …) over the
// columns of the data set.
func riskRatios(in *Input) (effects, variances []float64, err error) {
	call, err := in.Call("escalc")
	if err != nil {
		return nil, nil, err
	}
	measure, err := call.TextOr("measure", "")
	if err != nil {
		return nil, nil, err
	}
	if written := call.Positional(); measure == "" && len(written) > 0 {
		measure = strings.Trim(written[0], `"`)
	}
	if measure != "RR" {
		return nil, nil, NotCovered("measure %q", measure)
	}
	call.Allow("data")
	frame, err := in.Frame()
	if err != nil {
		return nil, nil, err
	}
	cells := map[string][]float64{}
	for _, name := range [...]string{"ai", "bi", "ci", "di"} {
		if cells[name], err = frame.Eval(call.Expression(name)); err != nil {
			return nil, nil, err
		}
	}
	if err := call.Unread(); err != nil {
		return nil, nil, err
	}
	for i := range frame.Rows() {
		a, c := cells["ai"][i], cells["ci"][i]
		effect, variance, err := pool.LogRiskRatio(a, a+cells["bi"][i], c, c+cells["di"][i])
		if err != nil {
			return nil, nil, err
		}
		effects, variances = append(effects, effect), append(variances, variance)
	}
	return effects, variances, nil
}

func logRiskRatios(in *Input) (Results, error) {
	effects, variances, err := riskRatios(in)
	if err != nil {
		return nil, err
	}
	return Results{"yi": effects, "vi": variances}, nil
}

// effectsOf returns the effects of a meta-analysis: yi and vi of the case, or
// those that its call computes.
func effectsOf(in *Input) (effects, variances []float64, err error) {
	if !in.Has("yi") {
		return riskRatios(in)
	}
	if effects, err = in.Vector("yi"); err != nil {
		return nil, nil, err
	}
	variances, err = in.Vector("vi")
	return effects, variances, err
}

func metaAnalysis(in *Input) (Results, error) {
	effects, variances, err := effectsOf(in)
	if err != nil {
		return nil, err
	}
	call, err := in.Call("rma")
	if err != nil {
		return nil, err
	}
	estimator, err := call.TextOr("method", "REML")
	if err != nil {
		return nil, err
	}
	test, err := call.TextOr("test", "z")
	if err != nil {
		return nil, err
	}
	level, err := call.NumberOr("level", 95)
	if err != nil {
		return nil, err
	}
	call.Allow("data", "control")
	if err := call.Unread(); err != nil {
		return nil, err
	}
	heterogeneity, known := map[string]pool.Heterogeneity{
		"FE": pool.Common, "EE": pool.Common, "DL": pool.DerSimonianLaird, "REML": pool.REML, "PM": pool.PauleMandel,
	}[estimator]
	if !known || test != "z" && test != "knha" {
		return nil, NotCovered("method %q with test %q", estimator, test)
	}
	m, err := pool.Studies(effects, variances, heterogeneity, test == "knha", level/100)
	if err != nil {
		return nil, err
	}
	return Results{
		"estimate": m.Estimate, "se": m.SE, "z": m.Stat, "p": m.P, "ci_low": m.Interval.Lower, "ci_high": m.Interval.Upper,
		"tau2": m.Tau2, "i2": m.I2, "h2": m.H2, "q": m.Q, "q_p": m.QP,
	}, nil
}
