package proportion

import (
	"math"
	"slices"
	"sort"
)

// likeliest is the log of the likeliest way to fill the last two columns. The
// log is a concave sum over rows, so giving each observation of a column to the
// row that loses least by it ends at the maximum.
func (g *network) likeliest(left state) float64 {
	var cells state
	for range g.cols[len(g.cols)-2] {
		best, most := 0, -1.0
		for i := range g.rows {
			if gain := float64(left[i]-cells[i]) / float64(cells[i]+1); gain > most {
				best, most = i, gain
			}
		}
		cells[best]++
	}
	s := 0.0
	for i := range g.rows {
		s -= g.logFactorial[cells[i]] + g.logFactorial[left[i]-cells[i]]
	}
	return s
}

// leastLikely is the log of the least likely way to fill the last two columns,
// or a bound below it: a concave sum is least at a corner, where every row but
// one goes wholly to one column.
func (g *network) leastLikely(left state) float64 {
	if g.rows > 6 { // more corners than a bound is worth
		return math.Inf(-1)
	}
	column := g.cols[len(g.cols)-2]
	whole := 0.0
	for _, l := range left[:g.rows] {
		whole -= g.logFactorial[l]
	}
	least := math.Inf(1)
	for corner := range 1 << g.rows {
		total := 0
		for i := range g.rows {
			if corner>>i&1 == 1 {
				total += int(left[i])
			}
		}
		for i := range g.rows {
			c := column - total // what row i, if it is not whole, adds to the column
			if corner>>i&1 == 0 && c >= 0 && c <= int(left[i]) {
				least = min(least, whole+g.logFactorial[left[i]]-g.logFactorial[c]-g.logFactorial[int(left[i])-c])
			}
		}
	}
	if math.IsInf(least, 1) { // the column holds all that is left
		return whole
	}
	return least
}

// lastTwo calls found with the log of Π 1/cell! of every way to fill the last
// two columns: the first of them settles the second.
func (g *network) lastTwo(n *node, found func(log float64)) error {
	return g.fill(n.left, g.cols[len(g.cols)-2], func(after *state, _ int, log float64) error {
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
