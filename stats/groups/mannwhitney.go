package groups

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/rank"
)

// Distribution says how MannWhitney finds its p value.
type Distribution int

const (
	Automatic         Distribution = iota // Exact where both samples have at most ExactLimit values, else NormalCorrected
	Exact                                 // over all allocations of the midranks, ties and all
	NormalCorrected                       // normal, variance corrected for ties, continuity correction ½
	NormalUncorrected                     // normal, variance corrected for ties, no continuity correction
)

// ExactLimit is the size of the larger sample up to which Automatic is exact,
// and exactCeiling the size of both together beyond which Exact is refused.
const (
	ExactLimit   = 50
	exactCeiling = 400
)

// MannWhitneyOptions are the choices of MannWhitney; the zero value is its
// default: two-sided, exact up to ExactLimit.
type MannWhitneyOptions struct {
	Alternative  stats.Alternative
	Distribution Distribution
	// Unit, if positive, is the step in which the data were recorded: values
	// are rounded to whole steps before ranking, so that binary fractions do
	// not decide ties.
	Unit float64
}

// MannWhitneyTest is the result of MannWhitney. Stat is U of the first sample:
// the number of pairs in which its value is the larger, ties counting ½.
// Estimate is P(X > Y) + ½·P(X = Y) = U/(m·n).
type MannWhitneyTest struct {
	stats.Result
	First, Second   int     // sizes of the samples
	U, USecond      float64 // of the first and of the second sample; they add to m·n
	Ties            bool
	Z               float64 // (U − m·n/2)/√Var U, tie-corrected, not continuity-corrected
	PLess, PGreater float64 // one-sided p values from the same distribution as P
	PDoubled        float64 // twice the smaller tail, at most 1; equal to P unless ties skew the exact distribution
	RankBiserial    float64 // 2U/(m·n) − 1, −1 to 1
}

// MannWhitney is the rank-sum test that x and y come from one distribution,
// against one of them tending to larger values. Values are ranked together,
// equal ones sharing the mean of their ranks.
//
// The exact distribution takes all C(m+n, m) allocations of the midranks found
// to the samples as equally likely, so that it holds with ties; its two-sided p
// counts the allocations whose U is at least as far from m·n/2 as the one found.
// The normal one is z = (U − m·n/2 − c)/σ,
//
//	σ² = m·n/12·[(N+1) − Σ(t³−t)/(N(N−1))],  N = m + n
//
// with c = ½ towards the mean (two-sided) or against the alternative, which is
// about x.
//
// It assumes independent observations. An empty sample is ErrNoData; all values
// equal are ErrNoVariance; Exact with more than 400 values is an
// *ArgumentError. Exact costs about N·min(m,n)²·max(m,n) steps, the normal
// N log N.
//
// Mann & Whitney, Ann Math Stat 1947;18:50–60; Wilcoxon, Biometrics Bull
// 1945;1:80–83; exact with midranks: Hollander & Wolfe, Nonparametric
// Statistical Methods, 3rd ed., 4.1.
func MannWhitney(x, y []float64, options MannWhitneyOptions) (MannWhitneyTest, error) {
	const method = "Mann–Whitney test"
	if err := checkBoth(method, x, y, 1); err != nil {
		return MannWhitneyTest{}, err
	}
	ranked := rankTogether(x, y, options.Unit)
	if ranked.sigma == 0 {
		return MannWhitneyTest{}, noVariance(method)
	}
	m, n := float64(len(x)), float64(len(y))
	t := MannWhitneyTest{
		Result: stats.NewResult("Mann–Whitney", len(x)+len(y)),
		First:  len(x), Second: len(y), U: ranked.u, USecond: m*n - ranked.u, Ties: ranked.ties,
		Z: (ranked.u - m*n/2) / ranked.sigma, RankBiserial: 2*ranked.u/(m*n) - 1,
	}
	t.Stat, t.Estimate, t.Alt = t.U, t.U/(m*n), options.Alternative
	distribution := options.Distribution
	if distribution == Automatic {
		distribution = Exact
		if max(len(x), len(y)) > ExactLimit {
			distribution = NormalCorrected
			t.Note("normal approximation: more than %d values in a group", ExactLimit)
		}
	}
	switch distribution {
	case Exact:
		if t.N > exactCeiling {
			return MannWhitneyTest{}, &stats.ArgumentError{
				Name: "number of values for an exact Mann–Whitney test", Got: t.N,
				Want: fmt.Sprintf("at most %d: use the normal approximation", exactCeiling),
			}
		}
		t.Method += ", exact with midranks"
		var far float64
		t.PLess, t.PGreater, far = allocations(ranked.doubled, len(x))
		t.PDoubled = stats.TwoSided.P(t.PLess, t.PGreater)
		t.P = far
		if options.Alternative != stats.TwoSided {
			t.P = options.Alternative.P(t.PLess, t.PGreater)
		}
	case NormalCorrected, NormalUncorrected:
		t.Method += ", normal approximation"
		if distribution == NormalCorrected {
			t.Method += " with continuity correction"
		}
		p := func(alt stats.Alternative) float64 {
			return dist.PZ(ranked.z(m*n/2, alt, distribution == NormalCorrected), alt)
		}
		t.PLess, t.PGreater, t.P = p(stats.Less), p(stats.Greater), p(options.Alternative)
		t.PDoubled = p(stats.TwoSided)
	default:
		return MannWhitneyTest{}, &stats.ArgumentError{
			Name: "distribution of the Mann–Whitney test", Got: int(distribution), Want: "one of the named distributions",
		}
	}
	return t, nil
}

