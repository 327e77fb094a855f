package proportion

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"keratally/stats"
	"keratally/stats/dist"
)

// Table is a contingency table of counts, row by row.
type Table [][]int

// TwoByTwo returns the table with the groups as rows and event, no event as
// columns.
func TwoByTwo(a, b Count) Table {
	return Table{{a.Events, a.N - a.Events}, {b.Events, b.N - b.Events}}
}

// Transposed returns the table with rows and columns exchanged.
func (t Table) Transposed() Table {
	out := make(Table, len(t[0]))
	for j := range out {
		out[j] = make([]int, len(t))
		for i := range t {
			out[j][i] = t[i][j]
		}
	}
	return out
}

// margins returns the totals of a table of at least two rows and two columns;
// a ragged or smaller table and a negative count are errors.
func (t Table) margins(method string) (rows, cols []int, total int, err error) {
	if len(t) < 2 || len(t[0]) < 2 {
		return nil, nil, 0, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "table", Got: fmt.Sprintf("with %d rows", len(t)), Want: "at least two rows by two columns"})
	}
	rows, cols = make([]int, len(t)), make([]int, len(t[0]))
	for i, row := range t {
		if len(row) != len(cols) {
			return nil, nil, 0, fmt.Errorf("%s: row %d: %w", method, i+1, &stats.ArgumentError{Name: "number of cells", Got: len(row), Want: fmt.Sprintf("%d as in the first row", len(cols))})
		}
		for j, v := range row {
			if v < 0 {
				return nil, nil, 0, fmt.Errorf("%s: row %d, column %d: %w", method, i+1, j+1, &stats.ArgumentError{Name: "count", Got: v, Want: "0 or more"})
			}
			rows[i] += v
			cols[j] += v
			total += v
		}
	}
	if total == 0 {
		return nil, nil, 0, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	return rows, cols, total, nil
}

// square returns the number of categories of a square table.
func (t Table) square(method string) (k, total int, err error) {
	rows, cols, total, err := t.margins(method)
	if err != nil {
		return 0, 0, err
	}
	if len(rows) != len(cols) {
		return 0, 0, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "table", Got: fmt.Sprintf("%d by %d", len(rows), len(cols)), Want: "square, with the same categories in rows and columns"})
	}
	return len(rows), total, nil
}

// Association is the outcome of a test that the rows and columns of a table
// are independent. Stat is the statistic, DF its degrees of freedom.
type Association struct {
	stats.Result
	Expected     [][]float64 // row total × column total / n
	StdResiduals [][]float64 // (observed − expected) / √(expected·(1 − row share)·(1 − column share))
	MinExpected  float64     // the smallest expected count; below 5 the χ² approximation is doubtful
	CramersV     float64     // √(χ² / (n·(min(rows, columns) − 1))), uncorrected
}

// ChiSquared tests independence by Pearson's χ² = Σ (O − E)²/E on
// (rows − 1)(columns − 1) degrees of freedom. With corrected, which applies to
// 2×2 tables only, |O − E| is first lessened by ½, though not below 0 (Yates).
// A note says where an expected count is below 5.
//
// The error is stats.ErrNoData for an empty table and ErrEmptyMargin where a
// whole row or column is empty, for then nothing is expected in it; expected
// counts and degrees of freedom are still filled in.
//
// Pearson, Phil Mag 1900;50:157–175; Yates, J R Stat Soc Suppl 1934;1:217–235.
func ChiSquared(t Table, corrected bool) (Association, error) {
	method := "Pearson χ² test of independence"
	if corrected {
		method += ", continuity-corrected"
	}
	a, err := newAssociation(method, t)
	if err != nil {
		return a, err
	}
	lessen := 0.0
	if corrected {
		if len(t) != 2 || len(t[0]) != 2 {
			return Association{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "table", Got: fmt.Sprintf("%d by %d", len(t), len(t[0])), Want: "2 by 2 for the continuity correction"})
		}
		lessen = 0.5
	}
	a.Stat = chiSquared(t, a.Expected, lessen)
	a.P = dist.ChiSquaredSF(a.Stat, a.DF)
	return a, nil
}

// GTest tests independence by the likelihood ratio, G = 2·Σ O·ln(O/E), empty
// cells contributing 0. An empty row or column adds nothing to G but keeps its
// degrees of freedom, with a note. The error is stats.ErrNoData for an empty
// table.
//
// Sokal & Rohlf, Biometry, 3rd ed. 1995, section 17.4.
func GTest(t Table) (Association, error) {
	a, err := newAssociation("likelihood-ratio test of independence (G)", t)
	if errors.Is(err, ErrEmptyMargin) {
		a.Note("a row or a column without observations is in the degrees of freedom; leave it out")
	} else if err != nil {
		return Association{}, err
	}
	s := 0.0
	for i, row := range t {
		for j, v := range row {
			if v > 0 {
				s += float64(v) * math.Log(float64(v)/a.Expected[i][j])
			}
		}
	}
	a.Stat = max(0, 2*s)
	a.P = dist.ChiSquaredSF(a.Stat, a.DF)
	return a, nil
}

