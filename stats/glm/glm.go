// Package glm fits generalised linear models with their canonical link by
// maximum likelihood: logistic regression and Poisson regression.
package glm

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
	"keratally/stats/dist"
)

// Family is the distribution of the outcome.
type Family int

// The families, each with its canonical link.
const (
	Binomial Family = iota + 1 // logit link: coefficients are log odds ratios
	Poisson                    // log link: coefficients are log rate ratios
)

// String returns "logistic regression" or "Poisson regression".
func (f Family) String() string {
	if f == Poisson {
		return "Poisson regression"
	}
	return "logistic regression"
}

// Data is an outcome with a row of the design for each value.
type Data struct {
	Y      []float64  // Binomial: 0 or 1, or a proportion of Trials; Poisson: a count
	X      *mat.Dense // one column for each of Terms, the intercept's included
	Terms  []string
	Offset []float64 // added to x·β with coefficient 1, such as log time at risk; nil for 0
	Trials []float64 // Binomial only: the number that Y is a proportion of; nil for 1
}

// Coefficient is one term of a fitted model.
type Coefficient struct {
	Term     string
	Estimate float64        // log odds ratio or log rate ratio
	SE       float64        // from the information matrix, see Fit.Covariance
	Z, P     float64        // Wald test, two-sided
	Wald     stats.Interval // Estimate ± z·SE
	Ratio    stats.Interval // the same on the scale of the odds or rate ratio
}

// Fit is a fitted model.
type Fit struct {
	Method          string
	Family          Family
	N               int
	Level           float64
	Coefficients    []Coefficient
	Covariance      *mat.SymDense // inverse information, with the weights of the last least-squares step
	Deviance        float64       // twice the log likelihood lost against a perfect fit
	NullDeviance    float64       // of the intercept (if the design has one) and offset alone
	DFResidual      int           // rows less terms
	DFNull          int
	LogLik          float64
	AIC             float64
	LikelihoodRatio float64 // NullDeviance − Deviance
	LikelihoodDF    int
	LikelihoodP     float64
	Fitted          []float64 // expected Y of each row
	Iterations      int

	model *model
	beta  []float64     // of the centred design
	inner *mat.SymDense // covariance of beta
}

// Logistic fits logit P(Y = 1) = x·β (+ offset) by iteratively reweighted least
// squares, which for this link is Newton's method, until the deviance changes by
// less than 1e-14 of itself.
//
// It assumes independent rows; two eyes of one patient are not. Errors:
// stats.ErrNoData; stats.ErrLengths; stats.ErrNotFinite; *stats.ArgumentError
// for an outcome outside [0, 1]; stats.ErrNoEvents if the outcome never occurs
// and stats.ErrNoVariance if it always does; stats.ErrCollinear, naming the
// term, if the terms determine one another; stats.ErrSeparation if a
// combination of terms predicts the outcome so well that the likelihood keeps
// rising as a coefficient runs to infinity; stats.ErrNotConverged.
//
// McCullagh & Nelder, Generalized Linear Models, 2nd ed., 4.4. Separation:
// Albert & Anderson, Biometrika 1984;71:1–10.
func Logistic(d Data, level float64) (*Fit, error) { return fit(Binomial, d, level) }

// PoissonRegression fits log E(Y) = x·β + offset. Give the log of the time at
// risk as Offset to model rates. It assumes independent rows whose variance is
// their mean; Deviance far above DFResidual says that it is not. Errors are
// those of Logistic, *stats.ArgumentError being for a count that is negative or
// not whole, and stats.ErrSeparation for a group without any event.
//
// McCullagh & Nelder, Generalized Linear Models, 2nd ed., 6.2.
func PoissonRegression(d Data, level float64) (*Fit, error) { return fit(Poisson, d, level) }

