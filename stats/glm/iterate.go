package glm

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
)

// maximise runs Newton's method over the free columns of β, the others kept,
// with step halving, until no row's x·β moves by more than 1e-11, or by more
// than the rounding of its terms.
func (m *model) maximise(start []float64, free []int, extra []float64) ([]float64, state, int, error) {
	const (
		maxIterations = 100
		settled       = 1e-11
		rounding      = 1e-15
		flat          = 1e-10 // of the deviance
		running       = 0.1
	)
	beta := append([]float64(nil), start...)
	s := m.at(beta, free, extra)
	for iteration := 1; iteration <= maxIterations; iteration++ {
		factor, dependent := definite.Factorise(s.info)
		if dependent >= 0 {
			return nil, s, iteration, m.singular(free[dependent], iteration)
		}
		step := factor.Solve(s.score)
		next, share, ok := m.climb(beta, free, extra, step, s.deviance)
		if !ok {
			return nil, s, iteration, stats.ErrNotConverged
		}
		moved, fall := share*m.largestMove(free, step), s.deviance-next.deviance
		for a, j := range free {
			beta[j] += share * step[a]
		}
		s = next
		if moved < settled+rounding*m.largestTerm(beta, free, extra) {
			return beta, s, iteration, nil
		}
		if math.Abs(fall) < flat*(1+s.deviance) && moved > running && share == 1 {
			return nil, s, iteration, fmt.Errorf("term %s: %w", m.terms[m.fastest(free, step)], stats.ErrSeparation)
		}
	}
	return nil, s, maxIterations, stats.ErrNotConverged
}

// reweighted runs iteratively reweighted least squares from the data themselves
// ((n·y + ½)/(n + 1), or y + 0.1 for counts) until the deviance changes by less
// than 1e-14 of itself. It returns the estimates, the state there, and the
// information with the weights of the last least-squares step, one step before
// the estimates: the standard errors that software for these models prints, which
// differ from those at the estimates in the eighth digit or later.
func (m *model) reweighted() (beta []float64, s state, last *mat.SymDense, iterations int, err error) {
	const (
		maxIterations = 100
		settled       = 1e-14 // change of the deviance, relative
		flat          = 1e-10
		running       = 0.1
	)
	free := m.allColumns()
	beta = make([]float64, m.p)
	s = m.fromData()
	for iterations = 1; iterations <= maxIterations; iterations++ {
		factor, dependent := definite.Factorise(s.info)
		if dependent >= 0 {
			return nil, s, nil, iterations, m.singular(dependent, iterations)
		}
		last = s.info
		step := factor.Solve(s.score)
		from := s.deviance
		if iterations == 1 {
			from = math.Inf(1) // the data are no model: its deviance is no bound
		}
		next, share, ok := m.climb(beta, free, nil, step, from)
		if !ok {
			return nil, s, nil, iterations, stats.ErrNotConverged
		}
		moved, change := share*m.largestMove(free, step), math.Abs(next.deviance-s.deviance)
		for j := range beta {
			beta[j] += share * step[j]
		}
		s = next
		if iterations > 1 && change < flat*(1+s.deviance) && moved > running {
			return nil, s, nil, iterations, fmt.Errorf("term %s: %w", m.terms[m.fastest(free, step)], stats.ErrSeparation)
		}
		if change < settled*(s.deviance+0.1) {
			return beta, s, last, iterations, nil
		}
	}
	return nil, s, nil, iterations, stats.ErrNotConverged
}

// fromData is the state whose Newton step from β = 0 is the first weighted
// least-squares fit: linear predictors of the (shrunk) data themselves.
func (m *model) fromData() state {
	k := m.p
	s := state{score: make([]float64, k), info: mat.NewSymDense(k, nil)}
	for i, x := range m.x {
		n := m.trials[i]
		eta := math.Log(m.y[i] + 0.1)
		if m.family == Binomial {
			mu := (n*m.y[i] + 0.5) / (n + 1)
			eta = math.Log(mu / (1 - mu))
		}
		mu, variance, deviance := m.family.unit(m.y[i], eta)
		s.deviance += n * deviance
		w := n * variance
		working := eta - m.offset[i] + (m.y[i]-mu)/variance
		for a := range k {
			s.score[a] += w * x[a] * working
			for b := 0; b <= a; b++ {
				s.info.SetSym(b, a, s.info.At(b, a)+w*x[a]*x[b])
			}
		}
	}
	return s
}

// singular says why the information is singular: at the start the terms
// determine one another, later the fitted values have run to their ends.
func (m *model) singular(column, iteration int) error {
	if iteration == 1 {
		return fmt.Errorf("term %s follows from the others: %w", m.terms[column], stats.ErrCollinear)
	}
	return fmt.Errorf("term %s: %w", m.terms[column], stats.ErrSeparation)
}

func (m *model) climb(beta []float64, free []int, extra, step []float64, from float64) (state, float64, bool) {
	next := append([]float64(nil), beta...)
	for share := 1.0; share > 1e-9; share /= 2 {
		for a, j := range free {
			next[j] = beta[j] + share*step[a]
		}
		if s := m.at(next, free, extra); s.deviance <= from+1e-9*(1+math.Abs(from)) && !math.IsInf(s.deviance, 1) {
			return s, share, true
		}
	}
	return state{}, 0, false
}

func (m *model) largestMove(free []int, step []float64) float64 {
	largest := 0.0
	for _, x := range m.x {
		move := 0.0
		for a, j := range free {
			move += x[j] * step[a]
		}
		largest = max(largest, math.Abs(move))
	}
	return largest
}

// largestTerm is the largest |x·β| of one column, or offset, over the rows.
func (m *model) largestTerm(beta []float64, free []int, extra []float64) float64 {
	largest := 0.0
	for i, x := range m.x {
		if extra != nil {
			largest = max(largest, math.Abs(extra[i]))
		}
		for _, j := range free {
			largest = max(largest, math.Abs(x[j]*beta[j]))
		}
	}
	return largest
}

// fastest is the column that contributes most to the step, in root mean squares.
func (m *model) fastest(free []int, step []float64) int {
	best, most := free[0], -1.0
	for a, j := range free {
		var square float64
		for _, x := range m.x {
			square += x[j] * x[j]
		}
		if move := math.Abs(step[a]) * math.Sqrt(square); move > most && j != m.intercept {
			best, most = j, move
		}
	}
	return best
}
