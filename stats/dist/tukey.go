package dist

import (
	"math"

	"keratally/stats/root"
)

// TukeySF returns P(Q > q) for the studentised range Q of groups independent
// normal means, the variance being estimated on df degrees of freedom
// (infinite: known). It needs at least two groups. At least 10 digits, in the
// tail as elsewhere.
//
//	P(Q > q) = E[1 − W(q·S)],  1 − W(w) = k·∫φ(z)·{Φ(z)^(k−1) − [Φ(z)−Φ(z−w)]^(k−1)} dz
//
// with S = √(χ²/df) and k the number of groups.
func TukeySF(q float64, groups int, df float64) float64 {
	switch {
	case math.IsNaN(q) || groups < 2 || !(df > 0):
		return math.NaN()
	case q <= 0:
		return 1
	case math.IsInf(q, 1):
		return 0
	}
	r := newRangeTail(groups)
	if math.IsInf(df, 1) {
		return r.above(q)
	}
	return math.Min(1, overChi(df, 2, func(s float64) float64 { return r.above(q * s) }))
}

// TukeyCDF returns P(Q ≤ q); see TukeySF.
func TukeyCDF(q float64, groups int, df float64) float64 { return 1 - TukeySF(q, groups, df) }

// TukeyQuantile returns q with P(Q ≤ q) = p, to about 10 digits.
func TukeyQuantile(p float64, groups int, df float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1 || groups < 2 || !(df > 0):
		return math.NaN()
	case p == 0:
		return 0
	case p == 1:
		return math.Inf(1)
	}
	// The two-group quantile is a lower bound; widen upwards, then
	// interpolate log SF against log q.
	target := math.Log1p(-p)
	f := func(u float64) float64 { return math.Log(TukeySF(math.Exp(u), groups, df)) - target }
	a := math.Log(math.Max(math.Sqrt2*TQuantile((1+p)/2, df), 1e-8)) - 1e-6
	fa := f(a)
	b, fb := a, fa
	for fb > 0 {
		a, fa = b, fb
		b += 0.25
		fb = f(b)
	}
	return math.Exp(root.Brent(f, a, b, fa, fb, 1e-12))
}

// rangeTail holds what P(range > w) of k standard normals needs at each point
// of a fixed grid over z.
type rangeTail struct {
	power   float64   // k − 1
	z       []float64 // grid
	phi     []float64 // Φ(z)
	weight  []float64 // k·h·φ(z)·Φ(z)^(k−1)
	spacing float64
}

func newRangeTail(groups int) *rangeTail {
	// φ·Φ^(k−1) is as smooth as a normal density; the spacing gives the
	// trapezoidal rule an error far below rounding. Ranges up to 24 peak inside.
	const low, high, spacing = -9.0, 20.0, 0.3
	r := &rangeTail{power: float64(groups - 1), spacing: spacing}
	for z := low; z <= high; z += spacing {
		phi := NormalCDF(z)
		weight := float64(groups) * spacing * NormalPDF(z) * math.Pow(phi, r.power)
		if weight < 1e-40 && z < 0 {
			continue
		}
		r.z = append(r.z, z)
		r.phi = append(r.phi, phi)
		r.weight = append(r.weight, weight)
	}
	return r
}

// anyBeyond returns 1 − (1 − p)^(k−1), without cancellation.
func (r *rangeTail) anyBeyond(p float64) float64 {
	if r.power > 12 {
		return -math.Expm1(r.power * math.Log1p(-p))
	}
	total := 0.0 // p·Σ (1−p)^j
	for range int(r.power) {
		total = total*(1-p) + p
	}
	return total
}

// above returns P(range > w).
func (r *rangeTail) above(w float64) float64 {
	sum := 0.0
	for i, z := range r.z {
		if z > 5 && r.weight[i] < 1e-19*sum {
			break // the weights fall faster and faster
		}
		beyond := NormalSF(w-z) / r.phi[i] // Φ(z−w)/Φ(z)
		if beyond >= 1 {
			sum += r.weight[i]
			continue
		}
		sum += r.weight[i] * r.anyBeyond(beyond)
	}
	return sum
}
