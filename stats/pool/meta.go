package pool

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
	"keratally/stats/sum"
)

// Heterogeneity is how the variance between studies is estimated.
type Heterogeneity int

// The estimators of the variance between studies. Common assumes that there is
// none: one effect common to all studies, the "fixed-effect" model.
const (
	Common Heterogeneity = iota + 1
	DerSimonianLaird
	REML
	PauleMandel
)

// String returns the printable name.
func (h Heterogeneity) String() string {
	switch h {
	case Common:
		return "common effect"
	case DerSimonianLaird:
		return "random effects, DerSimonian–Laird"
	case REML:
		return "random effects, REML"
	case PauleMandel:
		return "random effects, Paule–Mandel"
	default:
		return "no method"
	}
}

// Meta is an effect pooled over studies.
type Meta struct {
	stats.Result         // Stat is z, or t on DF with the Hartung–Knapp variance
	Tau2         float64 // variance between studies
	I2           float64 // percentage of the variation that is between studies
	H2           float64 // total variance over the typical one within studies
	Q, QP        float64 // Cochran's Q on studies − 1 df, and its p value
	Prediction   stats.Interval
}

// Studies pools k effects with their sampling variances: the mean weighted by
// 1/(vᵢ + τ²), with z limits; or, with hartungKnapp, with the variance
//
//	Σ wᵢ(yᵢ − mean)²/((k−1)·Σ wᵢ)
//
// and t limits on k − 1 degrees of freedom, the better choice for few studies.
// P is two-sided for no effect. With random effects, Prediction is where the
// effect of a further study lies, t limits on k − 1 df from τ² and the SE; it
// is not given (Level 0) for the common effect.
//
// Errors: no studies (one is enough without Hartung–Knapp or τ², two
// otherwise), different lengths, a variance that is not above zero.
//
// DerSimonian & Laird, Control Clin Trials 1986;7:177–188; Paule & Mandel, J
// Res Natl Bur Stand 1982;87:377–385; Viechtbauer, J Educ Behav Stat
// 2005;30:261–293; Hartung & Knapp, Stat Med 2001;20:1771–1782; I² as Higgins &
// Thompson, Stat Med 2002;21:1539–1558.
func Studies(effects, variances []float64, method Heterogeneity, hartungKnapp bool, level float64) (Meta, error) {
	name := "pooled over studies, " + method.String()
	need := 2
	if method == Common && !hartungKnapp {
		need = 1
	}
	if method < Common || method > PauleMandel {
		return Meta{}, &stats.ArgumentError{Name: "heterogeneity", Got: int(method), Want: "Common, DerSimonianLaird, REML or PauleMandel"}
	}
	if err := stats.CheckLevel(level); err != nil {
		return Meta{}, err
	}
	if err := stats.CheckPairs(name, effects, variances, need); err != nil {
		return Meta{}, err
	}
	for i, v := range variances {
		if v <= 0 {
			return Meta{}, &stats.ArgumentError{Name: fmt.Sprintf("variance of study %d", i+1), Got: v, Want: "above zero"}
		}
	}
	s := studies{effects, variances}
	k := float64(len(effects))
	fixed := s.at(0)
	m := Meta{Q: fixed.q, QP: math.NaN()}
	if k > 1 {
		m.QP = dist.ChiSquaredSF(m.Q, k-1)
	}
	switch method {
	case DerSimonianLaird:
		m.Tau2 = math.Max(0, (m.Q-(k-1))/fixed.trace)
	case PauleMandel:
		m.Tau2 = s.pauleMandel()
	case REML:
		var err error
		if m.Tau2, err = s.reml(); err != nil {
			return Meta{}, fmt.Errorf("%s: %w", name, err)
		}
	}
	m.heterogeneity(method, fixed, k)
	pooled := s.at(m.Tau2)
	m.Result = stats.NewResult(name, len(effects))
	m.Estimate = pooled.mean
	m.SE = math.Sqrt(1 / pooled.weight)
	multiplier := dist.NormalQuantile((1 + level) / 2)
	if hartungKnapp {
		m.Method += ", Hartung–Knapp"
		m.SE = math.Sqrt(pooled.q / ((k - 1) * pooled.weight))
		m.DF = k - 1
		multiplier = dist.TQuantile((1+level)/2, m.DF)
		if m.SE == 0 {
			return Meta{}, fmt.Errorf("%s: %w", m.Method, stats.ErrNoVariance)
		}
	}
	m.Stat = m.Estimate / m.SE
	if hartungKnapp {
		m.P = dist.PT(m.Stat, m.DF, stats.TwoSided)
	} else {
		m.P = dist.PZ(m.Stat, stats.TwoSided)
	}
	m.Interval = around(m.Estimate, multiplier*m.SE, level, m.Method)
	if method != Common {
		half := dist.TQuantile((1+level)/2, k-1) * math.Sqrt(m.Tau2+m.SE*m.SE)
		m.Prediction = around(m.Estimate, half, level, "prediction, t on k − 1 df")
	}
	if method != Common && m.Tau2 == 0 {
		m.Note("the variance between studies is estimated as zero")
	}
	return m, nil
}

