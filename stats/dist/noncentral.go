package dist

import "math"

// NoncentralTCDF returns P(T ≤ t) for T = (Z + ncp)/√(χ²/df), Z standard
// normal. At least 12 digits, in both tails; 8 where |ncp| is above
// 10,000·√(2·df), beside which Z counts for nothing.
func NoncentralTCDF(t, df, ncp float64) float64 { return noncentralT(t, df, ncp, false) }

// NoncentralTSF returns P(T > t); see NoncentralTCDF.
func NoncentralTSF(t, df, ncp float64) float64 { return noncentralT(t, df, ncp, true) }

// noncentralT integrates Φ(t·s − ncp), or its complement, over the density of
// s = √(χ²/df). Everything added is positive, so a small tail keeps its digits.
func noncentralT(t, df, ncp float64, upper bool) float64 {
	switch {
	case math.IsNaN(t) || math.IsNaN(ncp) || !(df > 0):
		return math.NaN()
	case math.IsInf(t, 0):
		if math.IsInf(t, 1) == upper {
			return 0
		}
		return 1
	case math.IsInf(df, 1):
		return normalTail(t-ncp, upper)
	case ncp < 0:
		return noncentralT(-t, df, -ncp, !upper)
	case ncp > 1e4*math.Sqrt(2*df):
		// T > t is ncp > t·s to within 1/ncp of s.
		if t <= 0 {
			return normalTail(t-ncp, upper)
		}
		x := df * (ncp / t) * (ncp / t)
		if upper {
			return ChiSquaredCDF(x, df)
		}
		return ChiSquaredSF(x, df)
	}
	return overChi(df, 1+ncp, func(s float64) float64 { return normalTail(t*s-ncp, upper) })
}

func normalTail(z float64, upper bool) float64 {
	if upper {
		return NormalSF(z)
	}
	return NormalCDF(z)
}

// overChi returns E g(S) for S = √(χ²/df), by the trapezoidal rule in log s,
// which converges geometrically because the integrand is analytic and falls
// off at both ends. sharpness is the largest |d g/d log s| to expect.
func overChi(df, sharpness float64, g func(s float64) float64) float64 {
	width := 1 / math.Sqrt(2*df)
	// The rule's error is e^(−2π²/h²), h the step beside the narrowest width;
	// where that is wide the poles of the integrand ask for smaller steps.
	narrowest := math.Min(math.Min(width, 1/sharpness), 0.5)
	step := math.Max(0.3*narrowest, math.Min(0.5*narrowest, 0.05))
	logScale := logChiScale(df)
	at := func(v float64) float64 {
		// log of s^df·e^(−df·s²/2) relative to its maximum at s = 1.
		exponent := df * (v - 0.5*math.Expm1(2*v))
		if exponent < -740 {
			return 0
		}
		return math.Exp(exponent+logScale) * g(math.Exp(v))
	}
	// The peak of the product may lie far from s = 1 where g is a tail: find
	// it on a coarse grid, then add outwards until nothing more counts.
	peak, best := 0.0, at(0)
	for _, direction := range [...]float64{-1, 1} {
		falling := 0
		last := best
		for i := 1.0; i < 2000 && falling < 12; i++ {
			v := direction * i * math.Max(width, step)
			value := at(v)
			if value > best {
				peak, best = v, value
			}
			if value < last || value == 0 {
				falling++
			} else {
				falling = 0
			}
			last = value
		}
	}
	sum := at(peak)
	for _, direction := range [...]float64{-1, 1} {
		small := 0
		for i := 1.0; i < 1e6 && small < 3; i++ {
			value := at(peak + direction*i*step)
			sum += value
			if value <= 1e-18*sum*math.Min(1, step) {
				small++
			} else {
				small = 0
			}
		}
	}
	return sum * step
}

// logChiScale returns the logarithm of the density of log S at s = 1:
// 2·(df/2)^(df/2)·e^(−df/2)/Γ(df/2), by Stirling's formula with its error.
func logChiScale(df float64) float64 {
	half := df / 2
	return 0.5*math.Log(half/(2*math.Pi)) - stirlingError(half) + math.Ln2
}

// NoncentralFCDF returns P(X ≤ x) for the noncentral F distribution with d1
// and d2 degrees of freedom and noncentrality ncp ≥ 0, the sum of squared
// standardised means.
func NoncentralFCDF(x, d1, d2, ncp float64) float64 {
	lower, _ := noncentralFTails(x, d1, d2, ncp)
	return lower
}

// NoncentralFSF returns P(X > x); see NoncentralFCDF.
func NoncentralFSF(x, d1, d2, ncp float64) float64 {
	_, upper := noncentralFTails(x, d1, d2, ncp)
	return upper
}

// noncentralFTails mixes beta tails over Poisson(ncp/2), from the Poisson mode
// outwards; all terms are positive.
func noncentralFTails(x, d1, d2, ncp float64) (lower, upper float64) {
	switch {
	case math.IsNaN(x) || !(d1 > 0) || !(d2 > 0) || !(ncp >= 0) || math.IsInf(ncp, 1):
		return math.NaN(), math.NaN()
	case x <= 0:
		return 0, 1
	case math.IsInf(x, 1):
		return 1, 0
	case ncp == 0:
		return fTails(x, d1, d2)
	}
	tails := func(j int) (float64, float64) {
		shape := d1/2 + float64(j)
		if math.IsInf(d2, 1) {
			return gammaTails(shape, d1*x/2)
		}
		return betaTails(1/(1+d2/(d1*x)), 1/(1+d1*x/d2), shape, d2/2)
	}
	mode := int(ncp / 2)
	add := func(j int) (largest float64) {
		weight := poissonRaw(float64(j), ncp/2)
		l, u := tails(j)
		lower += weight * l
		upper += weight * u
		return math.Max(weight*l/math.Max(lower, 1e-300), weight*u/math.Max(upper, 1e-300))
	}
	add(mode)
	for j := mode - 1; j >= 0 && add(j) > 1e-17; j-- {
	}
	for j := mode + 1; add(j) > 1e-17; j++ {
	}
	return lower, upper
}
