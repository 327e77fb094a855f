package mixed

import (
	"gonum.org/v1/gonum/mat"

	"keratally/stats"
)

// Predicted returns the predicted random intercept (BLUP) of each group, in
// the order of the design's labels, for a model with one random intercept:
// τ²Σe/(σ² + nτ²) over the n rows of the group, e being y − Xβ. Other models
// are a *stats.ArgumentError.
func (f *Fit) Predicted() ([]float64, error) {
	if len(f.design.Random) != 1 || !onlyIntercept(f.design.Random[0]) {
		return nil, &stats.ArgumentError{Name: "model", Got: "several random effects", Want: "one random intercept"}
	}
	r := f.design.Random[0]
	sums, sizes := make([]float64, len(r.Labels)), make([]float64, len(r.Labels))
	for i, g := range r.Groups {
		e := f.design.Y[i] - dot(mat.Row(nil, i, f.design.X), f.beta)
		if f.design.Offset != nil {
			e -= f.design.Offset[i]
		}
		sums[g] += e
		sizes[g]++
	}
	between, within := f.Variance(r.Group), f.Sigma*f.Sigma
	for g := range sums {
		sums[g] *= between / (within + sizes[g]*between)
	}
	return sums, nil
}
