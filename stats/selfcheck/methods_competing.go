package selfcheck

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"keratally/stats/survival"
)

var competingMethods = map[string]Method{
	"cumulative_incidence": cumulativeIncidence,
	"gray_test":            grayTest,
	"fine_gray":            fineGray,
}

// numberList reads c(1, 2, 3) or one number of a call.
func numberList(text string) ([]float64, error) {
	text = strings.TrimSuffix(strings.TrimPrefix(text, "c("), ")")
	var out []float64
	for _, part := range strings.Split(text, ",") {
		number, err := parseRNumber("list", part)
		if err != nil {
			return nil, err
		}
		out = append(out, number)
	}
	return out, nil
}

// recoded applies the recoding that a call makes of the status, as in
// c(1, 0, 2)[status]: the first code stands for status 1, and so on.
func recoded(status []float64, expression string) ([]int, error) {
	var table []float64
	if list, _, ok := strings.Cut(expression, "["); ok {
		var err error
		if table, err = numberList(list); err != nil {
			return nil, err
		}
	} else if strings.ContainsAny(expression, "(+-*/=") {
		return nil, NotCovered("status %s", expression)
	}
	causes := make([]int, len(status))
	for i, s := range status {
		code := s
		if table != nil {
			if k := int(s); float64(k) != s || k < 1 || k > len(table) {
				return nil, NotCovered("status %v has no code in %s", s, expression)
			}
			code = table[int(s)-1]
		}
		if code != math.Trunc(code) {
			return nil, NotCovered("status %v is no whole number", code)
		}
		causes[i] = int(code)
	}
	return causes, nil
}

// competingData reads time and status and the call of the function.
func competingData(in *Input, function string) (survival.CompetingData, *Call, error) {
	var d survival.CompetingData
	call, err := in.Call(function)
	if err != nil {
		return d, nil, err
	}
	if len(call.Positional()) < 3 {
		return d, nil, NotCovered("%s with %d arguments", function, len(call.Positional()))
	}
	if in.Has("recode") { // the call says the same
		if _, err := in.Text("recode"); err != nil {
			return d, nil, err
		}
	}
	if err := call.Unread(); err != nil {
		return d, nil, err
	}
	if d.Time, err = in.Vector("time"); err != nil {
		return d, nil, err
	}
	status, err := in.Vector("status")
	if err != nil {
		return d, nil, err
	}
	d.Cause, err = recoded(status, call.Positional()[1])
	return d, call, err
}

func cumulativeIncidence(in *Input) (Results, error) {
	d, call, err := competingData(in, "cif_tab")
	if err != nil {
		return nil, err
	}
	var times []float64
	if expression := call.Positional()[2]; in.Has(expression) {
		times, err = optionalNumbers(in, expression)
	} else {
		times, err = numberList(expression)
	}
	if err != nil {
		return nil, err
	}
	aalen, err := survival.CumulativeIncidence(d, survival.LogLog, 0.95)
	if err != nil {
		return nil, err
	}
	single := d // every row its own cluster: the infinitesimal jackknife
	for i := range d.Time {
		single.Cluster = append(single.Cluster, i)
	}
	jackknife, err := survival.CumulativeIncidence(single, survival.Log, 0.95)
	if err != nil {
		return nil, err
	}
	out := Results{"n": len(d.Time)}
	last := 0.0
	for _, t := range d.Time {
		last = max(last, t)
	}
	highest := aalen[len(aalen)-1].Cause
	states := make([]any, highest)
	for k := 1; k <= highest; k++ {
		states[k-1] = strconv.Itoa(k)
		rows := each(times, func(t float64) any {
			return Results{"time": t, "cif": 0.0, "se_ij": 0.0, "ci_low_log": nil, "ci_high_log": nil}
		})
		for c := range aalen {
			if aalen[c].Cause == k {
				rows = each(times, func(t float64) any { return incidenceRow(t, last, aalen[c].At(t), jackknife[c].At(t)) })
			}
		}
		out[fmt.Sprintf("cause_%d", k)] = rows
	}
	out["states"] = states
	return out, nil
}

// incidenceRow has the Aalen-type results only up to the last time observed.
func incidenceRow(t, last float64, aalen, jackknife survival.IncidencePoint) Results {
	row := Results{
		"time": t, "cif": jackknife.Incidence, "se_ij": jackknife.SE, "ci_low_log": jackknife.Lower, "ci_high_log": jackknife.Upper,
		"cif_cmprsk": aalen.Incidence, "se_aalen_delta": aalen.SE, "ci_low_loglog": aalen.Lower, "ci_high_loglog": aalen.Upper,
	}
	if t > last {
		row["cif_cmprsk"], row["se_aalen_delta"] = nil, nil
	}
	if t > last || aalen.Incidence == 0 {
		row["ci_low_loglog"], row["ci_high_loglog"] = nil, nil
	}
	return row
}

func grayTest(in *Input) (Results, error) {
	d, _, err := competingData(in, "gray")
	if err != nil {
		return nil, err
	}
	group, _, err := in.Factor("g")
	if err != nil {
		return nil, err
	}
	tests, err := survival.GrayTest(d, group, 0)
	if err != nil {
		return nil, err
	}
	return Results{"rows": each(tests, func(t survival.GrayResult) any {
		return Results{"cause": strconv.Itoa(t.Cause), "chisq": t.Stat, "df": t.DF, "p": t.P}
	})}, nil
}

func fineGray(in *Input) (Results, error) {
	call, err := in.Call("fg")
	if err != nil {
		return nil, err
	}
	arguments := call.Positional()
	if len(arguments) != 3 || !strings.HasPrefix(arguments[0], "d$") {
		return nil, NotCovered("call %s", in.CallText())
	}
	if in.Has("recode") { // the call says the same
		if _, err := in.Text("recode"); err != nil {
			return nil, err
		}
	}
	covariates, err := in.Texts("covariates")
	if err != nil {
		return nil, err
	}
	timeName := strings.TrimPrefix(arguments[0], "d$")
	_, status, found := strings.Cut(arguments[1], "d$")
	if !found {
		return nil, NotCovered("status %s", arguments[1])
	}
	status = strings.TrimSuffix(status, "]")
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	if frame, err = frame.Complete(append([]string{timeName, status}, covariates...)...); err != nil {
		return nil, err
	}
	var d survival.CompetingData
	if d.Time, err = frame.Numbers(timeName); err != nil {
		return nil, err
	}
	codes, err := frame.Numbers(status)
	if err != nil {
		return nil, err
	}
	if d.Cause, err = recoded(codes, strings.ReplaceAll(arguments[1], "d$", "")); err != nil {
		return nil, err
	}
	x, err := numericColumns(frame, covariates)
	if err != nil {
		return nil, err
	}
	fit, err := survival.FineGray(d, 1, x, covariates, 0.95)
	if err != nil {
		return nil, err
	}
	return Results{
		"rows": each(fit.Coefficients, func(c survival.Coefficient) any {
			return Results{"coef": c.Estimate, "se": c.SE, "z": c.Z}
		}),
		"loglik": fit.LogLik,
	}, nil
}
