package survival

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"keratally/stats"
)

// Interval is when an event is known to have happened: after Left and at or
// before Right, (Left, Right]. Left equal to Right is an exact time; Right of
// +Inf means that it had not happened by Left (right-censored); Left of 0 that
// it had happened by Right.
type Interval struct{ Left, Right float64 }

// Mass is the probability that the estimate puts into an innermost interval,
// (Left, Right] or the exact time Left = Right. Where in the interval it lies
// the data do not say.
type Mass struct {
	Interval
	P float64
}

// NPMLE is the nonparametric maximum likelihood estimate of the distribution
// of an interval-censored time.
type NPMLE struct {
	Method     string
	N          int
	Masses     []Mass  // innermost intervals with probability above 0, ascending
	LogLik     float64 // Σ log of the probability of each row's interval
	KuhnTucker float64 // largest (1/n)Σ 1/P(interval) over innermost intervals, less 1
	Iterations int
}

// Turnbull returns the nonparametric maximum likelihood estimate from
// interval-censored times. The likelihood is changed only by the probability of
// the innermost intervals (a left end followed at once by a right end), which
// is found by alternating a self-consistency (EM) step with a convex-minorant
// step, until the Kuhn–Tucker conditions hold to 1e-9: for each innermost
// interval (1/n)·Σ 1/P over the rows that contain it is at most 1, and 1 where
// it has probability. The log likelihood is then within n·1e-9 of the maximum.
//
// With right-censored and exact times it is the Kaplan–Meier estimate. It
// assumes that the visits that bound the time say nothing of the event. Ends
// are compared exactly, so give times on one grid, such as days. Errors:
// stats.ErrNoData; stats.ErrNotFinite for NaN or an infinite Left;
// *stats.ArgumentError if Left is negative or above Right; stats.ErrNoEvents if
// every row is right-censored; stats.ErrNotConverged.
//
// Turnbull, J R Stat Soc B 1976;38:290–295. Wellner & Zhan, J Am Stat Assoc
// 1997;92:945–959.
func Turnbull(rows []Interval) (*NPMLE, error) {
	e := &NPMLE{Method: "interval-censored NPMLE (Turnbull)", N: len(rows)}
	fail := func(err error) (*NPMLE, error) { return nil, fmt.Errorf("%s: %w", e.Method, err) }
	if len(rows) == 0 {
		return fail(stats.ErrNoData)
	}
	censored := 0
	for i, r := range rows {
		if math.IsNaN(r.Left) || math.IsNaN(r.Right) || math.IsInf(r.Left, 0) {
			return fail(fmt.Errorf("row %d: %w", i+1, stats.ErrNotFinite))
		}
		if r.Left < 0 || r.Left > r.Right {
			return fail(fmt.Errorf("row %d: %w", i+1, &stats.ArgumentError{
				Name: "interval", Got: r, Want: "a left end of 0 or more, not above the right end",
			}))
		}
		if math.IsInf(r.Right, 1) {
			censored++
		}
	}
	if censored == len(rows) {
		return fail(stats.ErrNoEvents)
	}
	inner := innermost(rows)
	m := newIntervalModel(rows, inner)
	p, err := m.maximise(e)
	if err != nil {
		return fail(err)
	}
	for j, x := range p {
		if x > 0 {
			e.Masses = append(e.Masses, Mass{Interval: inner[j], P: x})
		}
	}
	return e, nil
}

// SurvivalBounds returns the least and the greatest probability of no event up
// to and including t that the estimate allows: they differ where t lies inside
// an interval with mass.
func (e *NPMLE) SurvivalBounds(t float64) (least, greatest float64) {
	least, greatest = 1, 1
	for _, m := range e.Masses {
		if m.Right <= t {
			greatest -= m.P
		}
		if m.Left < t || m.Right <= t {
			least -= m.P
		}
	}
	return max(0, least), max(0, greatest)
}

// edge is an end of an interval. At one time the order is: the left end of an
// exact time, right ends, left ends (which are open).
type edge struct {
	at   float64
	kind int // 0 exact left, 1 right, 2 open left
}

func edges(r Interval) (left, right edge) {
	if r.Left == r.Right {
		return edge{r.Left, 0}, edge{r.Right, 1}
	}
	return edge{r.Left, 2}, edge{r.Right, 1}
}

func (e edge) compare(o edge) int {
	switch {
	case e.at < o.at:
		return -1
	case e.at > o.at:
		return 1
	}
	return e.kind - o.kind
}

// innermost returns the intervals from a left end to the right end next above
// it, ascending.
func innermost(rows []Interval) []Interval {
	all := make([]edge, 0, 2*len(rows))
	for _, r := range rows {
		left, right := edges(r)
		all = append(all, left, right)
	}
	slices.SortFunc(all, edge.compare)
	var out []Interval
	for k := 1; k < len(all); k++ {
		if all[k-1].kind != 1 && all[k].kind == 1 {
			out = append(out, Interval{all[k-1].at, all[k].at})
		}
	}
	return out
}

