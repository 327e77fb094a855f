package proportion

import (
	"math"
	"slices"
	"sort"
)

// networkWork bounds the steps that an enumeration may take, some tens of
// seconds, and networkHeld what it may hold at a time: states, probabilities so
// far and ranked ways, some hundreds of megabytes. networkRows is how many rows
// a state holds, networkCount how large a count it can.
const (
	networkWork  = 1_000_000_000
	networkHeld  = 5_000_000
	nodeHolds    = 10 // a state takes the room of this many probabilities
	networkRows  = 12
	networkCount = math.MaxUint16
)

// logGrain is how finely the logs of probabilities are told apart: 1e−10, a
// thousandth of the fuzz of the comparison.
const logGrain = 1e10

// state is what is left of the row totals once some columns are filled, in
// increasing order, for the order of rows does not matter.
type state [networkRows]uint16

// node is a state before one of the columns, with the bounds of what follows
// it. Probabilities are logs of Π 1/cell!, which is a table's up to a constant.
type node struct {
	left     state
	longest  float64 // the likeliest way to fill the rest
	shortest float64 // the least likely
	paths    float64 // the sum over all ways

	// Before the last two columns: what waits to be settled, and the ways to
	// fill them, ranked once enough waits to be worth it.
	relative float64 // the share of the likeliest way among all ways
	waiting  []waiting
	rest     *ranked

	past   map[int64]int // index of a probability so far, by its rounded log
	logs   []float64     // probabilities so far …
	counts []float64     // … and in how many ways each comes about
}

// ranked holds the ways to fill the last two columns, least likely first, with
// the running sum of their probabilities relative to the likeliest.
type ranked struct{ logs, sums []float64 }

// waiting is a weight to be multiplied by the probability of the ways, relative
// to the likeliest, whose log is at most limit.
type waiting struct{ limit, weight float64 }

// manyWaiting is how many make ranking cheaper than looking through all ways.
const manyWaiting = 8

// network holds the nodes of every stage, a stage being the next column.
type network struct {
	rows         int
	cols         []int
	logFactorial []float64
	stages       []map[state]*node
	work, held   int
}

// fisherTwoSided sums the probabilities of the tables with the given margins
// that are no more likely than t, which has no more rows than columns.
func fisherTwoSided(t Table, rows, cols []int) (float64, error) {
	total := 0
	for _, r := range rows {
		total += r
	}
	if len(rows) > networkRows || total > networkCount {
		return 0, ErrTooLarge
	}
	g := &network{rows: len(rows), cols: slices.Clone(cols), logFactorial: logFactorials(total)}
	slices.Sort(g.cols)
	slices.Reverse(g.cols) // the largest columns first leave the fewest states
	g.stages = make([]map[state]*node, len(cols)-1)
	for i := range g.stages {
		g.stages[i] = map[state]*node{}
	}
	limit := math.Log(likelihoodFuzz)
	for _, row := range t {
		for _, v := range row {
			limit -= g.logFactorial[v]
		}
	}
	var left state
	for i, r := range rows {
		left[i] = uint16(r)
	}
	g.sort(&left)
	start, err := g.node(0, left)
	if err != nil {
		return 0, err
	}
	start.add(0, 1)
	sum := 0.0
	last := len(g.stages) - 1
	// reach takes tables to a node: log is their probability so far, and share
	// the probability of all tables that go on from there.
	reach := func(stage int, to *node, log, ways, share float64) error {
		switch {
		case log+to.longest <= limit:
			sum += share
		case log+to.shortest > limit:
		case stage < last:
			if to.add(log, ways) {
				g.held++
			}
		default:
			w := waiting{limit - log, share * to.relative}
			if to.rest != nil {
				sum += w.weight * to.rest.upTo(w.limit)
				return nil
			}
			if to.waiting = append(to.waiting, w); len(to.waiting) > manyWaiting {
				var err error
				if to.rest, err = g.rank(to); err != nil {
					return err
				}
				for _, w := range to.waiting {
					sum += w.weight * to.rest.upTo(w.limit)
				}
				to.waiting = nil
			}
		}
		return nil
	}
	if last == 0 {
		if err := reach(0, start, 0, 1, 1); err != nil {
			return 0, err
		}
	}
	for stage := range last {
		for _, n := range inOrder(g.stages[stage]) { // so that the sum is the same from run to run
			shares := make([]float64, len(n.logs)) // of all tables
			for i, past := range n.logs {
				shares[i] = n.counts[i] * math.Exp(past+n.paths-start.paths)
			}
			err := g.fill(n.left, g.cols[stage], func(after state, log float64) error {
				to, err := g.node(stage+1, after)
				if err != nil {
					return err
				}
				part := math.Exp(log + to.paths - n.paths)
				for i, past := range n.logs {
					if err := reach(stage+1, to, past+log, n.counts[i], shares[i]*part); err != nil {
						return err
					}
				}
				if g.work += len(n.logs); g.work > networkWork || g.held > networkHeld {
					return ErrTooLarge
				}
				return nil
			})
			if err != nil {
				return 0, err
			}
			n.past, n.logs, n.counts = nil, nil, nil
		}
	}
	for _, n := range inOrder(g.stages[last]) {
		if len(n.waiting) == 0 {
			continue
		}
		part, err := g.lookThrough(n)
		if err != nil {
			return 0, err
		}
		sum += part
	}
	return min(1, sum), nil
}

