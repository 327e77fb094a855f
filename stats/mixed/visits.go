package mixed

import (
	"fmt"
	"math"
	"sort"

	"gonum.org/v1/gonum/mat"
)

// visits is a covariance over planned visits: rows of one subject are
// correlated by visit, subjects of one cluster share a random intercept if
// there is one, and others are independent. Clusters with the same pattern of
// visits share everything but their cross products.
type visits struct {
	shape    Covariance
	count    int // visits planned
	m        int
	shared   bool // a random intercept of the cluster is the last parameter
	patterns []*pattern

	psi []float64
}

// cell is a row's place in its cluster: which subject, and which visit.
type cell struct{ subject, visit int }

// pattern is the clusters seen at the same cells.
type pattern struct {
	cells    []cell
	clusters float64
	sums     [][]float64 // by pair of cells i·t + j: Σ w_i·w_j' over the clusters

	inverse *mat.SymDense // V⁻¹
	logDet  float64
	slopes  []*mat.Dense              // V⁻¹G_k
	pulled  map[*float64][]*mat.Dense // V⁻¹G_kV⁻¹K by weights, K the weighted sums; until the next prepare
}

// newVisits sums the rows w (n × m). Each row has a subject and a visit, and
// its cluster, which is the subject itself where clusters is nil.
func newVisits(w []float64, m int, subjects, visit, clusters []int, count int, shape Covariance) *visits {
	v := &visits{shape: shape, count: count, m: m, shared: clusters != nil}
	top := clusters
	if top == nil {
		top = subjects
	}
	members := map[int][]int{}
	var order []int
	for i, g := range top {
		if members[g] == nil {
			order = append(order, g)
		}
		members[g] = append(members[g], i)
	}
	index := map[string]*pattern{}
	for _, g := range order {
		rows := arrange(members[g], subjects, visit)
		cells := make([]cell, len(rows))
		slot := -1
		for k, i := range rows {
			if k == 0 || subjects[i] != subjects[rows[k-1]] {
				slot++
			}
			cells[k] = cell{slot, visit[i]}
		}
		key := fmt.Sprint(cells)
		p := index[key]
		if p == nil {
			p = &pattern{cells: cells, sums: make([][]float64, len(cells)*len(cells))}
			for k := range p.sums {
				p.sums[k] = make([]float64, m*m)
			}
			index[key] = p
			v.patterns = append(v.patterns, p)
		}
		p.clusters++
		for a, i := range rows {
			for b, j := range rows {
				addOuter(p.sums[a*len(rows)+b], w[i*m:(i+1)*m], w[j*m:(j+1)*m])
			}
		}
	}
	return v
}

// arrange sorts the rows of a cluster so that clusters with the same visits
// look alike: subjects by their visits, then visits ascending.
func arrange(rows, subjects, visit []int) []int {
	seen := map[int]string{}
	own := map[int][]int{}
	for _, i := range rows {
		own[subjects[i]] = append(own[subjects[i]], visit[i])
	}
	for s, vs := range own {
		sort.Ints(vs)
		seen[s] = fmt.Sprint(vs)
	}
	out := append([]int(nil), rows...)
	sort.SliceStable(out, func(a, b int) bool {
		i, j := out[a], out[b]
		if subjects[i] == subjects[j] {
			return visit[i] < visit[j]
		}
		if seen[subjects[i]] != seen[subjects[j]] {
			return seen[subjects[i]] < seen[subjects[j]]
		}
		return subjects[i] < subjects[j]
	})
	return out
}

// own is the number of parameters of the covariance over visits.
func (v *visits) own() int {
	if v.shape == Unstructured {
		return v.count * (v.count + 1) / 2
	}
	return 2
}

func (v *visits) parameters() int {
	if v.shared {
		return v.own() + 1
	}
	return v.own()
}

// slope is ∂V/∂ψ_k between two cells.
func (v *visits) slope(k int, a, b cell) float64 {
	if k == v.own() { // the cluster's intercept
		return 1
	}
	if a.subject != b.subject {
		return 0
	}
	lag := math.Abs(float64(a.visit - b.visit))
	switch v.shape {
	case Unstructured:
		if k == triangle(max(a.visit, b.visit), min(a.visit, b.visit)) {
			return 1
		}
		return 0
	case CompoundSymmetric: // residual variance, covariance
		if k == 1 || lag == 0 {
			return 1
		}
		return 0
	}
	variance, rho := v.psi[0], v.psi[1] // AR(1)
	if k == 0 {
		return math.Pow(rho, lag)
	}
	if lag == 0 {
		return 0
	}
	return variance * lag * math.Pow(rho, lag-1)
}

// curve is ∂²V/∂ψ_k∂ψ_l between two cells; only AR(1) has one.
func (v *visits) curve(k, l int, a, b cell) float64 {
	lag := math.Abs(float64(a.visit - b.visit))
	if a.subject != b.subject || lag == 0 || k > 1 || l > 1 || k+l == 0 {
		return 0
	}
	variance, rho := v.psi[0], v.psi[1]
	if k+l == 1 {
		return lag * math.Pow(rho, lag-1)
	}
	if lag == 1 {
		return 0
	}
	return variance * lag * (lag - 1) * math.Pow(rho, lag-2)
}

// covariance is V between two cells.
func (v *visits) covariance(a, b cell) float64 {
	s := 0.0
	for k, x := range v.psi {
		if v.shape == AR1 && k == 1 {
			continue // V is linear in the variance alone
		}
		s += x * v.slope(k, a, b)
	}
	return s
}

