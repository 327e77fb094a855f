package glm

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
)

// ProfileInterval returns the profile-likelihood limits of coefficient j: the
// values at which the deviance, minimised over all other coefficients, exceeds
// its least by the level's quantile of χ² on 1 degree of freedom. They are found
// by root finding to full precision, not by interpolation, and unlike the Wald
// limits do not depend on the scale of the coefficient. A limit more than 50
// standard errors away is given as infinite. Errors: *stats.ArgumentError for j
// outside the model; stats.ErrNotConverged, stats.ErrSeparation from the fits
// on the way.
//
// Venzon & Moolgavkar, Appl Stat 1988;37:87–94.
func (f *Fit) ProfileInterval(j int) (stats.Interval, error) {
	out := stats.Interval{Level: f.Level, Method: "profile likelihood"}
	if j < 0 || j >= f.model.p {
		return out, fmt.Errorf("profile limits: %w",
			&stats.ArgumentError{Name: "coefficient", Got: j, Want: fmt.Sprintf("0 to %d", f.model.p-1)})
	}
	c := f.Coefficients[j]
	out.Estimate = c.Estimate
	var err error
	if out.Lower, err = f.profileLimit(j, -1); err == nil {
		out.Upper, err = f.profileLimit(j, 1)
	}
	if err != nil {
		return out, fmt.Errorf("profile limits of %s: %w", c.Term, err)
	}
	return out, nil
}

// profileLimit finds the limit on one side as the root of the signed root of
// the excess deviance, which is nearly linear in the coefficient, by Newton's
// method kept inside a shrinking bracket.
func (f *Fit) profileLimit(j int, side float64) (float64, error) {
	const farthest = 50 // standard errors
	target := math.Sqrt(dist.ChiSquaredQuantile(f.Level, 1))
	p := f.newProfile(j)
	se, from := f.Coefficients[j].SE, f.Coefficients[j].Estimate
	low, high := 0.0, math.Inf(1) // in standard errors
	at := target
	for range 200 {
		root, slope, err := p.at(from + side*at*se)
		if err != nil {
			return 0, err
		}
		gap := root - target
		if gap < 0 {
			low = at
		} else {
			high = at
		}
		if low > farthest {
			return side * math.Inf(1), nil
		}
		next := at - gap/(side*slope*se)
		if !(next > low && next < high) {
			next = 2 * at
			if !math.IsInf(high, 1) {
				next = (low + high) / 2
			}
		}
		if math.Abs(next-at) <= 1e-13*max(1, at) {
			return from + side*next*se, nil
		}
		at = next
	}
	return 0, stats.ErrNotConverged
}

// profile is the deviance as a function of one coefficient.
type profile struct {
	f      *Fit
	j      int
	free   []int
	column []float64 // of the design, as the user gave it
	start  []float64
}

func (f *Fit) newProfile(j int) *profile {
	p := &profile{f: f, j: j, start: append([]float64(nil), f.beta...)}
	m := f.model
	for k := range m.p {
		if k != j {
			p.free = append(p.free, k)
		}
	}
	// Fixing the intercept of the design is not fixing that of the centred one:
	// there the others must be profiled uncentred.
	p.column = make([]float64, len(m.x))
	for i, x := range m.x {
		p.column[i] = x[j] + m.center[j]
	}
	if j == m.intercept {
		raw := *m
		raw.x, raw.center, raw.intercept = make([][]float64, len(m.x)), make([]float64, m.p), -1
		for i, x := range m.x {
			raw.x[i] = make([]float64, m.p)
			for k := range x {
				raw.x[i][k] = x[k] + m.center[k]
			}
		}
		g := *f
		g.model = &raw
		p.f = &g
		for k, c := range f.Coefficients {
			p.start[k] = c.Estimate
		}
	}
	return p
}

// at returns the root of the excess deviance with the coefficient held at v,
// and its derivative.
func (p *profile) at(v float64) (root, slope float64, err error) {
	extra := make([]float64, len(p.column))
	for i, x := range p.column {
		extra[i] = x * v
	}
	m := p.f.model
	s := state{}
	if len(p.free) == 0 {
		s = m.at(p.start, nil, extra)
	} else {
		beta, fitted, _, err := m.maximise(p.start, p.free, extra)
		if err != nil {
			return 0, 0, err
		}
		s = fitted
		p.start = beta
	}
	root = math.Sqrt(max(0, s.deviance-p.f.Deviance))
	// d(deviance)/dv = −2·Σ x·(y − mu), the others being at their optimum.
	var derivative float64
	for i, x := range p.column {
		derivative -= 2 * m.trials[i] * x * (m.y[i] - s.mu[i])
	}
	if root == 0 {
		return 0, math.NaN(), nil
	}
	return root, derivative / (2 * root), nil
}
