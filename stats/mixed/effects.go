package mixed

import (
	"math"
	"slices"

	"keratally/stats/regress"
)

// effects are any random-effects terms: intercepts and slopes, nested or
// crossed. Rows fall into blocks that share no level of any grouping (patients,
// if eyes are within patients; all rows, if observers are crossed with them),
// and a block is known by its cross products, so that an evaluation costs the
// cube of the random effects in a block, whatever the number of rows.
type effects struct {
	n      int
	m      int
	all    []float64
	terms  []randomTerm
	pairs  []parameterPair // of each parameter
	blocks []*block

	psi      []float64
	variance float64
}

// randomTerm is one term with a bar.
type randomTerm struct {
	dimension int // columns with random coefficients
	first     int // its first parameter
}

// parameterPair is the entry (row, column) of a term's covariance matrix that a
// parameter is; row ≥ column.
type parameterPair struct{ term, row, column int }

// block is a set of rows independent of all others.
type block struct {
	levels [][]int   // by term: position of the first random effect of each level here
	q      int       // random effects
	zz     []float64 // Z'Z, q × q
	zw     []float64 // Z'W, q × m

	d        []float64 // Z'V⁻¹Z
	f        []float64 // Z'V⁻¹W
	logDet   float64
	weighted map[*float64][]float64 // f·weights·f' by weights, until the next prepare
}

// newEffects sums the rows w (n × m) by block.
func newEffects(w []float64, m int, random []regress.RandomDesign) *effects {
	n := len(w) / m
	e := &effects{n: n, m: m, all: make([]float64, m*m)}
	for i := range n {
		addOuter(e.all, w[i*m:(i+1)*m], w[i*m:(i+1)*m])
	}
	for t, r := range random {
		_, d := r.Z.Dims()
		e.terms = append(e.terms, randomTerm{dimension: d, first: len(e.pairs)})
		for i := range d {
			for j := range i + 1 {
				e.pairs = append(e.pairs, parameterPair{t, i, j})
			}
		}
	}
	members := components(n, random)
	for _, rows := range members {
		e.blocks = append(e.blocks, newBlock(rows, w, m, random))
	}
	return e
}

// addOuter adds a·b' to the matrix into.
func addOuter(into, a, b []float64) {
	for i, x := range a {
		row := into[i*len(b):]
		for j, y := range b {
			row[j] += x * y
		}
	}
}

// components splits the rows so that rows with a level in common are together.
func components(n int, random []regress.RandomDesign) [][]int {
	parent := make([]int, n)
	for i := range parent {
		parent[i] = i
	}
	find := func(i int) int {
		for parent[i] != i {
			parent[i] = parent[parent[i]]
			i = parent[i]
		}
		return i
	}
	for _, r := range random {
		first := make([]int, len(r.Labels))
		for i := range first {
			first[i] = -1
		}
		for i, g := range r.Groups {
			if first[g] < 0 {
				first[g] = i
			} else if a, b := find(first[g]), find(i); a != b {
				parent[max(a, b)] = min(a, b)
			}
		}
	}
	place := make([]int, n)
	var out [][]int
	for i := range n {
		root := find(i)
		if root == i {
			place[i] = len(out)
			out = append(out, nil)
		}
		out[place[root]] = append(out[place[root]], i)
	}
	return out
}

func newBlock(rows []int, w []float64, m int, random []regress.RandomDesign) *block {
	b := &block{levels: make([][]int, len(random)), weighted: map[*float64][]float64{}}
	position := make([]map[int]int, len(random))
	for t, r := range random {
		position[t] = map[int]int{}
		_, d := r.Z.Dims()
		for _, i := range rows {
			if _, ok := position[t][r.Groups[i]]; !ok {
				position[t][r.Groups[i]] = b.q
				b.levels[t] = append(b.levels[t], b.q)
				b.q += d
			}
		}
	}
	b.zz, b.zw = make([]float64, b.q*b.q), make([]float64, b.q*m)
	b.d, b.f = make([]float64, b.q*b.q), make([]float64, b.q*m)
	type entry struct {
		at    int
		value float64
	}
	for _, i := range rows {
		var entries []entry
		for t, r := range random {
			base := position[t][r.Groups[i]]
			for k, v := range r.Z.RawRowView(i) {
				entries = append(entries, entry{base + k, v})
			}
		}
		for _, x := range entries {
			for _, y := range entries {
				b.zz[x.at*b.q+y.at] += x.value * y.value
			}
			for j, v := range w[i*m : (i+1)*m] {
				b.zw[x.at*m+j] += x.value * v
			}
		}
	}
	return b
}

