package survival

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats/definite"
)

// scoreResiduals returns each row's contribution to the gradient of the
// partial likelihood at β: for a row with an event, x less the mean of the risk
// set, and for every row the expected part ∫ (x − mean)·r dΛ up to its time.
// Under Efron's ties the k-th of d tied events leaves with weight 1 − k/d in
// the hazard increments of its own time.
func (m *coxModel) scoreResiduals(beta []float64) [][]float64 {
	eta := m.eta(beta)
	out := make([][]float64, len(m.x))
	for i := range out {
		out[i] = make([]float64, m.p)
	}
	shift := math.Inf(-1)
	for _, e := range eta {
		shift = max(shift, e)
	}
	type jump struct {
		hazard, spared         float64   // Σ 1/s0; Σ (k/d)/s0
		mean, hazMean, spaMean []float64 // average mean; Σ mean/s0; Σ (k/d)·mean/s0
	}
	for g := range m.strata {
		s := &m.strata[g]
		jumps := make([]*jump, len(s.times))
		s0, s1 := 0.0, make([]float64, m.p)
		for k := len(s.times) - 1; k >= 0; k-- {
			d0, d1, events := 0.0, make([]float64, m.p), 0
			for _, i := range s.rows[s.start(k):s.ends[k]] {
				r := math.Exp(eta[i] - shift)
				s0 += r
				for j, x := range m.x[i] {
					s1[j] += r * x
				}
				if m.event[i] {
					events++
					d0 += r
					for j, x := range m.x[i] {
						d1[j] += r * x
					}
				}
			}
			if events == 0 {
				continue
			}
			jp := &jump{mean: make([]float64, m.p), hazMean: make([]float64, m.p), spaMean: make([]float64, m.p)}
			for e := range events {
				share := float64(e) / float64(events)
				if m.ties == Breslow {
					share = 0
				}
				left := s0 - share*d0
				jp.hazard += 1 / left
				jp.spared += share / left
				for j := range s1 {
					mean := (s1[j] - share*d1[j]) / left
					jp.mean[j] += mean / float64(events)
					jp.hazMean[j] += mean / left
					jp.spaMean[j] += share * mean / left
				}
			}
			jumps[k] = jp
		}
		hazard, hazMean := 0.0, make([]float64, m.p)
		for k, jp := range jumps {
			if jp != nil {
				hazard += jp.hazard
				for j := range hazMean {
					hazMean[j] += jp.hazMean[j]
				}
			}
			for _, i := range s.rows[s.start(k):s.ends[k]] {
				r := math.Exp(eta[i] - shift)
				for j, x := range m.x[i] {
					out[i][j] = -r * (x*hazard - hazMean[j])
					if m.event[i] {
						out[i][j] += x - jp.mean[j] + r*(x*jp.spared-jp.spaMean[j])
					}
				}
			}
		}
	}
	return out
}

// clusteredCovariance returns the grouped jackknife sandwich, and the score
// test of β = 0 made the same way.
func (f *CoxFit) clusteredCovariance() (*mat.SymDense, Test) {
	p := f.model.p
	cov := sandwich(f.ModelCovariance, f.model.scoreResiduals(f.beta), f.data.Cluster)
	test := Test{Name: "robust score", Stat: math.NaN(), DF: float64(p), P: math.NaN()}
	residuals := f.model.scoreResiduals(make([]float64, p))
	score := make([]float64, p)
	for _, u := range residuals {
		for j, v := range u {
			score[j] += v
		}
	}
	if stat, ok := definite.QuadraticForm(outerByCluster(residuals, f.data.Cluster), score); ok {
		test = chiSquaredTest("robust score", stat, p)
	}
	return cov, test
}

// outerByCluster returns Σ u·uᵀ over clusters, u the residuals summed within
// the cluster; rows are their own clusters if cluster is nil.
func outerByCluster(residuals [][]float64, cluster []int) *mat.SymDense {
	p := len(residuals[0])
	meat := mat.NewSymDense(p, nil)
	sums := residuals
	if cluster != nil {
		codes, levels := denseCodes(cluster)
		sums = make([][]float64, len(levels))
		for c := range sums {
			sums[c] = make([]float64, p)
		}
		for i, u := range residuals {
			for j, v := range u {
				sums[codes[i]][j] += v
			}
		}
	}
	for _, u := range sums {
		meat.SymRankOne(meat, 1, mat.NewVecDense(p, u))
	}
	return meat
}

// sandwich returns V·(Σ u·uᵀ)·V.
func sandwich(v *mat.SymDense, residuals [][]float64, cluster []int) *mat.SymDense {
	var half, full mat.Dense
	half.Mul(v, outerByCluster(residuals, cluster))
	full.Mul(&half, v)
	p := v.SymmetricDim()
	out := mat.NewSymDense(p, nil)
	for a := range p {
		for b := a; b < p; b++ {
			out.SetSym(a, b, (full.At(a, b)+full.At(b, a))/2)
		}
	}
	return out
}
