package selfcheck

import (
	"math"

	"keratally/stats/dist"
)

// The names are those of R's functions: p for tails, q for quantiles, d for
// probabilities.
var distributionMethods = map[string]Method{
	"pnorm": tails("q", []string{"mean=0", "sd=1"}, func(x float64, a []float64) (float64, float64) {
		z := (x - a[0]) / a[1]
		return dist.NormalCDF(z), dist.NormalSF(z)
	}),
	"qnorm": quantile([]string{"mean=0", "sd=1"}, func(p float64, a []float64) float64 { return a[0] + a[1]*dist.NormalQuantile(p) }),
	"pt":    studentT,
	"qt":    quantile([]string{"df"}, func(p float64, a []float64) float64 { return dist.TQuantile(p, a[0]) }),
	"pchisq": tails("q", []string{"df"}, func(x float64, a []float64) (float64, float64) {
		return dist.ChiSquaredCDF(x, a[0]), dist.ChiSquaredSF(x, a[0])
	}),
	"qchisq": quantile([]string{"df"}, func(p float64, a []float64) float64 { return dist.ChiSquaredQuantile(p, a[0]) }),
	"pf": tails("q", []string{"df1", "df2"}, func(x float64, a []float64) (float64, float64) {
		return dist.FCDF(x, a[0], a[1]), dist.FSF(x, a[0], a[1])
	}),
	"qf": quantile([]string{"df1", "df2"}, func(p float64, a []float64) float64 { return dist.FQuantile(p, a[0], a[1]) }),
	"pbeta": tails("q", []string{"shape1", "shape2"}, func(x float64, a []float64) (float64, float64) {
		return dist.BetaCDF(x, a[0], a[1]), dist.BetaSF(x, a[0], a[1])
	}),
	"qbeta": quantile([]string{"shape1", "shape2"}, func(p float64, a []float64) float64 { return dist.BetaQuantile(p, a[0], a[1]) }),
	"pbinom": tails("q", []string{"size", "prob"}, func(x float64, a []float64) (float64, float64) {
		return dist.BinomialCDF(whole(x), whole(a[0]), a[1]), dist.BinomialSF(whole(x), whole(a[0]), a[1])
	}),
	"dbinom": value("x", []string{"size", "prob"}, func(x float64, a []float64) float64 { return dist.BinomialPMF(whole(x), whole(a[0]), a[1]) }),
	"ppois": tails("q", []string{"lambda"}, func(x float64, a []float64) (float64, float64) {
		return dist.PoissonCDF(whole(x), a[0]), dist.PoissonSF(whole(x), a[0])
	}),
	"dpois": value("x", []string{"lambda"}, func(x float64, a []float64) float64 { return dist.PoissonPMF(whole(x), a[0]) }),
	"phyper": tails("q", []string{"m", "n", "k"}, func(x float64, a []float64) (float64, float64) {
		return dist.HypergeometricCDF(whole(x), whole(a[0]), whole(a[1]), whole(a[2])), dist.HypergeometricSF(whole(x), whole(a[0]), whole(a[1]), whole(a[2]))
	}),
	"dhyper": value("x", []string{"m", "n", "k"}, func(x float64, a []float64) float64 {
		return dist.HypergeometricPMF(whole(x), whole(a[0]), whole(a[1]), whole(a[2]))
	}),
	"psignrank": tails("q", []string{"n"}, func(x float64, a []float64) (float64, float64) {
		return dist.SignedRankCDF(whole(x), whole(a[0])), dist.SignedRankSF(whole(x), whole(a[0]))
	}),
	"qsignrank": quantile([]string{"n"}, func(p float64, a []float64) float64 { return float64(dist.SignedRankQuantile(p, whole(a[0]))) }),
	"pwilcox": tails("q", []string{"m", "n"}, func(x float64, a []float64) (float64, float64) {
		return dist.RankSumCDF(whole(x), whole(a[0]), whole(a[1])), dist.RankSumSF(whole(x), whole(a[0]), whole(a[1]))
	}),
	"qwilcox": quantile([]string{"m", "n"}, func(p float64, a []float64) float64 {
		return float64(dist.RankSumQuantile(p, whole(a[0]), whole(a[1])))
	}),
	"ptukey": tails("q", []string{"nmeans", "df"}, func(x float64, a []float64) (float64, float64) {
		return dist.TukeyCDF(x, whole(a[0]), a[1]), dist.TukeySF(x, whole(a[0]), a[1])
	}),
	"qtukey": quantile([]string{"nmeans", "df"}, func(p float64, a []float64) float64 { return dist.TukeyQuantile(p, whole(a[0]), a[1]) }),

	"studentized_range_sf":  value("q", []string{"k", "df"}, func(q float64, a []float64) float64 { return dist.TukeySF(q, whole(a[0]), a[1]) }),
	"studentized_range_cdf": value("q", []string{"k", "df"}, func(q float64, a []float64) float64 { return dist.TukeyCDF(q, whole(a[0]), a[1]) }),
	"studentized_range_ppf": value("p", []string{"k", "df"}, func(p float64, a []float64) float64 { return dist.TukeyQuantile(p, whole(a[0]), a[1]) }),
}

