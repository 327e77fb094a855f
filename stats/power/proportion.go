package power

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
)

// Proportions describes a planned comparison of two proportions with n
// observations each, by the normal approximation without continuity
// correction:
//
//	power = Φ((√n·|p₁−p₂| − z·√(2·p̄·q̄)) / √(p₁q₁ + p₂q₂))
//
// with z the upper alpha/2 (one-sided: alpha) quantile. A DesignEffect D above
// 1 for several eyes of a patient puts n/D in the place of n; 0 stands for 1.
//
// Fleiss, Levin & Paik, Statistical Methods for Rates and Proportions, 3rd ed,
// formula 4.14 without correction.
type Proportions struct {
	Alpha        float64
	OneSided     bool
	BothTails    bool // count also the tail on the wrong side
	DesignEffect float64
}

func (t Proportions) check(p1, p2 float64) error {
	if err := checkAlpha(t.Alpha); err != nil {
		return err
	}
	for _, p := range [...]float64{p1, p2} {
		if !(p >= 0 && p <= 1) {
			return &stats.ArgumentError{Name: "proportion", Got: p, Want: "between 0 and 1"}
		}
	}
	if !(t.DesignEffect >= 0) {
		return &stats.ArgumentError{Name: "design effect", Got: t.DesignEffect, Want: "above zero, 1 without clustering"}
	}
	return nil
}

func (t Proportions) inflation() float64 {
	if t.DesignEffect == 0 {
		return 1
	}
	return t.DesignEffect
}

func (t Proportions) limit() float64 {
	if t.OneSided {
		return -dist.NormalQuantile(t.Alpha)
	}
	return -dist.NormalQuantile(t.Alpha / 2)
}

func (t Proportions) power(n, p1, p2 float64) float64 {
	n /= t.inflation()
	mean := (p1 + p2) / 2
	null := t.limit() * math.Sqrt(2*mean*(1-mean))
	spread := math.Sqrt(p1*(1-p1) + p2*(1-p2))
	shift := math.Sqrt(n) * math.Abs(p1-p2)
	power := dist.NormalCDF((shift - null) / spread)
	if t.BothTails && !t.OneSided {
		power += dist.NormalCDF((-shift - null) / spread)
	}
	return power
}

// Power returns the probability that the comparison is significant.
func (t Proportions) Power(n, p1, p2 float64) (float64, error) {
	if err := t.check(p1, p2); err != nil {
		return 0, err
	}
	if !(n >= 1) || math.IsInf(n, 1) {
		return 0, &stats.ArgumentError{Name: "sample size", Got: n, Want: "1 or more"}
	}
	if (p1 == 0 || p1 == 1) && (p2 == 0 || p2 == 1) {
		return 0, &stats.ArgumentError{Name: "proportions", Got: [2]float64{p1, p2}, Want: "not both 0 or 1, where nothing varies"}
	}
	return t.power(n, p1, p2), nil
}

// SampleSize returns the fractional n per group that gives the wanted power.
func (t Proportions) SampleSize(power, p1, p2 float64) (float64, error) {
	if err := t.check(p1, p2); err != nil {
		return 0, err
	}
	if err := checkPower(power, t.Alpha); err != nil {
		return 0, err
	}
	if p1 == p2 {
		return 0, &stats.ArgumentError{Name: "proportions", Got: p1, Want: "different from each other"}
	}
	mean := (p1 + p2) / 2
	z := t.limit()*math.Sqrt(2*mean*(1-mean)) + dist.NormalQuantile(power)*math.Sqrt(p1*(1-p1)+p2*(1-p2))
	n := z * z / ((p1 - p2) * (p1 - p2)) * t.inflation()
	if !t.BothTails || t.OneSided {
		return n, nil
	}
	return root.Bisect(func(n float64) float64 { return t.power(n, p1, p2) - power }, n/2, n), nil
}