// node returns the node with the sorted row totals left before the column
// stage.
func (g *network) node(stage int, left state) (*node, error) {
	if n, ok := g.stages[stage][left]; ok {
		return n, nil
	}
	if g.held += nodeHolds; g.held > networkHeld {
		return nil, ErrTooLarge
	}
	n := &node{left: left, longest: math.Inf(-1), shortest: math.Inf(1), paths: g.allPaths(stage, left)}
	g.stages[stage][left] = n
	if stage == len(g.stages)-1 {
		n.longest, n.shortest = g.likeliest(left), g.leastLikely(left)
		n.relative = math.Exp(n.longest - n.paths)
		return n, nil
	}
	if len(g.cols) <= 4 { // few tables meet here: finding the bounds would cost more than they save
		n.longest, n.shortest = n.shortest, n.longest
		return n, nil
	}
	return n, g.fill(left, g.cols[stage], func(after state, log float64) error {
		to, err := g.node(stage+1, after)
		if err != nil {
			return err
		}
		n.longest = max(n.longest, log+to.longest)
		n.shortest = min(n.shortest, log+to.shortest)
		return nil
	})
}

// lastTwo calls found with the log of Π 1/cell! of every way to fill the last
// two columns: the first of them settles the second.
func (g *network) lastTwo(n *node, found func(log float64)) error {
	return g.fill(n.left, g.cols[len(g.cols)-2], func(after state, log float64) error {
		for _, c := range after[:g.rows] {
			log -= g.logFactorial[c]
		}
		found(log)
		return nil
	})
}

// lookThrough settles what waits at a node by going through all ways once.
func (g *network) lookThrough(n *node) (float64, error) {
	sum := 0.0
	err := g.lastTwo(n, func(log float64) {
		weight := 0.0
		for _, w := range n.waiting {
			if log <= w.limit {
				weight += w.weight
			}
		}
		if weight > 0 {
			sum += weight * math.Exp(log-n.longest)
		}
	})
	return sum, err
}

// rank returns the ways to fill the last two columns in order.
func (g *network) rank(n *node) (*ranked, error) {
	var logs []float64
	if err := g.lastTwo(n, func(log float64) { logs = append(logs, log) }); err != nil {
		return nil, err
	}
	slices.Sort(logs)
	r := &ranked{}
	sum := 0.0
	for i, l := range logs {
		sum += math.Exp(l - n.longest)
		if i+1 < len(logs) && grain(logs[i+1]) == grain(l) {
			continue
		}
		r.logs, r.sums = append(r.logs, l), append(r.sums, sum)
	}
	return r, nil
}

// upTo returns the summed probability of the ways no likelier than limit.
func (r *ranked) upTo(limit float64) float64 {
	i := sort.SearchFloat64s(r.logs, math.Nextafter(limit, math.Inf(1)))
	if i == 0 {
		return 0
	}
	return r.sums[i-1]
}

// fill calls found with what every way to put a column's total into the rows
// leaves of them, sorted, and the log of Π 1/cell! of the column.
func (g *network) fill(left state, total int, found func(after state, log float64) error) error {
	var room [networkRows + 1]int // what the rows from i on can take
	for i := g.rows - 1; i >= 0; i-- {
		room[i] = room[i+1] + int(left[i])
	}
	var from func(i, remaining int, after state, log float64) error
	from = func(i, remaining int, after state, log float64) error {
		if i == g.rows {
			if g.work++; g.work > networkWork {
				return ErrTooLarge
			}
			g.sort(&after)
			return found(after, log)
		}
		for c := max(0, remaining-room[i+1]); c <= min(int(left[i]), remaining); c++ {
			after[i] = left[i] - uint16(c)
			if err := from(i+1, remaining-c, after, log-g.logFactorial[c]); err != nil {
				return err
			}
		}
		return nil
	}
	return from(0, total, state{}, 0)
}

// sort puts the rows of a state in increasing order.
func (g *network) sort(s *state) {
	for i := 1; i < g.rows; i++ {
		for j := i; j > 0 && s[j] < s[j-1]; j-- {
			s[j], s[j-1] = s[j-1], s[j]
		}
	}
}

// allPaths is the log of Σ Π 1/cell! over every way to fill the columns from
// stage on: n! / (Π row! · Π column!).
func (g *network) allPaths(stage int, left state) float64 {
	total, s := 0, 0.0
	for _, r := range left[:g.rows] {
		total += int(r)
		s -= g.logFactorial[r]
	}
	for _, c := range g.cols[stage:] {
		s -= g.logFactorial[c]
	}
	return s + g.logFactorial[total]
}

// add counts ways more to reach the node with the probability so far, and
// reports whether it is one more to hold.
func (n *node) add(log, ways float64) bool {
	if n.past == nil {
		n.past = map[int64]int{}
	}
	key := grain(log)
	if i, ok := n.past[key]; ok {
		n.counts[i] += ways
		return false
	}
	n.past[key] = len(n.logs)
	n.logs = append(n.logs, log)
	n.counts = append(n.counts, ways)
	return true
}

func grain(log float64) int64 { return int64(math.Round(log * logGrain)) }

// logFactorials returns ln k! for k up to n.
func logFactorials(n int) []float64 {
	out := make([]float64, n+1)
	for k := 2; k <= n; k++ {
		out[k], _ = math.Lgamma(float64(k + 1))
	}
	return out
}

func inOrder(stage map[state]*node) []*node {
	out := make([]*node, 0, len(stage))
	for _, n := range stage {
		out = append(out, n)
	}
	slices.SortFunc(out, func(a, b *node) int { return slices.Compare(a.left[:], b.left[:]) })
	return out
}
