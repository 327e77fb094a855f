package dist

import "math"

// gammaTails returns the regularised incomplete gamma functions P(a, x) and
// Q(a, x) = 1 − P, the smaller of them computed directly: by the series of P
// below a + 1, by the continued fraction of Q above.
func gammaTails(a, x float64) (lower, upper float64) {
	switch {
	case math.IsNaN(a) || math.IsNaN(x) || a <= 0:
		return math.NaN(), math.NaN()
	case x <= 0:
		return 0, 1
	case math.IsInf(x, 1):
		return 1, 0
	case a < 1 && x < 1:
		upper = gammaUpperSmall(a, x)
		if upper < 0.5 {
			return 1 - upper, upper
		}
		lower = gammaSeries(a, x)
		return lower, upper
	case x < a+1:
		lower = gammaSeries(a, x)
		return lower, 1 - lower
	default:
		upper = gammaFraction(a, x)
		return 1 - upper, upper
	}
}

// gammaSeries is P(a, x) = x^a·e^−x/Γ(a+1) · Σ x^k/((a+1)…(a+k)).
func gammaSeries(a, x float64) float64 {
	sum, term := 1.0, 1.0
	for k := a + 1; term > machineEpsilon*sum; k++ {
		term *= x / k
		sum += term
	}
	return poissonRaw(a, x) * sum
}

// gammaFraction is Q(a, x) by Legendre's continued fraction, evaluated with
// the modified Lentz method; x > a.
func gammaFraction(a, x float64) float64 {
	b := x + 1 - a
	c := math.Inf(1)
	d := 1 / b
	h := d
	for i := 1.0; i < largestIteration; i++ {
		an := -i * (i - a)
		b += 2
		d = 1 / nonZero(an*d+b)
		c = nonZero(b + an/c)
		delta := d * c
		h *= delta
		if math.Abs(delta-1) < 2*machineEpsilon {
			break
		}
	}
	return poissonRaw(a, x) * a * h
}

// gammaUpperSmall is Q(a, x) for a, x < 1, where 1 − P would lose digits:
//
//	Q = −(u + s + u·s), u = x^a/Γ(1+a) − 1, s = Σ a·(−x)^k/((a+k)·k!)
func gammaUpperSmall(a, x float64) float64 {
	u := math.Expm1(a*math.Log(x) - logGammaOnePlus(a))
	s, term := 0.0, 1.0
	for k := 1.0; k < 60; k++ {
		term *= -x / k
		s += a * term / (a + k)
	}
	return -(u + s + u*s)
}

// logGammaOnePlus returns log Γ(1+a) for 0 ≤ a ≤ 1 with relative accuracy,
// by the recurrence up to 16 and Stirling's formula there.
func logGammaOnePlus(a float64) float64 {
	if a > 0.2 {
		v, _ := math.Lgamma(1 + a)
		return v
	}
	// log Γ(1+a) = −γ·a + Σ ζ(k)·(−a)^k/k; |a| ≤ 0.2 needs few terms.
	zetas := [...]float64{
		1.6449340668482264365, 1.2020569031595942854, 1.0823232337111381915, 1.0369277551433699263,
		1.0173430619844491397, 1.0083492773819228268, 1.0040773561979443394, 1.0020083928260822144,
		1.0009945751278180853, 1.0004941886041194646, 1.0002460865533080483, 1.0001227133475784891,
		1.0000612481350587048, 1.0000305882363070205, 1.0000152822594086519, 1.0000076371976378998,
		1.0000038172932649998, 1.0000019082127165539, 1.0000009539620338728, 1.0000004769329867878,
	}
	const eulerGamma = 0.5772156649015328606
	sum, power := 0.0, -a
	for i, zeta := range zetas {
		power *= -a
		sum += zeta * power / float64(i+2)
	}
	return sum - eulerGamma*a
}

func nonZero(x float64) float64 {
	if x == 0 {
		return 1e-300
	}
	return x
}

// ChiSquaredCDF returns P(X ≤ x) for chi-squared X with df > 0 degrees of
// freedom, fractional ones included.
func ChiSquaredCDF(x, df float64) float64 {
	lower, _ := gammaTails(df/2, x/2)
	return lower
}

// ChiSquaredSF returns P(X > x); see ChiSquaredCDF.
func ChiSquaredSF(x, df float64) float64 {
	_, upper := gammaTails(df/2, x/2)
	return upper
}

// ChiSquaredQuantile returns x with P(X ≤ x) = p.
func ChiSquaredQuantile(p, df float64) float64 { return 2 * GammaQuantile(p, df/2) }

// GammaQuantile returns x with P(X ≤ x) = p for gamma X of the given shape and
// rate 1. It is the limit of a Poisson mean where the shape is a count.
func GammaQuantile(p, shape float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1 || !(shape > 0):
		return math.NaN()
	case p == 0:
		return 0
	case p == 1:
		return math.Inf(1)
	}
	logQuantile := logConcaveRoot(p, math.Log(shape), func(u float64) (lower, upper, density float64) {
		x := math.Exp(u)
		lower, upper = gammaTails(shape, x)
		return lower, upper, poissonRaw(shape, x) * shape // density of log X
	})
	return math.Exp(logQuantile)
}

// GammaQuantileUpper returns x with P(X > x) = q; see GammaQuantile. It keeps
// its digits where q is tiny.
func GammaQuantileUpper(q, shape float64) float64 {
	switch {
	case math.IsNaN(q) || q < 0 || q > 1 || !(shape > 0):
		return math.NaN()
	case q == 0:
		return math.Inf(1)
	case q == 1:
		return 0
	}
	return math.Exp(logConcaveRootTail(q, false, math.Log(shape), func(u float64) (lower, upper, density float64) {
		x := math.Exp(u)
		lower, upper = gammaTails(shape, x)
		return lower, upper, poissonRaw(shape, x) * shape
	}))
}

// PoissonPMF returns P(X = k) for Poisson X with the given mean ≥ 0.
func PoissonPMF(k int, mean float64) float64 {
	if mean < 0 || math.IsNaN(mean) {
		return math.NaN()
	}
	if k < 0 {
		return 0
	}
	return poissonRaw(float64(k), mean)
}

// PoissonCDF returns P(X ≤ k) = Q(k+1, mean).
func PoissonCDF(k int, mean float64) float64 {
	if mean < 0 || math.IsNaN(mean) {
		return math.NaN()
	}
	if k < 0 {
		return 0
	}
	_, upper := gammaTails(float64(k)+1, mean)
	return upper
}

// PoissonSF returns P(X > k) = P(k+1, mean).
func PoissonSF(k int, mean float64) float64 {
	if mean < 0 || math.IsNaN(mean) {
		return math.NaN()
	}
	if k < 0 {
		return 1
	}
	lower, _ := gammaTails(float64(k)+1, mean)
	return lower
}
