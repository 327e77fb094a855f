package selfcheck

import (
	"fmt"
	"math"
	"slices"

	"keratally/stats/survival"
)

var survivalMethods = map[string]Method{
	"kaplan_meier":             kaplanMeier,
	"logrank":                  logRank,
	"peto_peto":                logRank,
	"logrank_stratified":       logRank,
	"cox_efron":                coxRegression,
	"cox_breslow":              coxRegression,
	"cox_efron_cluster_robust": coxRegression,
	"schoenfeld_km":            schoenfeld,
	"schoenfeld_identity":      schoenfeld,
	"schoenfeld_log":           schoenfeld,
	"cox_baseline_hazard":      coxBaseline,
}

func kaplanMeier(in *Input) (Results, error) {
	times, err := in.Vector("time")
	if err != nil {
		return nil, err
	}
	status, err := in.Vector("status")
	if err != nil {
		return nil, err
	}
	data := survival.Data{Time: times}
	if data.Event, err = eventMarks(status); err != nil {
		return nil, err
	}
	at, err := optionalNumbers(in, "times")
	if err != nil {
		return nil, err
	}
	tau, err := optionalNumbers(in, "tau")
	if err != nil {
		return nil, err
	}
	statusSum := 0.0 // the reference's "events", which of a status 1 and 2 is no count
	for _, s := range status {
		statusSum += s
	}
	out := Results{"events": statusSum}
	for name, limits := range map[string]survival.Limits{"log_log": survival.LogLog, "log": survival.Log, "plain": survival.Plain} {
		curve, err := survival.KaplanMeier(data, limits, 0.95)
		if err != nil {
			return nil, err
		}
		median := curve.Median()
		out["median_"+name] = Results{"median": reached(median.Estimate), "ci_low": reached(median.Lower), "ci_high": reached(median.Upper)}
		quartiles := Results{}
		for key, p := range map[string]float64{"q25": 0.25, "q75": 0.75} {
			q, err := curve.Quantile(p)
			if err != nil {
				return nil, err
			}
			quartiles[key], quartiles[key+"_low"], quartiles[key+"_high"] = reached(q.Estimate), reached(q.Lower), reached(q.Upper)
		}
		out["quartiles_"+name] = quartiles
		if limits != survival.LogLog {
			out["ci_"+name] = Results{
				"ci_low":  each(curve.Points, func(p survival.Point) any { return p.Lower }),
				"ci_high": each(curve.Points, func(p survival.Point) any { return p.Upper }),
			}
			continue
		}
		if err := kaplanMeierCurve(out, curve, at, tau); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func kaplanMeierCurve(out Results, curve *survival.Curve, at, tau []float64) error {
	out["n"] = curve.N
	out["curve"] = each(curve.Points, func(p survival.Point) any {
		return Results{
			"time": p.Time, "n_risk": p.AtRisk, "n_event": p.Events, "n_censor": p.Censored,
			"surv": p.Survival, "se_greenwood": p.SE, "ci_low": p.Lower, "ci_high": p.Upper,
		}
	})
	out["nelson_aalen"] = Results{
		"cumhaz": each(curve.Points, func(p survival.Point) any { return p.CumulativeHazard }),
		"se":     each(curve.Points, func(p survival.Point) any { return p.CumulativeHazardSE }),
	}
	if len(at) > 0 {
		out["at_times"] = each(at, func(t float64) any {
			p := curve.At(t)
			return Results{"time": t, "n_risk": p.AtRisk, "surv": p.Survival, "se_greenwood": p.SE, "ci_low": p.Lower, "ci_high": p.Upper}
		})
	}
	if len(tau) > 0 {
		mean, err := curve.RestrictedMean(tau[0])
		if err != nil {
			return err
		}
		out["rmst"] = Results{"tau": tau[0], "rmst": mean.Estimate, "se": mean.SE}
	}
	return nil
}

// reached turns a time that follow-up did not reach into no result.
func reached(t float64) any {
	if math.IsInf(t, 1) {
		return nil
	}
	return t
}

func each[T any](list []T, value func(T) any) []any {
	out := make([]any, len(list))
	for i, x := range list {
		out[i] = value(x)
	}
	return out
}

// optionalNumbers returns an argument that is a list, one number, null or absent.
func optionalNumbers(in *Input, name string) ([]float64, error) {
	if !in.Has(name) {
		return nil, nil
	}
	value, err := in.Value(name)
	if err != nil || value == nil {
		return nil, err
	}
	if number, ok := toNumber(value); ok {
		return []float64{number}, nil
	}
	return in.Vector(name)
}

// eventMarks reads a status as R's Surv does: 0 and 1, or 1 and 2 if a 2 occurs.
func eventMarks(status []float64) ([]bool, error) {
	event := 1.0
	if len(status) > 0 && slices.Max(status) == 2 {
		event = 2
	}
	marks := make([]bool, len(status))
	for i, s := range status {
		if s != event && s != event-1 {
			return nil, NotCovered("status %v in row %d is neither censored nor an event", s, i+1)
		}
		marks[i] = s == event
	}
	return marks, nil
}

func logRank(in *Input) (Results, error) {
	m, call, err := readSurvivalModel(in, "survdiff")
	if err != nil {
		return nil, err
	}
	rho, err := call.NumberOr("rho", 0)
	if err != nil {
		return nil, err
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	var group []int
	labels := []string{""}
	for k, term := range m.design.Formula.Terms() {
		codes, levels, err := labelledGroups(m.design, term)
		if err != nil {
			return nil, err
		}
		group = crossCodes(group, codes, len(levels))
		labels = crossLabels(labels, term, levels, k > 0)
	}
	if group == nil {
		return nil, NotCovered("a test without groups")
	}
	r, err := survival.LogRank(m.data, group, survival.LogRankOptions{Rho: rho})
	names := each(r.Groups, func(g int) any { return labels[g] })
	return Results{
		"chisq": r.Stat, "df": r.DF, "p_value": r.P, "observed": r.Observed, "expected": r.Expected,
		"variance": r.Variance, "groups": names, "n": r.PerGroup,
	}, err
}

// crossLabels joins the labels of two groupings as R's strata does: later
// labels are padded to one width.
func crossLabels(labels []string, term string, levels []string, later bool) []string {
	width := 0
	for _, level := range levels {
		width = max(width, len([]rune(level)))
	}
	var out []string
	for _, have := range labels {
		for _, level := range levels {
			if !later {
				out = append(out, term+"="+level)
				continue
			}
			out = append(out, fmt.Sprintf("%s, %s=%-*s", have, term, width, level))
		}
	}
	return out
}
