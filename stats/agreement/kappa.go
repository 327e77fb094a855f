package agreement

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// Weights says how much a disagreement counts.
type Weights int

// Weights of the distance |i − j| between ordered categories of k.
const (
	Unweighted Weights = iota + 1 // any disagreement is complete
	Linear                        // agreement 1 − |i−j|/(k−1)
	Quadratic                     // agreement 1 − (i−j)²/(k−1)²
)

// String returns "unweighted", "linear weights" or "quadratic weights".
func (w Weights) String() string {
	switch w {
	case Linear:
		return "linear weights"
	case Quadratic:
		return "quadratic weights"
	default:
		return "unweighted"
	}
}

func (w Weights) of(i, j, k int) float64 {
	d := math.Abs(float64(i-j)) / float64(k-1)
	switch w {
	case Linear:
		return 1 - d
	case Quadratic:
		return 1 - d*d
	default:
		if i == j {
			return 1
		}
		return 0
	}
}

// Kappa is the agreement of two observers beyond chance. Estimate, SE and
// Interval are kappa's; Stat is kappa over its standard error under no
// agreement, SENull, and P the two-sided normal p of it.
type Kappa struct {
	stats.Result
	Observed, Expected float64 // weighted shares of agreement, observed and by chance
	SENull             float64
}

// NewKappa returns Cohen's kappa of a square table of counts, rows the first
// observer and columns the second, categories in order. The standard errors
// are those of Fleiss, Cohen and Everitt, for a large sample.
//
// The error is stats.ErrNoData for an empty table, stats.ErrNoVariance when
// both observers used one category only: chance agreement is then complete and
// kappa does not exist. A table that is not square, or of one category, and a
// negative count are errors too.
//
// Cohen, Educ Psychol Meas 1960;20:37–46, and Psychol Bull 1968;70:213–220;
// Fleiss, Cohen & Everitt, Psychol Bull 1969;72:323–327.
func NewKappa(table [][]int, weights Weights, level float64) (Kappa, error) {
	method := "Cohen's kappa, " + weights.String()
	if err := checkLevel(method, level); err != nil {
		return Kappa{}, err
	}
	k := len(table)
	if k < 2 {
		return Kappa{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "number of categories", Got: k, Want: "at least 2"})
	}
	total := 0
	rows, cols := make([]float64, k), make([]float64, k)
	for i, row := range table {
		if len(row) != k {
			return Kappa{}, fmt.Errorf("%s: row %d: %w", method, i+1, &stats.ArgumentError{Name: "number of cells", Got: len(row), Want: fmt.Sprintf("%d, as the table has rows", k)})
		}
		for j, v := range row {
			if v < 0 {
				return Kappa{}, fmt.Errorf("%s: row %d, column %d: %w", method, i+1, j+1, &stats.ArgumentError{Name: "count", Got: v, Want: "0 or more"})
			}
			total += v
			rows[i] += float64(v)
			cols[j] += float64(v)
		}
	}
	if total == 0 {
		return Kappa{}, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	n := float64(total)
	for i := range rows {
		rows[i] /= n
		cols[i] /= n
	}
	q := Kappa{Result: stats.NewResult(method, total)}
	meanRow, meanCol := make([]float64, k), make([]float64, k) // mean weight of a category against the other observer
	for i := range k {
		for j := range k {
			w := weights.of(i, j, k)
			q.Observed += w * float64(table[i][j]) / n
			q.Expected += w * rows[i] * cols[j]
			meanRow[i] += w * cols[j]
			meanCol[j] += w * rows[i]
		}
	}
	if 1-q.Expected < 1e-14 {
		return Kappa{}, fmt.Errorf("%s: both observers used one category only: %w", method, stats.ErrNoVariance)
	}
	q.Estimate = (q.Observed - q.Expected) / (1 - q.Expected)
	miss := 1 - q.Estimate
	spread, spreadNull := 0.0, 0.0
	for i := range k {
		for j := range k {
			w, m := weights.of(i, j, k), meanRow[i]+meanCol[j]
			d := w - m*miss
			spread += float64(table[i][j]) / n * d * d
			spreadNull += rows[i] * cols[j] * (w - m) * (w - m)
		}
	}
	centre := q.Estimate - q.Expected*miss
	q.SE = math.Sqrt(max(0, spread-centre*centre)/n) / (1 - q.Expected)
	q.SENull = math.Sqrt(max(0, spreadNull-q.Expected*q.Expected)/n) / (1 - q.Expected)
	q.Interval = around("normal", q.Estimate, twoSidedZ(level)*q.SE, level)
	q.Stat, q.P = math.NaN(), math.NaN()
	if q.SENull > 0 {
		q.Stat = q.Estimate / q.SENull
		q.P = dist.PZ(q.Stat, stats.TwoSided)
	} else {
		q.Note("one observer used one category only, so there is nothing to test")
	}
	return q, nil
}

