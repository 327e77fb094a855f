package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
)

// coxModel is the partial likelihood of one data set: rows sorted within
// strata, columns centred.
type coxModel struct {
	p      int
	ties   Ties
	x      [][]float64 // by row of the data, centred
	strata []coxStratum
	event  []bool
}

// coxStratum is the rows of one stratum in ascending order of time.
type coxStratum struct {
	rows  []int32
	times []float64 // distinct
	ends  []int     // end of the rows of each distinct time
}

func newCoxModel(d Data, x *mat.Dense, ties Ties) (m *coxModel, center []float64) {
	n, p := x.Dims()
	m = &coxModel{p: p, ties: ties, x: make([][]float64, n), event: d.Event}
	center = make([]float64, p)
	for i := range n {
		for j, v := range x.RawRowView(i) {
			center[j] += v / float64(n)
		}
	}
	cells := make([]float64, n*p)
	for i := range n {
		m.x[i] = cells[i*p : (i+1)*p]
		for j, v := range x.RawRowView(i) {
			m.x[i][j] = v - center[j]
		}
	}
	order := timeOrder(d.Time)
	settled := settleTies(d.Time, order)
	for _, rows := range byStratum(d.Strata, order) {
		s := coxStratum{rows: rows, ends: runs(settled, rows)}
		for k := range s.ends {
			s.times = append(s.times, settled[rows[s.start(k)]])
		}
		m.strata = append(m.strata, s)
	}
	return m, center
}

// start is the first row of distinct time k.
func (s *coxStratum) start(k int) int {
	if k == 0 {
		return 0
	}
	return s.ends[k-1]
}

func (m *coxModel) eta(beta []float64) []float64 {
	eta := make([]float64, len(m.x))
	for i, row := range m.x {
		eta[i] = dot(row, beta)
	}
	return eta
}

// coxState is the partial likelihood and its derivatives at one β.
type coxState struct {
	logLik float64
	score  []float64
	info   *mat.SymDense
}

// riskSums are the sums over a risk set of r, r·x and r·x·xᵀ, r = exp(x·β).
type riskSums struct {
	s0 float64
	s1 []float64
	s2 [][]float64 // lower triangle
}

func newRiskSums(p int) riskSums { return riskSums{s1: make([]float64, p), s2: square(p)} }

func (s *riskSums) clear() {
	s.s0 = 0
	clear(s.s1)
	for _, row := range s.s2 {
		clear(row)
	}
}

func (s *riskSums) add(r float64, x []float64) {
	s.s0 += r
	for a, xa := range x {
		rx := r * xa
		s.s1[a] += rx
		row := s.s2[a]
		for b := 0; b <= a; b++ {
			row[b] += rx * x[b]
		}
	}
}

// at evaluates the partial log likelihood, its gradient and its information.
func (m *coxModel) at(beta []float64) coxState {
	state := coxState{score: make([]float64, m.p)}
	info := square(m.p)
	m.walk(m.eta(beta), func(_, _ int, x []float64, eta float64) {
		state.logLik += eta
		for j, v := range x {
			state.score[j] += v
		}
	}, func(_, _ int, s0log, s0 float64, mean []float64, s2 func(a, b int) float64) {
		state.logLik -= s0log
		for a := range mean {
			state.score[a] -= mean[a]
			for b := 0; b <= a; b++ {
				info[a][b] += s2(a, b)/s0 - mean[a]*mean[b]
			}
		}
	})
	state.info = mat.NewSymDense(m.p, nil)
	for a := range m.p {
		for b := 0; b <= a; b++ {
			state.info.SetSym(b, a, info[a][b])
		}
	}
	return state
}

// walk goes through the event times of every stratum, latest first. onEvent is
// called for each event; onShare once for each event with the risk set that
// it is set against, from which Efron's approximation has already taken k/d of
// the tied events: the log of its sum of r, that sum and the mean of x over it.
// Sums are scaled by exp(−largest x·β), and the log put back.
func (m *coxModel) walk(eta []float64,
	onEvent func(stratum, time int, x []float64, eta float64),
	onShare func(stratum, time int, s0log, s0 float64, mean []float64, s2 func(a, b int) float64),
) {
	shift := math.Inf(-1)
	for _, e := range eta {
		shift = max(shift, e)
	}
	risk, dead := newRiskSums(m.p), newRiskSums(m.p)
	mean := make([]float64, m.p)
	for g := range m.strata {
		s := &m.strata[g]
		risk.clear()
		for k := len(s.times) - 1; k >= 0; k-- {
			events := 0
			for _, i := range s.rows[s.start(k):s.ends[k]] {
				r := math.Exp(eta[i] - shift)
				risk.add(r, m.x[i])
				if !m.event[i] {
					continue
				}
				if events == 0 {
					dead.clear()
				}
				events++
				dead.add(r, m.x[i])
				onEvent(g, k, m.x[i], eta[i])
			}
			for e := range events {
				out := 0.0
				if m.ties == Efron {
					out = float64(e) / float64(events)
				}
				s0 := risk.s0 - out*dead.s0
				for j := range mean {
					mean[j] = (risk.s1[j] - out*dead.s1[j]) / s0
				}
				onShare(g, k, math.Log(s0)+shift, s0, mean, func(a, b int) float64 {
					return risk.s2[a][b] - out*dead.s2[a][b]
				})
			}
		}
	}
}

// largestMove is the largest change of x·β that a step makes.
func (m *coxModel) largestMove(step []float64) float64 {
	largest := 0.0
	for _, row := range m.x {
		largest = max(largest, math.Abs(dot(row, step)))
	}
	return largest
}

// fastest is the term that contributes most to the step, in standard deviations.
func (m *coxModel) fastest(step []float64) int {
	best, most := 0, -1.0
	for j, v := range m.variances() {
		if move := math.Abs(step[j]) * math.Sqrt(v); move > most {
			best, most = j, move
		}
	}
	return best
}

func (m *coxModel) variances() []float64 {
	v := make([]float64, m.p)
	for _, row := range m.x {
		for j, x := range row {
			v[j] += x * x / float64(len(m.x))
		}
	}
	return v
}

// checkInformation refuses terms that the data cannot tell apart.
func (m *coxModel) checkInformation(info *mat.SymDense, terms []string) error {
	for j, v := range m.variances() {
		if !(info.At(j, j) > 1e-12*v) {
			return fmt.Errorf("term %s does not vary among those at risk at any event: %w", terms[j], stats.ErrCollinear)
		}
	}
	if _, dependent := definite.Factorise(info); dependent >= 0 {
		return fmt.Errorf("term %s follows from those before it: %w", terms[dependent], stats.ErrCollinear)
	}
	return nil
}
