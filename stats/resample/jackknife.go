package resample

import (
	"math"
	"slices"

	"keratally/stats"
	"keratally/stats/sum"
)

// Jackknifed is what the leave-one-out estimates say about an estimate.
type Jackknifed struct {
	N            int
	Estimate     float64
	SE           float64 // √((n−1)/n·Σd²), d the deviations from their mean
	Acceleration float64 // Σd³/(6·(Σd²)^1.5), d being mean − estimate; 0 where all are equal
	ok           bool    // the estimates are not all equal
}

// Jackknife returns the standard error and the acceleration of a statistic
// from its values with one observation left out. The statistic gets a slice
// that it may reorder but not keep. Costs n + 1 evaluations. It needs two
// observations (stats.ErrTooFew).
//
// Efron & Tibshirani, An Introduction to the Bootstrap, 1993, formulas 11.5
// and 14.15.
func Jackknife(x []float64, statistic func([]float64) float64) (Jackknifed, error) {
	if err := stats.CheckSample("jackknife", x, 2); err != nil {
		return Jackknifed{}, err
	}
	leaveOut := make([]float64, len(x))
	rest := make([]float64, len(x)-1)
	for i := range x {
		copy(rest, x[:i])
		copy(rest[i:], x[i+1:])
		leaveOut[i] = statistic(rest)
	}
	return jackknifeOf(statistic(slices.Clone(x)), leaveOut), nil
}

func jackknifeOf(estimate float64, leaveOut []float64) Jackknifed {
	n := float64(len(leaveOut))
	centre := sum.Mean(leaveOut)
	if slices.Min(leaveOut) == slices.Max(leaveOut) {
		centre = leaveOut[0] // not the rounding of their mean
	}
	var squares, cubes float64
	for _, v := range leaveOut {
		d := centre - v
		squares += d * d
		cubes += d * d * d
	}
	j := Jackknifed{N: len(leaveOut), Estimate: estimate, SE: math.Sqrt((n - 1) / n * squares)}
	if squares > 0 {
		j.Acceleration = cubes / (6 * math.Pow(squares, 1.5))
		j.ok = true
	}
	return j
}
