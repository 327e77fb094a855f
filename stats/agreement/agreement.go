// Package agreement holds what is said about two or more measurements of the
// same thing: limits of agreement, repeatability, concordance, intraclass
// correlation, and kappa for grades.
//
// The methods assume independent subjects. Two eyes of one patient are two
// subjects only where that is said; BlandAltmanRepeated takes several pairs of
// one subject for what they are.
package agreement

import (
	"fmt"

	"keratally/stats"
	"keratally/stats/dist"
)

// checkPaired refuses columns of different lengths, values that are not finite,
// and fewer pairs than need.
func checkPaired(method string, x, y []float64, need int) error {
	if len(x) != len(y) {
		return fmt.Errorf("%s: %d first and %d second measurements: %w", method, len(x), len(y), stats.ErrLengths)
	}
	return stats.CheckPairs(method, x, y, need)
}

func checkLevel(method string, level float64) error {
	if err := stats.CheckLevel(level); err != nil {
		return fmt.Errorf("%s: %w", method, err)
	}
	return nil
}

func twoSidedZ(level float64) float64 { return -dist.NormalQuantile((1 - level) / 2) }

// around returns estimate ± half.
func around(method string, estimate, half, level float64) stats.Interval {
	return stats.Interval{Estimate: estimate, Lower: estimate - half, Upper: estimate + half, Level: level, Method: method}
}
