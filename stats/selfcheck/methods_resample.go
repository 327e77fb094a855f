package selfcheck

import (
	"math"

	"keratally/stats/describe"
	"keratally/stats/resample"
	"keratally/stats/sum"
)

var resampleMethods = map[string]Method{
	"bca_deterministic":  jackknife,
	"bootstrap_bca_mean": bootstrap,
	"boot_package":       bootstrap,
}

// statistic returns the statistic to resample, from the argument "statistic",
// from stat = … in the call of bca_det or bca_runs, or from the function given
// to boot; the mean otherwise.
func statistic(in *Input) (func([]float64) float64, error) {
	name, err := in.TextOr("statistic", "mean")
	if err != nil {
		return nil, err
	}
	for _, function := range [...]string{"bca_det", "bca_runs"} {
		if call, ok := findCall(in.CallText(), function); ok {
			if call.Has("stat") {
				name = call.Expression("stat")
			}
			call.Allow("R", "runs", "seed")
			if err := call.Unread(); err != nil {
				return nil, err
			}
		}
	}
	if call, ok := findCall(in.CallText(), "boot"); ok && len(call.Positional()) > 1 {
		switch function := call.Positional()[1]; function {
		case "function(v,i)mean(v[i])":
		case "function(v,i)median(v[i])":
			name = "median"
		default:
			return nil, NotCovered("statistic %q", function)
		}
		call.Allow("R")
		if err := call.Unread(); err != nil {
			return nil, err
		}
	}
	switch name {
	case "mean":
		return sum.Mean, nil
	case "median":
		return medianOf, nil
	}
	return nil, NotCovered("statistic %q", name)
}

// medianOf is the median of a sample that holds no NaN and is not empty.
func medianOf(x []float64) float64 {
	median, err := describe.Median(x)
	if err != nil {
		return math.NaN()
	}
	return median
}

func sampleAndStatistic(in *Input) (x []float64, of func([]float64) float64, err error) {
	if x, err = in.Vector("x"); err != nil {
		return nil, nil, err
	}
	of, err = statistic(in)
	return x, of, err
}

func jackknife(in *Input) (Results, error) {
	x, of, err := sampleAndStatistic(in)
	if err != nil {
		return nil, err
	}
	j, err := resample.Jackknife(x, of)
	if err != nil {
		return nil, err
	}
	return Results{"estimate": j.Estimate, "jackknife_se": j.SE, "acceleration": j.Acceleration}, nil
}

func bootstrap(in *Input) (Results, error) {
	x, of, err := sampleAndStatistic(in)
	if err != nil {
		return nil, err
	}
	// Enough resamples keep our own Monte Carlo error small beside the
	// tolerance of the reference.
	b, err := resample.Values(x, of, resample.Settings{Resamples: 100_000, Seed: 20240601, Level: 0.95})
	if err != nil {
		return nil, err
	}
	return Results{
		"estimate": b.Estimate, "boot_se": b.SE, "z0": b.Z0,
		"bca_low": b.BCa.Lower, "bca_high": b.BCa.Upper,
		"percentile_low": b.Percentile.Lower, "percentile_high": b.Percentile.Upper,
		"perc_low": b.Percentile.Lower, "perc_high": b.Percentile.Upper,
		"basic_low": b.Basic.Lower, "basic_high": b.Basic.Upper,
		"normal_low": b.Normal.Lower, "normal_high": b.Normal.Upper,
	}, nil
}
