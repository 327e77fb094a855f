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
	const (
		farthest = 50    // standard errors
		settled  = 1e-11 // standard errors; ten thousand times that under an offset that leaves no more digits
	)
	target := math.Sqrt(dist.ChiSquaredQuantile(f.Level, 1))
	p := f.newProfile(j)
	se, from := f.Coefficients[j].SE, f.Coefficients[j].Estimate
	low, high := 0.0, math.Inf(1) // in standard errors
	at := target
	for iteration := range 100 {
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
		tolerance := settled
		if iteration > 20 {
			tolerance *= 1e4
		}
		if math.Abs(next-at) <= tolerance*max(1, at) {
			return from + side*next*se, nil
		}
		at = next
	}
	return 0, stats.ErrNotConverged
}

// profile is the deviance as a function of one coefficient.
type profile struct {
	model  *model
	least  float64 // deviance at the estimates
	j      int
	free   []int
	column []float64 // of the model's design
	best   []float64 // estimates
	slope  []float64 // change of the others for a unit of this one, at the estimates
}

func (f *Fit) newProfile(j int) *profile {
	m := f.model
	p := &profile{model: m, least: f.Deviance, j: j, best: f.beta, slope: make([]float64, m.p)}
	covariance := f.inner
	if j == m.intercept {
		// Holding the intercept of the design is not holding that of the
		// centred one: this profile is taken on the design as it was given.
		p.model, covariance = m.uncentred(), f.Covariance
		p.best = make([]float64, m.p)
		for k, c := range f.Coefficients {
			p.best[k] = c.Estimate
		}
	}
	for k := range m.p {
		if k != j {
			p.free = append(p.free, k)
			p.slope[k] = covariance.At(k, j) / covariance.At(j, j)
		}
	}
	p.column = make([]float64, len(m.x))
	for i, x := range p.model.x {
		p.column[i] = x[j]
	}
	return p
}

// uncentred returns the model on the design as it was given.
func (m *model) uncentred() *model {
	raw := *m
	raw.x, raw.center, raw.intercept = make([][]float64, len(m.x)), make([]float64, m.p), -1
	for i, x := range m.x {
		raw.x[i] = make([]float64, m.p)
		for k := range x {
			raw.x[i][k] = x[k] + m.center[k]
		}
	}
	return &raw
}

// at returns the root of the excess deviance with the coefficient held at v,
// and its derivative.
func (p *profile) at(v float64) (root, slope float64, err error) {
	m := p.model
	extra := make([]float64, len(p.column))
	for i, x := range p.column {
		extra[i] = x * v
	}
	start := make([]float64, m.p)
	for _, k := range p.free {
		start[k] = p.best[k] + p.slope[k]*(v-p.coefficient())
	}
	var s state
	if len(p.free) == 0 {
		s = m.at(start, nil, extra)
	} else if _, s, _, err = m.maximise(start, p.free, extra); err != nil {
		return 0, 0, err
	}
	root = math.Sqrt(max(0, s.deviance-p.least))
	if root == 0 {
		return 0, math.NaN(), nil
	}
	// d(deviance)/dv = −2·Σ x·(y − mu), the others being at their optimum.
	var derivative float64
	for i, x := range p.column {
		derivative -= 2 * m.trials[i] * x * (m.y[i] - s.mu[i])
	}
	return root, derivative / (2 * root), nil
}

func (p *profile) coefficient() float64 { return p.best[p.j] }