func (e *effects) rows() int        { return e.n }
func (e *effects) total() []float64 { return e.all }

func (e *effects) prepare(psi []float64, variance float64) bool {
	e.psi, e.variance = psi, variance
	for _, b := range e.blocks {
		if !b.prepare(e, psi) {
			return false
		}
	}
	return true
}

// prepare solves (I + MΨ/σ²)·(D, F) = (M, Z'W)/σ² with M = Z'Z, which holds for
// D = Z'V⁻¹Z and F = Z'V⁻¹W also where Ψ is singular.
func (b *block) prepare(e *effects, psi []float64) bool {
	q, m := b.q, e.m
	system := make([]float64, q*q)
	for k, pr := range e.pairs {
		share := psi[k] / e.variance
		if share == 0 {
			continue
		}
		for _, base := range b.levels[pr.term] {
			r, c := base+pr.row, base+pr.column
			for i := range q {
				system[i*q+c] += b.zz[i*q+r] * share
				if r != c {
					system[i*q+r] += b.zz[i*q+c] * share
				}
			}
		}
	}
	for i := range q {
		system[i*q+i]++
	}
	for i, v := range b.zz {
		b.d[i] = v / e.variance
	}
	for i, v := range b.zw {
		b.f[i] = v / e.variance
	}
	clear(b.weighted)
	var ok bool
	b.logDet, ok = eliminate(system, q, b.d, q, b.f, m)
	return ok
}

// eliminate solves a·x = right for two right-hand sides in place by Gaussian
// elimination with partial pivoting, and returns log |a|; false if |a| ≤ 0.
func eliminate(a []float64, q int, right1 []float64, m1 int, right2 []float64, m2 int) (logDet float64, ok bool) {
	sign := 1.0
	for k := range q {
		best := k
		for i := k + 1; i < q; i++ {
			if math.Abs(a[i*q+k]) > math.Abs(a[best*q+k]) {
				best = i
			}
		}
		if best != k {
			swapRows(a, q, k, best)
			swapRows(right1, m1, k, best)
			swapRows(right2, m2, k, best)
			sign = -sign
		}
		pivot := a[k*q+k]
		if pivot == 0 || math.IsNaN(pivot) {
			return 0, false
		}
		if pivot < 0 {
			sign = -sign
		}
		logDet += math.Log(math.Abs(pivot))
		for i := k + 1; i < q; i++ {
			if by := a[i*q+k] / pivot; by != 0 {
				subtractRow(a[i*q+k:(i+1)*q], a[k*q+k:(k+1)*q], by)
				subtractRow(right1[i*m1:(i+1)*m1], right1[k*m1:(k+1)*m1], by)
				subtractRow(right2[i*m2:(i+1)*m2], right2[k*m2:(k+1)*m2], by)
			}
		}
	}
	for k := q - 1; k >= 0; k-- {
		pivot := a[k*q+k]
		for j := k + 1; j < q; j++ {
			if by := a[k*q+j]; by != 0 {
				subtractRow(right1[k*m1:(k+1)*m1], right1[j*m1:(j+1)*m1], by)
				subtractRow(right2[k*m2:(k+1)*m2], right2[j*m2:(j+1)*m2], by)
			}
		}
		scaled(right1[k*m1:(k+1)*m1], 1/pivot)
		scaled(right2[k*m2:(k+1)*m2], 1/pivot)
	}
	return logDet, sign > 0
}

