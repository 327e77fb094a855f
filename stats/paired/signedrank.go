package paired

import (
	"fmt"
	"math"
	"slices"

	"keratally/stats"
	"keratally/stats/dist"
)

// Zeros says what the signed-rank test does with differences of zero.
type Zeros int

const (
	DropZeros  Zeros = iota // left out before ranking (Wilcoxon 1945); the default
	PrattZeros              // ranked with the others, then left out (Pratt 1959)
)

// Distribution says how the signed-rank test finds its p value.
type Distribution int

const (
	Automatic         Distribution = iota // Exact up to ExactLimit non-zero differences, then NormalCorrected
	Exact                                 // conditional on the ranks, ties and all
	NormalCorrected                       // normal, variance corrected for ties, continuity correction ½
	NormalUncorrected                     // normal, variance corrected for ties, no continuity correction
)

// ExactLimit is the number of non-zero differences up to which Automatic is
// exact, and exactCeiling the number beyond which Exact is refused.
const (
	ExactLimit   = 200
	exactCeiling = 1000
)

// SignedRankOptions are the choices of SignedRank; the zero value is its
// default: two-sided, zeros dropped, exact up to ExactLimit.
type SignedRankOptions struct {
	Alternative  stats.Alternative
	Zeros        Zeros
	Distribution Distribution
	// Unit, if positive, is the step in which the data were recorded, such as
	// 0.02 logMAR: differences are rounded to whole steps before ranking, so
	// that binary fractions decide neither ties nor zeros. With 0, differences
	// tie when they are equal as doubles.
	Unit float64
}

// SignedRankTest is the result of SignedRank. Stat is V, the sum of the ranks
// of the positive differences; N counts all differences.
type SignedRankTest struct {
	stats.Result
	Zero, Used               int     // differences that are zero, and those ranked and signed
	SumPositive, SumNegative float64 // rank sums by sign; SumPositive is V
	Ties                     bool    // whether two non-zero differences are equal in size
	Z                        float64 // (V − E V)/√Var V under the null, tie-corrected, not continuity-corrected
	PLess, PGreater          float64 // one-sided p values from the same distribution as P
	RankBiserial             float64 // (SumPositive − SumNegative)/their sum, −1 to 1
}

// SignedRank is Wilcoxon's signed-rank test that the differences d are
// symmetric about zero. Sizes are ranked, equal sizes sharing the mean of
// their ranks (midranks), and V is the sum of the ranks of the positive ones.
//
// The exact distribution takes each sign as a fair coin given the ranks found
// and adds the 2ⁿ outcomes by convolution over twice the midranks, which are
// integers, so it holds with ties and zeros. The two-sided p is twice the
// smaller tail, at most 1. The normal distribution uses, over the ranks r,
//
//	z = (V − Σr/2 − c) / √(Σr²/4)
//
// whose variance is n(n+1)(2n+1)/24 − Σ(t³−t)/48 when zeros are dropped; c is ½
// towards the mean (two-sided) or against the alternative.
//
// It assumes independent differences. No difference is ErrNoData. All zero are
// ErrAllZero, with a result that counts them and whose p is 1: nothing speaks
// against the hypothesis, and nothing was tested. Exact with more than 1000 non-zero differences is an
// *ArgumentError. Exact costs n³ steps, the normal n log n.
//
// Wilcoxon, Biometrics Bull 1945;1:80–83; Pratt, J Am Stat Assoc
// 1959;54:655–667; exact with midranks: Hollander & Wolfe, Nonparametric
// Statistical Methods, 3rd ed., 3.1.
func SignedRank(d []float64, options SignedRankOptions) (SignedRankTest, error) {
	const method = "signed-rank test"
	if err := stats.CheckSample(method, d, 1); err != nil {
		return SignedRankTest{}, err
	}
	ranked := rankSizes(d, options)
	used := len(d) - ranked.zero
	if used == 0 {
		t := SignedRankTest{Result: stats.NewResult("Wilcoxon signed-rank", len(d)), Zero: len(d), PLess: 1, PGreater: 1, Z: math.NaN(), RankBiserial: math.NaN()}
		t.P, t.Stat, t.Alt = 1, 0, options.Alternative
		return t, fmt.Errorf("%s: %w", method, stats.ErrAllZero)
	}
	t := SignedRankTest{
		Result: stats.NewResult("Wilcoxon signed-rank", len(d)),
		Zero:   ranked.zero, Used: used,
		SumPositive: float64(ranked.positive) / 2,
		SumNegative: float64(ranked.total-ranked.positive) / 2,
		Ties:        len(ranked.doubled) < used,
	}
	mean, sd := float64(ranked.total)/4, math.Sqrt(ranked.squares)/4
	t.Stat, t.Alt = t.SumPositive, options.Alternative
	t.Z = (t.SumPositive - mean) / sd
	t.RankBiserial = (t.SumPositive - t.SumNegative) / (t.SumPositive + t.SumNegative)

	distribution := options.Distribution
	if distribution == Automatic {
		distribution = Exact
		if used > ExactLimit {
			distribution = NormalCorrected
			t.Note("normal approximation: more than %d non-zero differences", ExactLimit)
		}
	}
	switch distribution {
	case Exact:
		if used > exactCeiling {
			return SignedRankTest{}, &stats.ArgumentError{
				Name: "number of non-zero differences for an exact signed-rank test", Got: used,
				Want: fmt.Sprintf("at most %d: use the normal approximation", exactCeiling),
			}
		}
		t.Method += ", exact with midranks"
		t.PLess, t.PGreater = ranked.exactTails()
		t.P = options.Alternative.P(t.PLess, t.PGreater)
	case NormalCorrected, NormalUncorrected:
		t.Method += ", normal approximation"
		p := func(alt stats.Alternative) float64 {
			deviation := t.SumPositive - mean
			if distribution == NormalCorrected {
				deviation -= alt.Continuity(deviation)
			}
			return dist.PZ(deviation/sd, alt)
		}
		if distribution == NormalCorrected {
			t.Method += " with continuity correction"
		}
		t.PLess, t.PGreater, t.P = p(stats.Less), p(stats.Greater), p(options.Alternative)
	default:
		return SignedRankTest{}, &stats.ArgumentError{
			Name: "distribution of the signed-rank test", Got: int(distribution), Want: "one of the named distributions",
		}
	}
	t.describeZeros(options.Zeros)
	return t, nil
}