// Detectable returns the proportion above p1 that n per group tell from it
// with the given power. It is an *stats.ArgumentError when even 1 is not told.
func (t Proportions) Detectable(n, p1, power float64) (float64, error) {
	if err := checkPower(power, t.Alpha); err != nil {
		return 0, err
	}
	if _, err := t.Power(n, p1, 0.5); err != nil {
		return 0, err
	}
	top := math.Nextafter(1, 0)
	if p1 >= top || t.power(n, p1, top) < power {
		return 0, &stats.ArgumentError{Name: "sample size", Got: n, Want: "larger: no proportion above the first is told from it with this power"}
	}
	return root.Bisect(func(p2 float64) float64 {
		if p2 <= p1 {
			return t.Alpha/2 - power
		}
		return t.power(n, p1, p2) - power
	}, p1, top), nil
}

// ANOVA describes a planned one-way analysis of variance of groups of equal
// size. Its power is that of the noncentral F distribution with
//
//	ncp = (groups − 1)·n·between/within
//
// between being the variance of the true group means (denominator groups − 1)
// and within the variance inside a group.
type ANOVA struct {
	Groups          int
	Between, Within float64
	Alpha           float64
}

func (a ANOVA) check() error {
	switch {
	case a.Groups < 2:
		return &stats.ArgumentError{Name: "number of groups", Got: a.Groups, Want: "2 or more"}
	case !(a.Between >= 0) || math.IsInf(a.Between, 1):
		return &stats.ArgumentError{Name: "variance between groups", Got: a.Between, Want: "zero or more"}
	case !(a.Within > 0) || math.IsInf(a.Within, 1):
		return &stats.ArgumentError{Name: "variance within groups", Got: a.Within, Want: "above zero"}
	}
	return checkAlpha(a.Alpha)
}

// noncentrality is what n per group would show; mostNoncentral is the most that
// is worked out: its cost grows with the root, and such a study needs no plan.
func (a ANOVA) noncentrality(n float64) float64 {
	return float64(a.Groups-1) * n * a.Between / a.Within
}

const mostNoncentral = 1e8

func (a ANOVA) tooLarge() error {
	return &stats.ArgumentError{Name: "variance between groups", Got: a.Between, Want: "comparable with that within groups: 1e8 of it at most over all observations"}
}

func (a ANOVA) power(n float64) float64 {
	d1 := float64(a.Groups - 1)
	d2 := (n - 1) * float64(a.Groups)
	return dist.NoncentralFSF(dist.FQuantileUpper(a.Alpha, d1, d2), d1, d2, a.noncentrality(n))
}

// Power returns the probability of a significant F with n per group.
func (a ANOVA) Power(n float64) (float64, error) {
	if err := a.check(); err != nil {
		return 0, err
	}
	if !(n > 1) || math.IsInf(n, 1) {
		return 0, &stats.ArgumentError{Name: "sample size", Got: n, Want: "above 1"}
	}
	if !(a.noncentrality(n) <= mostNoncentral) {
		return 0, a.tooLarge()
	}
	return a.power(n), nil
}

// SampleSize returns the fractional n per group that gives the wanted power.
func (a ANOVA) SampleSize(power float64) (float64, error) {
	if err := a.check(); err != nil {
		return 0, err
	}
	if err := checkPower(power, a.Alpha); err != nil {
		return 0, err
	}
	if a.Between == 0 {
		return 0, &stats.ArgumentError{Name: "variance between groups", Got: a.Between, Want: "above zero"}
	}
	low, high := 1.0+1e-6, 4.0
	for a.noncentrality(high) <= mostNoncentral && a.power(high) < power {
		low, high = high, 2*high
		if high > 1e7 {
			return 0, &stats.ArgumentError{Name: "variance between groups", Got: a.Between, Want: "large enough to be shown with fewer than ten million per group"}
		}
	}
	if !(a.noncentrality(high) <= mostNoncentral) {
		return 0, a.tooLarge()
	}
	return solve(func(n float64) float64 { return a.power(n) - power }, low, high), nil
}
