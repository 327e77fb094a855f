// Package root finds where a monotone function crosses zero, which is how
// score limits, mid-p limits and conditional odds ratios are defined.
package root

// maxHalvings bounds the search: a double holds 2098 halvings of an interval
// that ends at zero, and no search here needs a tenth of them.
const maxHalvings = 400

// Bisect returns the point between lo and hi where f changes sign, to the last
// bit that halving can decide. f need not be continuous: a step that jumps over
// zero is found as exactly as a root. When f has one sign throughout, the
// answer is the end at which f is nearer to changing it: hi if f(hi) has the
// sign of f(lo). An infinite value of f is a sign like any other.
func Bisect(f func(float64) float64, lo, hi float64) float64 {
	below := f(lo) < 0
	for range maxHalvings {
		mid := lo + (hi-lo)/2
		if mid == lo || mid == hi {
			break
		}
		if (f(mid) < 0) == below {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo + (hi-lo)/2
}
