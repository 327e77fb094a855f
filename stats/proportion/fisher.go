package proportion

import (
	"fmt"
	"math"
	"sort"

	"keratally/stats"
)

// fisherWork bounds the steps that an r×c enumeration may take, a few seconds'
// worth; fisherColumns the rows that a state can hold.
const fisherWork = 300_000_000

// FisherExact tests independence of rows and columns exactly, given the
// margins. The two-sided P sums the probabilities of all tables no more likely
// than the observed one (relative fuzz 1e−7). For a 2×2 table Less and Greater
// are about the odds ratio, Estimate is its conditional maximum likelihood
// value and Interval its exact central limits at 95 %; for larger tables only
// TwoSided exists.
//
// Larger tables are enumerated column by column, partial tables that leave the
// same row totals and have the same probability being counted together, and
// those that must or cannot end below the observed probability being settled at
// once, so no table is listed one by one. The cost grows with the counts: a
// table beyond reach is ErrTooLarge, and ChiSquared is then accurate. An empty
// table is stats.ErrNoData; empty rows and columns are harmless.
//
// Fisher, Statistical Methods for Research Workers, 5th ed. 1934; Mehta &
// Patel, J Am Stat Assoc 1983;78:427–434.
func FisherExact(t Table, alt stats.Alternative) (stats.Result, error) {
	const method = "Fisher exact test"
	rows, cols, total, err := t.margins(method)
	if err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, total)
	r.Alt = alt
	if len(rows) == 2 && len(cols) == 2 {
		f := newHypergeometric(rows[0], rows[1], cols[0])
		x := t[0][0]
		switch alt {
		case stats.Less:
			r.P = f.atMost(x, 0)
		case stats.Greater:
			r.P = f.atLeast(x, 0)
		default:
			r.P = f.noMoreLikely(x)
		}
		const level = 0.95
		estimate, lower, upper := f.oddsRatio(x, level)
		r.Estimate = estimate
		r.Interval = stats.Interval{Estimate: estimate, Lower: lower, Upper: upper, Level: level, Method: "exact central limits of the conditional odds ratio"}
		return r, nil
	}
	if alt != stats.TwoSided {
		return stats.Result{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "alternative", Got: alt, Want: "two-sided for a table larger than 2 by 2"})
	}
	if len(rows) > len(cols) {
		t, rows, cols = t.Transposed(), cols, rows
	}
	r.P, err = fisherTwoSided(t, rows, cols)
	if err != nil {
		return stats.Result{}, fmt.Errorf("%s of %d by %d with %d observations: %w", method, len(rows), len(cols), total, err)
	}
	return r, nil
}

// A node is what is left of the row totals once some columns are filled; order
// does not matter, so it is kept sorted. Its key is its totals as bytes.
type node struct {
	left     []int
	longest  float64       // largest log of Π 1/cell! over the columns still to fill
	shortest float64       // smallest
	paths    float64       // log of the sum over them all
	past     map[int64]int // index of a past probability, by its rounded log
	logs     []float64     // the past probabilities, as logs of Π 1/cell! so far …
	counts   []float64     // … and in how many ways each is reached
	next     []branch
}

// A branch is one way to fill a column: the node it leads to, the log of
// Π 1/cell! of the column, and how many arrangements are alike.
type branch struct {
	to   *node
	log  float64
	ways float64
}

// fisherTwoSided enumerates the tables with the given margins.
func fisherTwoSided(t Table, rows, cols []int) (float64, error) {
	logFactorial := logFactorials(t)
	observed := 0.0
	for _, row := range t {
		for _, v := range row {
			observed -= logFactorial[v]
		}
	}
	limit := observed + math.Log(likelihoodFuzz)

	// The largest columns first leave the fewest states behind.
	order := append([]int{}, cols...)
	sort.Sort(sort.Reverse(sort.IntSlice(order)))
	g := &lattice{cols: order, logFactorial: logFactorial, stages: make([]map[string]*node, len(order)+1)}
	for i := range g.stages {
		g.stages[i] = map[string]*node{}
	}
	start, err := g.node(0, sorted(rows))
	if err != nil {
		return 0, err
	}
	start.add(0, 1)
	sum := 0.0
	for stage := range order {
		// A fixed order of nodes keeps the sum the same from run to run.
		for _, n := range inOrder(g.stages[stage]) {
			for i, past := range n.logs {
				for _, b := range n.next {
					log, ways := past+b.log, n.counts[i]*b.ways
					switch {
					case log+b.to.longest <= limit:
						sum += ways * math.Exp(log+b.to.paths-start.paths)
					case log+b.to.shortest > limit:
					default:
						b.to.add(log, ways)
						g.work++
					}
				}
				g.work += len(n.next)
			}
			if g.work > fisherWork {
				return 0, ErrTooLarge
			}
			n.past, n.logs, n.counts, n.next = nil, nil, nil, nil
		}
	}
	return min(1, sum), nil
}

