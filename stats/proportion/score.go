package proportion

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
)

// DifferenceMiettinenNurminen returns the score interval for p₁ − p₂: the
// differences D that the score statistic
//
//	z(D) = (p₁ − p₂ − D) / √(V(D)·N/(N−1)),  V = p̃₁(1−p̃₁)/n₁ + p̃₂(1−p̃₂)/n₂
//
// does not reject, where p̃₁ = p̃₂ + D maximise the likelihood and N = n₁ + n₂.
// Limits lie in [−1, 1].
//
// The errors are those of DifferenceNewcombe.
//
// Miettinen & Nurminen, Stat Med 1985;4:213–226.
func DifferenceMiettinenNurminen(a, b Count, level float64) (stats.Interval, error) {
	return scoreDifferenceLimits("Miettinen–Nurminen score", a, b, level, true)
}

// DifferenceMee is DifferenceMiettinenNurminen without the factor N/(N−1).
//
// Mee, Biometrics 1984;40:1175–1176. Method 6 of Newcombe, Stat Med
// 1998;17:873–890.
func DifferenceMee(a, b Count, level float64) (stats.Interval, error) {
	return scoreDifferenceLimits("Mee score", a, b, level, false)
}

func scoreDifferenceLimits(method string, a, b Count, level float64, unbiased bool) (stats.Interval, error) {
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Interval{}, err
	}
	z, d := twoSidedZ(level), a.Proportion()-b.Proportion()
	iv := stats.Interval{Estimate: d, Lower: -1, Upper: 1, Level: level, Method: method}
	if d > -1 {
		iv.Lower = root.Bisect(func(D float64) float64 { return scoreDifference(a, b, D, unbiased) - z }, -1, d)
	}
	if d < 1 {
		iv.Upper = root.Bisect(func(D float64) float64 { return scoreDifference(a, b, D, unbiased) + z }, d, 1)
	}
	return iv, nil
}

// scoreDifference is the score statistic of p₁ − p₂ = D, infinite when the
// restricted estimates leave no variance and the data contradict D.
func scoreDifference(a, b Count, D float64, unbiased bool) float64 {
	n, m := float64(a.N), float64(b.N)
	q := restrictedSecond(a, b, D)
	p := clamp(q + D)
	v := p*(1-p)/n + q*(1-q)/m
	if unbiased {
		v *= (n + m) / (n + m - 1)
	}
	return overRoot(a.Proportion()-b.Proportion()-D, v)
}

// overRoot is e/√v, where no variance makes any distance infinite and none 0.
func overRoot(e, v float64) float64 {
	switch {
	case v > 0:
		return e / math.Sqrt(v)
	case math.Abs(e) < 1e-15:
		return 0
	default:
		return math.Copysign(math.Inf(1), e)
	}
}

// restrictedSecond is the p₂ that maximises the likelihood under p₁ = p₂ + D.
// The log likelihood is concave, so its derivative crosses 0 once or the
// maximum is at an end; that is steadier than the trigonometric root of the
// cubic, which loses half the digits when two roots meet.
func restrictedSecond(a, b Count, D float64) float64 {
	x, y := float64(a.Events), float64(b.Events)
	f, g := float64(a.N)-x, float64(b.N)-y
	per := func(count, share float64) float64 {
		if count == 0 {
			return 0
		}
		return count / max(0, share) // a share that rounding took below 0 is 0
	}
	slope := func(q float64) float64 { return per(y, q) - per(g, 1-q) + per(x, q+D) - per(f, 1-q-D) }
	lo, hi := max(0, -D), min(1, 1-D)
	if !(lo < hi) || !(slope(lo) > 0) {
		return lo
	}
	if !(slope(hi) < 0) {
		return hi
	}
	return root.Bisect(slope, lo, hi)
}

// NonInferiority tests H₀: p₁ − p₂ ≤ −margin against p₁ − p₂ > −margin, where
// the event is a good outcome and the margin, above 0, is the loss that would
// be acceptable. Stat is the score statistic of −margin, its variance taken
// under the restriction; P is one-sided; the limits are Miettinen–Nurminen's.
// Non-inferiority is shown at one-sided α when Interval.Lower at level 1 − 2α
// exceeds −margin.
//
// For an outcome that is bad, give the complements of the counts.
//
// Farrington & Manning, Stat Med 1990;9:1447–1454.
func NonInferiority(a, b Count, margin, level float64) (stats.Result, error) {
	const method = "non-inferiority of a proportion, Farrington–Manning"
	r, err := nonInferiority(method, a, b, margin, level)
	if err != nil {
		return stats.Result{}, err
	}
	r.Stat = scoreDifference(a, b, -margin, false)
	r.P = dist.NormalSF(r.Stat)
	r.Interval, err = DifferenceMiettinenNurminen(a, b, level)
	return r, err
}

// NonInferiorityWald is NonInferiority with the unrestricted variance, which
// is 0, and Stat infinite, when both proportions are 0 or 1.
func NonInferiorityWald(a, b Count, margin, level float64) (stats.Result, error) {
	const method = "non-inferiority of a proportion, Wald"
	r, err := nonInferiority(method, a, b, margin, level)
	if err != nil {
		return stats.Result{}, err
	}
	p, q := a.Proportion(), b.Proportion()
	r.Stat = overRoot(p-q+margin, p*(1-p)/float64(a.N)+q*(1-q)/float64(b.N))
	r.P = dist.NormalSF(r.Stat)
	if math.IsInf(r.Stat, 0) {
		r.P = certain(r.Stat < 0)
		r.Note("both proportions are 0 or 1, so the estimated variance is 0 and the test says nothing about chance")
	}
	r.Interval, err = DifferenceWald(a, b, level)
	return r, err
}

func nonInferiority(method string, a, b Count, margin, level float64) (stats.Result, error) {
	if err := checkTwo(method, a, b, level); err != nil {
		return stats.Result{}, err
	}
	if !(margin > 0 && margin < 1) {
		return stats.Result{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "margin", Got: margin, Want: "above 0 and below 1, as a difference of proportions"})
	}
	r := stats.NewResult(method, a.N+b.N)
	r.Alt, r.Estimate = stats.Greater, a.Proportion()-b.Proportion()
	return r, nil
}
