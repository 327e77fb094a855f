package proportion

import "math"

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
