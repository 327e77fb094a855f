// Package resample estimates the uncertainty of a statistic by drawing from
// the data again: the bootstrap with percentile and BCa intervals, over single
// observations or over whole clusters (both eyes of a patient together), and
// the jackknife. The same data and seed give the same numbers on every
// machine.
package resample

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
)

// Settings of a bootstrap.
type Settings struct {
	Resamples int    // 10,000 is common practice; 2,000 at least for BCa
	Seed      uint64 // printed with the result
	Level     float64
}

func (s Settings) check() error {
	if s.Resamples < 100 {
		return &stats.ArgumentError{Name: "number of resamples", Got: s.Resamples, Want: "100 or more, commonly 10000"}
	}
	return stats.CheckLevel(s.Level)
}

// Bootstrap is what the resamples say about an estimate.
type Bootstrap struct {
	N, Clusters  int // clusters equal n where observations are drawn singly
	Estimate     float64
	SE           float64 // standard deviation of the resampled estimates
	Bias         float64 // mean of the resampled estimates − Estimate
	Z0           float64 // BCa's correction for median bias
	Acceleration float64 // BCa's correction for a changing SE
	BCa          stats.Interval
	Percentile   stats.Interval
	Basic        stats.Interval // percentile limits mirrored at the estimate
	Normal       stats.Interval // estimate − bias ± z·SE
	Settings     Settings
	Notes        []string
}

// Values bootstraps a statistic of one sample. The statistic gets a slice that
// it may reorder but not keep. The limits are
//
//	percentile: the α and 1−α quantiles (type 6) of the resampled estimates,
//	BCa:        the Φ(z₀ + (z₀+z)/(1 − a(z₀+z))) quantiles,
//
// with z₀ = Φ⁻¹ of the share of resampled estimates below the estimate (ties
// count half) and a = Σd³/(6(Σd²)^1.5), d being the deviations of the
// leave-one-out estimates. It assumes independent observations. Costs
// Resamples + n evaluations.
//
// Errors: fewer than 3 observations, a value or an estimate that is not
// finite, stats.ErrNoVariance when every resample gives the same estimate.
//
// Efron, J Am Stat Assoc 1987;82:171–185; Efron & Tibshirani, An Introduction
// to the Bootstrap, 1993, chapter 14.
func Values(x []float64, statistic func([]float64) float64, s Settings) (Bootstrap, error) {
	if err := stats.CheckSample("bootstrap", x, 3); err != nil {
		return Bootstrap{}, err
	}
	buffer := make([]float64, len(x))
	draw := func(rng *rand.PCG) float64 {
		n := uint64(len(x))
		for i := range buffer {
			buffer[i] = x[below(rng, n)]
		}
		return statistic(buffer)
	}
	jackknife, err := Jackknife(x, statistic)
	if err != nil {
		return Bootstrap{}, err
	}
	return bootstrap(len(x), len(x), jackknife, draw, s)
}

// Mean bootstraps the arithmetic mean; like Values with the mean, but in one
// pass a resample and with leave-one-out means from the total.
func Mean(x []float64, s Settings) (Bootstrap, error) {
	if err := stats.CheckSample("bootstrap", x, 3); err != nil {
		return Bootstrap{}, err
	}
	n := uint64(len(x))
	size := float64(len(x))
	centre := sum.Mean(x)
	// Deviations are drawn, so that a sample far from zero keeps its digits.
	deviations := make([]float64, len(x))
	for i, v := range x {
		deviations[i] = v - centre
	}
	draw := func(rng *rand.PCG) float64 {
		total := 0.0
		for range deviations {
			total += deviations[below(rng, n)]
		}
		return centre + total/size
	}
	leaveOut := make([]float64, len(x))
	for i, d := range deviations {
		leaveOut[i] = centre - d/(size-1)
	}
	return bootstrap(len(x), len(x), jackknifeOf(centre, leaveOut), draw, s)
}

// Rows bootstraps a statistic of a table of n rows, given as row numbers that
// may repeat; see Values.
func Rows(n int, statistic func(rows []int) float64, s Settings) (Bootstrap, error) {
	if n < 3 {
		return Bootstrap{}, &stats.TooFewError{Method: "bootstrap", Got: n, Need: 3}
	}
	groups := make([][]int, n)
	for i := range groups {
		groups[i] = []int{i}
	}
	return Clusters(groups, statistic, s)
}

// Clusters bootstraps a statistic with whole clusters drawn together: clusters
// holds the row numbers of each. The jackknife leaves out one cluster at a
// time. With clusters of one row it is the plain bootstrap. It assumes
// independent clusters and needs at least 3; see Values.
//
// Field & Welsh, J R Stat Soc B 2007;69:369–390.
func Clusters(clusters [][]int, statistic func(rows []int) float64, s Settings) (Bootstrap, error) {
	if len(clusters) < 3 {
		return Bootstrap{}, &stats.TooFewError{Method: "cluster bootstrap", Got: len(clusters), Need: 3}
	}
	var all []int
	for i, rows := range clusters {
		if len(rows) == 0 {
			return Bootstrap{}, fmt.Errorf("cluster bootstrap: cluster %d: %w", i+1, stats.ErrNoData)
		}
		all = append(all, rows...)
	}
	leaveOut := make([]float64, len(clusters))
	rest := make([]int, 0, len(all))
	for i := range clusters {
		rest = rest[:0]
		for j, rows := range clusters {
			if j != i {
				rest = append(rest, rows...)
			}
		}
		leaveOut[i] = statistic(rest)
	}
	estimate := statistic(slices.Clone(all))
	buffer := make([]int, 0, 2*len(all))
	draw := func(rng *rand.PCG) float64 {
		buffer = buffer[:0]
		for range clusters {
			buffer = append(buffer, clusters[below(rng, uint64(len(clusters)))]...)
		}
		return statistic(buffer)
	}
	return bootstrap(len(all), len(clusters), jackknifeOf(estimate, leaveOut), draw, s)
}

