package selfcheck

import (
	"math"

	"keratally/stats"
	"keratally/stats/proportion"
)

// strataMethods are about 2×2 tables combined over strata.
var strataMethods = map[string]Method{
	"mantel_haenszel": mantelHaenszelAll,
}

func mantelHaenszelAll(in *Input) (Results, error) {
	strata, err := strataOf(in)
	if err != nil {
		return nil, err
	}
	const level = 0.95
	plain, err := proportion.MantelHaenszel(strata, false)
	if err != nil {
		return nil, err
	}
	corrected, err := proportion.MantelHaenszel(strata, true)
	if err != nil {
		return nil, err
	}
	exact, err := proportion.CommonOddsRatioExact(strata, level)
	if err != nil {
		return nil, err
	}
	difference, err := proportion.CommonRiskDifference(strata, level)
	if err != nil {
		return nil, err
	}
	out := Results{
		"cmh_chisq": plain.Stat, "cmh_p": plain.P, "cmh_chisq_cc": corrected.Stat, "cmh_p_cc": corrected.P,
		"exact_p": exact.P, "exact_p_check": exact.P, "exact_or": exact.Estimate,
		"exact_ci_low": exact.Interval.Lower, "exact_ci_high": exact.Interval.Upper,
		"rd_mh": difference.Estimate, "rd_se_sato": difference.SE,
		"rd_ci_low": difference.Interval.Lower, "rd_ci_high": difference.Interval.Upper,
	}
	var reason error
	ratio := func(prefix, estimate string, f func([]proportion.Stratum, float64) (stats.Interval, error)) {
		iv, err := f(strata, level)
		if err != nil {
			reason = err
			iv = stats.Interval{Estimate: math.NaN(), Lower: math.NaN(), Upper: math.NaN()}
		}
		out[estimate], out[prefix+"_ci_low"], out[prefix+"_ci_high"] = iv.Estimate, iv.Lower, iv.Upper
	}
	ratio("or", "or_mh", proportion.CommonOddsRatio)
	ratio("rr", "rr_mh", proportion.CommonRiskRatio)
	homogeneity := func(key string, r stats.Result, err error) {
		if err != nil {
			reason = err
			r.Stat, r.P, r.DF = math.NaN(), math.NaN(), math.NaN()
		} else {
			out["df_homogeneity"] = r.DF
		}
		out[key+"_chisq"], out[key+"_p"] = r.Stat, r.P
	}
	r, err := proportion.BreslowDay(strata, false)
	homogeneity("breslow_day", r, err)
	r, err = proportion.BreslowDay(strata, true)
	homogeneity("breslow_day_tarone", r, err)
	r, err = proportion.WoolfHomogeneity(strata)
	homogeneity("woolf", r, err)
	return out, reason
}

// strataOf reads a list of 2×2 tables, rows being the groups and the first
// column the events.
func strataOf(in *Input) ([]proportion.Stratum, error) {
	value, err := in.Value("strata")
	if err != nil {
		return nil, err
	}
	list, ok := value.([]any)
	if !ok {
		return nil, NotCovered("strata is not a list of tables")
	}
	var strata []proportion.Stratum
	for _, entry := range list {
		rows, ok := entry.([]any)
		if !ok || len(rows) != 2 {
			return nil, NotCovered("a stratum is not a table of 2 by 2")
		}
		var groups [2]proportion.Count
		for i, row := range rows {
			cells, ok := row.([]any)
			if !ok || len(cells) != 2 {
				return nil, NotCovered("a stratum is not a table of 2 by 2")
			}
			var numbers []float64
			for _, cell := range cells {
				v, ok := toNumber(cell)
				if !ok {
					return nil, NotCovered("a stratum holds %v, not a count", cell)
				}
				numbers = append(numbers, v)
			}
			counts, err := wholeNumbers("strata", numbers)
			if err != nil {
				return nil, err
			}
			groups[i] = proportion.Count{Events: counts[0], N: counts[0] + counts[1]}
		}
		strata = append(strata, proportion.Stratum{A: groups[0], B: groups[1]})
	}
	return strata, nil
}
