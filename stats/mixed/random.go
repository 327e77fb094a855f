package mixed

import "math"

// randomPart is the random effects' share ZΨZ' of V = σ²I + ZΨZ'.
type randomPart interface {
	rows() int
	total() []float64 // W'W
	// prepare sets Ψ and σ²; false if V is not positive definite.
	prepare(psi []float64, variance float64) bool
	logDet() float64     // log |V| − n log σ²
	shrink() []float64   // W'W − σ²W'V⁻¹W
	trace(k int) float64 // as structure, over the random parameters
	trace2(k, l int) float64
	product(k int) []float64
	contract(k, l int, weights []float64) float64
	product2(k, l int) []float64
}

// withResidual adds the residual variance, as the last parameter, to random
// effects. As σ²I = V − Σψ_kG_k, its sums follow from theirs.
type withResidual struct {
	random   randomPart
	psi      []float64
	variance float64
}

func (w *withResidual) prepare(psi []float64) bool {
	last := len(psi) - 1
	w.psi, w.variance = psi[:last], psi[last]
	return w.variance > 0 && w.random.prepare(w.psi, w.variance)
}

func (w *withResidual) residual(k int) bool { return k == len(w.psi) }

func (w *withResidual) logDet() float64 {
	return w.random.logDet() + float64(w.random.rows())*math.Log(w.variance)
}

func (w *withResidual) cross() []float64 {
	out := append([]float64(nil), w.random.total()...)
	for i, v := range w.random.shrink() {
		out[i] = (out[i] - v) / w.variance
	}
	return out
}

func (w *withResidual) trace(k int) float64 {
	if !w.residual(k) {
		return w.random.trace(k)
	}
	s := float64(w.random.rows())
	for l, v := range w.psi {
		s -= v * w.random.trace(l)
	}
	return s / w.variance
}

func (w *withResidual) trace2(k, l int) float64 {
	switch {
	case w.residual(l):
		s := w.trace(k)
		for i, v := range w.psi {
			s -= v * w.trace2(k, i)
		}
		return s / w.variance
	case w.residual(k):
		return w.trace2(l, k)
	}
	return w.random.trace2(k, l)
}

func (w *withResidual) product(k int) []float64 {
	if !w.residual(k) {
		return w.random.product(k)
	}
	out := w.cross()
	for l, v := range w.psi {
		for i, x := range w.random.product(l) {
			out[i] -= v * x
		}
	}
	return scaled(out, 1/w.variance)
}

func (w *withResidual) contract(k, l int, weights []float64) float64 {
	switch {
	case w.residual(l):
		s := dot(w.product(k), weights)
		for i, v := range w.psi {
			s -= v * w.contract(k, i, weights)
		}
		return s / w.variance
	case w.residual(k):
		return w.contract(l, k, weights) // the transpose, against symmetric weights
	}
	return w.random.contract(k, l, weights)
}

func (w *withResidual) product2(k, l int) []float64 {
	switch {
	case w.residual(l):
		out := append([]float64(nil), w.product(k)...)
		for i, v := range w.psi {
			for j, x := range w.product2(k, i) {
				out[j] -= v * x
			}
		}
		return scaled(out, 1/w.variance)
	case w.residual(k):
		return transposed(w.product2(l, k))
	}
	return w.random.product2(k, l)
}

func (w *withResidual) bend(int, int) (float64, []float64) { return 0, nil }

func scaled(x []float64, by float64) []float64 {
	for i := range x {
		x[i] *= by
	}
	return x
}

func transposed(x []float64) []float64 {
	m := int(math.Sqrt(float64(len(x))) + 0.5)
	out := make([]float64, len(x))
	for i := range m {
		for j := range m {
			out[j*m+i] = x[i*m+j]
		}
	}
	return out
}

// intercepts is one random intercept: groups of one size share all but their
// sums, so that an evaluation costs one step a distinct size, not a group.
type intercepts struct {
	n      int
	all    []float64 // W'W
	sizes  []sizeClass
	weight []float64 // 1/(σ²(1 + nλ)) of each size, λ = τ²/σ²
	scale  float64   // σ²
	share  float64   // τ²
}

// sizeClass is the groups with the same number of rows.
type sizeClass struct {
	size   float64
	groups float64
	sums   []float64 // Σ s·s' over the groups, s the column sums of W in the group
}

// newIntercepts sums the rows w (n × m) by group.
func newIntercepts(w []float64, m int, groups []int, count int) *intercepts {
	n := len(groups)
	r := &intercepts{n: n, all: make([]float64, m*m)}
	sums := make([]float64, count*m)
	size := make([]int, count)
	for i, g := range groups {
		row := w[i*m : (i+1)*m]
		size[g]++
		into := sums[g*m : (g+1)*m]
		for j, x := range row {
			into[j] += x
			for k := j; k < m; k++ {
				r.all[j*m+k] += x * row[k]
			}
		}
	}
	mirror(r.all, m)
	index := map[int]int{}
	for g, s := range size {
		k, ok := index[s]
		if !ok {
			k = len(r.sizes)
			index[s] = k
			r.sizes = append(r.sizes, sizeClass{size: float64(s), sums: make([]float64, m*m)})
		}
		c := &r.sizes[k]
		c.groups++
		row := sums[g*m : (g+1)*m]
		for j, x := range row {
			for k := j; k < m; k++ {
				c.sums[j*m+k] += x * row[k]
			}
		}
	}
	for _, c := range r.sizes {
		mirror(c.sums, m)
	}
	r.weight = make([]float64, len(r.sizes))
	return r
}

// mirror copies the upper triangle of an m × m matrix to the lower.
func mirror(x []float64, m int) {
	for j := range m {
		for k := range j {
			x[j*m+k] = x[k*m+j]
		}
	}
}

func (r *intercepts) rows() int        { return r.n }
func (r *intercepts) total() []float64 { return r.all }

func (r *intercepts) prepare(psi []float64, variance float64) bool {
	r.share, r.scale = psi[0], variance
	for i, c := range r.sizes {
		d := variance + c.size*r.share
		if !(d > 0) {
			return false
		}
		r.weight[i] = 1 / d
	}
	return true
}

func (r *intercepts) logDet() float64 {
	s := 0.0
	for _, c := range r.sizes {
		s += c.groups * math.Log1p(c.size*r.share/r.scale)
	}
	return s
}

// sum adds the sums of the size classes, each with a weight.
func (r *intercepts) sum(weight func(i int, c sizeClass) float64) []float64 {
	out := make([]float64, len(r.all))
	for i, c := range r.sizes {
		w := weight(i, c)
		for j, x := range c.sums {
			out[j] += w * x
		}
	}
	return out
}

func (r *intercepts) shrink() []float64 {
	return r.sum(func(i int, _ sizeClass) float64 { return r.share * r.weight[i] })
}

func (r *intercepts) trace(int) float64 {
	s := 0.0
	for i, c := range r.sizes {
		s += c.groups * c.size * r.weight[i]
	}
	return s
}

func (r *intercepts) trace2(int, int) float64 {
	s := 0.0
	for i, c := range r.sizes {
		d := c.size * r.weight[i]
		s += c.groups * d * d
	}
	return s
}

func (r *intercepts) product(int) []float64 {
	return r.sum(func(i int, _ sizeClass) float64 { return r.weight[i] * r.weight[i] })
}

func (r *intercepts) product2(int, int) []float64 {
	return r.sum(func(i int, c sizeClass) float64 { return c.size * r.weight[i] * r.weight[i] * r.weight[i] })
}

func (r *intercepts) contract(_, _ int, weights []float64) float64 {
	return dot(r.product2(0, 0), weights)
}
