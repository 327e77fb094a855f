package mixed

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// structure is a covariance V(ψ) of the rows, known through sums over its
// blocks. Square results are of the m columns of W, row by row; the last is r.
type structure interface {
	// prepare sets ψ; false if V(ψ) is not positive definite.
	prepare(psi []float64) bool
	logDet() float64
	cross() []float64                             // W'V⁻¹W
	trace(k int) float64                          // tr V⁻¹G_k
	trace2(k, l int) float64                      // tr V⁻¹G_kV⁻¹G_l
	product(k int) []float64                      // W'V⁻¹G_kV⁻¹W
	contract(k, l int, weights []float64) float64 // tr(weights·W'V⁻¹G_kV⁻¹G_lV⁻¹W), weights symmetric
	product2(k, l int) []float64                  // W'V⁻¹G_kV⁻¹G_lV⁻¹W
	// bend returns tr V⁻¹G and W'V⁻¹GV⁻¹W for G = ∂²V/∂ψ_k∂ψ_l, nil where it is 0.
	bend(k, l int) (float64, []float64)
}

// data is a model reduced to orthonormal columns and scaled residuals.
type data struct {
	n, p    int
	scale   float64 // of the residuals: r = (y − X·ols)/scale
	logDetR float64 // log |R|
	ml      bool
}

// point is the likelihood at one ψ, in the units of the scaled residuals.
type point struct {
	value    float64 // −2 log (restricted) likelihood, constants left out
	gamma    []float64
	phi      []float64 // p × p: (Q'V⁻¹Q)⁻¹
	residual []float64 // m: (−γ, 1), so that W·residual = r − Qγ
	weights  []float64 // m × m: φ in the corner of the fixed columns
	outer    []float64 // m × m: residual·residual'
}

// evaluate computes the likelihood; ok is false outside the parameter space.
func (d *data) evaluate(s structure, psi []float64) (pt *point, ok bool) {
	if !s.prepare(psi) {
		return nil, false
	}
	p, m := d.p, d.p+1
	cross := s.cross()
	logDetFixed := 0.0
	pt = &point{gamma: make([]float64, p), phi: make([]float64, p*p), residual: make([]float64, m)}
	if p > 0 {
		a := mat.NewSymDense(p, nil)
		b := mat.NewVecDense(p, nil)
		for i := range p {
			b.SetVec(i, cross[i*m+p])
			for j := i; j < p; j++ {
				a.SetSym(i, j, cross[i*m+j])
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(a) {
			return nil, false
		}
		var inverse mat.SymDense
		if err := chol.InverseTo(&inverse); err != nil {
			return nil, false
		}
		for i := range p {
			for j := range p {
				pt.phi[i*p+j] = inverse.At(i, j)
				pt.gamma[i] += inverse.At(i, j) * b.AtVec(j)
			}
		}
		logDetFixed = chol.LogDet()
	}
	for i, g := range pt.gamma {
		pt.residual[i] = -g
	}
	pt.residual[p] = 1
	pt.weights, pt.outer = make([]float64, m*m), make([]float64, m*m)
	for i := range m {
		for j := range m {
			if i < p && j < p {
				pt.weights[i*m+j] = pt.phi[i*p+j]
			}
			pt.outer[i*m+j] = pt.residual[i] * pt.residual[j]
		}
	}
	pt.value = s.logDet() + dot(cross, pt.outer)
	if !d.ml {
		pt.value += logDetFixed
	}
	return pt, !math.IsNaN(pt.value) && !math.IsInf(pt.value, 0)
}

// derivatives are the gradient and Hessian of point.value in ψ, and what the
// degrees of freedom need besides.
type derivatives struct {
	gradient []float64
	hessian  [][]float64
	products [][]float64 // W'V⁻¹G_kV⁻¹W
}

// derive differentiates the likelihood at a point of s, which is still prepared there.
func (d *data) derive(s structure, pt *point, parameters int) *derivatives {
	p, m := d.p, d.p+1
	out := &derivatives{}
	spread := make([][]float64, parameters) // φ·A_k, p × p
	pulled := make([][]float64, parameters) // X'V⁻¹G_kV⁻¹e
	for k := range parameters {
		a := s.product(k)
		out.products = append(out.products, a)
		spread[k], pulled[k] = make([]float64, p*p), make([]float64, p)
		for i := range p {
			pulled[k][i] = dot(a[i*m:(i+1)*m], pt.residual)
			for j := range p {
				for h := range p {
					spread[k][i*p+j] += pt.phi[i*p+h] * a[h*m+j]
				}
			}
		}
		g := s.trace(k) - dot(a, pt.outer)
		if !d.ml {
			g -= dot(a, pt.weights)
		}
		out.gradient = append(out.gradient, g)
		out.hessian = append(out.hessian, make([]float64, parameters))
	}
	for k := range parameters {
		for l := 0; l <= k; l++ {
			h := -s.trace2(k, l) + 2*s.contract(k, l, pt.outer)
			for i := range p {
				for j := range p {
					h -= 2 * pulled[k][i] * pt.phi[i*p+j] * pulled[l][j]
				}
			}
			if !d.ml {
				h += 2*s.contract(k, l, pt.weights) - traceProduct(spread[k], spread[l], p)
			}
			if t, b := s.bend(k, l); b != nil {
				h += t - dot(b, pt.outer)
				if !d.ml {
					h -= dot(b, pt.weights)
				}
			}
			out.hessian[k][l], out.hessian[l][k] = h, h
		}
	}
	return out
}

// constant is what −2 log likelihood has beside point.value.
func (d *data) constant() float64 {
	n, p := float64(d.n), float64(d.p)
	if d.ml {
		return n * (math.Log(2*math.Pi) + 2*math.Log(d.scale))
	}
	return (n-p)*(math.Log(2*math.Pi)+2*math.Log(d.scale)) + 2*d.logDetR
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i, x := range a {
		s += x * b[i]
	}
	return s
}

// traceProduct returns tr(a·b) of p × p matrices.
func traceProduct(a, b []float64, p int) float64 {
	s := 0.0
	for i := range p {
		for j := range p {
			s += a[i*p+j] * b[j*p+i]
		}
	}
	return s
}
