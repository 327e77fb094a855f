// Package stats holds what every statistical method of the project shares: the
// shape of a result, the interval, and the errors that say in words why a
// number does not exist. The methods themselves live in topic packages beside
// it (describe, paired, groups, …). Nothing here knows of eyes or clinics.
package stats

import (
	"fmt"
	"math"
)

// Alternative is the direction of a test. The zero value is two-sided.
type Alternative int

// The directions of a test, about the first sample or the estimate.
const (
	TwoSided Alternative = iota
	Less
	Greater
)

// String returns "two-sided", "less" or "greater".
func (a Alternative) String() string {
	switch a {
	case Less:
		return "less"
	case Greater:
		return "greater"
	default:
		return "two-sided"
	}
}

// Interval is an estimate with its confidence limits. A one-sided limit is
// infinite on its open side (or at the end of the parameter's range).
type Interval struct {
	Estimate     float64
	Lower, Upper float64
	Level        float64 // nominal coverage, 0.95 for 95 %
	Method       string  // printable: "Wilson score", "Clopper–Pearson"
}

// Contains reports whether x lies inside the closed interval.
func (i Interval) Contains(x float64) bool { return i.Lower <= x && x <= i.Upper }

// Result is what a test or an estimate returns, in one shape across the
// packages, so that a report can print any of them. A field that the method
// does not have is NaN, and Has… or the method's documentation says so; a
// number that could have been but is not (no variance, too few observations)
// is an error instead, never a NaN.
type Result struct {
	Method   string      // printable name with its variant: "Wilcoxon signed-rank, exact with midranks"
	N        int         // observations that entered the calculation
	Clusters int         // independent units (patients); equal to N where there is no clustering
	Estimate float64     // the quantity estimated, in the units of the data; NaN if the method has none
	SE       float64     // its standard error; NaN if the method has none
	Interval Interval    // limits of Estimate; Level 0 if the method has none
	Stat     float64     // test statistic; NaN if none
	DF, DF2  float64     // degrees of freedom; NaN where not applicable
	P        float64     // p value under Alternative; NaN if the method tests nothing
	Alt      Alternative // direction of P
	Notes    []string    // why exact or approximate, what was dropped, what sits on a boundary
}

// NewResult returns a Result of the named method with every number not
// applicable, for a method to fill in what it has.
func NewResult(method string, n int) Result {
	nan := math.NaN()
	return Result{
		Method: method, N: n, Clusters: n,
		Estimate: nan, SE: nan, Stat: nan, DF: nan, DF2: nan, P: nan,
		Interval: Interval{Estimate: nan, Lower: nan, Upper: nan},
	}
}

// HasInterval reports whether the method gave confidence limits.
func (r Result) HasInterval() bool { return r.Interval.Level > 0 }

// HasP reports whether the method gave a p value.
func (r Result) HasP() bool { return !math.IsNaN(r.P) }

// Note appends a remark in the printf manner.
func (r *Result) Note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// CheckLevel returns an *ArgumentError unless 0 < level < 1.
func CheckLevel(level float64) error {
	if !(level > 0 && level < 1) {
		return &ArgumentError{Name: "confidence level", Got: level, Want: "between 0 and 1, such as 0.95"}
	}
	return nil
}
