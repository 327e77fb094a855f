package regress

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/dist"
)

// AnovaTerm is one line of an analysis of variance. F and P are NaN on the
// line of the residuals.
type AnovaTerm struct {
	Term   string
	DF     float64
	SS, MS float64
	F, P   float64
}

// AnovaType says which models a term's sum of squares compares.
type AnovaType int

// The types of analysis of variance. They agree when the factors are
// orthogonal, as in a balanced design.
const (
	Sequential AnovaType = 1 // each term given those before it
	Marginal   AnovaType = 2 // each term given every term that does not contain it
	Partial    AnovaType = 3 // each term given all others; meaningful with SumContrasts only
)

// Anova returns the analysis of variance of a fit: one line a term (type 3
// also the constant) and the residuals last. Sums of squares are b'C⁻¹b of the
// term's coefficients b in the larger of the two models compared, C being
// their block of (X'X)⁻¹; each F has the residual mean square of the full model
// below it. Type 3 needs a design made with SumContrasts for every factor that
// is in an interaction.
func (f *Fit) Anova(t AnovaType) ([]AnovaTerm, error) {
	d := f.Design
	var lines []AnovaTerm
	labels := d.Formula.Terms()
	if t == Partial && d.Formula.Intercept {
		ss, df, err := wald(f.ls.coef, f.ls.cross, d.columnsOf(0))
		if err != nil {
			return nil, err
		}
		lines = append(lines, f.line("(Intercept)", ss, df))
	}
	for k, label := range labels {
		columns := d.columnsOf(k + 1)
		if len(columns) == 0 {
			continue
		}
		ss, df, err := f.termSS(t, k, columns)
		if err != nil {
			return nil, fmt.Errorf("analysis of variance, %s: %w", label, err)
		}
		lines = append(lines, f.line(label, ss, df))
	}
	nan := math.NaN()
	return append(lines, AnovaTerm{Term: "Residuals", DF: f.DF, SS: f.RSS, MS: f.RSS / f.DF, F: nan, P: nan}), nil
}

func (f *Fit) line(label string, ss, df float64) AnovaTerm {
	a := AnovaTerm{Term: label, DF: df, SS: ss, MS: ss / df}
	a.F = a.MS / (f.RSS / f.DF)
	a.P = dist.FSF(a.F, df, f.DF)
	return a
}

func (d *Design) columnsOf(term int) []int {
	var columns []int
	for j, a := range d.Assign {
		if a == term {
			columns = append(columns, j)
		}
	}
	return columns
}

func (f *Fit) termSS(t AnovaType, k int, columns []int) (ss, df float64, err error) {
	d := f.Design
	switch t {
	case Sequential:
		for _, j := range columns {
			ss += f.ls.effects[j] * f.ls.effects[j]
		}
		return ss, float64(len(columns)), nil
	case Partial:
		return wald(f.ls.coef, f.ls.cross, columns)
	case Marginal:
		var keep []int
		for j, a := range d.Assign {
			if a == 0 || a == k+1 || !contains(d.Formula.terms[a-1], d.Formula.terms[k]) {
				keep = append(keep, j)
			}
		}
		if len(keep) == len(d.Assign) {
			return wald(f.ls.coef, f.ls.cross, columns)
		}
		reduced, dependent := solve(selectColumns(d.X, keep), d.net())
		if dependent >= 0 {
			return 0, 0, d.collinear(keep[dependent])
		}
		var own []int
		for pos, j := range keep {
			if slices.Contains(columns, j) {
				own = append(own, pos)
			}
		}
		return wald(reduced.coef, reduced.cross, own)
	}
	return 0, 0, &stats.ArgumentError{Name: "type of analysis of variance", Got: int(t), Want: "1, 2 or 3"}
}

// contains reports whether every variable of inner is in outer.
func contains(outer, inner term) bool {
	for _, v := range inner {
		if !slices.Contains(outer, v) {
			return false
		}
	}
	return true
}

func selectColumns(x *mat.Dense, columns []int) *mat.Dense {
	n, _ := x.Dims()
	out := mat.NewDense(n, len(columns), nil)
	for i := range n {
		row := x.RawRowView(i)
		for k, j := range columns {
			out.Set(i, k, row[j])
		}
	}
	return out
}

// wald returns b'C⁻¹b over the given coefficients.
func wald(coef []float64, cross *mat.SymDense, columns []int) (ss, df float64, err error) {
	b := mat.NewVecDense(len(columns), nil)
	c := mat.NewSymDense(len(columns), nil)
	for i, ci := range columns {
		b.SetVec(i, coef[ci])
		for j := i; j < len(columns); j++ {
			c.SetSym(i, j, cross.At(ci, columns[j]))
		}
	}
	var chol mat.Cholesky
	var half mat.VecDense
	if !chol.Factorize(c) {
		return 0, 0, stats.ErrCollinear
	}
	if err := chol.SolveVecTo(&half, b); err != nil {
		if _, badly := err.(mat.Condition); !badly {
			return 0, 0, err
		}
	}
	return mat.Dot(b, &half), float64(len(columns)), nil
}