func around(estimate, half, level float64, method string) stats.Interval {
	return stats.Interval{Estimate: estimate, Lower: estimate - half, Upper: estimate + half, Level: level, Method: method}
}

// heterogeneity sets I² and H²: from Q for a common effect, otherwise from τ²
// against the typical variance within studies.
func (m *Meta) heterogeneity(method Heterogeneity, fixed weighted, k float64) {
	switch {
	case k < 2:
		m.I2, m.H2 = math.NaN(), math.NaN()
	case method == Common:
		m.H2 = m.Q / (k - 1)
		if m.Q > 0 {
			m.I2 = math.Max(0, 100*(m.Q-(k-1))/m.Q)
		}
	default:
		typical := (k - 1) / fixed.trace
		m.I2 = 100 * m.Tau2 / (typical + m.Tau2)
		m.H2 = m.Tau2/typical + 1
	}
}

type studies struct{ effects, variances []float64 }

// weighted holds sums over the studies with weights w = 1/(v + τ²), and traces
// of P = W − W11'W/Σw, which removes the weighted mean.
type weighted struct {
	weight, mean float64 // Σw, Σwy/Σw
	q            float64 // Σw(y − mean)²
	qq           float64 // Σw²(y − mean)²
	trace        float64 // tr P
	trace2       float64 // tr PP
}

func (s studies) at(tau2 float64) weighted {
	n := len(s.effects)
	w, wy := make([]float64, n), make([]float64, n)
	w2, w3 := 0.0, 0.0
	for i, v := range s.variances {
		w[i] = 1 / (v + tau2)
		wy[i] = w[i] * s.effects[i]
		w2 += w[i] * w[i]
		w3 += w[i] * w[i] * w[i]
	}
	r := weighted{weight: sum.Sum(w)}
	r.mean = sum.Sum(wy) / r.weight
	for i, y := range s.effects {
		d := y - r.mean
		r.q += w[i] * d * d
		r.qq += w[i] * w[i] * d * d
	}
	r.trace = r.weight - w2/r.weight
	r.trace2 = w2 - 2*w3/r.weight + (w2/r.weight)*(w2/r.weight)
	return r
}

// pauleMandel returns the τ² at which the weighted sum of squares is its
// expectation, or 0 where it is below that already.
func (s studies) pauleMandel() float64 {
	expected := float64(len(s.effects) - 1)
	f := func(tau2 float64) float64 { return s.at(tau2).q - expected }
	if f(0) <= 0 {
		return 0
	}
	high := 1.0
	for f(high) > 0 {
		high *= 4
	}
	return root.Bisect(f, 0, high)
}

// reml maximises the restricted likelihood by Fisher scoring from the
// DerSimonian–Laird value. The score is positive below the maximum and negative
// above it, so each step narrows a bracket; a step that leaves the bracket, and
// every third one, halves it instead, because plain scoring can cycle.
func (s studies) reml() (float64, error) {
	fixed := s.at(0)
	tau2 := math.Max(0, (fixed.q-float64(len(s.effects)-1))/fixed.trace)
	scale := sum.Mean(s.variances)
	low, high := 0.0, math.Inf(1)
	for i := range 1000 {
		r := s.at(tau2)
		score := r.qq - r.trace
		if score > 0 {
			low = tau2
		} else {
			high = tau2
		}
		next := tau2 + score/r.trace2
		switch {
		case tau2 == 0 && score <= 0:
			return 0, nil
		case next <= 0 && low == 0 && fixed.qq <= fixed.trace:
			next = 0
		case next <= low || next >= high || i%3 == 2 && !math.IsInf(high, 1):
			next = (low + high) / 2
		}
		if math.Abs(next-tau2) <= 1e-14*(tau2+scale) {
			return next, nil
		}
		tau2 = next
	}
	return 0, stats.ErrNotConverged
}

// LogRiskRatio returns the logarithm of the risk ratio of events1 of n1 to
// events2 of n2, and its variance 1/a − 1/n₁ + 1/c − 1/n₂. Where a cell of the
// table is zero, a half is added to all four. Errors: counts outside their
// totals, no one at risk.
func LogRiskRatio(events1, n1, events2, n2 float64) (effect, variance float64, err error) {
	for _, arm := range [...][2]float64{{events1, n1}, {events2, n2}} {
		if !(arm[1] > 0) || !(arm[0] >= 0 && arm[0] <= arm[1]) || math.IsInf(arm[1], 1) {
			return 0, 0, &stats.ArgumentError{Name: "events of n", Got: arm, Want: "events between 0 and n, and n above zero"}
		}
	}
	if events1 == 0 || events2 == 0 || events1 == n1 || events2 == n2 {
		events1, events2, n1, n2 = events1+0.5, events2+0.5, n1+1, n2+1
	}
	return math.Log(events1/n1) - math.Log(events2/n2), 1/events1 - 1/n1 + 1/events2 - 1/n2, nil
}
