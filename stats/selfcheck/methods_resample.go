package selfcheck

import (
	"keratally/stats/resample"
	"keratally/stats/sum"
)

var resampleMethods = map[string]Method{
	"bca_deterministic":  jackknife,
	"bootstrap_bca_mean": bootstrapMean,
	"boot_package":       bootstrapMean,
}

func onlyMean(in *Input) error {
	statistic, err := in.TextOr("statistic", "mean")
	if err == nil && statistic != "mean" {
		err = NotCovered("statistic %q", statistic)
	}
	return err
}

func jackknife(in *Input) (Results, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	if err := onlyMean(in); err != nil {
		return nil, err
	}
	j, err := resample.Jackknife(x, sum.Mean)
	if err != nil {
		return nil, err
	}
	return Results{"estimate": j.Estimate, "jackknife_se": j.SE, "acceleration": j.Acceleration}, nil
}

func bootstrapMean(in *Input) (Results, error) {
	x, err := in.Vector("x")
	if err != nil {
		return nil, err
	}
	if err := onlyMean(in); err != nil {
		return nil, err
	}
	// As many resamples as the reference averages over keep our own Monte
	// Carlo error small beside its tolerance.
	b, err := resample.Mean(x, resample.Settings{Resamples: 200_000, Seed: 20240601, Level: 0.95})
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
