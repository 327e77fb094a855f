package dist

import "math"

// betaTails returns the regularised incomplete beta function I_x(a, b) and its
// complement I_y(b, a), where y = 1 − x is given so that neither loses digits.
// Each is computed from its own continued fraction wherever it is small.
func betaTails(x, y, a, b float64) (lower, upper float64) {
	switch {
	case math.IsNaN(x) || math.IsNaN(y) || !(a > 0) || !(b > 0):
		return math.NaN(), math.NaN()
	case x <= 0:
		return 0, 1
	case y <= 0:
		return 1, 0
	}
	if x*(a+b+2) < a+1 {
		lower = betaFraction(x, y, a, b)
		if lower > 0.9 {
			upper = betaFraction(y, x, b, a)
		} else {
			upper = 1 - lower
		}
		return lower, upper
	}
	upper = betaFraction(y, x, b, a)
	if upper > 0.9 {
		lower = betaFraction(x, y, a, b)
	} else {
		lower = 1 - upper
	}
	return lower, upper
}

// betaFraction is I_x(a, b) by its continued fraction (DLMF 8.17.22),
// evaluated with the modified Lentz method.
func betaFraction(x, y, a, b float64) float64 {
	c := 1.0
	first := a + 1 - (a+b)*x
	if x > 0.5 { // the same without cancellation
		first = 1 - b + (a+b)*y
	}
	d := (a + 1) / nonZero(first)
	h := d
	for m := 1.0; m < largestIteration; m++ {
		even := m * (b - m) * x / ((a + 2*m - 1) * (a + 2*m))
		d = 1 / nonZero(1+even*d)
		c = nonZero(1 + even/c)
		h *= d * c
		odd := -(a + m) * (a + b + m) * x / ((a + 2*m) * (a + 2*m + 1))
		d = 1 / nonZero(1+odd*d)
		c = nonZero(1 + odd/c)
		delta := d * c
		h *= delta
		if math.Abs(delta-1) < 2*machineEpsilon {
			break
		}
	}
	return binomialRaw(a, a+b, x, y) * b / (a + b) * h
}

// BetaCDF returns P(X ≤ x) for beta X with shapes a, b > 0.
func BetaCDF(x, a, b float64) float64 {
	lower, _ := betaTails(x, 1-x, a, b)
	return lower
}

// BetaSF returns P(X > x); see BetaCDF.
func BetaSF(x, a, b float64) float64 {
	_, upper := betaTails(x, 1-x, a, b)
	return upper
}

// BetaQuantile returns x with P(X ≤ x) = p for beta X with shapes a, b > 0.
func BetaQuantile(p, a, b float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1 || !(a > 0) || !(b > 0):
		return math.NaN()
	case p == 0:
		return 0
	case p == 1:
		return 1
	case p <= 0.5:
		return logistic(betaLogit(p, true, a, b))
	default:
		return logistic(betaLogit(1-p, false, a, b))
	}
}

// BetaQuantileUpper returns x with P(X > x) = q, with full digits for tiny q.
func BetaQuantileUpper(q, a, b float64) float64 {
	switch {
	case math.IsNaN(q) || q < 0 || q > 1 || !(a > 0) || !(b > 0):
		return math.NaN()
	case q == 0:
		return 1
	case q == 1:
		return 0
	}
	return logistic(betaLogit(q, false, a, b))
}

// betaLogit returns log(x/(1−x)) where the lower (or upper) tail of the beta
// distribution at x is p. On that scale the density is log-concave and both x
// and 1 − x keep their digits.
func betaLogit(p float64, lowerTail bool, a, b float64) float64 {
	return logConcaveRootTail(p, lowerTail, math.Log(a/b), func(u float64) (lower, upper, density float64) {
		x, y := logistic(u), logistic(-u)
		lower, upper = betaTails(x, y, a, b)
		return lower, upper, binomialRaw(a, a+b, x, y) * a * b / (a + b)
	})
}

func logistic(u float64) float64 {
	if u < 0 {
		e := math.Exp(u)
		return e / (1 + e)
	}
	return 1 / (1 + math.Exp(-u))
}

// FCDF returns P(X ≤ x) for F distributed X with d1 and d2 degrees of freedom,
// fractional or infinite ones included.
func FCDF(x, d1, d2 float64) float64 {
	lower, _ := fTails(x, d1, d2)
	return lower
}

