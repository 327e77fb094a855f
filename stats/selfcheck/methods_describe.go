package selfcheck

import (
	"errors"
	"math"

	"keratally/stats"
	"keratally/stats/describe"
	"keratally/stats/sum"
)

var describeMethods = map[string]Method{
	"describe":        describeSample,
	"quantile":        quantileTypes,
	"median_ci_exact": medianExact,
	"shapiro_wilk":    shapiroWilk,
	"univariate":      univariate,
}

// callLevel returns the coverage of a case: the argument conf_level or conf, or
// the second argument of describe(x, 0.95) and its like.
func callLevel(in *Input, function string) (float64, error) {
	for _, name := range [...]string{"conf_level", "conf"} {
		if in.Has(name) {
			return in.Number(name)
		}
	}
	call, ok := findCall(in.CallText(), function)
	if !ok {
		return 0.95, nil
	}
	level, err := call.NumberOr("conf", 0.95)
	if err != nil {
		return 0, err
	}
	if written := call.Positional(); len(written) > 1 {
		if level, err = parseRNumber("conf", written[1]); err != nil {
			return 0, err
		}
	}
	return level, call.Unread()
}

func describeSample(in *Input) (Results, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	level, err := callLevel(in, "describe")
	if err != nil {
		return nil, err
	}
	s, err := describe.Summarise(x, level)
	if err != nil {
		return nil, err
	}
	r := Results{
		"n": s.N, "sum": s.Sum, "mean": s.Mean.Estimate, "sd": s.SD, "variance": s.Variance, "se_mean": s.SE,
		"ci_low": s.Mean.Lower, "ci_high": s.Mean.Upper, "conf_level": level,
		"min": s.Min, "q05": s.Q05, "q10": s.Q10, "q25": s.Q25, "median": s.Median,
		"q75": s.Q75, "q90": s.Q90, "q95": s.Q95, "max": s.Max, "iqr": s.IQR,
		"mad_raw": s.MAD, "mad_1.4826": 1.4826 * s.MAD, "cv": s.CV,
		"skewness_g1": s.Shape.SkewnessMoment, "skewness_G1": s.Shape.Skewness, "skewness_b1": s.Shape.SkewnessB1,
		"kurtosis_g2": s.Shape.KurtosisMoment, "kurtosis_G2": s.Shape.Kurtosis, "kurtosis_b2": s.Shape.KurtosisB2,
	}
	if in.Expects("geometric_mean") {
		g, err := describe.GeometricMean(x, level)
		if err != nil {
			return r, err
		}
		r["geometric_mean"], r["geometric_sd"] = g.Mean.Estimate, g.SD
		r["gm_ci_low"], r["gm_ci_high"] = g.Mean.Lower, g.Mean.Upper
	}
	return r, nil
}

func quantileTypes(in *Input) (Results, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	p := []float64{0, 0.01, 0.05, 0.1, 0.25, 1.0 / 3, 0.5, 2.0 / 3, 0.75, 0.9, 0.95, 0.99, 1}
	if in.Has("p") {
		if p, err = in.Vector("p"); err != nil {
			return nil, err
		}
	}
	r := Results{"p": p}
	for key, definition := range map[string]describe.QuantileType{
		"type2": describe.Type2, "type6": describe.Type6, "type7": describe.Type7, "type8": describe.Type8,
	} {
		if r[key], err = describe.Quantiles(x, definition, p...); err != nil {
			return nil, err
		}
	}
	return r, nil
}

func medianExact(in *Input) (Results, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	level, err := callLevel(in, "median_ci_exact")
	if err != nil {
		return nil, err
	}
	ci, err := describe.MedianCI(x, level)
	if errors.Is(err, stats.ErrTooFew) && len(x) > 0 {
		median, medianErr := describe.Median(x)
		if medianErr != nil {
			return nil, medianErr
		}
		return Results{"median": median, "n": len(x), "ci_low": math.NaN(), "ci_high": math.NaN(), "conf_level": level}, err
	}
	if err != nil {
		return nil, err
	}
	return Results{
		"median": ci.Estimate, "n": ci.N, "rank_low": ci.RankLow, "rank_high": ci.RankHigh,
		"ci_low": ci.Lower, "ci_high": ci.Upper, "conf_level": level, "achieved_level": ci.Achieved,
	}, nil
}

func shapiroWilk(in *Input) (Results, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	r, err := describe.ShapiroWilk(x)
	if err != nil {
		return nil, err
	}
	return Results{"statistic": r.Stat, "statistic_name": "W", "p_value": r.P}, nil
}

// univariate is the summary that NIST certifies, of the vector y or x or else
// the column y.
func univariate(in *Input) (Results, error) {
	y, err := univariateValues(in)
	if err != nil {
		return nil, err
	}
	s, err := describe.Summarise(y, 0.95)
	if err != nil {
		return nil, err
	}
	r := Results{"n": s.N, "mean": s.Mean.Estimate, "sd": s.SD, "variance": s.Variance, "sum": sum.Sum(y)}
	r["autocorrelation_lag1"], err = describe.Autocorrelation(y)
	if err != nil {
		r["autocorrelation_lag1"] = math.NaN()
	}
	return r, err
}

func univariateValues(in *Input) ([]float64, error) {
	for _, name := range [...]string{"y", "x"} {
		if in.Has(name) {
			return in.Vector(name)
		}
	}
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	if frame, err = frame.Complete("y"); err != nil {
		return nil, err
	}
	return frame.Numbers("y")
}
