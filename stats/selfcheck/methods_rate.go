package selfcheck

import (
	"errors"
	"math"

	"keratally/stats"
	"keratally/stats/rate"
)

// rateMethods are about events over time at risk.
var rateMethods = map[string]Method{
	"rate_exact": rateExact,
	"rate_ratio": rateRatio,
}

func rateExact(in *Input) (Results, error) {
	e, err := exposureOf(in, "x", "t")
	if err != nil {
		return nil, err
	}
	level, err := confidence(in, "rate_one")
	if err != nil {
		return nil, err
	}
	exact, err := rate.Exact(e, level)
	if err != nil {
		return nil, err
	}
	byar, err := rate.Byar(e, level)
	if err != nil {
		return nil, err
	}
	wald, err := rate.Wald(e, level)
	if err != nil {
		return nil, err
	}
	upper, err := rate.ExactUpper(e, level)
	if err != nil {
		return nil, err
	}
	return Results{
		"x": e.Events, "t": e.Time, "conf_level": level, "rate": e.Rate(),
		"exact_low": exact.Lower, "exact_high": exact.Upper, "byar_low": byar.Lower, "byar_high": byar.Upper,
		"wald_low": wald.Lower, "wald_high": wald.Upper, "one_sided_upper": upper.Upper,
	}, nil
}

func rateRatio(in *Input) (Results, error) {
	a, err := exposureOf(in, "x1", "t1")
	if err != nil {
		return nil, err
	}
	b, err := exposureOf(in, "x2", "t2")
	if err != nil {
		return nil, err
	}
	level, err := confidence(in, "rate_two")
	if err != nil {
		return nil, err
	}
	difference, err := rate.DifferenceWald(a, b, level)
	if err != nil {
		return nil, err
	}
	out := Results{"rate_difference": difference.Estimate, "rd_low": difference.Lower, "rd_high": difference.Upper}
	exact, reason := rate.Ratio(a, b, stats.TwoSided, level)
	if reason != nil && !errors.Is(reason, stats.ErrNoEvents) {
		return out, reason
	}
	out["rate_ratio"], out["p_exact"], out["exact_low"], out["exact_high"] = exact.Estimate, exact.P, exact.Interval.Lower, exact.Interval.Upper
	wald, err := rate.RatioWald(a, b, level)
	if err != nil {
		wald.Lower, wald.Upper = math.NaN(), math.NaN()
	}
	out["log_wald_low"], out["log_wald_high"] = wald.Lower, wald.Upper
	return out, reason
}

func exposureOf(in *Input, events, time string) (rate.Exposure, error) {
	x, err := in.Int(events)
	if err != nil {
		return rate.Exposure{}, err
	}
	t, err := in.Number(time)
	return rate.Exposure{Events: x, Time: t}, err
}
