package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
	"keratally/stats/dist"
)

// GrayResult is a test of one cause.
type GrayResult struct {
	stats.Result
	Cause  int
	Groups []int
}

// GrayTest tests, for each cause that occurs (ascending), that its cumulative
// incidence is the same in all groups, by the weighted log-rank type statistic
// on the subdistribution hazards
//
//	z_g = Σ (1 − F(t−))^rho · (d_g − d·R_g/ΣR),  R_g = n_g·(1 − F_g(t−))/S_g(t−),
//
// summed over the strata of d.Strata; χ² = zᵀV⁻¹z on groups − 1 degrees of
// freedom. d.Cluster is not used: rows are taken as independent, so use one eye
// a patient, or Cox for each cause with clusters. Errors: those of
// CumulativeIncidence; stats.ErrOneGroup; stats.ErrNoVariance if for a cause
// the variance is singular, as when a group has nobody at risk at its events.
//
// Gray, Ann Stat 1988;16:1141–1154.
func GrayTest(d CompetingData, group []int, rho float64) ([]GrayResult, error) {
	const method = "Gray test"
	if err := d.check(method); err != nil {
		return nil, err
	}
	if len(group) != len(d.Time) {
		return nil, fmt.Errorf("%s: %d times but %d groups: %w", method, len(d.Time), len(group), stats.ErrLengths)
	}
	codes, levels := denseCodes(group)
	if len(levels) < 2 {
		return nil, fmt.Errorf("%s: %w", method, stats.ErrOneGroup)
	}
	causes := d.causes()
	if len(causes) == 0 {
		return nil, fmt.Errorf("%s: %w", method, stats.ErrNoEvents)
	}
	order := timeOrder(d.Time)
	settled, strata := settleTies(d.Time, order), byStratum(d.Strata, order)
	out := make([]GrayResult, 0, len(causes))
	for _, cause := range causes {
		score, variance := make([]float64, len(levels)), mat.NewSymDense(len(levels), nil)
		for _, rows := range strata {
			g := newGray(len(levels), rho)
			g.run(d, codes, rows, runs(settled, rows), cause)
			g.addTo(score, variance)
		}
		keep := make([]int, len(levels)-1)
		for k := range keep {
			keep[k] = k
		}
		chi, ok := definite.Wald(variance, score, keep)
		if !ok {
			return nil, fmt.Errorf("%s of cause %d: %w", method, cause, stats.ErrNoVariance)
		}
		r := GrayResult{Result: stats.NewResult(method, len(d.Time)), Cause: cause, Groups: levels}
		r.Stat, r.DF = chi, float64(len(keep))
		r.P = dist.ChiSquaredSF(chi, r.DF)
		out = append(out, r)
	}
	return out, nil
}

// gray is the state of the test in one stratum, in the terms of Gray (1988):
// a is the integrand d1 of the paper, c its compensator, and the variance is
// Σ over groups k of ∫ (a_ik + b_k·(c_ik(τ) − c_ik))·(the same for j)·weight_k,
// expanded so that c(τ) can be put in at the end.
type gray struct {
	k             int
	rho           float64
	risk          []float64
	survBefore    []float64   // S_g(t−), all causes
	f             []float64   // F_g(t−)
	pooled        float64     // F(t−) under the hypothesis
	score         []float64   // z
	c             [][]float64 // c_ik
	v             [][]float64
	cross         [][]float64 // Σ (a − b·c)·b·weight
	square        []float64   // Σ b²·weight
	dead, causeIn []float64
}

func newGray(k int, rho float64) *gray {
	g := &gray{
		k: k, rho: rho, risk: make([]float64, k), survBefore: make([]float64, k), f: make([]float64, k),
		score: make([]float64, k), c: square(k), v: square(k), cross: square(k), square: make([]float64, k),
		dead: make([]float64, k), causeIn: make([]float64, k),
	}
	for i := range g.survBefore {
		g.survBefore[i] = 1
	}
	return g
}