// intervalModel knows for each row the run of innermost intervals it contains.
type intervalModel struct {
	m           int
	first, last []int // last is exclusive
}

func newIntervalModel(rows, inner []Interval) *intervalModel {
	mod := &intervalModel{m: len(inner), first: make([]int, len(rows)), last: make([]int, len(rows))}
	for i, r := range rows {
		left, right := edges(r)
		mod.first[i] = sort.Search(mod.m, func(j int) bool {
			l, _ := edges(inner[j])
			return l.compare(left) >= 0
		})
		mod.last[i] = sort.Search(mod.m, func(j int) bool {
			_, rt := edges(inner[j])
			return rt.compare(right) > 0
		})
	}
	return mod
}

// maximise returns the probabilities of the innermost intervals.
func (mod *intervalModel) maximise(e *NPMLE) ([]float64, error) {
	const (
		maxIterations = 20000
		tolerance     = 1e-9
	)
	p := make([]float64, mod.m)
	for j := range p {
		p[j] = 1 / float64(mod.m)
	}
	for e.Iterations = 0; e.Iterations < maxIterations; e.Iterations++ {
		gradient := mod.gradient(p)
		e.KuhnTucker = slices.Max(gradient) - 1
		if e.KuhnTucker < tolerance {
			e.LogLik = mod.logLik(p)
			return p, nil
		}
		for j := range p {
			p[j] *= gradient[j] // self-consistency
		}
		p = mod.convexMinorantStep(p)
	}
	return nil, stats.ErrNotConverged
}

// row returns the probability of row i from the cumulated probabilities.
func (mod *intervalModel) row(cum []float64, i int) float64 {
	return cum[mod.last[i]] - cum[mod.first[i]]
}

// cumulate returns 0, p1, p1+p2, …
func cumulate(p []float64) []float64 {
	cum := make([]float64, len(p)+1)
	for j, x := range p {
		cum[j+1] = cum[j] + x
	}
	return cum
}

func (mod *intervalModel) logLik(p []float64) float64 {
	cum, sum := cumulate(p), 0.0
	for i := range mod.first {
		sum += math.Log(mod.row(cum, i))
	}
	return sum
}

// gradient returns (1/n)·Σ 1/P over the rows that contain each interval.
func (mod *intervalModel) gradient(p []float64) []float64 {
	cum := cumulate(p)
	diff := make([]float64, mod.m+1)
	n := float64(len(mod.first))
	for i := range mod.first {
		w := 1 / (n * mod.row(cum, i))
		diff[mod.first[i]] += w
		diff[mod.last[i]] -= w
	}
	out, sum := make([]float64, mod.m), 0.0
	for j := range out {
		sum += diff[j]
		out[j] = sum
	}
	return out
}

// convexMinorantStep moves the cumulated probabilities by a Newton step with
// the diagonal of the Hessian, made monotone by weighted isotonic regression,
// and halves the step until the likelihood does not fall.
func (mod *intervalModel) convexMinorantStep(p []float64) []float64 {
	if mod.m < 2 {
		return p
	}
	cum := cumulate(p)
	k := mod.m - 1 // free: cum[1] … cum[k]
	g, h := make([]float64, k), make([]float64, k)
	for i := range mod.first {
		w := 1 / mod.row(cum, i)
		if a := mod.first[i]; a > 0 {
			g[a-1] -= w
			h[a-1] += w * w
		}
		if b := mod.last[i]; b <= k {
			g[b-1] += w
			h[b-1] += w * w
		}
	}
	target := make([]float64, k)
	for j := range target {
		target[j] = cum[j+1]
		if h[j] > 0 {
			target[j] += g[j] / h[j]
		} else {
			h[j] = 1e-12
		}
	}
	fitted := isotonic(target, h)
	from := mod.logLik(p)
	for share := 1.0; share > 1e-6; share /= 2 {
		next, below := make([]float64, mod.m), 0.0
		for j := range fitted {
			at := cum[j+1] + share*(min(1, max(0, fitted[j]))-cum[j+1])
			next[j] = max(0, at-below)
			below = max(below, at)
		}
		next[k] = 1 - below
		if ll := mod.logLik(next); ll >= from {
			return next
		}
	}
	return p
}

// isotonic returns the nondecreasing sequence nearest to y in weighted squares.
func isotonic(y, w []float64) []float64 {
	type block struct {
		mean, weight float64
		size         int
	}
	var blocks []block
	for i := range y {
		b := block{y[i], w[i], 1}
		for len(blocks) > 0 && blocks[len(blocks)-1].mean >= b.mean {
			a := blocks[len(blocks)-1]
			blocks = blocks[:len(blocks)-1]
			total := a.weight + b.weight
			b = block{(a.mean*a.weight + b.mean*b.weight) / total, total, a.size + b.size}
		}
		blocks = append(blocks, b)
	}
	out := make([]float64, 0, len(y))
	for _, b := range blocks {
		for range b.size {
			out = append(out, b.mean)
		}
	}
	return out
}