// together is two samples ranked as one.
type together struct {
	doubled []int   // twice the midranks, those of the first sample first
	u       float64 // Mann–Whitney count of the first sample
	sigma   float64 // its standard deviation under the null, tie-corrected
	ties    bool
}

func rankTogether(x, y []float64, unit float64) together {
	all := make([]float64, 0, len(x)+len(y))
	all = append(append(all, x...), y...)
	if unit > 0 {
		for i, v := range all {
			all[i] = math.Round(v / unit)
		}
	}
	ranks, tied := rank.Midranks(all)
	r := together{doubled: make([]int, len(ranks)), ties: len(tied) < len(all)}
	first := 0
	for i, v := range ranks {
		r.doubled[i] = int(2 * v)
		if i < len(x) {
			first += r.doubled[i]
		}
	}
	m, n := float64(len(x)), float64(len(y))
	r.u = float64(first-len(x)*(len(x)+1)) / 2
	// N(N²−1) − Σ(t³−t) is a whole number, 0 exactly when all values are equal.
	size := m + n
	r.sigma = math.Sqrt(m * n / 12 * (size*(size*size-1) - rank.TieSum(tied)) / (size * (size - 1)))
	return r
}

// z standardises U about its mean, corrected for continuity or not.
func (r together) z(mean float64, alt stats.Alternative, corrected bool) float64 {
	deviation := r.u - mean
	if corrected {
		deviation -= alt.Continuity(deviation)
	}
	return deviation / r.sigma
}

// allocations returns P(S ≤ s), P(S ≥ s) and P(|S − E S| ≥ |s − E S|) for the
// rank sum S of first values drawn from all, s being that of the ones found.
// ways[j][s] counts the choices of j values of sum s; counts beyond 2⁵³ are
// rounded, which costs their last digits only because all are added.
func allocations(doubled []int, first int) (less, greater, far float64) {
	observed, total, step := 0, 0, 2
	for i, r := range doubled {
		if i < first {
			observed += r
		}
		total += r
		if r%2 == 1 {
			step = 1
		}
	}
	size := len(doubled)
	mirrored := first > size-first // the smaller sample is the cheaper to follow
	if mirrored {
		observed, first = total-observed, size-first
	}
	ways := countSums(doubled, first, step)
	all := 0.0
	mean := first * (size + 1)
	for s, count := range ways {
		all += count
		sum := s * step
		if sum <= observed {
			less += count
		}
		if abs(sum-mean) >= abs(observed-mean) {
			far += count
		}
	}
	for s := len(ways) - 1; s*step >= observed && s >= 0; s-- {
		greater += ways[s]
	}
	if mirrored {
		less, greater = greater, less
	}
	return less / all, greater / all, far / all
}

// countSums returns, by sum/step, the number of ways to choose k of the values.
func countSums(values []int, k, step int) []float64 {
	sorted := make([]float64, len(values))
	for i, v := range values {
		sorted[i] = float64(v / step)
	}
	sorted = rank.Sorted(sorted)
	smallest, largest := make([]int, k+1), make([]int, k+1) // sums of j of the values seen so far
	ways := make([][]float64, k+1)
	room := 0
	for j := range ways {
		if j > 0 {
			room += int(sorted[len(sorted)-j])
		}
		ways[j] = make([]float64, room+1)
	}
	ways[0][0] = 1
	for i, value := range sorted {
		v := int(value)
		for j := min(i+1, k); j > 0; j-- {
			from := ways[j-1][smallest[j-1] : largest[j-1]+1]
			to := ways[j][v+smallest[j-1]:]
			for s, count := range from {
				to[s] += count
			}
		}
		// The largest j of an ascending list are its last j.
		for j := min(i+1, k); j > 0; j-- {
			largest[j] = largest[j-1] + v
			if j == i+1 {
				smallest[j] = smallest[j-1] + v
			}
		}
	}
	return ways[k]
}

func abs(i int) int { return max(i, -i) }