// below returns a uniform number in [0, n), by the multiply-and-reject method
// (Lemire, ACM Trans Model Comput Simul 2019;29:3).
func below(rng *rand.PCG, n uint64) uint64 {
	low := rng.Uint64() >> 32 * n
	if uint32(low) < uint32(n) {
		threshold := uint32(-uint32(n)) % uint32(n)
		for uint32(low) < threshold {
			low = rng.Uint64() >> 32 * n
		}
	}
	return low >> 32
}

func bootstrap(n, clusters int, j Jackknifed, draw func(*rand.PCG) float64, s Settings) (Bootstrap, error) {
	if err := s.check(); err != nil {
		return Bootstrap{}, err
	}
	if math.IsNaN(j.Estimate) || math.IsInf(j.Estimate, 0) {
		return Bootstrap{}, fmt.Errorf("bootstrap: the statistic is %v on the data: %w", j.Estimate, stats.ErrNotFinite)
	}
	rng := rand.NewPCG(s.Seed, 0x6b65726174616c6c)
	drawn := make([]float64, s.Resamples)
	for i := range drawn {
		drawn[i] = draw(rng)
		if math.IsNaN(drawn[i]) || math.IsInf(drawn[i], 0) {
			return Bootstrap{}, fmt.Errorf("bootstrap: the statistic is %v on resample %d: %w", drawn[i], i+1, stats.ErrNotFinite)
		}
	}
	b := Bootstrap{N: n, Clusters: clusters, Estimate: j.Estimate, Acceleration: j.Acceleration, Settings: s}
	b.Bias, b.SE = moments(drawn, j.Estimate)
	slices.Sort(drawn)
	if drawn[0] == drawn[len(drawn)-1] {
		return Bootstrap{}, fmt.Errorf("bootstrap: every resample gives the same estimate: %w", stats.ErrNoVariance)
	}
	b.limits(drawn, j.ok)
	return b, nil
}

func (b *Bootstrap) limits(sorted []float64, accelerated bool) {
	level := b.Settings.Level
	alpha := (1 - level) / 2
	interval := func(method string, low, high float64) stats.Interval {
		return stats.Interval{Estimate: b.Estimate, Lower: low, Upper: high, Level: level, Method: method}
	}
	z := -dist.NormalQuantile(alpha)
	low, high := type6(sorted, alpha), type6(sorted, 1-alpha)
	b.Percentile = interval("bootstrap percentile", low, high)
	b.Basic = interval("bootstrap basic", 2*b.Estimate-high, 2*b.Estimate-low)
	b.Normal = interval("bootstrap normal", b.Estimate-b.Bias-z*b.SE, b.Estimate-b.Bias+z*b.SE)

	share := shareBelow(sorted, b.Estimate)
	b.Z0 = dist.NormalQuantile(share)
	adjusted := func(z float64) float64 {
		w := b.Z0 + z
		return dist.NormalCDF(b.Z0 + w/(1-b.Acceleration*w))
	}
	pLow, pHigh := adjusted(-z), adjusted(z)
	if !accelerated {
		b.Notes = append(b.Notes, "the leave-one-out estimates are all equal, so BCa is corrected for bias only")
	}
	if share == 0 || share == 1 || !(pLow < pHigh) {
		b.BCa = b.Percentile
		b.BCa.Method = "bootstrap percentile (no BCa: the estimate lies at the end of the resampled ones)"
		b.Notes = append(b.Notes, "the estimate lies at the end of the resampled ones: BCa does not exist, percentile limits are given")
		return
	}
	size := float64(len(sorted) + 1)
	if pLow*size < 1 || pHigh*size > size-1 {
		b.Notes = append(b.Notes, "a BCa limit is the most extreme resampled estimate: take more resamples")
	}
	b.BCa = interval("bootstrap BCa", type6(sorted, pLow), type6(sorted, pHigh))
}

// shareBelow returns the share of estimates below the given one; those equal
// within rounding count half.
func shareBelow(sorted []float64, estimate float64) float64 {
	slack := 1e-12 * math.Max(math.Abs(estimate), sorted[len(sorted)-1]-sorted[0])
	first, _ := slices.BinarySearch(sorted, estimate-slack)
	last, _ := slices.BinarySearch(sorted, estimate+slack)
	return (float64(first) + float64(last)) / 2 / float64(len(sorted))
}

func type6(sorted []float64, p float64) float64 {
	n := float64(len(sorted))
	place := math.Max(1, math.Min(n, p*(n+1)))
	low := math.Floor(place)
	a := sorted[int(low)-1]
	if place == low {
		return a
	}
	h := place - low
	return (1-h)*a + h*sorted[int(low)]
}

// moments returns the mean of values − centre and the standard deviation.
func moments(values []float64, centre float64) (bias, sd float64) {
	for _, v := range values {
		bias += v - centre
	}
	bias /= float64(len(values))
	squares := 0.0
	for _, v := range values {
		d := v - centre - bias
		squares += d * d
	}
	return bias, math.Sqrt(squares / float64(len(values)-1))
}