// FSF returns P(X > x); see FCDF.
func FSF(x, d1, d2 float64) float64 {
	_, upper := fTails(x, d1, d2)
	return upper
}

func fTails(x, d1, d2 float64) (lower, upper float64) {
	switch {
	case math.IsNaN(x) || !(d1 > 0) || !(d2 > 0):
		return math.NaN(), math.NaN()
	case x <= 0:
		return 0, 1
	case math.IsInf(x, 1):
		return 1, 0
	case math.IsInf(d1, 1) && math.IsInf(d2, 1):
		return indicator(x >= 1), indicator(x < 1)
	case math.IsInf(d2, 1):
		return gammaTails(d1/2, x*d1/2)
	case math.IsInf(d1, 1):
		lower, upper = gammaTails(d2/2, d2/x/2)
		return upper, lower
	}
	return betaTails(1/(1+d2/(d1*x)), 1/(1+d1*x/d2), d1/2, d2/2)
}

// FQuantile returns x with P(X ≤ x) = p.
func FQuantile(p, d1, d2 float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1 || !(d1 > 0) || !(d2 > 0):
		return math.NaN()
	case p == 0:
		return 0
	case p == 1:
		return math.Inf(1)
	case math.IsInf(d1, 1) && math.IsInf(d2, 1):
		return 1
	case math.IsInf(d2, 1):
		return ChiSquaredQuantile(p, d1) / d1
	case math.IsInf(d1, 1):
		return d2 / (2 * GammaQuantileUpper(p, d2/2))
	case p <= 0.5:
		return math.Exp(betaLogit(p, true, d1/2, d2/2)) * d2 / d1
	default:
		return math.Exp(betaLogit(1-p, false, d1/2, d2/2)) * d2 / d1
	}
}

// FQuantileUpper returns x with P(X > x) = q, with full digits for tiny q.
func FQuantileUpper(q, d1, d2 float64) float64 {
	switch {
	case math.IsInf(d1, 1) && math.IsInf(d2, 1):
		return 1
	case math.IsInf(d2, 1):
		return 2 * GammaQuantileUpper(q, d1/2) / d1
	case q > 0 && q < 1 && d1 > 0 && d2 > 0:
		// X above x is d1, d2 exchanged below 1/x.
		return 1 / FQuantile(q, d2, d1)
	default:
		return FQuantile(1-q, d1, d2)
	}
}

// BinomialPMF returns P(X = k) for X binomial with n trials of probability p.
func BinomialPMF(k, n int, p float64) float64 {
	if n < 0 || !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	if k < 0 || k > n {
		return 0
	}
	return binomialRaw(float64(k), float64(n), p, 1-p)
}

// BinomialCDF returns P(X ≤ k).
func BinomialCDF(k, n int, p float64) float64 {
	switch {
	case n < 0 || !(p >= 0 && p <= 1):
		return math.NaN()
	case k < 0:
		return 0
	case k >= n:
		return 1
	}
	_, upper := betaTails(p, 1-p, float64(k)+1, float64(n-k))
	return upper
}

// BinomialSF returns P(X > k).
func BinomialSF(k, n int, p float64) float64 {
	switch {
	case n < 0 || !(p >= 0 && p <= 1):
		return math.NaN()
	case k < 0:
		return 1
	case k >= n:
		return 0
	}
	lower, _ := betaTails(p, 1-p, float64(k)+1, float64(n-k))
	return lower
}

// BinomialQuantile returns the smallest k with P(X ≤ k) ≥ prob.
func BinomialQuantile(prob float64, n int, p float64) int {
	return discreteQuantile(prob, 0, n, func(k int) float64 { return BinomialCDF(k, n, p) })
}

// discreteQuantile returns the smallest k in [low, high] with cdf(k) ≥ p, by
// bisection; a relative slack of 64 rounding errors keeps an exact
// probability such as 1/2 from being missed.
func discreteQuantile(p float64, low, high int, cdf func(int) float64) int {
	want := p * (1 - 64*2*machineEpsilon)
	for low < high {
		mid := low + (high-low)/2
		if cdf(mid) >= want {
			high = mid
		} else {
			low = mid + 1
		}
	}
	return low
}