// whole rounds down; counts are written as whole numbers.
func whole(x float64) int { return int(math.Floor(x)) }

// studentT is central, or noncentral where the case has ncp.
func studentT(in *Input) (Results, error) {
	if !in.Has("ncp") {
		return tails("q", []string{"df"}, func(x float64, a []float64) (float64, float64) { return dist.TCDF(x, a[0]), dist.TSF(x, a[0]) })(in)
	}
	return tails("q", []string{"df", "ncp"}, func(x float64, a []float64) (float64, float64) {
		return dist.NoncentralTCDF(x, a[0], a[1]), dist.NoncentralTSF(x, a[0], a[1])
	})(in)
}

// tails adapts a function that returns both tails; lower.tail chooses one.
func tails(variable string, parameters []string, at func(x float64, a []float64) (lower, upper float64)) Method {
	return func(in *Input) (Results, error) {
		lowerTail, err := in.BoolOr("lower.tail", true)
		if err != nil {
			return nil, err
		}
		return value(variable, parameters, func(x float64, a []float64) float64 {
			lower, upper := at(x, a)
			if lowerTail {
				return lower
			}
			return upper
		})(in)
	}
}

// quantile adapts a quantile function; the upper tail is that of 1 − p.
func quantile(parameters []string, at func(p float64, a []float64) float64) Method {
	return func(in *Input) (Results, error) {
		lowerTail, err := in.BoolOr("lower.tail", true)
		if err != nil {
			return nil, err
		}
		return value("p", parameters, func(p float64, a []float64) float64 {
			if !lowerTail {
				p = 1 - p
			}
			return at(p, a)
		})(in)
	}
}

// value adapts a function of one variable and parameters; a parameter written
// "name=number" has that default.
func value(variable string, parameters []string, at func(x float64, a []float64) float64) Method {
	return func(in *Input) (Results, error) {
		x, err := in.Number(variable)
		if err != nil {
			return nil, err
		}
		arguments := make([]float64, len(parameters))
		for i, parameter := range parameters {
			name, fallback, optional := cutDefault(parameter)
			if optional {
				arguments[i], err = in.NumberOr(name, fallback)
			} else {
				arguments[i], err = in.Number(name)
			}
			if err != nil {
				return nil, err
			}
		}
		return Results{"value": at(x, arguments)}, nil
	}
}

func cutDefault(parameter string) (name string, fallback float64, optional bool) {
	for i := range parameter {
		if parameter[i] == '=' {
			fallback, _ = parseRNumber(parameter[:i], parameter[i+1:])
			return parameter[:i], fallback, true
		}
	}
	return parameter, 0, false
}
