// Package multiplicity adjusts p values for being several. An adjusted p value
// is compared with the level that would have been used for a single test.
//
// Every function returns the adjusted values in the order of p, leaves p
// unmodified, and never returns a value below the one it adjusts or above 1.
// The error is stats.ErrNoData without p values, or an *stats.ArgumentError
// for one outside [0, 1].
package multiplicity

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/rank"
)

// Bonferroni controls the familywise error under any dependence: min(1, m·p).
func Bonferroni(p []float64) ([]float64, error) {
	return each(p, func(v, m float64) float64 { return math.Min(1, m*v) })
}

// Sidak controls the familywise error of independent tests: 1 − (1−p)^m.
func Sidak(p []float64) ([]float64, error) {
	return each(p, sidak)
}

func sidak(v, m float64) float64 {
	if v == 1 {
		return 1
	}
	return -math.Expm1(m * math.Log1p(-v))
}

// Holm controls the familywise error under any dependence, and is never less
// powerful than Bonferroni: going up the ordered p values, the largest so far
// of (m−i+1)·p₍ᵢ₎.
//
// Holm, Scand J Stat 1979;6:65–70.
func Holm(p []float64) ([]float64, error) {
	return stepDown(p, func(v, left float64) float64 { return math.Min(1, left*v) })
}

// HolmSidak is Holm's procedure with Sidak's bound: the largest so far of
// 1 − (1−p₍ᵢ₎)^(m−i+1). It assumes independent or positively dependent tests.
func HolmSidak(p []float64) ([]float64, error) { return stepDown(p, sidak) }

// Hochberg controls the familywise error of independent or positively
// dependent tests: going down the ordered p values, the smallest so far of
// (m−i+1)·p₍ᵢ₎.
//
// Hochberg, Biometrika 1988;75:800–802.
func Hochberg(p []float64) ([]float64, error) {
	return stepUp(p, func(v, i, m float64) float64 { return (m - i + 1) * v })
}

// BenjaminiHochberg controls the false discovery rate of independent or
// positively dependent tests: going down the ordered p values, the smallest so
// far of m·p₍ᵢ₎/i.
//
// Benjamini & Hochberg, J R Stat Soc B 1995;57:289–300.
func BenjaminiHochberg(p []float64) ([]float64, error) {
	return stepUp(p, func(v, i, m float64) float64 { return m / i * v })
}

// BenjaminiYekutieli controls the false discovery rate under any dependence:
// BenjaminiHochberg times Σ 1/i.
//
// Benjamini & Yekutieli, Ann Stat 2001;29:1165–1188.
func BenjaminiYekutieli(p []float64) ([]float64, error) {
	harmonic := 0.0
	for i := len(p); i >= 1; i-- {
		harmonic += 1 / float64(i)
	}
	return stepUp(p, func(v, i, m float64) float64 { return harmonic * m / i * v })
}

// TwoStageBH controls the false discovery rate with the number of true
// hypotheses estimated: BenjaminiHochberg at level alpha rejects r of m, and
// unless it rejects none or all, the adjusted values are multiplied by
// (m − r)/m. Unlike the others, the result depends on alpha and may be smaller
// than p.
//
// Benjamini, Krieger & Yekutieli, Biometrika 2006;93:491–507, without their
// factor 1 + alpha.
func TwoStageBH(p []float64, alpha float64) ([]float64, error) {
	if !(alpha > 0 && alpha < 1) {
		return nil, &stats.ArgumentError{Name: "level alpha", Got: alpha, Want: "between 0 and 1, such as 0.05"}
	}
	adjusted, err := BenjaminiHochberg(p)
	if err != nil {
		return nil, err
	}
	rejected := 0
	for _, v := range adjusted {
		if v <= alpha {
			rejected++
		}
	}
	if rejected == 0 || rejected == len(p) {
		return adjusted, nil
	}
	for i := range adjusted {
		adjusted[i] *= float64(len(p)-rejected) / float64(len(p))
	}
	return adjusted, nil
}

// Hommel controls the familywise error of independent or positively dependent
// tests by the closure of Simes' test, and is at least as powerful as
// Hochberg. Costs m² operations.
//
// Hommel, Biometrika 1988;75:383–386; Wright, Biometrics 1992;48:1005–1013.
func Hommel(p []float64) ([]float64, error) {
	if err := check(p); err != nil {
		return nil, err
	}
	n := len(p)
	order := rank.Order(p)
	sorted := make([]float64, n)
	for i, at := range order {
		sorted[i] = p[at]
	}
	smallest := math.Inf(1)
	for i, v := range sorted {
		smallest = math.Min(smallest, float64(n)*v/float64(i+1))
	}
	adjusted := make([]float64, n)
	for i := range adjusted {
		adjusted[i] = math.Max(smallest, sorted[i])
	}
	for m := n - 1; m >= 2; m-- {
		size := float64(m)
		split := n - m + 1 // the values before it are tested one by one
		simes := math.Inf(1)
		for j := 2; j <= m; j++ {
			simes = math.Min(simes, size*sorted[split+j-2]/float64(j))
		}
		for i := range split {
			adjusted[i] = math.Max(adjusted[i], math.Min(size*sorted[i], simes))
		}
		last := math.Min(size*sorted[split-1], simes)
		for i := split; i < n; i++ {
			adjusted[i] = math.Max(adjusted[i], last)
		}
	}
	out := make([]float64, n)
	for i, at := range order {
		out[at] = math.Min(1, adjusted[i])
	}
	return out, nil
}

func each(p []float64, f func(v, m float64) float64) ([]float64, error) {
	if err := check(p); err != nil {
		return nil, err
	}
	adjusted := make([]float64, len(p))
	for i, v := range p {
		adjusted[i] = f(v, float64(len(p)))
	}
	return adjusted, nil
}

// stepDown takes the running maximum of f(p₍ᵢ₎, m−i+1) upwards.
func stepDown(p []float64, f func(v, left float64) float64) ([]float64, error) {
	if err := check(p); err != nil {
		return nil, err
	}
	adjusted := make([]float64, len(p))
	largest := 0.0
	for i, at := range rank.Order(p) {
		largest = math.Max(largest, f(p[at], float64(len(p)-i)))
		adjusted[at] = largest
	}
	return adjusted, nil
}

// stepUp takes the running minimum of f(p₍ᵢ₎, i, m) downwards.
func stepUp(p []float64, f func(v, i, m float64) float64) ([]float64, error) {
	if err := check(p); err != nil {
		return nil, err
	}
	adjusted := make([]float64, len(p))
	order := rank.Order(p)
	smallest := 1.0
	for i := len(p) - 1; i >= 0; i-- {
		at := order[i]
		smallest = math.Min(smallest, f(p[at], float64(i+1), float64(len(p))))
		adjusted[at] = smallest
	}
	return adjusted, nil
}

func check(p []float64) error {
	if len(p) == 0 {
		return fmt.Errorf("adjusting p values: %w", stats.ErrNoData)
	}
	for i, v := range p {
		if !(v >= 0 && v <= 1) {
			return &stats.ArgumentError{Name: fmt.Sprintf("p value %d", i+1), Got: v, Want: "between 0 and 1"}
		}
	}
	return nil
}
