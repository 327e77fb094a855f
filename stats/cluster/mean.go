package cluster

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/regress"
	"keratally/stats/sum"
)

// MeanResult is a mean of clustered values with its between-cluster standard
// error, and the mean in which every cluster counts once.
type MeanResult struct {
	stats.Result
	ClusterMean   float64 // mean of the cluster means
	ClusterMeanSE float64
	ICC           ICCResult
	DesignEffect  float64 // 1 + (Σn²/N − 1)·ICC, Kish; NaN if no cluster has two values
}

// Mean estimates the mean of values that are correlated within clusters:
//
//	ȳ ± t·√(K/(K − 1)·Σ_i (Σ_j (y_ij − ȳ))²)/N
//
// over K clusters, with t on K − 1 degrees of freedom (CR1). It tests the mean
// against 0. The errors are stats.ErrTooFew, stats.ErrOneGroup,
// stats.ErrNoVariance, stats.ErrNotFinite and stats.ErrLengths.
func Mean(values []float64, cluster []int, level float64) (MeanResult, error) {
	const method = "mean of clustered values, between-cluster standard error"
	var out MeanResult
	if err := stats.CheckLevel(level); err != nil {
		return out, err
	}
	if err := stats.CheckSample(method, values, 2); err != nil {
		return out, err
	}
	code, count, err := codes(method, cluster, len(values))
	if err != nil {
		return out, err
	}
	n, k := float64(len(values)), float64(count)
	mean := sum.Mean(values)
	centred := make([]float64, len(values))
	for i, v := range values {
		centred[i] = v - mean
	}
	square := 0.0
	for _, s := range sums(centred, code, count) {
		square += s * s
	}
	if sum.Variance(values) == 0 {
		return out, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	c := regress.NewCoefficient("", mean, math.Sqrt(k/(k-1)*square)/n, k-1, level)
	out.Result = stats.NewResult(method, len(values))
	out.Clusters, out.Estimate, out.SE, out.Stat, out.DF, out.P = count, c.Estimate, c.SE, c.T, c.DF, c.P
	out.Interval = stats.Interval{Estimate: mean, Lower: c.Lower, Upper: c.Upper, Level: level, Method: method}
	means := make([]float64, count)
	for i, own := range members(code, count) {
		part := make([]float64, len(own))
		for j, row := range own {
			part[j] = values[row]
		}
		means[i] = sum.Mean(part)
	}
	out.ClusterMean, out.ClusterMeanSE = sum.Mean(means), math.Sqrt(sum.Variance(means)/k)
	out.ICC, out.DesignEffect = ICCResult{Estimate: math.NaN(), Lower: math.NaN(), Upper: math.NaN()}, math.NaN()
	if count < len(values) {
		if out.ICC, err = ICC(values, cluster, level); err != nil {
			return out, err
		}
		out.DesignEffect = DesignEffect(code, count, out.ICC.Estimate)
	} else {
		out.Note("no cluster has two values: this is the one-sample t test")
		out.ICC.Size = (n - 1) / (k - 1) // Σn² = N
	}
	return out, nil
}

// DesignEffect returns Kish's 1 + (Σn_i²/Σn_i − 1)·icc: the factor by which
// clustering widens the variance of a mean. It is NaN for a code outside 0 to
// count − 1. Kish, Survey Sampling, 1965.
func DesignEffect(code []int, count int, icc float64) float64 {
	size := make([]float64, max(0, count))
	for _, c := range code {
		if c < 0 || c >= count {
			return math.NaN()
		}
		size[c]++
	}
	square := 0.0
	for _, s := range size {
		square += s * s
	}
	return 1 + (square/float64(len(code))-1)*icc
}

// ICCResult is an intraclass correlation from a one-way analysis of variance.
type ICCResult struct {
	Estimate, Lower, Upper, Level float64
	N, Clusters                   int
	Size                          float64 // n₀, the average cluster size that the mean squares have
	Between, Within               float64 // mean squares
	Notes                         []string
}

// ICC estimates the correlation of two values of one cluster,
//
//	(MSB − MSW)/(MSB + (n₀ − 1)·MSW),  n₀ = (N − Σn²/N)/(K − 1)
//
// with limits from the F distribution of MSB/MSW, which are exact for equal
// cluster sizes and approximate otherwise. It may be negative. The errors are those of Mean, and
// stats.ErrTooFew if no cluster has two values. Where all values within clusters are
// equal it is 1 with limits 1 and 1.
//
// Donner, Int Stat Rev 1986;54:67–82; Searle, Linear Models, 1971.
func ICC(values []float64, cluster []int, level float64) (ICCResult, error) {
	const method = "intraclass correlation"
	var out ICCResult
	if err := stats.CheckLevel(level); err != nil {
		return out, err
	}
	if err := stats.CheckSample(method, values, 3); err != nil {
		return out, err
	}
	code, count, err := codes(method, cluster, len(values))
	if err != nil {
		return out, err
	}
	if count == len(values) {
		return out, fmt.Errorf("%s: no cluster has two values: %w", method, stats.ErrTooFew)
	}
	n, k := float64(len(values)), float64(count)
	mean := sum.Mean(values)
	between, within, squares := 0.0, 0.0, 0.0
	for _, own := range members(code, count) {
		part := make([]float64, len(own))
		for j, row := range own {
			part[j] = values[row]
		}
		m := sum.Mean(part)
		size := float64(len(own))
		between += size * (m - mean) * (m - mean)
		within += sum.SumSquaresDev(part)
		squares += size * size
	}
	out = ICCResult{Level: level, N: len(values), Clusters: count, Size: (n - squares/n) / (k - 1), Between: between / (k - 1), Within: within / (n - k)}
	switch {
	case between == 0 && within == 0:
		return out, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	case within == 0:
		out.Estimate, out.Lower, out.Upper = 1, 1, 1
		out.Notes = append(out.Notes, "the values of each cluster are equal")
		return out, nil
	}
	out.Estimate = (out.Between - out.Within) / (out.Between + (out.Size-1)*out.Within)
	f := out.Between / out.Within
	limit := func(f float64) float64 { return (f - 1) / (f - 1 + out.Size) }
	out.Lower = limit(f / dist.FQuantile((1+level)/2, k-1, n-k))
	out.Upper = limit(f * dist.FQuantile((1+level)/2, n-k, k-1))
	return out, nil
}

// ProportionResult is a proportion of clustered observations.
type ProportionResult struct {
	stats.Result            // the interval is Wilson's on the effective sample size, at most N
	SENaive         float64 // √(p(1 − p)/N), of independent observations
	DesignEffect    float64 // SE² over SENaive²; NaN if no or every observation is an event
	EffectiveN      float64 // N/DesignEffect; may exceed N where clusters vary less than chance
	WaldZ, WaldT    stats.Interval
	WilsonUnguarded stats.Interval // on EffectiveN even where it exceeds N; NaN if that is not finite
	KeptPerEye      bool           // the design effect was below 1, and 1 was used
}

// Proportion estimates the share of events among observations that are
// correlated within clusters, with the ratio estimator's variance
//
//	p = Σx/Σm,  Var p = K/(K − 1)·Σ_i (x_i − p·m_i)²/(Σm)²
//
// over K clusters with x_i events in m_i observations. The design effect is this
// variance over p(1 − p)/N; the interval is Wilson's for N/design effect
// observations, and never narrower than that of N independent ones. With no
// event, or nothing but events, the clusters show no variation to estimate a design
// effect from: the interval is then Wilson's for one observation a cluster, the most cautious design effect,
// and a note says so. Where every cluster is one observation the interval is the plain Wilson interval.
//
// The errors are stats.ErrNoData, stats.ErrOneGroup and stats.ErrLengths.
//
// Cochran, Sampling Techniques, 3rd ed., 3.12; Rao & Scott, Biometrics 1992;48:577–585.
func Proportion(events []bool, cluster []int, level float64) (ProportionResult, error) {
	const method = "Wilson score on the effective sample size"
	var out ProportionResult
	if err := stats.CheckLevel(level); err != nil {
		return out, err
	}
	if len(events) == 0 {
		return out, fmt.Errorf("%s: %w", method, stats.ErrNoData)
	}
	code, count, err := codes(method, cluster, len(events))
	if err != nil {
		return out, err
	}
	n, k := float64(len(events)), float64(count)
	x, m := make([]float64, count), make([]float64, count)
	total := 0
	for i, e := range events {
		m[code[i]]++
		if e {
			x[code[i]]++
			total++
		}
	}
	p := float64(total) / n
	square := 0.0
	for i := range x {
		square += (x[i] - p*m[i]) * (x[i] - p*m[i])
	}
	out.Result = stats.NewResult(method, len(events))
	out.Clusters, out.Estimate, out.DF = count, p, k-1
	out.SE, out.SENaive = math.Sqrt(k/(k-1)*square)/n, math.Sqrt(p*(1-p)/n)
	out.DesignEffect, out.EffectiveN = math.NaN(), math.NaN()
	z, t := dist.NormalQuantile((1+level)/2), dist.TQuantile((1+level)/2, k-1)
	interval := func(method string, lower, upper float64) stats.Interval {
		return stats.Interval{Estimate: p, Lower: lower, Upper: upper, Level: level, Method: method}
	}
	out.WaldZ = interval("Wald, normal", p-z*out.SE, p+z*out.SE)
	out.WaldT = interval("Wald, t on clusters − 1", p-t*out.SE, p+t*out.SE)
	out.WilsonUnguarded = interval(method, math.NaN(), math.NaN())
	effective := k
	alone := count == len(events) // the ratio estimator's N/(N − 1) is no clustering
	if total > 0 && total < len(events) {
		ratio := out.SE / out.SENaive
		out.DesignEffect = ratio * ratio
		out.EffectiveN = n / out.DesignEffect
		if effective = out.EffectiveN; alone || out.DesignEffect <= 1 {
			effective = n
			out.KeptPerEye = !alone && out.DesignEffect < 1
		}
		if !math.IsInf(out.EffectiveN, 1) {
			lower, upper := wilson(p, out.EffectiveN, z)
			out.WilsonUnguarded = interval(method, lower, upper)
		}
	}
	lower, upper := wilson(p, effective, z)
	switch total {
	case 0:
		lower = 0
	case len(events):
		upper = 1
	}
	out.Interval = interval(method, lower, upper)
	switch {
	case out.KeptPerEye:
		out.Note("clusters vary less than chance (design effect %.3g): the interval is that of independent observations", out.DesignEffect)
	case total == 0 || total == len(events):
		if count < len(events) {
			out.Note("no variation between clusters to estimate a design effect from: the interval counts one observation a cluster")
		}
	}
	return out, nil
}

// wilson returns the score limits for a proportion p of n observations, n
// being any positive number.
func wilson(p, n, z float64) (lower, upper float64) {
	centre := (p + z*z/(2*n)) / (1 + z*z/n)
	half := z * math.Sqrt(p*(1-p)/n+z*z/(4*n*n)) / (1 + z*z/n)
	return centre - half, centre + half
}
