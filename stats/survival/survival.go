// Package survival provides the analysis of time to an event: the Kaplan–Meier
// curve, log-rank tests, proportional hazards regression, cumulative incidence
// with competing risks, and the estimate from interval-censored times.
//
// Every method that can be asked for variance clustered by patient takes the
// patients as Data.Cluster; the formulas are those of the infinitesimal
// jackknife, summed within the cluster before squaring.
//
// Times are tied when they differ by no more than tieTolerance, absolutely or
// relative to the mean of the distinct times, so that 0.1+0.2 and 0.3 months
// are one time. At one time an event comes before a censoring: an eye censored
// on day t is at risk on day t.
package survival

import (
	"fmt"
	"math"

	"keratally/stats"
)

// tieTolerance is the square root of the double-precision unit round-off,
// 2^-26: half the digits that a difference of two computed times can keep.
const tieTolerance = 1.0 / (1 << 26)

// Data is right-censored follow-up, one row an eye.
type Data struct {
	Time    []float64 // follow-up in any one unit, 0 or more
	Event   []bool    // true if the event ended the follow-up, false if it was censored
	Cluster []int     // patient of each row, for clustered variance; nil if the rows are independent
	Strata  []int     // stratum of each row, for stratified methods; nil if there is one stratum
}

// check returns an error unless the columns fit together and every time is a
// finite number, 0 or more.
func (d Data) check(method string) error {
	n := len(d.Time)
	if n == 0 {
		return fmt.Errorf("%s: %w", method, stats.ErrNoData)
	}
	if len(d.Event) != n {
		return fmt.Errorf("%s: %d times but %d event marks: %w", method, n, len(d.Event), stats.ErrLengths)
	}
	if d.Cluster != nil && len(d.Cluster) != n {
		return fmt.Errorf("%s: %d times but %d clusters: %w", method, n, len(d.Cluster), stats.ErrLengths)
	}
	if d.Strata != nil && len(d.Strata) != n {
		return fmt.Errorf("%s: %d times but %d strata: %w", method, n, len(d.Strata), stats.ErrLengths)
	}
	return checkTimes(method, d.Time)
}

func checkTimes(method string, times []float64) error {
	for i, t := range times {
		if math.IsNaN(t) || math.IsInf(t, 0) {
			return fmt.Errorf("%s: time of row %d: %w", method, i+1, stats.ErrNotFinite)
		}
		if t < 0 {
			return fmt.Errorf("%s: time of row %d: %w", method, i+1,
				&stats.ArgumentError{Name: "follow-up time", Got: t, Want: "0 or more"})
		}
	}
	return nil
}

// events counts the rows that ended in the event.
func (d Data) events() int {
	k := 0
	for _, e := range d.Event {
		if e {
			k++
		}
	}
	return k
}

// clusters counts the distinct clusters, or the rows if there are none.
func (d Data) clusters() int {
	if d.Cluster == nil {
		return len(d.Time)
	}
	seen := make(map[int]struct{}, len(d.Cluster))
	for _, c := range d.Cluster {
		seen[c] = struct{}{}
	}
	return len(seen)
}

// denseCodes renumbers arbitrary codes as 0, 1, … in ascending order of code.
func denseCodes(codes []int) (dense []int, levels []int) {
	index := make(map[int]int)
	for _, c := range codes {
		if _, ok := index[c]; !ok {
			index[c] = 0
			levels = append(levels, c)
		}
	}
	sortInts(levels)
	for i, c := range levels {
		index[c] = i
	}
	dense = make([]int, len(codes))
	for i, c := range codes {
		dense[i] = index[c]
	}
	return dense, levels
}
