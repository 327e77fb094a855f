package pool

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// Published is a group as a paper reports it.
type Published struct {
	N        int
	Mean, SD float64
}

// SDFromCI returns the SD of n observations whose mean was published with t
// limits of the given level: √n·(upper − lower)/(2·t(n−1)).
func SDFromCI(n int, lower, upper, level float64) (float64, error) {
	if err := stats.CheckLevel(level); err != nil {
		return 0, err
	}
	if n < 2 {
		return 0, &stats.TooFewError{Method: "SD from a confidence interval", Got: n, Need: 2}
	}
	if !(lower < upper) || math.IsInf(upper-lower, 1) {
		return 0, &stats.ArgumentError{Name: "confidence limits", Got: [2]float64{lower, upper}, Want: "finite, the lower one first"}
	}
	return math.Sqrt(float64(n)) * (upper - lower) / 2 / dist.TQuantile((1+level)/2, float64(n-1)), nil
}

// Welch compares two groups known by their summaries: the difference x − y of
// the means with Welch–Satterthwaite degrees of freedom, as the Welch t test
// on the observations would give. It assumes independent observations.
// Errors: fewer than 2 in a group, an SD below zero, stats.ErrNoVariance when
// both SDs are zero.
//
// Welch, Biometrika 1947;34:28–35.
func Welch(x, y Published, alternative stats.Alternative, level float64) (stats.Result, error) {
	const method = "Welch t test from summaries"
	if err := checkPublished(method, x, y, level); err != nil {
		return stats.Result{}, err
	}
	vx, vy := x.SD*x.SD/float64(x.N), y.SD*y.SD/float64(y.N)
	df := (vx + vy) * (vx + vy) / (vx*vx/float64(x.N-1) + vy*vy/float64(y.N-1))
	return twoMeans(method, x, y, math.Sqrt(vx+vy), df, alternative, level)
}

// Student is Welch with a common variance, on n₁ + n₂ − 2 degrees of freedom.
func Student(x, y Published, alternative stats.Alternative, level float64) (stats.Result, error) {
	const method = "Student t test from summaries"
	if err := checkPublished(method, x, y, level); err != nil {
		return stats.Result{}, err
	}
	df := float64(x.N + y.N - 2)
	common := (float64(x.N-1)*x.SD*x.SD + float64(y.N-1)*y.SD*y.SD) / df
	se := math.Sqrt(common * (1/float64(x.N) + 1/float64(y.N)))
	return twoMeans(method, x, y, se, df, alternative, level)
}

func checkPublished(method string, x, y Published, level float64) error {
	if err := stats.CheckLevel(level); err != nil {
		return err
	}
	for _, group := range [...]Published{x, y} {
		if group.N < 2 {
			return &stats.TooFewError{Method: method, Got: group.N, Need: 2}
		}
		if err := stats.CheckSample(method, []float64{group.Mean, group.SD}, 0); err != nil {
			return err
		}
		if group.SD < 0 {
			return &stats.ArgumentError{Name: "standard deviation", Got: group.SD, Want: "zero or more"}
		}
	}
	if x.SD == 0 && y.SD == 0 {
		return fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	return nil
}

func twoMeans(method string, x, y Published, se, df float64, alternative stats.Alternative, level float64) (stats.Result, error) {
	r := stats.NewResult(method, x.N+y.N)
	r.Estimate = x.Mean - y.Mean
	r.SE, r.DF, r.Alt = se, df, alternative
	r.Stat = r.Estimate / se
	r.P = dist.PT(r.Stat, df, alternative)
	r.Interval = stats.Interval{Estimate: r.Estimate, Lower: math.Inf(-1), Upper: math.Inf(1), Level: level, Method: "t"}
	switch alternative {
	case stats.Less:
		r.Interval.Upper = r.Estimate + dist.TQuantile(level, df)*se
	case stats.Greater:
		r.Interval.Lower = r.Estimate - dist.TQuantile(level, df)*se
	default:
		half := dist.TQuantile((1+level)/2, df) * se
		r.Interval.Lower, r.Interval.Upper = r.Estimate-half, r.Estimate+half
	}
	return r, nil
}
