package correlation

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"keratally/stats"
	"keratally/stats/dist"
)

// KendallMethod says how Kendall finds its p value.
type KendallMethod int

const (
	AutomaticKendall KendallMethod = iota // ExactKendall without ties and below 50 rows, else NormalKendall
	ExactKendall                          // over all orders, without ties; up to 500 rows
	NormalKendall                         // normal, variance corrected for ties
	NormalKendallCC                       // the same with a continuity correction of 1 on concordant − discordant
)

// Concordance is the result of Kendall. Stat is the number of concordant pairs
// for the exact test, z for the normal one.
type Concordance struct {
	stats.Result // Estimate is τ_b
	Concordant   int
	Discordant   int
	TauA         float64 // (concordant − discordant)/(n(n−1)/2)
	Ties         bool
}

// Kendall returns the rank correlation τ_b of x and y, −1 to 1:
//
//	τ_b = (C − D)/√((n₀ − n₁)(n₀ − n₂))
//
// with C and D the pairs of rows in which x and y go the same and opposite
// ways, n₀ = n(n−1)/2 and n₁, n₂ the pairs tied in x and in y; and the test
// that the columns are independent. The normal test divides C − D by its
// standard deviation given the ties. Limits are tanh(atanh τ ± z·√(0.437/(n−4))),
// from n = 5 on; they are approximate, and more so for |τ| > 0.8.
//
// Fewer than two rows are ErrTooFew, a constant column ErrNoVariance
// with a result that has the counts,
// ExactKendall with ties or beyond 500 rows an *ArgumentError. Pairs are
// counted by sorting, in n log n steps; the exact test takes n³.
//
// Kendall, Biometrika 1938;30:81–93; variance with ties: Kendall, Rank
// Correlation Methods, 4th ed., chapter 4; counting: Knight, J Am Stat Assoc
// 1966;61:436–439; limits: Fieller, Hartley & Pearson, Biometrika 1957;44:470–481.
func Kendall(x, y []float64, alt stats.Alternative, level float64, method KendallMethod) (Concordance, error) {
	const name = "Kendall correlation"
	if err := stats.CheckLevel(level); err != nil {
		return Concordance{}, err
	}
	if err := stats.CheckPairs(name, x, y, 2); err != nil {
		return Concordance{}, err
	}
	p := countPairs(x, y)
	n := len(x)
	k := Concordance{
		Result:     stats.NewResult(name+" τ_b", n),
		Concordant: p.concordant, Discordant: p.discordant,
		TauA: float64(p.concordant-p.discordant) / float64(p.all),
		Ties: p.x.pairs > 0 || p.y.pairs > 0,
	}
	if p.x.pairs == p.all || p.y.pairs == p.all {
		return k, fmt.Errorf("%s: one column is constant: %w", name, stats.ErrNoVariance)
	}
	s := float64(p.concordant - p.discordant)
	k.Estimate, k.Alt = s/math.Sqrt(float64(p.all-p.x.pairs))/math.Sqrt(float64(p.all-p.y.pairs)), alt
	if method == AutomaticKendall {
		method = NormalKendall
		if !k.Ties && n < 50 {
			method = ExactKendall
		}
	}
	switch method {
	case ExactKendall:
		if k.Ties || n > mostExactKendall {
			return Concordance{}, &stats.ArgumentError{
				Name: "exact Kendall test", Got: fmt.Sprintf("of %d rows, ties %t", n, k.Ties),
				Want: fmt.Sprintf("used without ties and for at most %d rows", mostExactKendall),
			}
		}
		k.Method += ", exact"
		k.Stat = float64(p.concordant)
		k.P = alt.P(concordantTails(n, p.concordant))
	case NormalKendall, NormalKendallCC:
		k.Method += ", normal approximation"
		if method == NormalKendallCC {
			k.Method += " with continuity correction"
			s = math.Copysign(math.Max(0, math.Abs(s)-1), s)
		}
		k.Stat = s / math.Sqrt(p.variance(float64(n)))
		k.P = dist.PZ(k.Stat, alt)
	default:
		return Concordance{}, &stats.ArgumentError{Name: "method of the Kendall test", Got: int(method), Want: "one of the named methods"}
	}
	if n > 4 {
		k.Interval = fisher(k.Estimate, math.Sqrt(0.437/float64(n-4)), alt, level, "Fieller")
	} else {
		k.Note("fewer than five rows allow no limits")
	}
	return k, nil
}

