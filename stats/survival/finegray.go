package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
	"keratally/stats/dist"
)

// FineGrayFit is a fitted proportional subdistribution hazards model.
type FineGrayFit struct {
	Method       string
	Cause        int
	N, Events    int // rows; events of the cause
	Clusters     int
	Level        float64
	Coefficients []Coefficient // HazardRatio is of the subdistribution; ModelSE from the information alone
	Covariance   *mat.SymDense // robust; by cluster where there are clusters
	LogLikNull   float64       // pseudo log likelihood with every coefficient 0
	LogLik       float64
	Wald         Test // of every coefficient being 0
	Iterations   int
}

// FineGray fits the proportional subdistribution hazards model of one cause: a
// row that had another cause stays in the risk set with the weight
// G(t−)/G(X−), G the Kaplan–Meier curve of the censoring, X its time. Tied
// events are taken as Breslow does. The covariance is the sandwich of Fine &
// Gray, which counts the estimation of G; with d.Cluster it is summed by
// cluster. x has no intercept column.
//
// exp(coefficient) orders the cumulative incidence curves; it is not the ratio
// of the hazards among those still free of any event, for which fit Cox with
// the other causes censored. Censoring is assumed not to depend on x.
// d.Strata is not used. Errors are those of Cox, stats.ErrNoEvents counting
// events of the cause.
//
// Fine & Gray, J Am Stat Assoc 1999;94:496–509.
func FineGray(d CompetingData, cause int, x *mat.Dense, terms []string, level float64) (*FineGrayFit, error) {
	f := &FineGrayFit{Method: "proportional subdistribution hazards (Fine–Gray)", Cause: cause, N: len(d.Time), Level: level}
	fail := func(err error) (*FineGrayFit, error) {
		return nil, fmt.Errorf("%s, cause %d: %w", f.Method, cause, err)
	}
	if err := stats.CheckLevel(level); err != nil {
		return fail(err)
	}
	if err := d.check(f.Method); err != nil {
		return nil, err
	}
	if err := checkDesign(x, terms, f.N); err != nil {
		return fail(err)
	}
	for _, c := range d.Cause {
		if c == cause && cause != 0 {
			f.Events++
		}
	}
	if f.Events == 0 {
		return fail(stats.ErrNoEvents)
	}
	f.Clusters = d.anyCause().clusters()
	m := newSubhazard(d, cause, x)
	beta, info, err := f.maximise(m, terms)
	if err != nil {
		return fail(err)
	}
	factor, _ := definite.Factorise(info)
	inverse := factor.Inverse()
	f.Covariance = sandwich(inverse, m.influence(beta), d.Cluster)
	z := dist.NormalQuantile((1 + level) / 2)
	for j, b := range beta {
		se := math.Sqrt(f.Covariance.At(j, j))
		f.Coefficients = append(f.Coefficients, Coefficient{
			Term: terms[j], Estimate: b, ModelSE: math.Sqrt(inverse.At(j, j)), SE: se,
			Z: b / se, P: dist.PZ(b/se, stats.TwoSided),
			HazardRatio: stats.Interval{
				Estimate: math.Exp(b), Lower: math.Exp(b - z*se), Upper: math.Exp(b + z*se),
				Level: level, Method: "Wald on the log scale",
			},
		})
	}
	f.Wald = Test{Name: "Wald", Stat: math.NaN(), DF: float64(len(beta)), P: math.NaN()}
	if wald, ok := definite.QuadraticForm(f.Covariance, beta); ok {
		f.Wald = chiSquaredTest("Wald", wald, len(beta))
	}
	return f, nil
}

func (f *FineGrayFit) maximise(m *subhazard, terms []string) ([]float64, *mat.SymDense, error) {
	state := m.at(make([]float64, m.p))
	f.LogLikNull = state.logLik
	if err := m.checkInformation(state.info, terms); err != nil {
		return nil, nil, err
	}
	beta, state, iterations, err := newton(m.coxModel, m.at, state, terms)
	f.LogLik, f.Iterations = state.logLik, iterations
	return beta, state.info, err
}

