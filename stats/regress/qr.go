package regress

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// leastSquares is the solution of min ‖y − Xb‖ with what inference needs.
type leastSquares struct {
	coef    []float64
	cross   *mat.SymDense // (X'X)⁻¹
	inverse [][]float64   // R⁻¹, upper triangular, of X = QR
	effects []float64     // first p entries of Q'y
	resid   []float64
	rss     float64
}

const (
	// smallProblem is the work n·p² up to which every fit is done in doubled
	// arithmetic; beyond it only a badly conditioned one is.
	smallProblem = 1 << 20
	// wellConditioned is the share of its length that a column has to keep,
	// given the columns before it, for plain double precision to be enough.
	wellConditioned = 1e-5
	// determined is the share below which a column counts as a combination of
	// those before it: the rounding of decimal data in double precision.
	determined = 1e-14
)

// solve finds the least-squares solution by Householder reflections. It
// returns the column that those before it determine, or −1.
//
// Doubled arithmetic (32 digits) is used for all but large well-conditioned
// problems, so that what is lost is what the data lost when their decimals were
// read as doubles: with columns that agree to k digits, about 16 − k digits of
// the coefficients mean something whatever the program.
func solve(x *mat.Dense, y []float64) (s *leastSquares, dependent int) {
	n, p := x.Dims()
	if n*p*p > smallProblem {
		if s, kept := solvePlain(x, y); kept > wellConditioned {
			return s, -1
		}
	}
	return solveDoubled(x, y)
}

// solveDoubled works in doubled arithmetic throughout.
func solveDoubled(x *mat.Dense, y []float64) (s *leastSquares, dependent int) {
	n, p := x.Dims()
	columns := make([][]doubled, p+1)
	for j := range columns {
		columns[j] = make([]doubled, n)
		for i := range n {
			if j < p {
				columns[j][i] = double(x.At(i, j))
			} else {
				columns[j][i] = double(y[i])
			}
		}
	}
	diagonal := make([]doubled, p)
	for j := range p {
		length := dotDoubled(columns[j], columns[j]).sqrt()
		v := columns[j][j:]
		norm := dotDoubled(v, v).sqrt()
		if !(norm.float() > determined*length.float()) {
			return nil, j
		}
		if v[0].hi > 0 {
			norm = doubled{-norm.hi, -norm.lo}
		}
		diagonal[j] = norm
		v[0] = v[0].minus(norm)
		half := norm.times(v[0]) // −v'v/2
		for _, c := range columns[j+1:] {
			tail := c[j:]
			scale := dotDoubled(v, tail).over(half)
			for i := range tail {
				tail[i] = tail[i].plus(scale.times(v[i]))
			}
		}
	}
	r := func(i, j int) doubled {
		if i == j {
			return diagonal[i]
		}
		return columns[j][i]
	}
	coef := make([]doubled, p)
	inverse := make([][]doubled, p)
	for i := p - 1; i >= 0; i-- {
		c := columns[p][i]
		inverse[i] = make([]doubled, p)
		inverse[i][i] = double(1).over(diagonal[i])
		for j := i + 1; j < p; j++ {
			c = c.minus(r(i, j).times(coef[j]))
			var t doubled
			for k := i + 1; k <= j; k++ {
				t = t.minus(r(i, k).times(inverse[k][j]))
			}
			inverse[i][j] = t.over(diagonal[i])
		}
		coef[i] = c.over(diagonal[i])
	}
	return collect(x, y, coef, inverse, columns[p]), -1
}

// collect turns the doubled solution into doubles.
func collect(x *mat.Dense, y []float64, coef []doubled, inverse [][]doubled, rotated []doubled) *leastSquares {
	n, p := x.Dims()
	s := &leastSquares{cross: mat.NewSymDense(p, nil), resid: make([]float64, n)}
	for i := range p {
		s.coef = append(s.coef, coef[i].float())
		s.effects = append(s.effects, rotated[i].float())
		row := make([]float64, p)
		for j := range p {
			row[j] = inverse[i][j].float()
			if j >= i {
				s.cross.SetSym(i, j, dotDoubled(inverse[i][j:], inverse[j][j:]).float())
			}
		}
		s.inverse = append(s.inverse, row)
	}
	var rss, total doubled
	for i := range n {
		e := double(y[i])
		for j := range p {
			e = e.minus(double(x.At(i, j)).times(coef[j]))
		}
		s.resid[i] = e.float()
		rss = rss.plus(e.times(e))
		total = total.plus(double(y[i]).times(double(y[i])))
	}
	s.rss = rss.float()
	if s.rss <= exactShare*exactShare*total.float() {
		clear(s.resid)
		s.rss = 0
	}
	return s
}

