package regress

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
)

// HCType is a variant of the heteroscedasticity-consistent variance.
type HCType int

// The variants. With residuals e and leverages h each is the sandwich
// (X'X)⁻¹ X' diag(ω) X (X'X)⁻¹ with ω as given.
const (
	HC0 HCType = iota // e²; White, Econometrica 1980;48:817–838
	HC1               // e²·n/(n − p)
	HC2               // e²/(1 − h)
	HC3               // e²/(1 − h)²; MacKinnon & White, J Econometrics 1985;29:305–325
	HC4               // e²/(1 − h)^min(4, nh/p); Cribari-Neto, Comput Stat Data Anal 2004;45:215–233
)

// String returns "HC0" to "HC4".
func (t HCType) String() string { return fmt.Sprintf("HC%d", int(t)) }

// HC returns the variance matrix of the coefficients that stays valid when the
// variance differs between observations. The observations are independent. The
// error is stats.ErrTooFew if an observation has leverage 1 and the variant
// divides by 1 − h, as then one coefficient rests on that observation alone.
func (f *Fit) HC(t HCType) (*mat.SymDense, error) {
	x := f.Design.X
	n, p := x.Dims()
	h := f.Leverage()
	meat := mat.NewSymDense(p, nil)
	for i, e := range f.Residuals {
		weight := e * e
		if left := 1 - h[i]; t >= HC2 && left < 1e-10 {
			return nil, fmt.Errorf("%s: observation %d alone determines a coefficient: %w", t, f.Design.Rows[i]+1, stats.ErrTooFew)
		} else if t >= HC2 {
			weight /= math.Pow(left, t.power(h[i]*float64(n)/float64(p)))
		}
		meat.SymRankOne(meat, weight, mat.NewVecDense(p, x.RawRowView(i)))
	}
	if t == HC1 {
		meat.ScaleSym(float64(n)/float64(n-p), meat)
	}
	return Sandwich(f.Bread(), meat), nil
}

// power is the exponent of 1/(1 − h); relative is h over its mean.
func (t HCType) power(relative float64) float64 {
	switch t {
	case HC2:
		return 1
	case HC3:
		return 2
	default:
		return math.Min(4, relative)
	}
}

// Sandwich returns bread · meat · bread.
func Sandwich(bread, meat *mat.SymDense) *mat.SymDense {
	var product mat.Dense
	product.Product(bread, meat, bread)
	p, _ := product.Dims()
	v := mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			v.SetSym(i, j, (product.At(i, j)+product.At(j, i))/2)
		}
	}
	return v
}

// Influence holds the diagnostics of each observation.
type Influence struct {
	Hat          []float64 // leverage h
	Standardised []float64 // e/(σ√(1 − h)), internally studentised
	Studentised  []float64 // e/(σ₍₋ᵢ₎√(1 − h)), with σ estimated without the observation
	Cook         []float64 // Cook's distance, standardised²·h/(p(1 − h))
}

// Influence returns leverages, standardised and studentised residuals, and
// Cook's distances. A residual of an observation with leverage 1 is NaN, as it
// is 0 whatever the value. Cook, Technometrics 1977;19:15–18; Belsley, Kuh &
// Welsch, Regression Diagnostics, 1980.
func (f *Fit) Influence() Influence {
	p := float64(len(f.Coefficients))
	out := Influence{Hat: f.Leverage()}
	for i, h := range out.Hat {
		e := f.Residuals[i]
		left := 1 - h
		if left < 1e-10 {
			left = math.NaN()
		}
		r := e / (f.Sigma * math.Sqrt(left))
		without := math.Sqrt((f.RSS - e*e/left) / (f.DF - 1))
		out.Standardised = append(out.Standardised, r)
		out.Studentised = append(out.Studentised, e/(without*math.Sqrt(left)))
		out.Cook = append(out.Cook, r*r*h/(p*left))
	}
	return out
}