// subhazard is the weighted partial likelihood of one cause. Rows are in
// ascending order of time.
type subhazard struct {
	*coxModel
	order  []int32
	ends   []int
	g      []float64 // G(t−) at each distinct time
	cens   []float64 // censored at each distinct time
	cause  []int     // by row: 0 censored, 1 this cause, 2 another
	atTime []int     // by row: its distinct time
}

func newSubhazard(d CompetingData, cause int, x *mat.Dense) *subhazard {
	n := len(d.Time)
	model, _ := newCoxModel(Data{Time: d.Time, Event: make([]bool, n)}, x, Breslow)
	m := &subhazard{coxModel: model, cause: make([]int, n), atTime: make([]int, n)}
	s := &model.strata[0]
	m.order, m.ends = s.rows, s.ends
	for i, c := range d.Cause {
		switch c {
		case 0:
		case cause:
			m.cause[i] = 1
		default:
			m.cause[i] = 2
		}
	}
	m.g, m.cens = make([]float64, len(m.ends)), make([]float64, len(m.ends))
	g, start := 1.0, 0
	for k, end := range m.ends {
		m.g[k] = g
		for _, i := range m.order[start:end] {
			m.atTime[i] = k
			if m.cause[i] == 0 {
				m.cens[k]++
			}
		}
		atRisk := float64(n - start)
		g *= (atRisk - m.cens[k]) / atRisk
		start = end
	}
	return m
}

// riskSet is the weighted risk set at one time with events of the cause.
type riskSet struct {
	time   int
	events float64
	s0     float64
	s1     []float64
	s2     [][]float64
}

// walkRisk calls on for each event time, earliest first.
func (m *subhazard) walkRisk(eta []float64, second bool, on func(riskSet)) {
	ahead, gone := newRiskSums(m.p), newRiskSums(m.p) // still at risk; other causes, weighted 1/G(X−)
	for i, x := range m.x {
		ahead.add(math.Exp(eta[i]), x)
	}
	start := 0
	for k, end := range m.ends {
		set := riskSet{time: k}
		for _, i := range m.order[start:end] {
			if m.cause[i] == 1 {
				set.events++
			}
		}
		if set.events > 0 {
			g := m.g[k]
			set.s0, set.s1 = ahead.s0+g*gone.s0, make([]float64, m.p)
			for a := range set.s1 {
				set.s1[a] = ahead.s1[a] + g*gone.s1[a]
			}
			if second {
				set.s2 = square(m.p)
				for a := range set.s2 {
					for b := 0; b <= a; b++ {
						set.s2[a][b] = ahead.s2[a][b] + g*gone.s2[a][b]
					}
				}
			}
			on(set)
		}
		for _, i := range m.order[start:end] {
			r := math.Exp(eta[i])
			ahead.add(-r, m.x[i])
			if m.cause[i] == 2 {
				gone.add(r/m.g[k], m.x[i])
			}
		}
		start = end
	}
}

func (m *subhazard) at(beta []float64) coxState {
	state := coxState{score: make([]float64, m.p), info: mat.NewSymDense(m.p, nil)}
	eta := m.eta(beta)
	for i, x := range m.x {
		if m.cause[i] == 1 {
			state.logLik += eta[i]
			for j, v := range x {
				state.score[j] += v
			}
		}
	}
	m.walkRisk(eta, true, func(set riskSet) {
		state.logLik -= set.events * math.Log(set.s0)
		for a := range m.p {
			ma := set.s1[a] / set.s0
			state.score[a] -= set.events * ma
			for b := 0; b <= a; b++ {
				v := set.s2[a][b]/set.s0 - ma*set.s1[b]/set.s0
				state.info.SetSym(b, a, state.info.At(b, a)+set.events*v)
			}
		}
	})
	return state
}

