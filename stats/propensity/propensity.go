// Package propensity compares two treatments that were not assigned at random:
// the probability of treatment given what was known before it, weights made
// from it, the balance they bring, and the weighted difference of outcomes.
//
// No weighting balances what was not recorded. The assumptions are that the
// recorded covariates account for who got which treatment and that every row
// could have had either.
//
// Rosenbaum & Rubin, Biometrika 1983;70:41–55. Li, Morgan & Zaslavsky, J Am Stat
// Assoc 2018;113:390–400 (overlap weights). Austin, Stat Med 2011;46:399–424 is
// the practical guide.
package propensity

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/glm"
)

// Target says for whom the weighted difference is the effect.
type Target int

// The targets, e being the probability of treatment.
const (
	Everyone           Target = iota + 1 // 1/e treated, 1/(1−e) control: average effect over all rows
	EveryoneStabilised                   // the same times the share treated, or its complement: weights average 1
	Treated                              // 1 treated, e/(1−e) control: average effect over those treated
	Overlap                              // 1−e treated, e control: effect over those who could well have had either
)

// String returns, for example, "overlap weights".
func (t Target) String() string {
	switch t {
	case Everyone:
		return "inverse-probability weights"
	case EveryoneStabilised:
		return "stabilised inverse-probability weights"
	case Treated:
		return "weights for the effect on the treated"
	case Overlap:
		return "overlap weights"
	default:
		return fmt.Sprintf("Target(%d)", int(t))
	}
}

// Scores are fitted probabilities of treatment.
type Scores struct {
	Model       *glm.Fit
	Probability []float64 // of treatment, by row
	treated     []bool
}

// Fit fits the probability of treatment by logistic regression on the design
// x, whose first column is the intercept. Errors are those of glm.Logistic
// (stats.ErrSeparation means that some rows could have had one treatment only)
// and stats.ErrOneGroup if all rows were treated or none.
func Fit(treated []bool, x *mat.Dense, terms []string) (*Scores, error) {
	const method = "propensity score"
	y := make([]float64, len(treated))
	count := 0
	for i, t := range treated {
		if t {
			y[i] = 1
			count++
		}
	}
	if n := len(treated); n > 0 && (count == 0 || count == n) {
		return nil, fmt.Errorf("%s: %w", method, stats.ErrOneGroup)
	}
	model, err := glm.Logistic(glm.Data{Y: y, X: x, Terms: terms}, 0.95)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", method, err)
	}
	return &Scores{Model: model, Probability: model.Fitted, treated: treated}, nil
}

// Weights returns the weight of each row for the target. The error is
// *stats.ArgumentError for an unknown target.
func (s *Scores) Weights(target Target) ([]float64, error) {
	share := 0.0
	for _, t := range s.treated {
		if t {
			share += 1 / float64(len(s.treated))
		}
	}
	w := make([]float64, len(s.treated))
	for i, e := range s.Probability {
		treated := s.treated[i]
		switch {
		case target == Everyone && treated:
			w[i] = 1 / e
		case target == Everyone:
			w[i] = 1 / (1 - e)
		case target == EveryoneStabilised && treated:
			w[i] = share / e
		case target == EveryoneStabilised:
			w[i] = (1 - share) / (1 - e)
		case target == Treated && treated:
			w[i] = 1
		case target == Treated:
			w[i] = e / (1 - e)
		case target == Overlap && treated:
			w[i] = 1 - e
		case target == Overlap:
			w[i] = e
		default:
			return nil, fmt.Errorf("propensity weights: %w",
				&stats.ArgumentError{Name: "target", Got: int(target), Want: "one of the named targets"})
		}
	}
	return w, nil
}

// EffectiveSize returns (Σw)²/Σw² of the treated and of the control rows: how
// many equally weighted rows would be as informative. It is NaN where there is
// not a weight for each row.
//
// Kish, Survey Sampling, 1965, 11.7.
func EffectiveSize(treated []bool, w []float64) (treatedSize, controlSize float64) {
	if len(w) != len(treated) {
		return math.NaN(), math.NaN()
	}
	var sum, squares [2]float64
	for i, t := range treated {
		g := 0
		if t {
			g = 1
		}
		sum[g] += w[i]
		squares[g] += w[i] * w[i]
	}
	size := func(g int) float64 {
		if squares[g] == 0 {
			return 0
		}
		return sum[g] * sum[g] / squares[g]
	}
	return size(1), size(0)
}