// Phi returns the correlation (ad − bc)/√(product of the margins) of a 2×2
// table.
func Phi(t Table) (float64, error) {
	const method = "phi coefficient"
	rows, cols, _, err := t.margins(method)
	if err != nil {
		return 0, err
	}
	if len(rows) != 2 || len(cols) != 2 {
		return 0, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "table", Got: fmt.Sprintf("%d by %d", len(rows), len(cols)), Want: "2 by 2"})
	}
	product := float64(rows[0]) * float64(rows[1]) * float64(cols[0]) * float64(cols[1])
	if product == 0 {
		return 0, wrap(method, ErrEmptyMargin)
	}
	return (float64(t[0][0])*float64(t[1][1]) - float64(t[0][1])*float64(t[1][0])) / math.Sqrt(product), nil
}

// newAssociation fills in what every test of independence reports. With an
// empty margin, whose error it returns beside it, V and the residuals there do
// not exist.
func newAssociation(method string, t Table) (Association, error) {
	rows, cols, total, err := t.margins(method)
	if err != nil {
		return Association{}, err
	}
	empty := slices.Contains(rows, 0) || slices.Contains(cols, 0)
	n := float64(total)
	a := Association{
		Result:       stats.NewResult(method, total),
		Expected:     make([][]float64, len(rows)),
		StdResiduals: make([][]float64, len(rows)),
		MinExpected:  math.Inf(1),
	}
	for i, r := range rows {
		a.Expected[i], a.StdResiduals[i] = make([]float64, len(cols)), make([]float64, len(cols))
		for j, c := range cols {
			e := float64(r) * float64(c) / n
			a.Expected[i][j] = e
			a.MinExpected = min(a.MinExpected, e)
			if rows[i] == 0 || cols[j] == 0 || r == total || c == total {
				a.StdResiduals[i][j] = math.NaN()
				continue
			}
			a.StdResiduals[i][j] = (float64(t[i][j]) - e) / math.Sqrt(e*(1-float64(r)/n)*(1-float64(c)/n))
		}
	}
	a.DF = float64((len(rows) - 1) * (len(cols) - 1))
	if empty {
		a.CramersV = math.NaN()
		return a, wrap(method, ErrEmptyMargin)
	}
	a.CramersV = math.Sqrt(chiSquared(t, a.Expected, 0) / (n * float64(min(len(rows), len(cols))-1)))
	if a.MinExpected < 5 {
		a.Note("smallest expected count %.2g is below 5: the exact test is the safer one", a.MinExpected)
	}
	return a, nil
}

// chiSquared is Σ (|O − E| − lessen)²/E, the distance not falling below 0.
func chiSquared(t Table, expected [][]float64, lessen float64) float64 {
	if lessen > 0 { // one amount for all cells, as in a 2×2 table all distances are equal
		lessen = min(lessen, math.Abs(float64(t[0][0])-expected[0][0]))
	}
	s := 0.0
	for i, row := range t {
		for j, v := range row {
			d := math.Abs(float64(v)-expected[i][j]) - lessen
			s += d * d / expected[i][j]
		}
	}
	return s
}

// GoodnessOfFit tests whether counts in categories follow given shares, which
// must be positive and sum to 1: Stat = Σ (O − E)²/E on one degree of freedom
// fewer than categories.
//
// Pearson, Phil Mag 1900;50:157–175.
func GoodnessOfFit(counts []int, shares []float64) (stats.Result, error) {
	const method = "χ² goodness of fit"
	if len(counts) != len(shares) {
		return stats.Result{}, wrap(method, stats.ErrLengths)
	}
	if len(counts) < 2 {
		return stats.Result{}, &stats.TooFewError{Method: method, Got: len(counts), Need: 2}
	}
	total, whole := 0, 0.0
	for i, c := range counts {
		if c < 0 {
			return stats.Result{}, fmt.Errorf("%s: category %d: %w", method, i+1, &stats.ArgumentError{Name: "count", Got: c, Want: "0 or more"})
		}
		if !(shares[i] > 0) {
			return stats.Result{}, fmt.Errorf("%s: category %d: %w", method, i+1, &stats.ArgumentError{Name: "share", Got: shares[i], Want: "above 0"})
		}
		total += c
		whole += shares[i]
	}
	if total == 0 {
		return stats.Result{}, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	if math.Abs(whole-1) > 1e-8 {
		return stats.Result{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "sum of the shares", Got: whole, Want: "1"})
	}
	r := stats.NewResult(method, total)
	r.Stat, r.DF = 0, float64(len(counts)-1)
	for i, c := range counts {
		e := float64(total) * shares[i]
		r.Stat += (float64(c) - e) * (float64(c) - e) / e
		if e < 5 {
			r.Note("category %d: expected count %.2g is below 5", i+1, e)
		}
	}
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}