func subtractRow(from, row []float64, by float64) {
	for j, v := range row {
		from[j] -= by * v
	}
}

func swapRows(a []float64, width, i, j int) {
	for k := range width {
		a[i*width+k], a[j*width+k] = a[j*width+k], a[i*width+k]
	}
}

func (e *effects) logDet() float64 {
	s := 0.0
	for _, b := range e.blocks {
		s += b.logDet
	}
	return s
}

// shrink is Σ (Z'W)'Ψ·σ²F/σ², as σ²V⁻¹ = I − ZΨZ'V⁻¹.
func (e *effects) shrink() []float64 {
	out := make([]float64, e.m*e.m)
	for _, b := range e.blocks {
		for k, pr := range e.pairs {
			if e.psi[k] == 0 {
				continue
			}
			b.each(pr, func(i, j int) {
				addOuter(out, scaled(slices.Clone(b.zw[i*e.m:(i+1)*e.m]), e.psi[k]), b.row(j, e.m))
			})
		}
	}
	return out
}

// each calls visit for every entry pair (i, j) with G_k = Σ z_i z_j'.
func (b *block) each(pr parameterPair, visit func(i, j int)) {
	for _, base := range b.levels[pr.term] {
		visit(base+pr.row, base+pr.column)
		if pr.row != pr.column {
			visit(base+pr.column, base+pr.row)
		}
	}
}

func (e *effects) trace(k int) float64 {
	s := 0.0
	for _, b := range e.blocks {
		b.each(e.pairs[k], func(i, j int) { s += b.d[i*b.q+j] })
	}
	return s
}

func (e *effects) trace2(k, l int) float64 {
	s := 0.0
	for _, b := range e.blocks {
		s += b.cross(e.pairs[k], e.pairs[l], b.d)
	}
	return s
}

// cross is tr(E_k·D·E_l·other).
func (b *block) cross(k, l parameterPair, other []float64) float64 {
	s := 0.0
	b.each(k, func(i, j int) {
		b.each(l, func(u, v int) { s += b.d[j*b.q+u] * other[v*b.q+i] })
	})
	return s
}

func (e *effects) product(k int) []float64 {
	out := make([]float64, e.m*e.m)
	for _, b := range e.blocks {
		b.each(e.pairs[k], func(i, j int) { addOuter(out, b.row(i, e.m), b.row(j, e.m)) })
	}
	return out
}

func (b *block) row(i, m int) []float64 { return b.f[i*m : (i+1)*m] }

func (e *effects) contract(k, l int, weights []float64) float64 {
	s := 0.0
	for _, b := range e.blocks {
		s += b.cross(e.pairs[k], e.pairs[l], b.spread(weights, e.m))
	}
	return s
}

// spread returns F·weights·F', kept until the next prepare.
func (b *block) spread(weights []float64, m int) []float64 {
	key := &weights[0]
	if have, ok := b.weighted[key]; ok {
		return have
	}
	half := make([]float64, b.q*m)
	for i := range b.q {
		for j, x := range b.row(i, m) {
			if x != 0 {
				subtractRow(half[i*m:(i+1)*m], weights[j*m:(j+1)*m], -x)
			}
		}
	}
	out := make([]float64, b.q*b.q)
	for i := range b.q {
		for j := range b.q {
			out[i*b.q+j] = dot(half[i*m:(i+1)*m], b.row(j, m))
		}
	}
	b.weighted[key] = out
	return out
}

func (e *effects) product2(k, l int) []float64 {
	out := make([]float64, e.m*e.m)
	for _, b := range e.blocks {
		b.each(e.pairs[k], func(i, j int) {
			b.each(e.pairs[l], func(u, v int) {
				if d := b.d[j*b.q+u]; d != 0 {
					addOuter(out, scaled(slices.Clone(b.row(i, e.m)), d), b.row(v, e.m))
				}
			})
		})
	}
	return out
}