// FleissKappa returns the agreement beyond chance of several raters, from a
// table of subjects (rows) by categories (columns) that counts how many raters
// put the subject there; every subject has the same number of raters, at least
// two. Estimate is kappa, SE its standard error under no agreement, Stat their
// ratio and P two-sided.
//
// The error is stats.ErrNoData without subjects, stats.ErrTooFew for a single
// rater, stats.ErrNoVariance when all ratings are of one category,
// stats.ErrLengths for a ragged table; subjects with different numbers of
// raters are an error too.
//
// Fleiss, Psychol Bull 1971;76:378–382; the standard error of Fleiss, Nee &
// Landis, Psychol Bull 1979;86:974–977.
func FleissKappa(table [][]int) (stats.Result, error) {
	const method = "Fleiss kappa"
	n := len(table)
	if n == 0 {
		return stats.Result{}, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	k, raters := len(table[0]), 0
	for _, v := range table[0] {
		raters += v
	}
	shares := make([]float64, k)
	agree := 0 // ordered pairs of raters that agree
	for i, row := range table {
		if len(row) != k {
			return stats.Result{}, fmt.Errorf("%s: subject %d: %w", method, i+1, stats.ErrLengths)
		}
		here := 0
		for j, v := range row {
			if v < 0 {
				return stats.Result{}, fmt.Errorf("%s: subject %d, category %d: %w", method, i+1, j+1, &stats.ArgumentError{Name: "count", Got: v, Want: "0 or more"})
			}
			here += v
			shares[j] += float64(v)
			agree += v * (v - 1)
		}
		if here != raters {
			return stats.Result{}, fmt.Errorf("%s: subject %d: %w", method, i+1, &stats.ArgumentError{Name: "number of raters", Got: here, Want: fmt.Sprintf("%d as for the first subject", raters)})
		}
	}
	if raters < 2 {
		return stats.Result{}, fmt.Errorf("raters: %w", &stats.TooFewError{Method: method, Got: raters, Need: 2})
	}
	m := float64(raters)
	expected, odd, spread := 0.0, 0.0, 0.0 // Σp², Σp(1−p)(1−2p), Σp(1−p)
	for j := range shares {
		p := shares[j] / (float64(n) * m)
		expected += p * p
		spread += p * (1 - p)
		odd += p * (1 - p) * (1 - 2*p)
	}
	if 1-expected < 1e-14 {
		return stats.Result{}, wrap(method, stats.ErrNoVariance)
	}
	r := stats.NewResult(method, n)
	observed := float64(agree) / (float64(n) * m * (m - 1))
	r.Estimate = (observed - expected) / (1 - expected)
	r.SE = math.Sqrt2 * math.Sqrt(spread*spread-odd) / (spread * math.Sqrt(float64(n)*m*(m-1)))
	r.Stat = r.Estimate / r.SE
	r.P = dist.PZ(r.Stat, stats.TwoSided)
	return r, nil
}
