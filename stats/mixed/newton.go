package mixed

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
)

// mapping takes free parameters η to the parameters ψ of a structure, one part
// after another, so that variances stay positive and covariance matrices
// semidefinite whatever η is.
type mapping []part

// part maps some free parameters to as many of ψ: a covariance matrix of
// random effects from its Cholesky factor, a positive number from its
// logarithm, or a number as it is.
type part struct {
	kind partKind
	size int // dimension of the covariance matrix; 1 for the others
}

type partKind int

const (
	cholesky partKind = iota + 1
	logarithm
	identity
)

func (t part) count() int { return t.size * (t.size + 1) / 2 }

func (mp mapping) count() int {
	n := 0
	for _, t := range mp {
		n += t.count()
	}
	return n
}

// triangle is the position of entry (i, j), i ≥ j, row by row.
func triangle(i, j int) int { return i*(i+1)/2 + j }

// apply returns ψ with its first and second derivatives in η: jacobian[k][a],
// and curvature[k] as the Hessian of ψ_k.
func (mp mapping) apply(eta []float64) (psi []float64, jacobian [][]float64, curvature [][][]float64) {
	n := mp.count()
	psi = make([]float64, n)
	jacobian, curvature = make([][]float64, n), make([][][]float64, n)
	for k := range n {
		jacobian[k] = make([]float64, n)
		curvature[k] = make([][]float64, n)
		for a := range n {
			curvature[k][a] = make([]float64, n)
		}
	}
	base := 0
	for _, t := range mp {
		switch t.kind {
		case logarithm:
			v := math.Exp(eta[base])
			psi[base], jacobian[base][base], curvature[base][base][base] = v, v, v
		case identity:
			psi[base], jacobian[base][base] = eta[base], 1
		case cholesky:
			t.square(base, eta, psi, jacobian, curvature)
		}
		base += t.count()
	}
	return psi, jacobian, curvature
}

// square fills in ψ = LL' and its derivatives.
func (t part) square(base int, eta, psi []float64, jacobian [][]float64, curvature [][][]float64) {
	for i := range t.size {
		for j := range i + 1 {
			k := base + triangle(i, j)
			for h := range j + 1 {
				a, b := base+triangle(i, h), base+triangle(j, h)
				psi[k] += eta[a] * eta[b]
				jacobian[k][a] += eta[b]
				jacobian[k][b] += eta[a]
				curvature[k][a][b]++
				curvature[k][b][a]++
			}
		}
	}
}

// optimum is where Newton's method ended.
type optimum struct {
	psi      []float64
	jacobian [][]float64 // dψ/dη
	hessian  *mat.SymDense
	point    *point
	moments  *derivatives
}

const (
	maxIterations = 200
	// flat is the Newton decrement below which the optimum is reached; steps
	// beyond it only polish.
	flat = 1e-8
)

// minimise finds the η of least −2 log likelihood by Newton's method with the
// exact Hessian, damped where it is not positive definite or the step does not
// pay (Levenberg).
func (d *data) minimise(s structure, mp mapping, start []float64) (*optimum, error) {
	eta := append([]float64(nil), start...)
	psi, jacobian, curvature := mp.apply(eta)
	pt, ok := d.evaluate(s, psi)
	if !ok {
		return nil, fmt.Errorf("no likelihood at the starting values: %w", stats.ErrNotConverged)
	}
	damping, polished := 0.0, 0
	previous := math.Inf(1)
	for range maxIterations {
		moments := d.derive(s, pt, len(psi))
		gradient, hessian := chain(moments, jacobian, curvature)
		step, decrement, used := newtonStep(gradient, hessian, damping)
		done := &optimum{psi: psi, jacobian: jacobian, hessian: hessian, point: pt, moments: moments}
		// A damped step that is no step either is a flat ridge at the boundary.
		if decrement < flat && (used == 0 || decrement < flat*flat) {
			if polished >= 4 || !(decrement < previous) || decrement == 0 {
				return done, nil
			}
			polished++
			previous = decrement
		}
		accepted := false
		for range 60 {
			trial := make([]float64, len(eta))
			for i := range eta {
				trial[i] = eta[i] + step[i]
			}
			tPsi, tJacobian, tCurvature := mp.apply(trial)
			tPoint, ok := d.evaluate(s, tPsi)
			if ok && (tPoint.value < pt.value || decrement < flat && tPoint.value < pt.value+1e-9) {
				eta, psi, jacobian, curvature, pt = trial, tPsi, tJacobian, tCurvature, tPoint
				accepted = true
				break
			}
			damping = math.Max(4*used, 1e-3)
			step, _, used = newtonStep(gradient, hessian, damping)
		}
		if !accepted {
			if _, ok := d.evaluate(s, psi); !ok || decrement > 1e-6 {
				return nil, fmt.Errorf("no step from the last estimate improves the likelihood: %w", stats.ErrNotConverged)
			}
			return done, nil
		}
		if damping = used / 8; damping < 1e-4 {
			damping = 0
		}
	}
	return nil, fmt.Errorf("not settled after %d steps: %w", maxIterations, stats.ErrNotConverged)
}

// chain turns derivatives in ψ into derivatives in η.
func chain(m *derivatives, jacobian [][]float64, curvature [][][]float64) ([]float64, *mat.SymDense) {
	n := len(m.gradient)
	gradient := make([]float64, n)
	hessian := mat.NewSymDense(n, nil)
	for a := range n {
		for k := range n {
			gradient[a] += m.gradient[k] * jacobian[k][a]
		}
		for b := a; b < n; b++ {
			h := 0.0
			for k := range n {
				h += m.gradient[k] * curvature[k][a][b]
				if jacobian[k][a] == 0 {
					continue
				}
				for l := range n {
					h += jacobian[k][a] * m.hessian[k][l] * jacobian[l][b]
				}
			}
			hessian.SetSym(a, b, h)
		}
	}
	return gradient, hessian
}

// newtonStep solves (H + μI)s = −g with the smallest damping μ, from the one
// given up, that makes the matrix definite. decrement is −g's.
func newtonStep(gradient []float64, hessian *mat.SymDense, damping float64) (step []float64, decrement, used float64) {
	n := len(gradient)
	for used = damping; ; used = math.Max(4*used, 1e-3) {
		h := mat.NewSymDense(n, nil)
		for i := range n {
			for j := i; j < n; j++ {
				h.SetSym(i, j, hessian.At(i, j))
			}
			h.SetSym(i, i, h.At(i, i)+used*(1+math.Abs(hessian.At(i, i))))
		}
		var chol mat.Cholesky
		if !chol.Factorize(h) {
			if used > 1e12 {
				return make([]float64, n), 0, used
			}
			continue
		}
		var s mat.VecDense
		if err := chol.SolveVecTo(&s, mat.NewVecDense(n, gradient)); err != nil {
			if _, badly := err.(mat.Condition); !badly {
				continue
			}
		}
		step = make([]float64, n)
		for i := range n {
			step[i] = -s.AtVec(i)
			decrement -= gradient[i] * step[i]
		}
		return step, decrement, used
	}
}
