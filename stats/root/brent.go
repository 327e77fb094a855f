package root

import "math"

// Brent returns a zero of f between lo and hi, where flo = f(lo) and fhi = f(hi)
// have different signs, to within tolerance and the rounding of doubles. It
// joins inverse quadratic interpolation to bisection, and stops at once where f
// is exactly zero: for a step function that is zero over a whole range, the
// point found depends on the path taken, which is that of the published
// procedure. Prefer Bisect where the path must not matter.
//
// Brent, Algorithms for Minimization without Derivatives, 1973, chapter 4
// (procedure zero); the interpolation is accepted as in the Fortran function
// zeroin of Forsythe, Malcolm & Moler 1977.
func Brent(f func(float64) float64, lo, hi, flo, fhi, tolerance float64) float64 {
	const epsilon, steps = 0x1p-52, 1000
	if flo == 0 {
		return lo
	}
	if fhi == 0 {
		return hi
	}
	// b is the best point so far, a the one before, c on the other side of zero.
	a, b, c := lo, hi, lo
	fa, fb, fc := flo, fhi, flo
	for range steps {
		before := b - a
		if math.Abs(fc) < math.Abs(fb) {
			a, b, c = b, c, b
			fa, fb, fc = fb, fc, fb
		}
		least := 2*epsilon*math.Abs(b) + tolerance/2
		step := (c - b) / 2
		if math.Abs(step) <= least || fb == 0 {
			return b
		}
		if math.Abs(before) >= least && math.Abs(fa) > math.Abs(fb) {
			if p, q := interpolate(a, b, c, fa, fb, fc); p < 0.75*(c-b)*q-math.Abs(least*q)/2 && p < math.Abs(before*q/2) {
				step = p / q
			}
		}
		if math.Abs(step) < least {
			step = math.Copysign(least, step)
		}
		a, fa = b, fb
		b += step
		fb = f(b)
		if (fb > 0) == (fc > 0) && fb != 0 {
			c, fc = a, fa
		}
	}
	return b
}

// interpolate returns the step p/q, p ≥ 0, from b to the zero of the line
// through two points, or of the inverse parabola through three.
func interpolate(a, b, c, fa, fb, fc float64) (p, q float64) {
	s := fb / fa
	if a == c {
		p, q = (c-b)*s, 1-s
	} else {
		r, t := fa/fc, fb/fc
		p = s * ((c-b)*r*(r-t) - (b-a)*(t-1))
		q = (r - 1) * (t - 1) * (s - 1)
	}
	if p > 0 {
		return p, -q
	}
	return -p, q
}
