// Package definite solves systems with symmetric positive definite matrices,
// such as information and covariance matrices, and names the row that the rows
// before it determine when the matrix is only semidefinite.
package definite

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// Singular is the share of its own size below which what a row has left after
// the rows before it counts as nothing.
const Singular = 1e-10

// Factor is the Cholesky factor of a matrix scaled to unit diagonal, so that
// terms measured in metres and in micrometres are treated alike.
type Factor struct {
	chol  mat.Cholesky
	scale []float64
}

// Factorise factors v. If v is not positive definite, the Factor is nil and
// dependent is the first row that those before it determine (to within
// Singular); otherwise dependent is −1.
func Factorise(v mat.Symmetric) (f *Factor, dependent int) {
	k := v.SymmetricDim()
	f = &Factor{scale: make([]float64, k)}
	for i := range k {
		if !(v.At(i, i) > 0) || math.IsInf(v.At(i, i), 1) {
			return nil, i
		}
		f.scale[i] = 1 / math.Sqrt(v.At(i, i))
	}
	scaled := mat.NewSymDense(k, nil)
	left := make([][]float64, k)
	for i := range k {
		left[i] = make([]float64, k)
		for j := range k {
			left[i][j] = v.At(i, j) * f.scale[i] * f.scale[j]
			if j >= i {
				scaled.SetSym(i, j, left[i][j])
			}
		}
	}
	for i := range k {
		pivot := left[i][i]
		if !(pivot > Singular) {
			return nil, i
		}
		for r := i + 1; r < k; r++ {
			share := left[r][i] / pivot
			for c := i; c < k; c++ {
				left[r][c] -= share * left[i][c]
			}
		}
	}
	if !f.chol.Factorize(scaled) {
		return nil, k - 1
	}
	return f, -1
}

// Solve returns v⁻¹·b.
func (f *Factor) Solve(b []float64) []float64 {
	k := len(f.scale)
	rhs, x := mat.NewVecDense(k, nil), mat.NewVecDense(k, nil)
	for i := range k {
		rhs.SetVec(i, b[i]*f.scale[i])
	}
	// The only error is a condition number that Factorise has let pass.
	_ = f.chol.SolveVecTo(x, rhs)
	out := make([]float64, k)
	for i := range k {
		out[i] = x.AtVec(i) * f.scale[i]
	}
	return out
}

// Inverse returns v⁻¹.
func (f *Factor) Inverse() *mat.SymDense {
	k := len(f.scale)
	out, unit := mat.NewSymDense(k, nil), make([]float64, k)
	for j := range k {
		clear(unit)
		unit[j] = 1
		for i, x := range f.Solve(unit)[:j+1] {
			out.SetSym(i, j, x)
		}
	}
	return out
}

// QuadraticForm returns uᵀ·v⁻¹·u, and false if v is not positive definite.
func QuadraticForm(v mat.Symmetric, u []float64) (float64, bool) {
	f, dependent := Factorise(v)
	if dependent >= 0 {
		return 0, false
	}
	sum := 0.0
	for i, x := range f.Solve(u) {
		sum += x * u[i]
	}
	return sum, true
}

// Wald returns uᵀ·v⁻¹·u where only some rows of v and u are kept, and false if
// that part of v is not positive definite.
func Wald(v mat.Symmetric, u []float64, keep []int) (float64, bool) {
	part, b := mat.NewSymDense(len(keep), nil), make([]float64, len(keep))
	for i, r := range keep {
		b[i] = u[r]
		for j := i; j < len(keep); j++ {
			part.SetSym(i, j, v.At(r, keep[j]))
		}
	}
	return QuadraticForm(part, b)
}
