package proportion

import (
	"math"

	"keratally/stats/root"
)

// oddsReach bounds the logarithm of an odds ratio that is searched for: e^±60
// is 10^±26, beyond any table.
const oddsReach = 60

// family is Fisher's noncentral hypergeometric family on the integers from lo:
// given the margins, the first cell is k with probability proportional to
// exp(log[k−lo] + k·ln OR). The logarithms are relative to an arbitrary level;
// a combination over strata is such a family too.
type family struct {
	lo  int
	log []float64
}

// newHypergeometric returns the family of the first cell of a 2×2 table with n
// and m in its rows and t in its first column. The ratios of neighbours,
// summed as logarithms outwards from the mode, keep more digits than
// differences of log gammas.
func newHypergeometric(n, m, t int) family {
	lo, hi := max(0, t-m), min(n, t)
	f := family{lo: lo, log: make([]float64, hi-lo+1)}
	mode := int(float64(n+1) * float64(t+1) / float64(n+m+2))
	mode = min(hi, max(lo, mode))
	up := func(k int) float64 { // P(k+1)/P(k)
		return float64(n-k) * float64(t-k) / (float64(k+1) * float64(m-t+k+1))
	}
	for k := mode; k < hi; k++ {
		f.log[k+1-lo] = f.log[k-lo] + math.Log(up(k))
	}
	for k := mode - 1; k >= lo; k-- {
		f.log[k-lo] = f.log[k+1-lo] - math.Log(up(k))
	}
	return f
}

func (f family) hi() int { return f.lo + len(f.log) - 1 }

// at returns the probabilities at the log odds ratio l.
func (f family) at(l float64) []float64 {
	p := make([]float64, len(f.log))
	largest := math.Inf(-1)
	for i, v := range f.log {
		p[i] = v + l*float64(i)
		largest = max(largest, p[i])
	}
	total := 0.0
	for i := range p {
		p[i] = math.Exp(p[i] - largest)
		total += p[i]
	}
	for i := range p {
		p[i] /= total
	}
	return p
}

// mean returns the expected first cell at the log odds ratio l.
func (f family) mean(l float64) float64 {
	s := 0.0
	for i, p := range f.at(l) {
		s += p * float64(i)
	}
	return float64(f.lo) + s
}

// atLeast and atMost return tail probabilities at the log odds ratio l, each
// summed from its small end.
func (f family) atLeast(x int, l float64) float64 {
	p, s := f.at(l), 0.0
	for i := len(p) - 1; i >= max(0, x-f.lo); i-- {
		s += p[i]
	}
	return min(1, s)
}

func (f family) atMost(x int, l float64) float64 {
	p, s := f.at(l), 0.0
	for i := 0; i <= min(len(p)-1, x-f.lo); i++ {
		s += p[i]
	}
	return min(1, s)
}

// noMoreLikely returns the probability, at odds ratio 1, of all values no more
// likely than x.
func (f family) noMoreLikely(x int) float64 {
	p := f.at(0)
	limit := p[x-f.lo] * likelihoodFuzz
	below, above := 0.0, 0.0
	i, j := 0, len(p)-1
	for ; i < len(p) && p[i] <= limit; i++ {
		below += p[i]
	}
	for ; j >= i && p[j] <= limit; j-- {
		above += p[j]
	}
	for ; i <= j; i++ { // a plateau in between, or nothing
		if p[i] <= limit {
			below += p[i]
		}
	}
	return min(1, below+above)
}

// oddsRatio returns the conditional maximum likelihood estimate and the exact
// central limits of the odds ratio given the first cell x.
func (f family) oddsRatio(x int, level float64) (estimate, lower, upper float64) {
	tail := (1 - level) / 2
	upper = math.Inf(1)
	if x > f.lo {
		estimate = math.Inf(1)
		lower = math.Exp(root.Bisect(func(l float64) float64 { return f.atLeast(x, l) - tail }, -oddsReach, oddsReach))
	}
	if x < f.hi() {
		estimate = 0
		upper = math.Exp(root.Bisect(func(l float64) float64 { return f.atMost(x, l) - tail }, -oddsReach, oddsReach))
	}
	if x > f.lo && x < f.hi() {
		estimate = math.Exp(root.Bisect(func(l float64) float64 { return f.mean(l) - float64(x) }, -oddsReach, oddsReach))
	}
	return estimate, lower, upper
}

// convolve returns the family of the sum of two independent first cells that
// share one odds ratio, computed at the log odds ratio tilt, where both have
// their weight, and reported at odds ratio 1.
func (f family) convolve(g family, tilt float64) family {
	p, q := f.at(tilt), g.at(tilt)
	sum := make([]float64, len(p)+len(q)-1)
	for i, a := range p {
		if a == 0 {
			continue
		}
		for j, b := range q {
			sum[i+j] += a * b
		}
	}
	for k := range sum {
		sum[k] = math.Log(sum[k]) - tilt*float64(k)
	}
	return family{lo: f.lo + g.lo, log: sum}
}