// lattice holds the nodes of every stage.
type lattice struct {
	cols         []int
	logFactorial []float64
	stages       []map[string]*node
	work         int
}

// node returns the node with the row totals left before the column stage,
// with all that follows it.
func (g *lattice) node(stage int, left []int) (*node, error) {
	key := pack(left)
	if n, ok := g.stages[stage][key]; ok {
		return n, nil
	}
	n := &node{left: left, past: map[int64]int{}}
	g.stages[stage][key] = n
	if stage == len(g.cols) {
		return n, nil
	}
	n.longest, n.shortest = math.Inf(-1), math.Inf(1)
	n.paths = g.allPaths(stage, left)
	alike := map[string]int{} // branches to one node with one probability
	cells := make([]int, len(left))
	rest := make([]int, len(left)+1) // what the rows from i on can still take
	for i := len(left) - 1; i >= 0; i-- {
		rest[i] = rest[i+1] + left[i]
	}
	var fill func(i, remaining int, log float64) error
	fill = func(i, remaining int, log float64) error {
		if i == len(left) {
			g.work++
			if g.work > fisherWork {
				return ErrTooLarge
			}
			after := make([]int, len(left))
			for j := range left {
				after[j] = left[j] - cells[j]
			}
			sort.Ints(after)
			to, err := g.node(stage+1, after)
			if err != nil {
				return err
			}
			n.longest = max(n.longest, log+to.longest)
			n.shortest = min(n.shortest, log+to.shortest)
			id := fmt.Sprintf("%s|%d", pack(after), int64(math.Round(log*logGrain)))
			if at, ok := alike[id]; ok {
				n.next[at].ways++
				return nil
			}
			alike[id] = len(n.next)
			n.next = append(n.next, branch{to: to, log: log, ways: 1})
			return nil
		}
		for c := max(0, remaining-rest[i+1]); c <= min(left[i], remaining); c++ {
			cells[i] = c
			if err := fill(i+1, remaining-c, log-g.logFactorial[c]); err != nil {
				return err
			}
		}
		return nil
	}
	if err := fill(0, g.cols[stage], 0); err != nil {
		return nil, err
	}
	return n, nil
}

// allPaths is the log of Σ Π 1/cell! over every way to fill the columns from
// stage on: n! / (Π row! · Π column!).
func (g *lattice) allPaths(stage int, left []int) float64 {
	total, s := 0, 0.0
	for _, r := range left {
		total += r
		s -= g.logFactorial[r]
	}
	for _, c := range g.cols[stage:] {
		s -= g.logFactorial[c]
	}
	return s + g.logFactorial[total]
}

// logGrain is how finely the logs of probabilities are told apart: 1e−10, a
// thousandth of the fuzz of the comparison.
const logGrain = 1e10

// add counts ways more to reach the node with the past probability log.
func (n *node) add(log, ways float64) {
	grain := int64(math.Round(log * logGrain))
	if i, ok := n.past[grain]; ok {
		n.counts[i] += ways
		return
	}
	n.past[grain] = len(n.logs)
	n.logs = append(n.logs, log)
	n.counts = append(n.counts, ways)
}

// logFactorials returns ln k! for k up to the table's total.
func logFactorials(t Table) []float64 {
	total := 0
	for _, row := range t {
		for _, v := range row {
			total += v
		}
	}
	out := make([]float64, total+1)
	for k := 2; k <= total; k++ {
		out[k], _ = math.Lgamma(float64(k + 1))
	}
	return out
}

func sorted(x []int) []int {
	out := append([]int{}, x...)
	sort.Ints(out)
	return out
}

// pack puts row totals into a string that compares as they do.
func pack(left []int) string {
	b := make([]byte, 0, 4*len(left))
	for _, v := range left {
		b = append(b, byte(v>>24), byte(v>>16), byte(v>>8), byte(v))
	}
	return string(b)
}

func inOrder(stage map[string]*node) []*node {
	keys := make([]string, 0, len(stage))
	for k := range stage {
		keys = append(keys, k)
	}
	sort.Strings(keys)
	out := make([]*node, len(keys))
	for i, k := range keys {
		out[i] = stage[k]
	}
	return out
}
