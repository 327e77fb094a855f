package stats

import (
	"fmt"
	"math"
)

// Largest is the size up to which a value can be worked with: its fourth power,
// which kurtosis needs, and sums of those stay within the range of doubles.
const Largest = 1e70

// CheckSample returns why method cannot use the sample x, or nil: a
// *TooFewError when x has fewer than need values, an error that is
// ErrNotFinite and names the position when a value is NaN or infinite, an
// *ArgumentError when one is larger than Largest.
// Missing values are for the caller to drop and to count.
func CheckSample(method string, x []float64, need int) error {
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return fmt.Errorf("%s: value %d of %d is %v: %w", method, i+1, len(x), v, ErrNotFinite)
		}
		if math.Abs(v) > Largest {
			return &ArgumentError{Name: fmt.Sprintf("%s: value %d of %d", method, i+1, len(x)), Got: v, Want: "between −1e70 and 1e70"}
		}
	}
	if len(x) < need {
		return &TooFewError{Method: method, Got: len(x), Need: need}
	}
	return nil
}

// CheckPairs is CheckSample for two columns that belong together row by row;
// columns of different lengths are ErrLengths.
func CheckPairs(method string, x, y []float64, need int) error {
	if len(x) != len(y) {
		return fmt.Errorf("%s: %d values against %d: %w", method, len(x), len(y), ErrLengths)
	}
	if err := CheckSample(method, x, need); err != nil {
		return err
	}
	return CheckSample(method, y, need)
}
