package selfcheck

import (
	"keratally/stats/monitor"
)

// monitorMethods are about units and time watched against a target.
var monitorMethods = map[string]Method{
	"funnel_limits_binomial": funnelLimits,
	"funnel_units":           funnelUnits,
}

func funnelLimits(in *Input) (Results, error) {
	x, err := in.Vector("n")
	if err != nil {
		return nil, err
	}
	sizes, err := wholeNumbers("n", x)
	if err != nil {
		return nil, err
	}
	target, err := in.Number("p0")
	if err != nil {
		return nil, err
	}
	var rows []any
	for _, n := range sizes {
		row := Results{"n": n}
		for suffix, p := range map[string]float64{"p025": 0.025, "p975": 0.975, "p001": 0.001, "p999": 0.999} {
			l, err := monitor.FunnelLimit(n, target, p)
			if err != nil {
				return nil, err
			}
			row["limit_"+suffix], row["quantile_"+suffix], row["normal_"+suffix] = l.Value, l.Quantile, l.Normal
		}
		rows = append(rows, row)
	}
	return Results{"p0": target, "rows": rows}, nil
}

func funnelUnits(in *Input) (Results, error) {
	groups, err := groupCounts(in)
	if err != nil {
		return nil, err
	}
	target, err := monitor.Pooled(groups)
	if err != nil {
		return nil, err
	}
	u, err := monitor.NewUnits(groups, target)
	if err != nil {
		return nil, err
	}
	column := func(f func(monitor.Unit) float64) []float64 {
		out := make([]float64, len(u.Units))
		for i, unit := range u.Units {
			out[i] = f(unit)
		}
		return out
	}
	return Results{
		"p0": u.Target, "phi": u.Phi, "tau2": u.Tau2,
		"z":                         column(func(u monitor.Unit) float64 { return u.Z }),
		"z_arcsine":                 column(func(u monitor.Unit) float64 { return u.ZArcsine }),
		"z_overdispersed_additive":  column(func(u monitor.Unit) float64 { return u.ZOverdispersed }),
		"p_exact_two_sided_doubled": column(func(u monitor.Unit) float64 { return u.PExact }),
		"p_mid":                     column(func(u monitor.Unit) float64 { return u.PMid }),
	}, nil
}