func fit(family Family, d Data, level float64) (*Fit, error) {
	f := &Fit{Method: family.String(), Family: family, N: len(d.Y), Level: level}
	fail := func(err error) (*Fit, error) { return nil, fmt.Errorf("%s: %w", f.Method, err) }
	if err := stats.CheckLevel(level); err != nil {
		return fail(err)
	}
	if err := d.check(family); err != nil {
		return fail(err)
	}
	f.model = newModel(family, d)
	beta, state, information, iterations, err := f.model.reweighted()
	if err != nil {
		return fail(err)
	}
	f.beta, f.Iterations = beta, iterations
	f.Deviance, f.Fitted = state.deviance, state.mu
	if f.NullDeviance, err = f.model.nullDeviance(); err != nil {
		return fail(fmt.Errorf("model without terms: %w", err))
	}
	f.DFResidual, f.DFNull = f.N-f.model.p, f.N
	if f.model.intercept >= 0 {
		f.DFNull--
	}
	f.LogLik = f.model.logLik(state)
	f.AIC = 2*float64(f.model.p) - 2*f.LogLik
	f.LikelihoodRatio, f.LikelihoodDF = f.NullDeviance-f.Deviance, f.DFNull-f.DFResidual
	f.LikelihoodP = 1
	if f.LikelihoodDF > 0 {
		f.LikelihoodP = dist.ChiSquaredSF(max(0, f.LikelihoodRatio), float64(f.LikelihoodDF))
	}
	factor, dependent := definite.Factorise(information)
	if dependent >= 0 {
		return fail(fmt.Errorf("term %s: %w", d.Terms[dependent], stats.ErrSeparation))
	}
	f.inner = factor.Inverse()
	estimates, covariance := f.model.uncentre(beta, f.inner)
	f.Covariance = covariance
	z := dist.NormalQuantile((1 + level) / 2)
	for j, b := range estimates {
		se := math.Sqrt(covariance.At(j, j))
		f.Coefficients = append(f.Coefficients, Coefficient{
			Term: d.Terms[j], Estimate: b, SE: se, Z: b / se, P: dist.PZ(b/se, stats.TwoSided),
			Wald:  stats.Interval{Estimate: b, Lower: b - z*se, Upper: b + z*se, Level: level, Method: "Wald"},
			Ratio: stats.Interval{Estimate: math.Exp(b), Lower: math.Exp(b - z*se), Upper: math.Exp(b + z*se), Level: level, Method: "Wald on the log scale"},
		})
	}
	return f, nil
}

// check refuses data that the family is not defined for.
func (d Data) check(family Family) error {
	n := len(d.Y)
	if n == 0 {
		return stats.ErrNoData
	}
	if d.X == nil || len(d.Terms) == 0 {
		return &stats.ArgumentError{Name: "number of terms", Got: len(d.Terms), Want: "at least 1"}
	}
	rows, cols := d.X.Dims()
	if rows != n || cols != len(d.Terms) || (d.Offset != nil && len(d.Offset) != n) || (d.Trials != nil && len(d.Trials) != n) {
		return fmt.Errorf("%d outcomes, %d terms, a design of %d × %d, %d offsets, %d trials: %w",
			n, len(d.Terms), rows, cols, len(d.Offset), len(d.Trials), stats.ErrLengths)
	}
	if family == Poisson && d.Trials != nil {
		return &stats.ArgumentError{Name: "trials", Got: "given", Want: "absent for counts"}
	}
	for i := range n {
		values := append([]float64{d.Y[i]}, d.X.RawRowView(i)...)
		if d.Offset != nil {
			values = append(values, d.Offset[i])
		}
		for _, v := range values {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("row %d: %w", i+1, stats.ErrNotFinite)
			}
		}
	}
	return d.checkOutcome(family)
}

func (d Data) checkOutcome(family Family) error {
	none, all := true, true
	for i, y := range d.Y {
		trials := 1.0
		if d.Trials != nil {
			trials = d.Trials[i]
		}
		count := y * trials
		whole := math.Abs(count-math.Round(count)) <= 1e-6*max(1, count)
		switch {
		case family == Poisson && (y < 0 || !whole):
			return fmt.Errorf("row %d: %w", i+1, &stats.ArgumentError{Name: "count", Got: y, Want: "a whole number, 0 or more"})
		case family == Binomial && !(trials > 0):
			return fmt.Errorf("row %d: %w", i+1, &stats.ArgumentError{Name: "trials", Got: trials, Want: "greater than 0"})
		case family == Binomial && (y < 0 || y > 1 || !whole):
			return fmt.Errorf("row %d: %w", i+1, &stats.ArgumentError{Name: "outcome", Got: y, Want: "0, 1 or a share of the trials"})
		}
		none = none && y == 0
		all = all && y == 1
	}
	if none {
		return stats.ErrNoEvents
	}
	if family == Binomial && all {
		return stats.ErrNoVariance
	}
	return nil
}
