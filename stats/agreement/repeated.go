package agreement

import (
	"fmt"
	"math"
	"sort"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
)

// Repeated is the agreement of two methods where a subject gave several pairs
// of measurements while what was measured may have varied.
type Repeated struct {
	N, Subjects  int
	Bias         stats.Interval // mean of the subjects' mean differences
	WithinSD     float64        // of the differences within a subject
	BetweenSD    float64        // of the subjects' true mean differences; 0 when the estimate is not positive
	TotalSD      float64        // of a single difference: √(within² + between²)
	Lower, Upper stats.Interval // limits of agreement, bias ∓ Φ⁻¹(0.975)·TotalSD, with their confidence limits
	Notes        []string
}

// NewRepeated returns the 95 % limits of agreement of a single pair from
// several pairs a subject, subject naming whose each pair is. With d̄ᵢ the mean
// difference of subject i over mᵢ pairs, m̃ the harmonic mean of the mᵢ, s²_d̄ the
// variance of the d̄ᵢ over k subjects and s²_w the pooled variance within,
//
//	bias = mean d̄ᵢ,  total² = s²_d̄ + (1 − 1/m̃)·s²_w.
//
// For equal mᵢ that is Bland and Altman's one-way analysis of variance. The
// confidence limits of the limits of agreement combine those of bias and total
// variance by the method of variance estimates recovery.
//
// Subjects are independent, differences normal. With one pair of every subject
// it reduces to NewBlandAltman's estimate.
//
// The error is stats.ErrLengths, stats.ErrNotFinite, stats.ErrTooFew below two
// subjects, stats.ErrNoVariance when all differences are equal.
//
// Bland & Altman, J Biopharm Stat 2007;17:571–582; Zou, Stat Methods Med Res
// 2013;22:630–642.
func NewRepeated(x, y []float64, subject []int, level float64) (Repeated, error) {
	const method = "Bland–Altman limits of agreement, repeated measures"
	if err := checkPaired(method, x, y, 1); err != nil {
		return Repeated{}, err
	}
	if len(subject) != len(x) {
		return Repeated{}, wrap(method, stats.ErrLengths)
	}
	if err := checkLevel(method, level); err != nil {
		return Repeated{}, err
	}
	groups := map[int][]float64{}
	for i, s := range subject {
		groups[s] = append(groups[s], x[i]-y[i])
	}
	k := len(groups)
	if k < 2 {
		return Repeated{}, fmt.Errorf("subjects: %w", &stats.TooFewError{Method: method, Got: k, Need: 2})
	}
	ids := make([]int, 0, k)
	for id := range groups {
		ids = append(ids, id)
	}
	sort.Ints(ids)
	var means, within, inverse []float64
	for _, id := range ids {
		d := groups[id]
		means = append(means, sum.Mean(d))
		within = append(within, sum.SumSquaresDev(d))
		inverse = append(inverse, 1/float64(len(d)))
	}
	n, dfWithin := len(x), float64(len(x)-k)
	r := Repeated{N: n, Subjects: k}
	bias, variance := sum.Mean(means), sum.Variance(means)
	pooled := 0.0
	if dfWithin > 0 {
		pooled = sum.Sum(within) / dfWithin
	}
	share := sum.Sum(inverse) / float64(k) // 1/m̃
	total := variance + (1-share)*pooled
	if total == 0 {
		return Repeated{}, wrap(method, stats.ErrNoVariance)
	}
	r.WithinSD, r.TotalSD = math.Sqrt(pooled), math.Sqrt(total)
	if between := variance - share*pooled; between > 0 {
		r.BetweenSD = math.Sqrt(between)
	} else if dfWithin > 0 {
		r.Notes = append(r.Notes, "the estimated variance between subjects is not positive and is taken as 0")
	}
	if dfWithin == 0 {
		r.WithinSD = math.NaN()
		r.Notes = append(r.Notes, "one pair a subject: the variance within subjects cannot be told from that between")
	}

	df, tail := float64(k-1), (1-level)/2
	half := -dist.TQuantile(tail, df) * math.Sqrt(variance/float64(k))
	r.Bias = around("t over subjects", bias, half, level)
	// Limits of the total variance: either mean square moved to its own limit.
	down := variance * (1 - df/dist.ChiSquaredQuantile(1-tail, df))
	up := variance * (df/dist.ChiSquaredQuantile(tail, df) - 1)
	var downWithin, upWithin float64
	if dfWithin > 0 {
		downWithin = (1 - share) * pooled * (1 - dfWithin/dist.ChiSquaredQuantile(1-tail, dfWithin))
		upWithin = (1 - share) * pooled * (dfWithin/dist.ChiSquaredQuantile(tail, dfWithin) - 1)
	}
	z := -dist.NormalQuantile(0.025)
	least := z * math.Sqrt(max(0, total-math.Hypot(down, downWithin)))
	most := z * math.Sqrt(total+math.Hypot(up, upWithin))
	reach := z * r.TotalSD
	inner, outer := math.Hypot(half, reach-least), math.Hypot(half, most-reach)
	const name = "variance estimates recovery (Zou)"
	r.Lower = stats.Interval{Estimate: bias - reach, Lower: bias - reach - outer, Upper: bias - reach + inner, Level: level, Method: name}
	r.Upper = stats.Interval{Estimate: bias + reach, Lower: bias + reach - inner, Upper: bias + reach + outer, Level: level, Method: name}
	return r, nil
}

// wrap names the method that an error comes from.
func wrap(method string, err error) error { return fmt.Errorf("%s: %w", method, err) }
