package cluster

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// derivatives says how the equations of φ and α are differentiated.
type derivatives int

const (
	sandwichDerivatives derivatives = iota + 1
	// comparisonDerivatives are those of geepack 1.3.9, found from its influence
	// values: a product e_je_k is differentiated as if it were of e_j and e_j, a
	// square as if Pearson residuals were divided by the variance where they are
	// divided by its root, and a cluster of one counts as the cluster before it.
	comparisonDerivatives
)

// alphaEquation is the equation of α in one cluster, and its derivatives.
type alphaEquation struct {
	value     float64   // Σ w(e_je_k/φ − ρ) over the pairs, w = dρ/dα
	slope     float64   // Σ w²
	scale     float64   // −∂/∂φ: Σ w·e_je_k/φ²
	direction []float64 // −∂/∂β
}

// alphaSE is the standard error of α from the stacked equations of β, φ and α
// (Yan & Fine, Stat Med 2004;23:859–874): the root of Σ over clusters of the squared
// influence on α, which passes through those on φ and β.
func (g *solver) alphaSE(bread *mat.SymDense, how derivatives) float64 {
	n, p := g.x.Dims()
	count := float64(n)
	square := make([]float64, p) // −∂/∂β of Σe²
	for i := range n {
		g.addSquare(square, i, how)
	}
	var equations []alphaEquation
	total := alphaEquation{direction: make([]float64, p)}
	last := alphaEquation{direction: make([]float64, p)}
	for _, rows := range g.groups {
		q := g.alphaEquation(rows)
		if how == comparisonDerivatives {
			if len(rows) == 1 {
				q = last
			} else {
				q.direction = g.ownProducts(rows)
			}
			last = q
		}
		total.slope += q.slope
		total.scale += q.scale
		for j, v := range q.direction {
			total.direction[j] += v
		}
		equations = append(equations, q)
	}
	if g.equations.Convention == Corrected {
		count -= float64(p)
		if g.equations.Working == Exchangeable {
			total.slope -= float64(p)
		}
	}
	variance, k := 0.0, 0
	// The clusters come in the same order again, with their scores on β.
	_ = g.each(func(_ *mat.Dense, score *mat.VecDense) {
		var shift mat.VecDense // influence on β
		shift.MulVec(bread, score)
		own := 0.0
		for _, i := range g.groups[k] {
			own += g.residual[i]*g.residual[i] - g.scale
		}
		phi := own
		alpha := equations[k].value
		for j := range p {
			phi -= square[j] * shift.AtVec(j)
			alpha -= total.direction[j] * shift.AtVec(j)
		}
		alpha = (alpha - total.scale*phi/count) / total.slope
		variance += alpha * alpha
		k++
	})
	return math.Sqrt(variance)
}

// alphaEquation sums over the pairs of a cluster.
func (g *solver) alphaEquation(rows []int) alphaEquation {
	_, p := g.x.Dims()
	q := alphaEquation{direction: make([]float64, p)}
	g.pairs(rows, func(i, j int, w, rho float64) {
		z := g.residual[i] * g.residual[j] / g.scale
		q.value += w * (z - rho)
		q.slope += w * w
		q.scale += w * z / g.scale
		a, b := g.x.RawRowView(i), g.x.RawRowView(j)
		bendA, bendB := g.bend[i], g.bend[j]
		for c := range p {
			q.direction[c] += w * ((a[c]*g.residual[j]+b[c]*g.residual[i])/g.scale + z/2*(bendA*a[c]+bendB*b[c]))
		}
	})
	return q
}

// ownProducts is the direction of a cluster with each residual multiplied by its own derivative.
func (g *solver) ownProducts(rows []int) []float64 {
	_, p := g.x.Dims()
	out := make([]float64, p)
	g.pairs(rows, func(i, j int, w, _ float64) {
		z := g.residual[i] * g.residual[j] / g.scale
		a, b := g.x.RawRowView(i), g.x.RawRowView(j)
		bendA, bendB := g.bend[i], g.bend[j]
		for c := range p {
			out[c] += w * ((a[c]*g.residual[i]+b[c]*g.residual[j])/g.scale + z/2*(bendA*a[c]+bendB*b[c]))
		}
	})
	return out
}

// pairs visits every two observations of a cluster with dρ/dα and ρ.
func (g *solver) pairs(rows []int, visit func(i, j int, w, rho float64)) {
	for a, i := range rows {
		for b := a + 1; b < len(rows); b++ {
			w, rho := 1.0, g.alpha
			if g.equations.Working == AR1 {
				lag := float64(b - a)
				w, rho = lag*math.Pow(g.alpha, lag-1), math.Pow(g.alpha, lag)
			}
			visit(i, rows[b], w, rho)
		}
	}
}

// addSquare adds −∂e²/∂β of one observation.
func (g *solver) addSquare(into []float64, i int, how derivatives) {
	e := g.residual[i]
	factor := 2*e + e*e*g.bend[i]
	if how == comparisonDerivatives {
		factor /= g.root[i]
	}
	for c, v := range g.x.RawRowView(i) {
		into[c] += factor * v
	}
}
