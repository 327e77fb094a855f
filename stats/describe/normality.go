package describe

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/rank"
)

// ShapiroWilk tests whether x comes from a normal distribution. Stat is W, the
// squared correlation of the ordered sample with approximate normal scores,
// near 1 for normal data; P is that of Royston's normalising transformation,
// exact for n = 3. It takes 3 to 5000 observations. Errors: stats.ErrTooFew,
// more than 5000 (*stats.ArgumentError), stats.ErrNoVariance.
//
// With many observations it finds deviations too small to matter, with few it
// misses large ones: look at the data too.
//
// Royston, Appl Stat 1995;44:547–551 (algorithm AS R94); Shapiro & Wilk,
// Biometrika 1965;52:591–611.
func ShapiroWilk(x []float64) (stats.Result, error) {
	const method = "Shapiro–Wilk, Royston 1995"
	if err := stats.CheckSample(method, x, 3); err != nil {
		return stats.Result{}, err
	}
	if len(x) > 5000 {
		return stats.Result{}, &stats.ArgumentError{Name: method + ": number of observations", Got: len(x), Want: "5000 or fewer"}
	}
	sorted := rank.Sorted(x)
	spread := sorted[len(sorted)-1] - sorted[0]
	if spread == 0 {
		return stats.Result{}, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	_, deviations := centre(sorted)
	n := len(x)
	weights := shapiroWeights(n)
	var sumWeights, sumSquares, cross float64
	for i, d := range deviations {
		u := d / spread
		w := 0.0
		if j := n - 1 - i; i < j {
			w = -weights[i]
		} else if j < i {
			w = weights[j]
		}
		sumWeights += w * w
		sumSquares += u * u
		cross += w * u
	}
	// 1 − W without cancellation where W is close to 1.
	norm := math.Sqrt(sumWeights * sumSquares)
	rest := (norm - cross) * (norm + cross) / (sumWeights * sumSquares)
	r := stats.NewResult(method, n)
	r.Stat = 1 - rest
	r.P = shapiroP(rest, n)
	return r, nil
}

// shapiroWeights returns the weights of the lower half of the ordered sample,
// with the opposite sign.
func shapiroWeights(n int) []float64 {
	half := n / 2
	if n == 3 {
		return []float64{math.Sqrt(0.5)}
	}
	scores := make([]float64, half)
	total := 0.0
	for i := range scores {
		scores[i] = dist.NormalQuantile((float64(i+1) - 0.375) / (float64(n) + 0.25))
		total += 2 * scores[i] * scores[i]
	}
	rootTotal := math.Sqrt(total)
	u := 1 / math.Sqrt(float64(n))
	weights := make([]float64, half)
	weights[0] = polynomial(u, 0, 0.221157, -0.147981, -2.07119, 4.434685, -2.706056) - scores[0]/rootTotal
	from := 1
	rest := total - 2*scores[0]*scores[0]
	share := 1 - 2*weights[0]*weights[0]
	if n > 5 {
		weights[1] = polynomial(u, 0, 0.042981, -0.293762, -1.752461, 5.682633, -3.582633) - scores[1]/rootTotal
		from = 2
		rest -= 2 * scores[1] * scores[1]
		share -= 2 * weights[1] * weights[1]
	}
	scale := math.Sqrt(rest / share)
	for i := from; i < half; i++ {
		weights[i] = -scores[i] / scale
	}
	return weights
}

// shapiroP returns the p value of W = 1 − rest.
func shapiroP(rest float64, n int) float64 {
	size := float64(n)
	if n == 3 {
		p := 6 / math.Pi * (math.Asin(math.Sqrt(1-rest)) - math.Asin(math.Sqrt(0.75)))
		return math.Max(0, p)
	}
	y := math.Log(rest)
	var mean, sd float64
	if n <= 11 {
		bound := polynomial(size, -2.273, 0.459)
		if y >= bound {
			return 1e-99 // smaller than the approximation can tell
		}
		y = -math.Log(bound - y)
		mean = polynomial(size, 0.544, -0.39978, 0.025054, -6.714e-4)
		sd = math.Exp(polynomial(size, 1.3822, -0.77857, 0.062767, -0.0020322))
	} else {
		logN := math.Log(size)
		mean = polynomial(logN, -1.5861, -0.31082, -0.083751, 0.0038915)
		sd = math.Exp(polynomial(logN, -0.4803, -0.082676, 0.0030302))
	}
	return dist.NormalSF((y - mean) / sd)
}

// polynomial returns c₀ + c₁x + c₂x² + …
func polynomial(x float64, coefficients ...float64) float64 {
	total := 0.0
	for i := len(coefficients) - 1; i >= 0; i-- {
		total = total*x + coefficients[i]
	}
	return total
}
