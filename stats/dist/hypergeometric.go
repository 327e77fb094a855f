package dist

import "math"

// HypergeometricPMF returns the probability of k white balls among draws taken
// without replacement from an urn of m white and n black ones.
func HypergeometricPMF(k, m, n, draws int) float64 {
	if m < 0 || n < 0 || draws < 0 || draws > m+n {
		return math.NaN()
	}
	low, high := HypergeometricSupport(m, n, draws)
	if k < low || k > high {
		return 0
	}
	if draws == 0 || draws == m+n {
		return 1
	}
	total := float64(m + n)
	p, q := float64(draws)/total, float64(m+n-draws)/total
	return binomialRaw(float64(k), float64(m), p, q) *
		binomialRaw(float64(draws-k), float64(n), p, q) /
		binomialRaw(float64(draws), total, p, q)
}

// HypergeometricSupport returns the smallest and largest possible count of
// white balls; see HypergeometricPMF.
func HypergeometricSupport(m, n, draws int) (low, high int) {
	return max(0, draws-n), min(draws, m)
}

// HypergeometricCDF returns the probability of at most k white balls.
func HypergeometricCDF(k, m, n, draws int) float64 {
	lower, _ := hypergeometricTails(k, m, n, draws)
	return lower
}

// HypergeometricSF returns the probability of more than k white balls.
func HypergeometricSF(k, m, n, draws int) float64 {
	_, upper := hypergeometricTails(k, m, n, draws)
	return upper
}

func hypergeometricTails(k, m, n, draws int) (lower, upper float64) {
	if m < 0 || n < 0 || draws < 0 || draws > m+n {
		return math.NaN(), math.NaN()
	}
	low, high := HypergeometricSupport(m, n, draws)
	switch {
	case k < low:
		return 0, 1
	case k >= high:
		return 1, 0
	}
	if float64(k)*float64(m+n) <= float64(draws)*float64(m) {
		lower = hypergeometricSum(k, low, -1, m, n, draws)
		return lower, 1 - lower
	}
	upper = hypergeometricSum(k+1, high, 1, m, n, draws)
	return 1 - upper, upper
}

// hypergeometricSum adds the probabilities from k outwards to the end of the
// support, each from its neighbour, stopping where they no longer count.
func hypergeometricSum(k, end, direction, m, n, draws int) float64 {
	first := HypergeometricPMF(k, m, n, draws)
	sum, term := 1.0, 1.0
	for i := k; i != end; i += direction {
		if direction < 0 { // from i to i−1
			term *= float64(i) * float64(n-draws+i) / (float64(m-i+1) * float64(draws-i+1))
		} else { // from i to i+1
			term *= float64(m-i) * float64(draws-i) / (float64(i+1) * float64(n-draws+i+1))
		}
		sum += term
		if term < machineEpsilon*sum {
			break
		}
	}
	return first * sum
}
