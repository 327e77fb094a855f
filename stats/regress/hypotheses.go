package regress

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
)

// Hypothesis is a set of linear combinations of the coefficients, one a row of
// L, that are all zero when a term has no effect.
type Hypothesis struct {
	Term string
	L    [][]float64
}

// PartialHypotheses returns, for each term but the constant, the type 3
// hypothesis: that the term's coefficients vanish when every factor is coded to
// sum to zero, so that a main effect is one averaged over the levels of the
// factors that it interacts with (and taken at zero of a covariate).
func (d *Design) PartialHypotheses() ([]Hypothesis, error) {
	var factors []string
	for v, c := range d.variables {
		if d.used(v) && c.isFactor() {
			factors = append(factors, d.Formula.variables[v].String())
		}
	}
	sums, err := d.Formula.Design(d.frame, SumContrasts(factors...))
	if err != nil {
		return nil, err
	}
	var change mat.Dense // coefficients under sum coding = change · coefficients
	if err := change.Solve(sums.X, d.X); err != nil {
		return nil, fmt.Errorf("type 3 hypotheses: %w", stats.ErrCollinear)
	}
	var out []Hypothesis
	for k, label := range d.Formula.Terms() {
		h := Hypothesis{Term: label}
		for _, j := range sums.columnsOf(k + 1) {
			h.L = append(h.L, slices.Clone(change.RawRowView(j)))
		}
		if h.L != nil {
			h.L = differences(h.L, d.columnsOf(k+1))
			out = append(out, h)
		}
	}
	return out, nil
}

// differences rewrites the rows of a hypothesis as averaged differences from
// the reference level, one a row, which leaves the hypothesis as it is:
// the columns of the term itself become the identity.
func differences(rows [][]float64, own []int) [][]float64 {
	q := len(rows)
	if len(own) != q {
		return rows
	}
	all, block := mat.NewDense(q, len(rows[0]), nil), mat.NewDense(q, q, nil)
	for i, row := range rows {
		all.SetRow(i, row)
		for k, j := range own {
			block.Set(i, k, row[j])
		}
	}
	var solved mat.Dense
	if err := solved.Solve(block, all); err != nil {
		return rows
	}
	out := make([][]float64, q)
	for i := range out {
		out[i] = slices.Clone(solved.RawRowView(i))
		for j, v := range out[i] {
			if math.Abs(v) < 1e-12 {
				out[i][j] = 0
			}
		}
	}
	return out
}

// Thin is a design turned into orthonormal columns, for fits that repeat much
// algebra on the same columns: X = Q·R, y − offset = X·Coef + Resid.
type Thin struct {
	Q        *mat.Dense
	RInverse [][]float64 // upper triangular
	LogDet   float64     // log |R|
	Coef     []float64   // of ordinary least squares
	Resid    []float64
	RSS      float64
}

// Thin factors the design. The errors are those of OLS.
func (d *Design) Thin() (*Thin, error) {
	f, err := OLS(d, 0.95)
	if err != nil {
		return nil, err
	}
	n, p := d.X.Dims()
	t := &Thin{Q: mat.NewDense(n, p, nil), RInverse: f.ls.inverse, Coef: f.ls.coef, Resid: f.ls.resid, RSS: f.ls.rss}
	for i := range n {
		row, q := d.X.RawRowView(i), t.Q.RawRowView(i)
		for k, x := range row {
			for j := k; j < p; j++ {
				q[j] += x * f.ls.inverse[k][j]
			}
		}
	}
	for j := range p {
		t.LogDet -= math.Log(math.Abs(f.ls.inverse[j][j]))
	}
	return t, nil
}
