// Package groups compares independent groups: two by t, rank and variance
// tests, several by analysis of variance, its robust and rank-based forms, and
// all pairs of them with an adjustment for their number.
//
// Observations within and between groups are taken to be independent. Where a
// group holds two eyes of one patient, use stats/cluster or stats/mixed.
// Inputs are left unmodified and need not be sorted.
package groups

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/sum"
)

// Group is a named sample.
type Group struct {
	Name   string
	Values []float64
}

// Split sorts values into groups by their codes into names: values[i] belongs
// to names[codes[i]]. Groups are in the order of names, and a name without a
// value makes no group. Columns of different lengths are ErrLengths, a code
// outside names an *ArgumentError.
func Split(values []float64, codes []int, names []string) ([]Group, error) {
	if len(values) != len(codes) {
		return nil, fmt.Errorf("groups: %d values against %d codes: %w", len(values), len(codes), stats.ErrLengths)
	}
	byCode := make([][]float64, len(names))
	for i, code := range codes {
		if code < 0 || code >= len(names) {
			return nil, &stats.ArgumentError{Name: "group code", Got: code, Want: fmt.Sprintf("between 0 and %d", len(names)-1)}
		}
		byCode[code] = append(byCode[code], values[i])
	}
	var groups []Group
	for code, name := range names {
		if len(byCode[code]) > 0 {
			groups = append(groups, Group{name, byCode[code]})
		}
	}
	return groups, nil
}

// check returns why method cannot use the groups: no group or one, a group
// with fewer than need values, or a value that is not finite. It returns the
// number of values.
func check(method string, groups []Group, need int) (n int, err error) {
	switch len(groups) {
	case 0:
		return 0, fmt.Errorf("%s: %w", method, stats.ErrNoData)
	case 1:
		return 0, fmt.Errorf("%s: %w", method, stats.ErrOneGroup)
	}
	for _, g := range groups {
		if err := stats.CheckSample(method+", group "+g.Name, g.Values, need); err != nil {
			return 0, err
		}
		n += len(g.Values)
	}
	return n, nil
}

// epsilon is the spacing of doubles above 1.
const epsilon = 0x1p-52

func noVariance(method string) error { return fmt.Errorf("%s: %w", method, stats.ErrNoVariance) }

// Summary is what a publication prints of a sample: its size, mean and variance.
type Summary struct {
	N              int
	Mean, Variance float64 // Variance has denominator N − 1; it is ignored when N is 1
}

// Summarise returns the summary of x, whose Variance is NaN for one value.
func Summarise(x []float64) Summary {
	return Summary{N: len(x), Mean: sum.Mean(x), Variance: sum.Variance(x)}
}

// squares returns the sum of squared deviations from the mean.
func (s Summary) squares() float64 {
	if s.N < 2 {
		return 0
	}
	return float64(s.N-1) * s.Variance
}

func (s Summary) check(method string, need int) error {
	if s.N < need {
		return &stats.TooFewError{Method: method, Got: s.N, Need: need}
	}
	for _, v := range []float64{s.Mean, s.Variance} {
		if (math.IsNaN(v) || math.IsInf(v, 0)) && s.N > 1 {
			return fmt.Errorf("%s: a mean or variance is %v: %w", method, v, stats.ErrNotFinite)
		}
	}
	if s.N > 1 && s.Variance < 0 {
		return &stats.ArgumentError{Name: method + ": variance", Got: s.Variance, Want: "at least 0"}
	}
	return nil
}
