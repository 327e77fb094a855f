package proportion

import (
	"math"
	"slices"
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

// networkPlaces is how many states, in any order of rows, a stage has a place
// for in a list; a larger one finds its nodes by state alone.
const networkPlaces = 1 << 16

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

// network holds the nodes of every stage, a stage being the next column. The
// place of a state, whose rows may be in any order, is Σ left·stride; as the sum
// of the rows is known at a stage, the last one has no stride.
type network struct {
	rows         int
	cols         []int
	logFactorial []float64
	stages       []map[state]*node
	places       [][]*node // of every stage by place, or nil if too many
	stride       [networkRows]int
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
	g.makePlaces(slices.Max(rows) + 1)
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
	start, err := g.create(0, left)
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
			if len(n.logs) == 0 { // all that came here was settled
				continue
			}
			shares, all := make([]float64, len(n.logs)), 0.0 // of all tables
			for i, past := range n.logs {
				shares[i] = n.counts[i] * math.Exp(past+n.paths-start.paths)
				all += shares[i]
			}
			least, most := slices.Min(n.logs), slices.Max(n.logs)
			err := g.fill(n.left, g.cols[stage], func(after *state, place int, log float64) error {
				to, err := g.node(stage+1, after, place)
				if err != nil {
					return err
				}
				if least+log+to.shortest <= limit { // else all end above
					part := math.Exp(log + to.paths - n.paths)
					if most+log+to.longest <= limit { // all end below
						sum += all * part
					} else {
						for i, past := range n.logs {
							if err := reach(stage+1, to, past+log, n.counts[i], shares[i]*part); err != nil {
								return err
							}
						}
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

// makePlaces gives every stage its places if row totals below radix leave few
// enough of them.
func (g *network) makePlaces(radix int) {
	places := 1
	for i := range g.rows - 1 {
		g.stride[i] = places
		if places *= radix; places > networkPlaces {
			g.stride = [networkRows]int{}
			return
		}
	}
	g.places = make([][]*node, len(g.stages))
	for i := range g.places {
		g.places[i] = make([]*node, places)
	}
}

// node returns the node with the row totals left, at their place, before the
// column stage.
func (g *network) node(stage int, left *state, place int) (*node, error) {
	if g.places != nil {
		if n := g.places[stage][place]; n != nil {
			return n, nil
		}
	}
	sorted := *left
	g.sort(&sorted)
	n, ok := g.stages[stage][sorted]
	if !ok {
		var err error
		if n, err = g.create(stage, sorted); err != nil {
			return nil, err
		}
	}
	if g.places != nil {
		g.places[stage][place] = n
	}
	return n, nil
}

// create makes the node with the sorted row totals left.
func (g *network) create(stage int, left state) (*node, error) {
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
	return n, g.fill(left, g.cols[stage], func(after *state, place int, log float64) error {
		to, err := g.node(stage+1, after, place)
		if err != nil {
			return err
		}
		n.longest = max(n.longest, log+to.longest)
		n.shortest = min(n.shortest, log+to.shortest)
		return nil
	})
}

// fill calls found with what every way to put a column's total into the rows
// leaves of them, its place, and the log of Π 1/cell! of the column. What is left
// is overwritten by the next way.
func (g *network) fill(left state, total int, found func(after *state, place int, log float64) error) error {
	var room [networkRows + 1]int // what the rows from i on can take
	for i := g.rows - 1; i >= 0; i-- {
		room[i] = room[i+1] + int(left[i])
	}
	var after state
	last := g.rows - 1
	var from func(i, remaining, place int, log float64) error
	from = func(i, remaining, place int, log float64) error {
		for c := max(0, remaining-room[i+1]); c <= min(int(left[i]), remaining); c++ {
			after[i] = left[i] - uint16(c)
			place, rest, log := place+int(after[i])*g.stride[i], remaining-c, log-g.logFactorial[c]
			if i+1 < last {
				if err := from(i+1, rest, place, log); err != nil {
					return err
				}
				continue
			}
			after[last] = left[last] - uint16(rest) // takes what remains
			if g.work++; g.work > networkWork {
				return ErrTooLarge
			}
			if err := found(&after, place, log-g.logFactorial[rest]); err != nil {
				return err
			}
		}
		return nil
	}
	return from(0, total, 0, 0)
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