func (v *visits) prepare(psi []float64) bool {
	v.psi = psi
	if v.shape == AR1 && !(math.Abs(psi[1]) < 1) {
		return false
	}
	for _, p := range v.patterns {
		if !v.preparePattern(p) {
			return false
		}
	}
	return true
}

// worstCondition is the condition number of a covariance beyond which it counts
// as singular: the likelihood has no maximum there, it only keeps rising.
const worstCondition = 1e10

func (v *visits) preparePattern(p *pattern) bool {
	t := len(p.cells)
	sigma := mat.NewSymDense(t, nil)
	for i := range t {
		for j := i; j < t; j++ {
			sigma.SetSym(i, j, v.covariance(p.cells[i], p.cells[j]))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(sigma) || chol.Cond() > worstCondition {
		return false
	}
	p.logDet = chol.LogDet()
	p.inverse = mat.NewSymDense(t, nil)
	if err := chol.InverseTo(p.inverse); err != nil {
		return false
	}
	p.slopes, p.pulled = nil, map[*float64][]*mat.Dense{}
	for k := range v.parameters() {
		g := mat.NewDense(t, t, nil)
		for i := range t {
			for j := range t {
				g.Set(i, j, v.slope(k, p.cells[i], p.cells[j]))
			}
		}
		s := mat.NewDense(t, t, nil)
		s.Mul(p.inverse, g)
		p.slopes = append(p.slopes, s)
	}
	return true
}

func (v *visits) logDet() float64 {
	s := 0.0
	for _, p := range v.patterns {
		s += p.clusters * p.logDet
	}
	return s
}

// gather adds up Σ middle_ij·(w_i·w_j') over the patterns.
func (v *visits) gather(middle func(p *pattern) mat.Matrix) []float64 {
	out := make([]float64, v.m*v.m)
	for _, p := range v.patterns {
		t := len(p.cells)
		b := middle(p)
		for i := range t {
			for j := range t {
				if x := b.At(i, j); x != 0 {
					subtractRow(out, p.sums[i*t+j], -x)
				}
			}
		}
	}
	return out
}

// second is V⁻¹G_kV⁻¹G_lV⁻¹ of a pattern.
func (p *pattern) second(k, l int) mat.Matrix {
	var b mat.Dense
	b.Product(p.slopes[k], p.slopes[l], p.inverse)
	return &b
}

func (p *pattern) first(k int) mat.Matrix {
	var b mat.Dense
	b.Mul(p.slopes[k], p.inverse)
	return &b
}

func (v *visits) cross() []float64 {
	return v.gather(func(p *pattern) mat.Matrix { return p.inverse })
}

func (v *visits) product(k int) []float64 {
	return v.gather(func(p *pattern) mat.Matrix { return p.first(k) })
}

func (v *visits) product2(k, l int) []float64 {
	return v.gather(func(p *pattern) mat.Matrix { return p.second(k, l) })
}

func (v *visits) trace(k int) float64 {
	s := 0.0
	for _, p := range v.patterns {
		s += p.clusters * mat.Trace(p.slopes[k])
	}
	return s
}

func (v *visits) trace2(k, l int) float64 {
	s := 0.0
	for _, p := range v.patterns {
		s += p.clusters * traceOf(p.slopes[k], p.slopes[l])
	}
	return s
}

func traceOf(a, b *mat.Dense) float64 {
	return traceProduct(a.RawMatrix().Data, b.RawMatrix().Data, a.RawMatrix().Cols)
}

func (v *visits) contract(k, l int, weights []float64) float64 {
	s := 0.0
	for _, p := range v.patterns {
		s += traceOf(p.slopes[k], p.pull(weights)[l])
	}
	return s
}

// pull returns V⁻¹G_lV⁻¹K for every l, with K_ij = tr(weights·sums_ij): then
// tr(weights·Σ(V⁻¹G_kV⁻¹G_lV⁻¹)_ij·sums_ij) is the trace of V⁻¹G_k times it.
func (p *pattern) pull(weights []float64) []*mat.Dense {
	if have, ok := p.pulled[&weights[0]]; ok {
		return have
	}
	t := len(p.cells)
	k := mat.NewDense(t, t, nil)
	for i := range t {
		for j := range t {
			k.Set(j, i, dot(p.sums[i*t+j], weights))
		}
	}
	var right mat.Dense
	right.Mul(p.inverse, k)
	out := make([]*mat.Dense, len(p.slopes))
	for l, s := range p.slopes {
		out[l] = mat.NewDense(t, t, nil)
		out[l].Mul(s, &right)
	}
	p.pulled[&weights[0]] = out
	return out
}

func (v *visits) bend(k, l int) (float64, []float64) {
	if v.shape != AR1 || k+l == 0 || k > 1 || l > 1 {
		return 0, nil
	}
	trace := 0.0
	between := map[*pattern]mat.Matrix{}
	for _, p := range v.patterns {
		t := len(p.cells)
		g := mat.NewDense(t, t, nil)
		for i := range t {
			for j := range t {
				g.Set(i, j, v.curve(k, l, p.cells[i], p.cells[j]))
			}
		}
		var half, full mat.Dense
		half.Mul(p.inverse, g)
		full.Mul(&half, p.inverse)
		trace += p.clusters * mat.Trace(&half)
		between[p] = &full
	}
	return trace, v.gather(func(p *pattern) mat.Matrix { return between[p] })
}
