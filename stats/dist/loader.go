package dist

import "math"

// stirlingError returns log Γ(n+1) − [(n+½)·log n − n + ½·log 2π], the error of
// Stirling's formula, for n > 0. Below 15 the recurrence
//
//	δ(n) = δ(n+1) + (n+½)·log(1+1/n) − 1
//
// climbs to where the asymptotic series has full precision.
//
// Loader, Fast and accurate computation of binomial probabilities, 2000.
func stirlingError(n float64) float64 {
	climb := 0.0
	for ; n < 15; n++ {
		climb += (n+0.5)*math.Log1p(1/n) - 1
	}
	const (
		c0 = 1.0 / 12
		c1 = 1.0 / 360
		c2 = 1.0 / 1260
		c3 = 1.0 / 1680
		c4 = 1.0 / 1188
		c5 = 691.0 / 360360
		c6 = 1.0 / 156
	)
	nn := n * n
	return climb + (c0-(c1-(c2-(c3-(c4-(c5-c6/nn)/nn)/nn)/nn)/nn)/nn)/n
}

// deviance returns x·log(x/mean) + mean − x, half a Poisson deviance, without
// cancellation where x is close to its mean (Loader 2000).
func deviance(x, mean float64) float64 {
	if x == 0 {
		return mean
	}
	if diff := x - mean; math.Abs(diff) < 0.1*(x+mean) {
		v := diff / (x + mean)
		s := diff * v
		term := 2 * x * v
		v *= v
		for j := 3.0; ; j += 2 {
			term *= v
			next := s + term/j
			if next == s {
				return next
			}
			s = next
		}
	}
	return x*math.Log(x/mean) + mean - x
}

// poissonRaw returns mean^x·e^−mean / Γ(x+1) for real x ≥ 0.
func poissonRaw(x, mean float64) float64 {
	switch {
	case mean == 0:
		if x == 0 {
			return 1
		}
		return 0
	case x == 0:
		return math.Exp(-mean)
	}
	return math.Exp(-stirlingError(x)-deviance(x, mean)) / math.Sqrt(2*math.Pi*x)
}

// binomialRaw returns Γ(n+1)/(Γ(x+1)·Γ(n−x+1))·p^x·q^(n−x) for real
// 0 ≤ x ≤ n, with q = 1−p given so that neither loses digits.
func binomialRaw(x, n, p, q float64) float64 {
	switch {
	case p == 0:
		return indicator(x == 0)
	case q == 0:
		return indicator(x == n)
	case x == 0:
		if n == 0 {
			return 1
		}
		return math.Exp(n * logOf(q, p))
	case x == n:
		return math.Exp(n * logOf(p, q))
	}
	y := n - x
	return math.Exp(binomialExponent(x, y, n, p, q)) * math.Sqrt(n/(2*math.Pi*x*y))
}

func binomialExponent(x, y, n, p, q float64) float64 {
	return stirlingError(n) - stirlingError(x) - stirlingError(y) - deviance(x, n*p) - deviance(y, n*q)
}

// logOf returns log p, through its complement q where p is close to 1.
func logOf(p, q float64) float64 {
	if q < 0.5 {
		return math.Log1p(-q)
	}
	return math.Log(p)
}

func indicator(is bool) float64 {
	if is {
		return 1
	}
	return 0
}
