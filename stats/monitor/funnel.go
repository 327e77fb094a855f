// Package monitor watches a rate over units or over time: funnel limits,
// log-likelihood CUSUM charts with a limit from a stated run length, and the
// rules of run charts. What it calls a signal asks for a review; it is no
// verdict on anybody.
package monitor

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/proportion"
)

// Limit is one limit of a funnel plot at one size.
type Limit struct {
	N           int
	Probability float64 // the tail's cumulative probability: 0.025 for the lower 95 % limit
	Value       float64 // exact binomial limit with interpolation, a proportion in [0, 1]
	Quantile    int     // the smallest count whose cumulative probability reaches Probability
	Normal      float64 // target + Φ⁻¹(Probability)·√(target(1−target)/N), unclipped
}

// FunnelLimit returns the limit at which a unit of n observations with true
// proportion target falls with the given cumulative probability. With r the
// smallest count whose F(r) reaches the probability, it is
//
//	(r − (F(r) − probability)/(F(r) − F(r−1))) / n
//
// held within [0, 1]. The interpolation makes the funnel smooth in n.
//
// The error is stats.ErrNoData if n is 0; a target or a probability outside
// (0, 1) is an error too.
//
// Spiegelhalter, Stat Med 2005;24:1185–1202, appendix A.1.1.
func FunnelLimit(n int, target, probability float64) (Limit, error) {
	const method = "funnel limit"
	if n <= 0 {
		return Limit{}, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	if err := checkShare(method, "target", target); err != nil {
		return Limit{}, err
	}
	if err := checkShare(method, "probability", probability); err != nil {
		return Limit{}, err
	}
	r := dist.BinomialQuantile(probability, n, target)
	over := (dist.BinomialCDF(r, n, target) - probability) / dist.BinomialPMF(r, n, target)
	size := float64(n)
	return Limit{
		N: n, Probability: probability, Quantile: r,
		Value:  min(1, max(0, (float64(r)-over)/size)),
		Normal: target + dist.NormalQuantile(probability)*math.Sqrt(target*(1-target)/size),
	}, nil
}

// Band returns the lower and upper limits that a unit on target leaves with
// probability 1 − level: 0.95 and 0.998 are the usual pair.
func Band(n int, target, level float64) (lower, upper Limit, err error) {
	if err := stats.CheckLevel(level); err != nil {
		return Limit{}, Limit{}, err
	}
	tail := (1 - level) / 2
	if lower, err = FunnelLimit(n, target, tail); err != nil {
		return Limit{}, Limit{}, err
	}
	upper, err = FunnelLimit(n, target, 1-tail)
	return lower, upper, err
}

// Unit is how one unit (centre, surgeon) compares with the target.
type Unit struct {
	proportion.Count
	Z              float64 // (p − target)/√(target(1−target)/n)
	ZArcsine       float64 // 2√n·(asin √p − asin √target)
	ZOverdispersed float64 // (p − target)/√(target(1−target)/n + τ²)
	PExact         float64 // twice the smaller binomial tail, at most 1
	PMid           float64 // the same with the observed count counted half
}

// Units is a funnel's worth of units. Phi is the mean square of Z: above 1 the
// units vary more than chance alone would have them. Tau2 is the variance
// between units that would account for the excess, by moments and not
// winsorised; 0 when there is none.
type Units struct {
	Target    float64
	Phi, Tau2 float64
	Units     []Unit
}

// Pooled returns the proportion over all units, the usual target.
func Pooled(units []proportion.Count) (float64, error) {
	const method = "pooled proportion"
	events, n := 0, 0
	for i, u := range units {
		if err := checkUnit(method, i, u); err != nil {
			return 0, err
		}
		events += u.Events
		n += u.N
	}
	if n == 0 {
		return 0, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	return float64(events) / float64(n), nil
}

// NewUnits compares each unit with the target.
//
// The error is stats.ErrNoData without units or for an empty one,
// stats.ErrNoEvents for a target of 0, stats.ErrNoVariance for one of 1, or one
// outside [0, 1] in words.
//
// Spiegelhalter, Stat Med 2005;24:1185–1202; additive over-dispersion after
// DerSimonian & Laird, Control Clin Trials 1986;7:177–188.
func NewUnits(units []proportion.Count, target float64) (Units, error) {
	const method = "funnel"
	if len(units) == 0 {
		return Units{}, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	switch target {
	case 0:
		return Units{}, fmt.Errorf("%s: %w", method, stats.ErrNoEvents)
	case 1:
		return Units{}, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	if err := checkShare(method, "target", target); err != nil {
		return Units{}, err
	}
	out := Units{Target: target}
	squares, weights, squaredWeights := 0.0, 0.0, 0.0
	variance := target * (1 - target)
	for i, c := range units {
		if err := checkUnit(method, i, c); err != nil {
			return Units{}, err
		}
		n, p := float64(c.N), c.Proportion()
		below, above := dist.BinomialCDF(c.Events, c.N, target), dist.BinomialSF(c.Events-1, c.N, target)
		half := dist.BinomialPMF(c.Events, c.N, target) / 2
		u := Unit{
			Count:    c,
			Z:        (p - target) / math.Sqrt(variance/n),
			ZArcsine: 2 * math.Sqrt(n) * (math.Asin(math.Sqrt(p)) - math.Asin(math.Sqrt(target))),
			PExact:   min(1, 2*min(below, above)),
			PMid:     min(1, 2*min(below-half, above-half)),
		}
		out.Units = append(out.Units, u)
		squares += u.Z * u.Z
		w := n / variance
		weights += w
		squaredWeights += w * w
	}
	k := float64(len(units))
	out.Phi = squares / k
	if spare := weights - squaredWeights/weights; spare > 0 {
		out.Tau2 = max(0, (squares-(k-1))/spare)
	}
	for i := range out.Units {
		u := &out.Units[i]
		u.ZOverdispersed = (u.Proportion() - target) / math.Sqrt(variance/float64(u.N)+out.Tau2)
	}
	return out, nil
}

func checkUnit(method string, i int, c proportion.Count) error {
	if c.N <= 0 {
		return fmt.Errorf("unit %d: %w", i+1, &stats.TooFewError{Method: method, Got: 0, Need: 1})
	}
	if c.Events < 0 || c.Events > c.N {
		return fmt.Errorf("%s: unit %d: %w", method, i+1, &stats.ArgumentError{Name: "events", Got: c.Events, Want: fmt.Sprintf("between 0 and n = %d", c.N)})
	}
	return nil
}

func checkShare(method, name string, v float64) error {
	if !(v > 0 && v < 1) {
		return fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: name, Got: v, Want: "strictly between 0 and 1"})
	}
	return nil
}
