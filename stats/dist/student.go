package dist

import (
	"math"

	"keratally/stats"
)

// manyDF is where the normalising expansion of Hill takes over from the
// incomplete beta function; its relative error is below 1e-13 from there on.
const manyDF = 2e4

// TSF returns P(T > t) for Student's T with df > 0 degrees of freedom,
// fractional or infinite ones included.
//
// Hill, Commun ACM 1970;13:617–619, for df above 20,000.
func TSF(t, df float64) float64 {
	switch {
	case math.IsNaN(t) || !(df > 0):
		return math.NaN()
	case t < 0:
		return 1 - TSF(-t, df)
	case math.IsInf(t, 1):
		return 0
	case math.IsInf(df, 1):
		return NormalSF(t)
	case df > manyDF:
		return NormalSF(hillNormal(t, df))
	}
	ratio := t * t / df
	if math.IsInf(ratio, 1) {
		return 0
	}
	lower, _ := betaTails(1/(1+ratio), ratio/(1+ratio), df/2, 0.5)
	return lower / 2
}

// hillNormal returns the z whose normal tail is that of t ≥ 0 on df degrees of
// freedom.
func hillNormal(t, df float64) float64 {
	a := df - 0.5
	b := 48 * a * a
	y := a * math.Log1p(t*t/df)
	return (((((-0.4*y-3.3)*y-24)*y-85.5)/(0.8*y*y+100+b)+y+3)/b + 1) * math.Sqrt(y)
}

// TCDF returns P(T ≤ t); see TSF.
func TCDF(t, df float64) float64 { return TSF(-t, df) }

// TPDF returns the density of Student's T at t.
func TPDF(t, df float64) float64 {
	switch {
	case math.IsNaN(t) || !(df > 0):
		return math.NaN()
	case math.IsInf(df, 1):
		return NormalPDF(t)
	}
	logRest := -(df + 1) / 2 * math.Log1p(t*t/df)
	return math.Exp(logGammaHalfStep(df/2)+logRest) / math.Sqrt(math.Pi*df)
}

// logGammaHalfStep returns log Γ(a+½) − log Γ(a), by Stirling's formula with
// its error so that large arguments do not cancel.
func logGammaHalfStep(a float64) float64 {
	return stirlingError(a+0.5) - stirlingError(a) + a*math.Log1p(0.5/a) - 0.5 + 0.5*math.Log(a)
}

// TQuantile returns t with P(T ≤ t) = p.
func TQuantile(p, df float64) float64 {
	switch {
	case math.IsNaN(p) || p < 0 || p > 1 || !(df > 0):
		return math.NaN()
	case p == 0:
		return math.Inf(-1)
	case p == 1:
		return math.Inf(1)
	case p == 0.5:
		return 0
	case p < 0.5:
		return -tQuantileUpper(p, df)
	default:
		return tQuantileUpper(1-p, df)
	}
}

// tQuantileUpper returns t > 0 with P(T > t) = q < ½.
func tQuantileUpper(q, df float64) float64 {
	switch {
	case math.IsInf(df, 1):
		return -NormalQuantile(q)
	case df > manyDF:
		t := -NormalQuantile(q)
		for range 6 {
			tail := TSF(t, df)
			t += math.Log(tail/q) * tail / TPDF(t, df)
		}
		return t
	case q > 0.25: // t²/(df+t²) from its small lower tail
		return math.Sqrt(df * math.Exp(betaLogit(1-2*q, true, 0.5, df/2)))
	default:
		return math.Sqrt(df * math.Exp(betaLogit(2*q, false, 0.5, df/2)))
	}
}

// PT returns the p value of the statistic t on df degrees of freedom in the
// direction alt: P(T ≤ t), P(T ≥ t), or twice the smaller of them.
func PT(t, df float64, alt stats.Alternative) float64 {
	return pOf(t, alt, func(t float64) float64 { return TSF(t, df) })
}
