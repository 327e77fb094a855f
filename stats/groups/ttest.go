package groups

import (
	"math"

	"keratally/stats"
	"keratally/stats/wald"
)

// TwoSample is the result of a t test of two groups. Estimate is the difference
// of the means, first minus second, in the units of the data.
type TwoSample struct {
	stats.Result
	First, Second Summary
}

// Welch tests whether the means of x and y differ by mu (usually 0), with
// variances that may differ, and gives limits of their difference:
//
//	t = (x̄ − ȳ − mu)/√(s₁²/m + s₂²/n)
//
// on Satterthwaite's degrees of freedom (a + b)²/(a²/(m−1) + b²/(n−1)),
// a = s₁²/m, b = s₂²/n. A one-sided alternative is about x and gives a
// one-sided limit. It assumes independent observations whose means are close
// to normal.
//
// A sample of fewer than two values is ErrTooFew; samples that are both
// constant, to within the rounding of their means, are ErrNoVariance.
//
// Welch, Biometrika 1947;34:28–35; Satterthwaite, Biometrics Bull 1946;2:110–114.
func Welch(x, y []float64, mu float64, alt stats.Alternative, level float64) (TwoSample, error) {
	if err := checkBoth("Welch t test", x, y, 2); err != nil {
		return TwoSample{}, err
	}
	return WelchFromSummary(Summarise(x), Summarise(y), mu, alt, level)
}

// WelchFromSummary is Welch for samples of which only size, mean and variance
// are known.
func WelchFromSummary(x, y Summary, mu float64, alt stats.Alternative, level float64) (TwoSample, error) {
	const method = "Welch t test"
	for _, s := range []Summary{x, y} {
		if err := s.check(method, 2); err != nil {
			return TwoSample{}, err
		}
	}
	a, b := x.Variance/float64(x.N), y.Variance/float64(y.N)
	// a² and b² of tiny or huge variances would leave the range of doubles.
	share := a / (a + b)
	df := 1 / (share*share/float64(x.N-1) + (1-share)*(1-share)/float64(y.N-1))
	return twoSample(method, "Welch t", x, y, math.Sqrt(a+b), df, mu, alt, level)
}

// Student is Welch for variances taken to be equal: the variance is pooled on
// m + n − 2 degrees of freedom, and one of the samples may be a single value.
//
// Student, Biometrika 1908;6:1–25; Fisher, Metron 1925;5:90–104.
func Student(x, y []float64, mu float64, alt stats.Alternative, level float64) (TwoSample, error) {
	if err := checkBoth("Student t test", x, y, 1); err != nil {
		return TwoSample{}, err
	}
	return StudentFromSummary(Summarise(x), Summarise(y), mu, alt, level)
}

// StudentFromSummary is Student for samples of which only size, mean and
// variance are known.
func StudentFromSummary(x, y Summary, mu float64, alt stats.Alternative, level float64) (TwoSample, error) {
	const method = "Student t test"
	for _, s := range []Summary{x, y} {
		if err := s.check(method, 1); err != nil {
			return TwoSample{}, err
		}
	}
	df := float64(x.N + y.N - 2)
	if df < 1 {
		return TwoSample{}, &stats.TooFewError{Method: method, Got: x.N + y.N, Need: 3}
	}
	pooled := (x.squares() + y.squares()) / df
	se := math.Sqrt(pooled * (1/float64(x.N) + 1/float64(y.N)))
	return twoSample(method, "Student t, pooled variance", x, y, se, df, mu, alt, level)
}

func twoSample(method, printed string, x, y Summary, se, df, mu float64, alt stats.Alternative, level float64) (TwoSample, error) {
	if se <= 10*epsilon*math.Max(math.Abs(x.Mean), math.Abs(y.Mean)) {
		return TwoSample{}, noVariance(method)
	}
	if math.IsNaN(mu) || math.IsInf(mu, 0) {
		return TwoSample{}, &stats.ArgumentError{Name: "difference tested", Got: mu, Want: "a finite number"}
	}
	t := TwoSample{Result: stats.NewResult(printed, x.N+y.N), First: x, Second: y}
	t.Estimate, t.SE = x.Mean-y.Mean, se
	if err := wald.T(&t.Result, mu, df, alt, level); err != nil {
		return TwoSample{}, err
	}
	return t, nil
}

func checkBoth(method string, x, y []float64, need int) error {
	if err := stats.CheckSample(method+", first sample", x, need); err != nil {
		return err
	}
	return stats.CheckSample(method+", second sample", y, need)
}