func (g *gray) run(d CompetingData, codes []int, rows []int32, ends []int, cause int) {
	for _, i := range rows {
		g.risk[codes[i]]++
	}
	start := 0
	for _, end := range ends {
		clear(g.dead)
		clear(g.causeIn)
		events, other := 0.0, 0.0
		for _, i := range rows[start:end] {
			switch d.Cause[i] {
			case 0:
			case cause:
				g.causeIn[codes[i]]++
				events++
				g.dead[codes[i]]++
			default:
				g.dead[codes[i]]++
				other++
			}
		}
		if events+other > 0 {
			g.step(events)
		}
		for _, i := range rows[start:end] {
			g.risk[codes[i]]--
		}
		start = end
	}
}

// step takes in one time with events of any cause.
func (g *gray) step(events float64) {
	share := make([]float64, g.k) // n/S(t−) of each group
	surv := append([]float64(nil), g.survBefore...)
	total, totalSub := 0.0, 0.0
	for i, n := range g.risk {
		if n <= 0 {
			continue
		}
		surv[i] = g.survBefore[i] * (n - g.dead[i]) / n
		share[i] = n / g.survBefore[i]
		total += share[i]
		totalSub += share[i] * (1 - g.f[i])
	}
	before := g.pooled
	pooled := before + events/total
	weight := math.Pow(1-before, g.rho)
	a := square(g.k)
	for i, si := range share {
		if si == 0 {
			continue
		}
		a[i][i] = weight * si * (1 - si/total)
		for j, sj := range share[:i] {
			a[i][j] = -weight * si * sj / total
			a[j][i] = a[i][j]
		}
		if events > 0 {
			g.score[i] += weight * (g.causeIn[i] - events*si*(1-g.f[i])/totalSub)
		}
	}
	if events > 0 {
		for i := range a {
			for j := range a {
				g.c[i][j] += a[i][j] * events / (total * (1 - before))
			}
		}
		for k, n := range g.risk {
			if n <= 0 {
				continue
			}
			b := 1.0
			if surv[k] > 0 {
				b = 1 - (1-pooled)/surv[k]
			}
			w := 1.0
			if events > 1 {
				w = 1 - (events-1)/(total*g.survBefore[k]-1)
			}
			g.accumulate(k, b, w*g.survBefore[k]*events/(total*n), a)
		}
	}
	for k, n := range g.risk {
		other := g.dead[k] - g.causeIn[k]
		if n <= 0 || other <= 0 || surv[k] <= 0 {
			continue
		}
		w := 1.0
		if other > 1 {
			w = 1 - (other-1)/(n-1)
		}
		g.accumulate(k, -(1-pooled)/surv[k], w*g.survBefore[k]*g.survBefore[k]*other/(n*n), nil)
	}
	for i, n := range g.risk {
		if n > 0 {
			g.f[i] += g.survBefore[i] * g.causeIn[i] / n
			g.survBefore[i] = surv[i]
		}
	}
	g.pooled = pooled
}

// accumulate adds one group's share of the variance; a is nil where the
// event was of another cause.
func (g *gray) accumulate(k int, b, w float64, a [][]float64) {
	at := func(i int) float64 {
		x := -b * g.c[i][k]
		if a != nil {
			x += a[i][k]
		}
		return x
	}
	g.square[k] += b * b * w
	for i := range g.k {
		x := at(i)
		g.cross[i][k] += x * b * w
		for j := range g.k {
			g.v[i][j] += x * at(j) * w
		}
	}
}

// addTo puts the final compensator in.
func (g *gray) addTo(score []float64, variance *mat.SymDense) {
	for i := range g.k {
		score[i] += g.score[i]
		for j := i; j < g.k; j++ {
			v := g.v[i][j]
			for k := range g.k {
				v += g.c[i][k]*g.c[j][k]*g.square[k] + g.c[i][k]*g.cross[j][k] + g.c[j][k]*g.cross[i][k]
			}
			variance.SetSym(i, j, variance.At(i, j)+v)
		}
	}
}
