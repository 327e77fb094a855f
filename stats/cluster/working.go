package cluster

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
)

// moments estimates φ and α from the residuals.
func (g *solver) moments() error {
	n, p := g.design.X.Dims()
	lost := 0.0
	if g.equations.Convention == Corrected {
		lost = float64(p)
	}
	square := 0.0
	for _, e := range g.residual {
		square += e * e
	}
	if g.scale = square / (float64(n) - lost); !(g.scale > 0) {
		return stats.ErrNoVariance
	}
	switch g.equations.Working {
	case Exchangeable:
		return g.exchangeable(lost)
	case AR1:
		return g.autoregressive()
	}
	return nil
}

func (g *solver) exchangeable(lost float64) error {
	pairs, products := 0.0, 0.0
	for _, rows := range g.groups {
		sum, square := 0.0, 0.0
		for _, i := range rows {
			sum += g.residual[i]
			square += g.residual[i] * g.residual[i]
		}
		k := float64(len(rows))
		pairs += k * (k - 1) / 2
		products += (sum*sum - square) / 2
	}
	if pairs == 0 {
		return nil
	}
	if pairs <= lost {
		return &stats.TooFewError{Method: "correlation within clusters, in pairs", Got: int(pairs), Need: int(lost) + 1}
	}
	g.alpha = products / (pairs - lost) / g.scale
	return nil
}

// autoregressive solves Σ_lag lag·α^(lag−1)·Σ(e_je_k/φ − α^lag) = 0 over the pairs of each lag.
func (g *solver) autoregressive() error {
	var products, count []float64 // by lag
	for _, rows := range g.groups {
		for a := range rows {
			for lag := 1; a+lag < len(rows); lag++ {
				for len(products) <= lag {
					products, count = append(products, 0), append(count, 0)
				}
				products[lag] += g.residual[rows[a]] * g.residual[rows[a+lag]] / g.scale
				count[lag]++
			}
		}
	}
	alpha := g.alpha
	for range 200 {
		value, slope := 0.0, 0.0
		for lag := 1; lag < len(products); lag++ {
			l := float64(lag)
			w := l * math.Pow(alpha, l-1)
			value += w * (products[lag] - count[lag]*math.Pow(alpha, l))
			slope += w * w * count[lag]
		}
		if slope == 0 {
			return nil
		}
		step := value / slope
		alpha += step
		if math.Abs(step) < 1e-15 {
			break
		}
	}
	if !(math.Abs(alpha) < 1) {
		return fmt.Errorf("autoregressive correlation of %.3g: %w", alpha, stats.ErrNotConverged)
	}
	g.alpha = alpha
	return nil
}

// invert replaces the columns of m, rows of one cluster, by R(α)⁻¹m.
func (g *solver) invert(m *mat.Dense) error {
	n, p := m.Dims()
	a := g.alpha
	if n == 1 || g.equations.Working == Independence {
		return nil
	}
	if g.equations.Working == Exchangeable {
		if !(a < 1 && 1+a*float64(n-1) > 0) {
			return fmt.Errorf("a correlation of %.3g cannot hold between %d observations: %w", a, n, stats.ErrNotConverged)
		}
		share := a / (1 + a*float64(n-1))
		for j := range p {
			sum := 0.0
			for i := range n {
				sum += m.At(i, j)
			}
			for i := range n {
				m.Set(i, j, (m.At(i, j)-share*sum)/(1-a))
			}
		}
		return nil
	}
	below := make([]float64, n) // tridiagonal inverse
	for j := range p {
		for i := range n {
			v := m.At(i, j) * (1 + a*a)
			if i == 0 || i == n-1 {
				v = m.At(i, j)
			}
			if i > 0 {
				v -= a * m.At(i-1, j)
			}
			if i < n-1 {
				v -= a * m.At(i+1, j)
			}
			below[i] = v / (1 - a*a)
		}
		for i, v := range below {
			m.Set(i, j, v)
		}
	}
	return nil
}
