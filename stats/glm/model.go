package glm

import (
	"math"

	"gonum.org/v1/gonum/mat"
)

// model is a likelihood on a design whose columns, where there is an intercept,
// are centred: that changes the intercept and nothing else, and keeps a year or
// an offset of 1e9 from costing digits.
type model struct {
	family    Family
	p         int
	terms     []string
	x         [][]float64
	center    []float64
	intercept int // its column, −1 if there is none
	y         []float64
	offset    []float64
	trials    []float64
}

func newModel(family Family, d Data) *model {
	n, p := d.X.Dims()
	m := &model{
		family: family, p: p, terms: d.Terms, x: make([][]float64, n), center: make([]float64, p),
		intercept: -1, y: d.Y, offset: d.Offset, trials: d.Trials,
	}
	if m.offset == nil {
		m.offset = make([]float64, n)
	}
	if m.trials == nil {
		m.trials = make([]float64, n)
		for i := range m.trials {
			m.trials[i] = 1
		}
	}
	for j := range p {
		if constantOne(d.X, j) {
			m.intercept = j
			break
		}
	}
	if m.intercept >= 0 {
		for i := range n {
			for j, v := range d.X.RawRowView(i) {
				m.center[j] += v / float64(n)
			}
		}
		m.center[m.intercept] = 0
	}
	for i := range n {
		m.x[i] = make([]float64, p)
		for j, v := range d.X.RawRowView(i) {
			m.x[i][j] = v - m.center[j]
		}
	}
	return m
}

func constantOne(x *mat.Dense, column int) bool {
	rows, _ := x.Dims()
	for i := range rows {
		if x.At(i, column) != 1 {
			return false
		}
	}
	return true
}

func (m *model) allColumns() []int {
	all := make([]int, m.p)
	for j := range all {
		all[j] = j
	}
	return all
}

// state is the likelihood and its derivatives at one β.
type state struct {
	deviance float64
	mu       []float64
	score    []float64 // by free column
	info     *mat.SymDense
}

// at evaluates the model at β with extra added to the offset.
func (m *model) at(beta []float64, free []int, extra []float64) state {
	k := len(free)
	s := state{mu: make([]float64, len(m.y)), score: make([]float64, k)}
	if k > 0 { // a matrix has at least one row
		s.info = mat.NewSymDense(k, nil)
	}
	info := make([]float64, k*k)
	row := make([]float64, k)
	for i, x := range m.x {
		eta := m.offset[i]
		if extra != nil {
			eta += extra[i]
		}
		for a, j := range free {
			row[a] = x[j]
			eta += x[j] * beta[j]
		}
		mu, variance, deviance := m.family.unit(m.y[i], eta)
		n := m.trials[i]
		s.mu[i] = mu
		s.deviance += n * deviance
		residual := n * m.family.residual(m.y[i], mu, eta)
		for a := range k {
			s.score[a] += row[a] * residual
			wx := n * variance * row[a]
			for b := 0; b <= a; b++ {
				info[a*k+b] += wx * row[b]
			}
		}
	}
	for a := range k {
		for b := 0; b <= a; b++ {
			s.info.SetSym(b, a, info[a*k+b])
		}
	}
	return s
}

// unit returns mean, variance and deviance of one trial at linear predictor eta.
func (f Family) unit(y, eta float64) (mu, variance, deviance float64) {
	if f == Poisson {
		mu = math.Exp(eta)
		if y > 0 {
			return mu, mu, 2 * (y*(math.Log(y)-eta) - (y - mu))
		}
		return mu, mu, 2 * mu
	}
	e := math.Exp(-math.Abs(eta))
	low := e / (1 + e) // the smaller of mu and 1 − mu
	mu = low
	if eta > 0 {
		mu = 1 / (1 + e)
	}
	variance = low / (1 + e)
	// −log(1−mu) = softplus(eta), −log mu = softplus(−eta).
	softplus := func(v float64) float64 { return max(v, 0) + math.Log1p(math.Exp(-math.Abs(v))) }
	if y < 1 {
		deviance += 2 * (1 - y) * (softplus(eta) + math.Log1p(-y))
	}
	if y > 0 {
		deviance += 2 * y * (softplus(-eta) + math.Log(y))
	}
	return mu, variance, deviance
}

// residual is y − mu, without cancellation where mu is near 1.
func (f Family) residual(y, mu, eta float64) float64 {
	if f == Binomial && eta > 0 {
		e := math.Exp(-eta)
		return e/(1+e) - (1 - y)
	}
	return y - mu
}

// nullDeviance is the deviance of the intercept and offset alone, or of the
// offset alone where there is no intercept.
func (m *model) nullDeviance() (float64, error) {
	if m.intercept < 0 {
		return m.at(make([]float64, m.p), nil, nil).deviance, nil
	}
	_, s, _, err := m.maximise(make([]float64, m.p), []int{m.intercept}, nil)
	return s.deviance, err
}

func (m *model) logLik(s state) float64 {
	var sum float64
	for i, y := range m.y {
		n := m.trials[i]
		if m.family == Poisson {
			gamma, _ := math.Lgamma(y + 1)
			sum += -s.mu[i] - gamma
			if y > 0 {
				sum += y * math.Log(s.mu[i])
			}
			continue
		}
		// The deviance of a row is twice what its log likelihood lacks to that
		// of a perfect fit, which is 0 for one trial.
		all, _ := math.Lgamma(n + 1)
		yes, _ := math.Lgamma(n*y + 1)
		no, _ := math.Lgamma(n*(1-y) + 1)
		sum += all - yes - no
		if y > 0 {
			sum += n * y * math.Log(y)
		}
		if y < 1 {
			sum += n * (1 - y) * math.Log(1-y)
		}
	}
	if m.family == Binomial {
		sum -= s.deviance / 2
	}
	return sum
}

// uncentre turns estimates of the centred design into those of the design.
func (m *model) uncentre(beta []float64, v *mat.SymDense) ([]float64, *mat.SymDense) {
	out := append([]float64(nil), beta...)
	if m.intercept < 0 {
		return out, v
	}
	t := mat.NewDense(m.p, m.p, nil)
	for j := range m.p {
		t.Set(j, j, 1)
		if j != m.intercept {
			t.Set(m.intercept, j, -m.center[j])
			out[m.intercept] -= m.center[j] * beta[j]
		}
	}
	var half, full mat.Dense
	half.Mul(t, v)
	full.Mul(&half, t.T())
	cov := mat.NewSymDense(m.p, nil)
	for a := range m.p {
		for b := a; b < m.p; b++ {
			cov.SetSym(a, b, (full.At(a, b)+full.At(b, a))/2)
		}
	}
	return out, cov
}