func (t *SignedRankTest) describeZeros(zeros Zeros) {
	switch {
	case t.Zero == 0:
	case zeros == PrattZeros:
		t.Note("%d of %d differences are zero: ranked, then left out (Pratt)", t.Zero, t.N)
	default:
		t.Note("%d of %d differences are zero: left out (Wilcoxon)", t.Zero, t.N)
	}
}

// signedRanks holds twice the midranks, which are integers.
type signedRanks struct {
	doubled, count  []int // each distinct twice-midrank, ascending, and how many share it
	zero            int
	total, positive int     // sums of twice-midranks, of all and of the positive differences
	squares         float64 // sum of squared twice-midranks
}

// rankSizes ranks |d|. Size and sign share one integer key, so that one sort of
// integers does: the sign of a double is its top bit, which moves to the bottom.
func rankSizes(d []float64, options SignedRankOptions) signedRanks {
	keys := make([]uint64, 0, len(d))
	for _, v := range d {
		if options.Unit > 0 {
			v = math.Round(v / options.Unit)
		}
		if v == 0 {
			continue
		}
		key := math.Float64bits(math.Abs(v)) << 1
		if v > 0 {
			key |= 1
		}
		keys = append(keys, key)
	}
	slices.Sort(keys)
	ranked := signedRanks{zero: len(d) - len(keys)}
	below := 0
	if options.Zeros == PrattZeros {
		below = ranked.zero
	}
	for start := 0; start < len(keys); {
		size, end, positive := keys[start]>>1, start, 0
		for ; end < len(keys) && keys[end]>>1 == size; end++ {
			positive += int(keys[end] & 1)
		}
		tied := end - start
		doubled := 2*(below+start) + tied + 1
		ranked.doubled = append(ranked.doubled, doubled)
		ranked.count = append(ranked.count, tied)
		ranked.total += doubled * tied
		ranked.positive += doubled * positive
		ranked.squares += float64(doubled) * float64(doubled) * float64(tied)
		start = end
	}
	return ranked
}

// exactTails returns P(V ≤ v) and P(V ≥ v).
func (r signedRanks) exactTails() (lower, upper float64) {
	step := 2 // whole ranks need half the table
	for _, k := range r.doubled {
		if k%2 == 1 {
			step = 1
			break
		}
	}
	probabilities := make([]float64, r.total/step+1)
	probabilities[0] = 1
	top := 0
	for i, doubled := range r.doubled {
		k := doubled / step
		for range r.count[i] {
			top += k
			for s := top; s >= k; s-- {
				probabilities[s] = (probabilities[s] + probabilities[s-k]) / 2
			}
			for s := range probabilities[:k] {
				probabilities[s] /= 2
			}
		}
	}
	v := r.positive / step
	for _, p := range probabilities[:v+1] {
		lower += p
	}
	for s := len(probabilities) - 1; s >= v; s-- {
		upper += probabilities[s]
	}
	return math.Min(1, lower), math.Min(1, upper)
}
