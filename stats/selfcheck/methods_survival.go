package selfcheck

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"

	"keratally/stats/regress"
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

// survivalModel is a formula with Surv on its left side, read from the call.
type survivalModel struct {
	data   survival.Data
	design *regress.Design
	x      *mat.Dense // without the constant
	terms  []string
	groups []survival.TermColumns
	strata []string
}

// readSurvivalModel reads the formula, strata and cluster of the function's call.
func readSurvivalModel(in *Input, function string) (*survivalModel, *Call, error) {
	call, err := in.Call(function)
	if err != nil {
		return nil, nil, err
	}
	call.Allow("control", "singular.ok", "x", "y", "model")
	if data := call.Expression("data"); data != "d" && data != "" {
		return nil, nil, NotCovered("data = %s is not the data set", data)
	}
	text := call.Expression("formula")
	if text == "" && len(call.Positional()) > 0 {
		text = call.Positional()[0]
	}
	for _, argument := range []string{"formula", "strata", "cluster", "rho"} {
		if in.Has(argument) { // the call says the same
			if _, err := in.Value(argument); err != nil {
				return nil, nil, err
			}
		}
	}
	formula, err := modelFormula(text)
	if err != nil {
		return nil, nil, err
	}
	cluster := call.Expression("cluster")
	names := formula.Names()
	if cluster != "" {
		names = append(names, strings.TrimPrefix(cluster, "d$"))
	}
	m := &survivalModel{}
	return m, call, m.read(in, formula, names, strings.TrimPrefix(cluster, "d$"))
}

func (m *survivalModel) read(in *Input, formula *regress.Formula, names []string, cluster string) error {
	frame, err := in.Frame()
	if err != nil {
		return err
	}
	if frame, err = frame.Complete(names...); err != nil {
		return err
	}
	strata := formula.TakeCalls("strata")
	for _, c := range formula.TakeCalls("cluster") {
		_, args, _ := c.Call()
		if len(args) != 1 || cluster != "" {
			return NotCovered("%s is not one cluster", c)
		}
		cluster = args[0].String()
	}
	for _, term := range formula.Terms() {
		if strings.Contains(term, "strata(") || strings.Contains(term, "cluster(") {
			return NotCovered("term %s", term)
		}
	}
	if !formula.Intercept {
		return NotCovered("a survival model without constant")
	}
	if m.design, err = modelDesign(frame, formula); err != nil {
		return err
	}
	if m.data, err = survivalResponse(m.design); err != nil {
		return err
	}
	for _, s := range strata {
		_, args, _ := s.Call()
		for _, a := range args {
			codes, labels, err := labelledGroups(m.design, a.String())
			if err != nil {
				return err
			}
			m.data.Strata = crossCodes(m.data.Strata, codes, len(labels))
		}
	}
	if cluster != "" {
		if m.data.Cluster, _, err = m.design.Groups(cluster); err != nil {
			return err
		}
	}
	m.columns()
	return nil
}

// columns takes the constant off the design and gathers the columns of each term.
func (m *survivalModel) columns() {
	d := m.design
	m.terms = d.Names[1:]
	if len(m.terms) == 0 {
		return
	}
	m.x = mat.DenseCopyOf(d.X.Slice(0, len(d.Rows), 1, len(d.Names)))
	for k, term := range d.Formula.Terms() {
		group := survival.TermColumns{Name: term}
		for j, of := range d.Assign {
			if of == k+1 {
				group.Columns = append(group.Columns, j-1)
			}
		}
		m.groups = append(m.groups, group)
	}
}

// crossCodes numbers the combinations of two groupings, the first varying slowest.
func crossCodes(first, second []int, levels int) []int {
	if first == nil {
		return second
	}
	out := make([]int, len(first))
	for i := range out {
		out[i] = first[i]*levels + second[i]
	}
	return out
}

func survivalResponse(d *regress.Design) (survival.Data, error) {
	function, _, _ := d.Formula.Response.Call()
	if function != "Surv" || len(d.Parts) < 1 || len(d.Parts) > 2 {
		return survival.Data{}, NotCovered("response %s is not a right-censored time", d.Formula.Response)
	}
	data := survival.Data{Time: d.Parts[0], Event: make([]bool, len(d.Parts[0]))}
	for i := range data.Event {
		data.Event[i] = true
	}
	var err error
	if len(d.Parts) == 2 {
		data.Event, err = eventMarks(d.Parts[1])
	}
	return data, err
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
