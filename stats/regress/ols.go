package regress

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/dist"
)

// Coefficient is one estimated effect with its t or z test of no effect.
type Coefficient struct {
	Term         string
	Estimate, SE float64
	DF           float64 // degrees of freedom of T; +Inf for a normal reference
	T, P         float64 // P two-sided
	Lower, Upper float64
}

// NewCoefficient tests an estimate against zero with t on df degrees of
// freedom (df = +Inf: the normal distribution). With a standard error of
// exactly 0, T is infinite and P is 0, and both are NaN if the estimate is 0 too.
func NewCoefficient(term string, estimate, se, df, level float64) Coefficient {
	t := estimate / se
	margin := dist.TQuantile((1+level)/2, df) * se
	return Coefficient{
		Term: term, Estimate: estimate, SE: se, DF: df, T: t, P: dist.PT(t, df, stats.TwoSided),
		Lower: estimate - margin, Upper: estimate + margin,
	}
}

// Fit is an ordinary least-squares fit.
type Fit struct {
	Design       *Design
	Coefficients []Coefficient
	N            int
	DF           float64 // residual degrees of freedom, n − p
	Sigma        float64 // residual standard deviation, √(RSS/DF)
	RSS          float64
	R2, AdjR2    float64 // about the mean, or about zero for a model without constant
	F            float64 // all terms but the constant; NaN if there is none
	FDF1, FDF2   float64
	FP           float64
	LogLik       float64 // of the normal model at the maximum-likelihood variance
	AIC, BIC     float64 // counting the variance as a parameter
	VCov         *mat.SymDense
	Residuals    []float64
	Level        float64
	Notes        []string

	ls *leastSquares
}

// OLS fits the design by ordinary least squares,
//
//	b = (X'X)⁻¹X'y,  Var b = σ²(X'X)⁻¹,  σ² = Σ(y − Xb)²/(n − p)
//
// from a Householder QR factorisation (see solve for its arithmetic), with t
// tests on n − p degrees of freedom. It assumes independent observations of
// equal variance: see HC for unequal variance and the cluster package for two
// eyes of a patient.
//
// The errors are stats.ErrTooFew if n ≤ p, stats.ErrCollinear if a column is a
// combination of those before it (it is named), and stats.ErrNoVariance if the
// response is constant.
func OLS(d *Design, level float64) (*Fit, error) {
	if err := stats.CheckLevel(level); err != nil {
		return nil, err
	}
	if d.Y == nil || d.X == nil {
		return nil, &stats.ArgumentError{Name: "linear model", Got: "no response or no term", Want: "a response and at least one term"}
	}
	if err := stats.CheckSample("linear model, response", d.Y, 1); err != nil {
		return nil, err
	}
	n, p := d.X.Dims()
	if n <= p {
		return nil, &stats.TooFewError{Method: fmt.Sprintf("linear model with %d coefficients", p), Got: n, Need: p + 1}
	}
	y := d.net()
	if isConstant(y) {
		return nil, fmt.Errorf("linear model: %w", stats.ErrNoVariance)
	}
	ls, dependent := solve(d.X, y)
	if dependent >= 0 {
		return nil, d.collinear(dependent)
	}
	f := &Fit{Design: d, N: n, DF: float64(n - p), RSS: ls.rss, Residuals: ls.resid, Level: level, ls: ls}
	f.Sigma = math.Sqrt(f.RSS / f.DF)
	f.VCov = mat.NewSymDense(p, nil)
	f.VCov.ScaleSym(f.RSS/f.DF, ls.cross)
	for j, b := range ls.coef {
		f.Coefficients = append(f.Coefficients, NewCoefficient(d.Names[j], b, f.Sigma*math.Sqrt(ls.cross.At(j, j)), f.DF, level))
	}
	f.summarise()
	return f, nil
}

// net returns the response less the offset.
func (d *Design) net() []float64 {
	y := append([]float64(nil), d.Y...)
	for i, o := range d.Offset {
		y[i] -= o
	}
	return y
}

func isConstant(y []float64) bool {
	for _, v := range y {
		if v != y[0] {
			return false
		}
	}
	return true
}

// collinear is the error about a column that those before it determine.
func (d *Design) collinear(column int) error {
	return fmt.Errorf("%s is a combination of the terms before it: %w", d.Names[column], stats.ErrCollinear)
}

// summarise fills in R², F and the likelihood.
func (f *Fit) summarise() {
	d, n := f.Design, float64(f.N)
	p := float64(len(f.Coefficients))
	constants := 0.0
	if d.Formula.Intercept {
		constants = 1
	}
	// The constant is the first column, so the rest of Q'y is about the mean.
	model := dotPlain(f.ls.effects[int(constants):], f.ls.effects[int(constants):])
	f.R2 = model / (model + f.RSS)
	f.AdjR2 = 1 - (1-f.R2)*(n-constants)/f.DF
	f.F, f.FP = math.NaN(), math.NaN()
	f.FDF1, f.FDF2 = p-constants, f.DF
	if p > constants {
		f.F = model / f.FDF1 / (f.RSS / f.DF)
		f.FP = dist.FSF(f.F, f.FDF1, f.FDF2)
	}
	f.LogLik = -n / 2 * (math.Log(2*math.Pi) + math.Log(f.RSS/n) + 1)
	f.AIC = -2*f.LogLik + 2*(p+1)
	f.BIC = -2*f.LogLik + math.Log(n)*(p+1)
	if f.RSS == 0 {
		f.Notes = append(f.Notes, "the model fits every observation exactly: standard errors are 0 and the tests say nothing")
	}
	if f.Design.Missing > 0 {
		f.Notes = append(f.Notes, fmt.Sprintf("%d rows with a missing value left out", f.Design.Missing))
	}
}

// Coef returns the estimates in column order.
func (f *Fit) Coef() []float64 { return append([]float64(nil), f.ls.coef...) }

// Bread returns (X'X)⁻¹.
func (f *Fit) Bread() *mat.SymDense { return f.ls.cross }

// Leverage returns the diagonal of the hat matrix X(X'X)⁻¹X'; its sum is p.
func (f *Fit) Leverage() []float64 { return f.ls.leverage(f.Design.X) }
