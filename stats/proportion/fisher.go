package proportion

import (
	"fmt"

	"keratally/stats"
)

// FisherExact of a table larger than 2×2 is in network.go.

// FisherExact tests independence of rows and columns exactly, given the
// margins. The two-sided P sums the probabilities of all tables no more likely
// than the observed one (relative fuzz 1e−7). For a 2×2 table Less and Greater
// are about the odds ratio, Estimate is its conditional maximum likelihood
// value and Interval its exact central limits at 95 %; for larger tables only
// TwoSided exists.
//
// Larger tables are enumerated column by column, partial tables that leave the
// same row totals and have the same probability being counted together, and
// those that must or cannot end below the observed probability being settled at
// once, so no table is listed one by one. The cost grows with the counts: a
// table beyond reach is ErrTooLarge, and ChiSquared is then accurate. An empty
// table is stats.ErrNoData; empty rows and columns are harmless.
//
// Fisher, Statistical Methods for Research Workers, 5th ed. 1934; Mehta &
// Patel, J Am Stat Assoc 1983;78:427–434.
func FisherExact(t Table, alt stats.Alternative) (stats.Result, error) {
	const method = "Fisher exact test"
	rows, cols, total, err := t.margins(method)
	if err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, total)
	r.Alt = alt
	if len(rows) == 2 && len(cols) == 2 {
		f := newHypergeometric(rows[0], rows[1], cols[0])
		x := t[0][0]
		switch alt {
		case stats.Less:
			r.P = f.atMost(x, 0)
		case stats.Greater:
			r.P = f.atLeast(x, 0)
		default:
			r.P = f.noMoreLikely(x)
		}
		const level = 0.95
		estimate, lower, upper := f.oddsRatio(x, level)
		r.Estimate = estimate
		r.Interval = stats.Interval{Estimate: estimate, Lower: lower, Upper: upper, Level: level, Method: "exact central limits of the conditional odds ratio"}
		return r, nil
	}
	if alt != stats.TwoSided {
		return stats.Result{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "alternative", Got: alt, Want: "two-sided for a table larger than 2 by 2"})
	}
	if len(rows) > len(cols) {
		t, rows, cols = t.Transposed(), cols, rows
	}
	r.P, err = fisherTwoSided(t, rows, cols)
	if err != nil {
		return stats.Result{}, fmt.Errorf("%s of %d by %d with %d observations: %w", method, len(rows), len(cols), total, err)
	}
	return r, nil
}
