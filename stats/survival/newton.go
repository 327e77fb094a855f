package survival

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/definite"
)

// newton maximises a partial likelihood from β = 0, where its state is given,
// with step halving, until no row's x·β moves by more than 1e-10. A likelihood
// that has stopped rising while some x·β still moves by a tenth an iteration
// has no finite maximum.
func newton(m *coxModel, at func([]float64) coxState, state coxState, terms []string) ([]float64, coxState, int, error) {
	const (
		maxIterations = 60
		settled       = 1e-10
		flat          = 1e-10 // of the log likelihood, relative
		running       = 0.1
	)
	beta := make([]float64, m.p)
	for iteration := 1; iteration <= maxIterations; iteration++ {
		factor, dependent := definite.Factorise(state.info)
		if dependent >= 0 {
			return nil, state, iteration, fmt.Errorf("term %s: %w", terms[dependent], stats.ErrSeparation)
		}
		step := factor.Solve(state.score)
		next, share, ok := climb(at, beta, step, state.logLik)
		if !ok {
			return nil, state, iteration, stats.ErrNotConverged
		}
		moved, rise := m.largestMove(step)*share, next.logLik-state.logLik
		for j := range beta {
			beta[j] += share * step[j]
		}
		state = next
		if moved < settled {
			return beta, state, iteration, nil
		}
		if rise < flat*(1+math.Abs(state.logLik)) && moved > running && share == 1 {
			return nil, state, iteration, fmt.Errorf("term %s: %w", terms[m.fastest(step)], stats.ErrSeparation)
		}
	}
	return nil, state, maxIterations, stats.ErrNotConverged
}

// climb takes the step from beta, halving it until the likelihood does not
// fall, and returns the state there and the share of the step taken.
func climb(at func([]float64) coxState, beta, step []float64, from float64) (coxState, float64, bool) {
	next := make([]float64, len(beta))
	for share := 1.0; share > 1e-9; share /= 2 {
		for j := range next {
			next[j] = beta[j] + share*step[j]
		}
		state := at(next)
		if state.logLik >= from-1e-9*(1+math.Abs(from)) {
			return state, share, true
		}
	}
	return coxState{}, 0, false
}