// exactShare is the size of the residuals, as a share of the response, below
// which they are the rounding of the response itself.
const exactShare = 4 * 0x1p-53

// solvePlain works in double precision, with one step of refinement. kept is
// the smallest share of its length that a column keeps given those before it.
func solvePlain(x *mat.Dense, y []float64) (s *leastSquares, kept float64) {
	n, p := x.Dims()
	columns := make([][]float64, p+1)
	for j := range p {
		columns[j] = mat.Col(nil, j, x)
	}
	columns[p] = append([]float64(nil), y...)
	diagonal := make([]float64, p)
	kept = 1
	for j := range p {
		length := math.Sqrt(dotPlain(columns[j], columns[j]))
		v := columns[j][j:]
		norm := math.Sqrt(dotPlain(v, v))
		if kept = min(kept, norm/length); !(kept > wellConditioned) {
			return nil, 0
		}
		if v[0] > 0 {
			norm = -norm
		}
		diagonal[j] = norm
		v[0] -= norm
		half := norm * v[0]
		for _, c := range columns[j+1:] {
			tail := c[j:]
			scale := dotPlain(v, tail) / half
			for i, vi := range v {
				tail[i] += scale * vi
			}
		}
	}
	s = &leastSquares{cross: mat.NewSymDense(p, nil), resid: make([]float64, n), effects: columns[p][:p]}
	s.inverse = invertUpper(p, func(i, j int) float64 {
		if i == j {
			return diagonal[i]
		}
		return columns[j][i]
	})
	for i := range p {
		for j := i; j < p; j++ {
			s.cross.SetSym(i, j, dotPlain(s.inverse[i][j:], s.inverse[j][j:]))
		}
		s.coef = append(s.coef, dotPlain(s.inverse[i][i:], s.effects[i:]))
	}
	s.refine(x, y)
	return s, kept
}

// refine corrects the coefficients once from the residuals and finishes.
func (s *leastSquares) refine(x *mat.Dense, y []float64) {
	_, p := x.Dims()
	gradient := make([]float64, p)
	for i, yi := range y {
		row := x.RawRowView(i)
		e := yi - dotPlain(row, s.coef)
		for j, v := range row {
			gradient[j] += v * e
		}
	}
	for i := range p {
		for j := range p {
			s.coef[i] += s.cross.At(i, j) * gradient[j]
		}
	}
	total := 0.0
	for i, yi := range y {
		s.resid[i] = yi - dotPlain(x.RawRowView(i), s.coef)
		s.rss += s.resid[i] * s.resid[i]
		total += yi * yi
	}
	if s.rss <= exactShare*exactShare*total {
		clear(s.resid)
		s.rss = 0
	}
}

func invertUpper(p int, r func(i, j int) float64) [][]float64 {
	inverse := make([][]float64, p)
	for i := p - 1; i >= 0; i-- {
		inverse[i] = make([]float64, p)
		inverse[i][i] = 1 / r(i, i)
		for j := i + 1; j < p; j++ {
			t := 0.0
			for k := i + 1; k <= j; k++ {
				t -= r(i, k) * inverse[k][j]
			}
			inverse[i][j] = t / r(i, i)
		}
	}
	return inverse
}

func dotPlain(a, b []float64) float64 {
	s := 0.0
	for i, x := range a {
		s += x * b[i]
	}
	return s
}

// leverage returns the diagonal of the hat matrix, x_i'(X'X)⁻¹x_i.
func (s *leastSquares) leverage(x *mat.Dense) []float64 {
	n, p := x.Dims()
	h := make([]float64, n)
	for i := range n {
		row := x.RawRowView(i)
		for j := range p {
			t := 0.0
			for k := 0; k <= j; k++ {
				t += row[k] * s.inverse[k][j]
			}
			h[i] += t * t
		}
	}
	return h
}