// mostExactKendall is the number of rows beyond which the exact test is refused.
const mostExactKendall = 500

// tied sums over groups of t equal values.
type tied struct {
	pairs                  int // Σ t(t−1)/2
	ordered, triples, wide float64
}

func (s *tied) add(t int) {
	s.pairs += t * (t - 1) / 2
	v := float64(t)
	s.ordered += v * (v - 1)
	s.triples += v * (v - 1) * (v - 2)
	s.wide += v * (v - 1) * (2*v + 5)
}

type pairCounts struct {
	all, concordant, discordant int
	x, y                        tied
}

// variance is that of concordant − discordant for independent columns with
// these ties.
func (p pairCounts) variance(n float64) float64 {
	v := (n*(n-1)*(2*n+5)-p.x.wide-p.y.wide)/18 + p.x.ordered*p.y.ordered/(2*n*(n-1))
	if n > 2 {
		v += p.x.triples * p.y.triples / (9 * n * (n - 1) * (n - 2))
	}
	return v
}

// countPairs sorts rows by x, then y, and counts the exchanges that sorting them
// by y takes: each is a discordant pair.
func countPairs(x, y []float64) pairCounts {
	type row struct{ x, y float64 }
	rows := make([]row, len(x))
	for i := range x {
		rows[i] = row{x[i], y[i]}
	}
	slices.SortFunc(rows, func(a, b row) int { return cmp.Or(cmp.Compare(a.x, b.x), cmp.Compare(a.y, b.y)) })
	p := pairCounts{all: len(x) * (len(x) - 1) / 2}
	both := tied{}
	runs(len(rows), func(i, j int) bool { return rows[i].x == rows[j].x }, p.x.add)
	runs(len(rows), func(i, j int) bool { return rows[i] == rows[j] }, both.add)
	order := make([]float64, len(rows))
	for i, r := range rows {
		order[i] = r.y
	}
	p.discordant = exchanges(order, make([]float64, len(order)))
	runs(len(order), func(i, j int) bool { return order[i] == order[j] }, p.y.add)
	p.concordant = p.all - p.x.pairs - p.y.pairs + both.pairs - p.discordant
	return p
}

// runs calls add with the length of every run of equal neighbours.
func runs(n int, equal func(i, j int) bool, add func(length int)) {
	for start := 0; start < n; {
		end := start + 1
		for end < n && equal(start, end) {
			end++
		}
		add(end - start)
		start = end
	}
}

// exchanges sorts v by merging, with work of the same length, and returns how
// many pairs were out of order.
func exchanges(v, work []float64) int {
	if len(v) < 2 {
		return 0
	}
	half := len(v) / 2
	left, right := v[:half], v[half:]
	count := exchanges(left, work[:half]) + exchanges(right, work[half:])
	copy(work, v)
	left, right = work[:half], work[half:]
	for i := range v {
		switch {
		case len(left) == 0:
			v[i], right = right[0], right[1:]
		case len(right) == 0 || left[0] <= right[0]:
			v[i], left = left[0], left[1:]
		default:
			count += len(left)
			v[i], right = right[0], right[1:]
		}
	}
	return count
}

// concordantTails returns P(C ≤ c) and P(C ≥ c) for the number of concordant
// pairs of n untied rows in random order: the i-th row adds 0 … i−1 of them
// with equal probability.
func concordantTails(n, c int) (less, greater float64) {
	pairs := n * (n - 1) / 2
	probability, next := make([]float64, pairs+1), make([]float64, pairs+1)
	probability[0] = 1
	for i := 2; i <= n; i++ {
		top := i * (i - 1) / 2
		// The distribution is symmetric: half of it is added up, term by term
		// from the tail, and mirrored.
		for s := 0; s <= top/2; s++ {
			total := 0.0
			for from := max(0, s-i+1); from <= s; from++ {
				total += probability[from]
			}
			next[s] = total / float64(i)
			next[top-s] = next[s]
		}
		probability, next = next, probability
	}
	for s := 0; s <= c; s++ {
		less += probability[s]
	}
	for s := pairs; s >= c; s-- {
		greater += probability[s]
	}
	return math.Min(1, less), math.Min(1, greater)
}