// Balance is how far apart the groups are in one covariate.
type Balance struct {
	Covariate            string
	TreatedMean, Control float64 // weighted means; shares if Binary
	Difference           float64 // standardised: (TreatedMean − Control)/SD
	SD                   float64 // root mean of the two unweighted group variances; p(1−p) if Binary
	Binary               bool    // the covariate is 0 or 1 in every row
}

// BalanceOf returns the standardised mean difference of each covariate, a
// column of x. Weights nil means unweighted. The denominator is that of the
// unweighted groups in either case, so that weighting shows in the numerator
// alone. Errors: stats.ErrLengths; stats.ErrOneGroup; stats.ErrTooFew for a
// group of one row with a covariate that is not binary; stats.ErrNoVariance for
// a covariate that is constant in each group; stats.ErrNotFinite.
//
// Austin, Stat Med 2009;28:3083–3107.
func BalanceOf(treated []bool, x *mat.Dense, covariates []string, weights []float64) ([]Balance, error) {
	const method = "standardised mean difference"
	if err := checkLengths(method, treated, x, covariates, weights); err != nil {
		return nil, err
	}
	out := make([]Balance, len(covariates))
	for j, name := range covariates {
		column := mat.Col(nil, j, x)
		b, err := balance(treated, column, weights)
		if err != nil {
			return nil, fmt.Errorf("%s of %s: %w", method, name, err)
		}
		b.Covariate = name
		out[j] = b
	}
	return out, nil
}

func checkLengths(method string, treated []bool, x *mat.Dense, covariates []string, weights []float64) error {
	n := len(treated)
	if n == 0 {
		return fmt.Errorf("%s: %w", method, stats.ErrNoData)
	}
	rows, cols := 0, 0
	if x != nil {
		rows, cols = x.Dims()
	}
	if rows != n || cols != len(covariates) || (weights != nil && len(weights) != n) {
		return fmt.Errorf("%s: %d rows, %d covariates, a matrix of %d × %d, %d weights: %w",
			method, n, len(covariates), rows, cols, len(weights), stats.ErrLengths)
	}
	return nil
}

func balance(treated []bool, x, weights []float64) (Balance, error) {
	b := Balance{Binary: true}
	var groups [2]moments
	for i, v := range x {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return b, fmt.Errorf("row %d: %w", i+1, stats.ErrNotFinite)
		}
		b.Binary = b.Binary && (v == 0 || v == 1)
		g, w := 0, 1.0
		if treated[i] {
			g = 1
		}
		if weights != nil {
			w = weights[i]
		}
		if !(w >= 0) || math.IsInf(w, 1) {
			return b, fmt.Errorf("row %d, weight: %w", i+1, &stats.ArgumentError{Name: "weight", Got: w, Want: "a finite number of 0 or more"})
		}
		groups[g].add(v, w)
	}
	if groups[0].n == 0 || groups[1].n == 0 {
		return b, stats.ErrOneGroup
	}
	var variance float64
	for g := range groups {
		m := &groups[g]
		switch {
		case b.Binary:
			p := m.plain
			variance += p * (1 - p) / 2
		case m.n < 2:
			return b, &stats.TooFewError{Method: "variance in a group", Got: m.n, Need: 2}
		default:
			variance += m.deviations / float64(m.n-1) / 2
		}
	}
	if !(variance > 0) {
		return b, stats.ErrNoVariance
	}
	b.SD = math.Sqrt(variance)
	b.TreatedMean, b.Control = groups[1].weighted, groups[0].weighted
	b.Difference = (b.TreatedMean - b.Control) / b.SD
	return b, nil
}

// moments updates mean, weighted mean and squared deviations row by row
// (Welford), which keeps their digits under a large offset.
type moments struct {
	n          int
	plain      float64 // mean
	deviations float64 // Σ (x − mean)²
	weight     float64
	weighted   float64 // Σ w·x/Σ w
}

func (m *moments) add(x, w float64) {
	m.n++
	d := x - m.plain
	m.plain += d / float64(m.n)
	m.deviations += d * (x - m.plain)
	if w > 0 {
		m.weight += w
		m.weighted += (x - m.weighted) * w / m.weight
	}
}
