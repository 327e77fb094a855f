package survival

import "math"

// leaving is a row at the time it leaves observation.
type leaving struct {
	cluster int     // 0, 1, …
	point   int     // index into Curve.Points
	log     float64 // influence of the row on log S from then on
}

// clusterVariance replaces the standard errors of c by clustered ones.
//
// A row at risk has influence A(t) = Σ d/(n(n−d)) on log S(t); one that had its
// event at t keeps A(t−) − 1/n(t), one censored at t keeps A(t). A cluster's
// influence is the sum over its rows, so with k rows at risk and F the sum over
// those gone, Σ (k·A + F)² = A²·Σk² + 2A·Σk·F + ΣF², three sums that change only
// when a row leaves. The hazard is treated alike, with B(t) = −Σ d/n².
func (c *Curve) clusterVariance(d Data, order []int32, ends []int) {
	codes, levels := denseCodes(d.Cluster)
	c.Clusters, c.clusteredVar = len(levels), true
	c.leave = make([]leaving, 0, c.N)
	var surv, haz clusterSums
	surv.init(codes, len(levels))
	haz.init(codes, len(levels))
	var a, b float64
	start := 0
	for k, end := range ends {
		p := &c.Points[k]
		n, dead := float64(p.AtRisk), float64(p.Events)
		before, beforeHaz := a, b
		if p.Events > 0 {
			if p.Survival > 0 {
				a += dead / (n * (n - dead))
			}
			b -= dead / (n * n)
		}
		for _, i := range order[start:end] {
			log, hazard := a, b
			if d.Event[i] {
				log = before - 1/n
				hazard = beforeHaz + 1/n - dead/(n*n)
			}
			surv.leave(codes[i], log)
			haz.leave(codes[i], hazard)
			c.leave = append(c.leave, leaving{codes[i], k, log})
		}
		p.SE = 0
		if p.Survival > 0 {
			p.SE = p.Survival * math.Sqrt(surv.sum(a))
		}
		p.CumulativeHazardSE = math.Sqrt(haz.sum(b))
		start = end
	}
}

// clusterSums holds Σk², Σk·F and ΣF² over clusters, see clusterVariance.
type clusterSums struct {
	in         []float64 // rows of each cluster still at risk
	gone       []float64 // summed influence of those that left
	kk, kf, ff float64
}

func (s *clusterSums) init(codes []int, clusters int) {
	s.in, s.gone = make([]float64, clusters), make([]float64, clusters)
	for _, c := range codes {
		s.in[c]++
	}
	for _, k := range s.in {
		s.kk += k * k
	}
}

func (s *clusterSums) leave(c int, influence float64) {
	k, f := s.in[c], s.gone[c]
	s.kk += (k-1)*(k-1) - k*k
	s.kf += (k-1)*(f+influence) - k*f
	s.ff += (f+influence)*(f+influence) - f*f
	s.in[c], s.gone[c] = k-1, f+influence
}

// sum returns the sum over clusters of the squared influence.
func (s *clusterSums) sum(atRisk float64) float64 {
	return max(0, atRisk*atRisk*s.kk+2*atRisk*s.kf+s.ff)
}

// restrictedMeanVariance is the clustered variance of the area under the curve
// up to tau. A row's influence on the area is ∫S·A up to its leaving and its
// constant influence times the area that remains after.
func (c *Curve) restrictedMeanVariance(tau float64) float64 {
	area := make([]float64, len(c.Points))     // ∫S from 0 to each point
	weighted := make([]float64, len(c.Points)) // ∫S·A from 0 to each point
	s, a, from, total, totalWeighted := 1.0, 0.0, 0.0, 0.0, 0.0
	for k, p := range c.Points {
		width := max(0, min(p.Time, tau)-from)
		total += s * width
		totalWeighted += s * a * width
		from = max(from, min(p.Time, tau))
		area[k], weighted[k] = total, totalWeighted
		if p.Time <= tau && p.Events > 0 && p.Survival > 0 {
			n, dead := float64(p.AtRisk), float64(p.Events)
			a += dead / (n * (n - dead))
		}
		s = p.Survival
	}
	total += s * max(0, tau-from)
	byCluster := make([]float64, c.Clusters)
	for _, l := range c.leave {
		influence := weighted[l.point]
		if c.Points[l.point].Time <= tau {
			influence += l.log * (total - area[l.point])
		}
		byCluster[l.cluster] += influence
	}
	var v float64
	for _, x := range byCluster {
		v += x * x
	}
	return v
}
