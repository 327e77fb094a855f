package dist

import "math"

// tailsAt returns P(U ≤ u), P(U > u) and the density of U at u.
type tailsAt func(u float64) (lower, upper, density float64)

// logConcaveRoot returns the p quantile of a variable with a log-concave
// density, from any start. See logConcaveRootTail.
func logConcaveRoot(p, start float64, at tailsAt) float64 {
	if p <= 0.5 {
		return logConcaveRootTail(p, true, start, at)
	}
	return logConcaveRootTail(1-p, false, start, at)
}

// logConcaveRootTail returns u where the lower (or upper) tail equals p, by
// Newton's method on the logarithm of that tail. A log-concave density has
// log-concave tails, so the iteration converges from everywhere: after at most
// one step across the root it approaches from one side.
func logConcaveRootTail(p float64, lowerTail bool, start float64, at tailsAt) float64 {
	u := start
	previous := start
	for range 400 {
		lower, upper, density := at(u)
		tail, sign := lower, 1.0
		if !lowerTail {
			tail, sign = upper, -1
		}
		if tail <= 0 || density <= 0 { // underflow: the step went too far
			if u == previous {
				previous = u + sign*10
			}
			u = (u + previous) / 2
			continue
		}
		off := math.Log(tail / p)
		previous = u
		u -= sign * off * tail / density
		if math.Abs(off) <= 1e-8 { // the step just taken leaves about off²
			break
		}
	}
	return u
}