// influence returns η + ψ of each row: its share of the score, and what it adds
// through the estimate of G.
func (m *subhazard) influence(beta []float64) [][]float64 {
	eta := m.eta(beta)
	n, times := len(m.x), len(m.ends)
	// Cumulative ∫dΛ, ∫z̄dΛ, ∫G dΛ, ∫G z̄ dΛ after each distinct time.
	hazard, hazMean := make([]float64, times), make([][]float64, times)
	gHazard, gMean := make([]float64, times), make([][]float64, times)
	mean := make([][]float64, times)
	m.walkRisk(eta, false, func(set riskSet) {
		k := set.time
		jump := set.events / set.s0
		hazard[k], gHazard[k] = jump, jump*m.g[k]
		mean[k], hazMean[k], gMean[k] = make([]float64, m.p), make([]float64, m.p), make([]float64, m.p)
		for j, s1 := range set.s1 {
			mean[k][j] = s1 / set.s0
			hazMean[k][j], gMean[k][j] = jump*mean[k][j], jump*m.g[k]*mean[k][j]
		}
	})
	for k := range times {
		if hazMean[k] == nil {
			hazMean[k], gMean[k] = make([]float64, m.p), make([]float64, m.p)
		}
		if k > 0 {
			hazard[k] += hazard[k-1]
			gHazard[k] += gHazard[k-1]
			for j := range m.p {
				hazMean[k][j] += hazMean[k-1][j]
				gMean[k][j] += gMean[k-1][j]
			}
		}
	}
	last := times - 1
	out := make([][]float64, n)
	for i, x := range m.x {
		u, k, r := make([]float64, m.p), m.atTime[i], math.Exp(eta[i])
		for j := range u {
			if m.cause[i] == 1 {
				u[j] += x[j] - mean[k][j]
			}
			u[j] -= r * (x[j]*hazard[k] - hazMean[k][j])
			if m.cause[i] == 2 {
				after, afterMean := gHazard[last]-gHazard[k], gMean[last][j]-gMean[k][j]
				u[j] -= r / m.g[k] * (x[j]*after - afterMean)
			}
		}
		out[i] = u
	}
	m.addCensoring(eta, out, gHazard, gMean)
	return out
}

// addCensoring adds ψ: at each censoring time u, q(u)/π(u) to the rows censored
// there less its compensator for every row at risk. q(u) sums, over the rows
// that had another cause before u, what is expected of them at u and later.
func (m *subhazard) addCensoring(eta []float64, out [][]float64, gHazard []float64, gMean [][]float64) {
	last := len(m.ends) - 1
	p0, p1 := 0.0, make([]float64, m.p) // Σ r/G(X−) and Σ r·x/G(X−) over other causes before u
	drift := make([]float64, m.p)       // ∫ q/π dΛ_c so far
	q := make([]float64, m.p)
	start := 0
	for k, end := range m.ends {
		atRisk := float64(len(m.order) - start)
		if m.cens[k] > 0 {
			after, afterMean := gHazard[last], gMean[last]
			if k > 0 {
				after -= gHazard[k-1]
			}
			for j := range q {
				rest := afterMean[j]
				if k > 0 {
					rest -= gMean[k-1][j]
				}
				q[j] = (p1[j]*after - p0*rest) / atRisk
				drift[j] += q[j] * m.cens[k] / atRisk
			}
		}
		for _, i := range m.order[start:end] {
			for j := range q {
				if m.cause[i] == 0 {
					out[i][j] += q[j]
				}
				out[i][j] -= drift[j]
			}
		}
		for _, i := range m.order[start:end] {
			if m.cause[i] == 2 {
				w := math.Exp(eta[i]) / m.g[k]
				p0 += w
				for j, x := range m.x[i] {
					p1[j] += w * x
				}
			}
		}
		start = end
	}
}
