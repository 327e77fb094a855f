package glm

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/rank"
)

// Discrimination says how well the fitted probabilities of a logistic
// regression tell events from others in the data that they were fitted to,
// which flatters: new data will do worse.
type Discrimination struct {
	AUC        float64 // share of pairs of an event and another in which the event has the higher probability, ties one half
	Brier      float64 // mean of (y − probability)²
	McFadden   float64 // 1 − deviance/null deviance
	Nagelkerke float64 // Cox–Snell R² divided by the most it can be
}

// Discrimination returns the measures. The error is *stats.ArgumentError for a
// Poisson model, or where the rows are shares of several trials.
//
// AUC: Hanley & McNeil, Radiology 1982;143:29–36. R²: Nagelkerke, Biometrika
// 1991;78:691–692.
func (f *Fit) Discrimination() (Discrimination, error) {
	const method = "discrimination"
	if f.Family != Binomial {
		return Discrimination{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "model", Got: f.Method, Want: "a logistic regression"})
	}
	var d Discrimination
	ranks, _ := rank.Midranks(f.Fitted)
	var events, others, sum float64
	for i, y := range f.model.y {
		if f.model.trials[i] != 1 || (y != 0 && y != 1) {
			return Discrimination{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "outcome", Got: y, Want: "0 or 1 in single trials"})
		}
		d.Brier += (y - f.Fitted[i]) * (y - f.Fitted[i]) / float64(f.N)
		if y == 1 {
			events++
			sum += ranks[i]
		} else {
			others++
		}
	}
	d.AUC = (sum - events*(events+1)/2) / (events * others)
	d.McFadden = 1 - f.Deviance/f.NullDeviance
	n := float64(f.N)
	d.Nagelkerke = math.Expm1((f.Deviance-f.NullDeviance)/n) / math.Expm1(-f.NullDeviance/n)
	return d, nil
}
