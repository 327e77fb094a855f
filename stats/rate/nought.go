package rate

import (
	"fmt"
	"sort"

	"keratally/stats"
	"keratally/stats/proportion"
)

// firstTrue returns the smallest i in [0, n) at which f, false then true,
// holds, or n.
func firstTrue(n int, f func(int) bool) int { return sort.Search(n, f) }

// Nought is what no event in n observations says: how high the proportion may
// still be. The two limits answer different questions, and a reader is told
// which is which.
type Nought struct {
	N     int
	Level float64
	// OneSided is 1 − (1−level)^(1/n): a higher proportion would have shown an
	// event with probability level or more. It is what the rule of three
	// approximates.
	OneSided float64
	// TwoSided is the upper end of the two-sided Clopper–Pearson interval,
	// 1 − ((1−level)/2)^(1/n), larger than OneSided.
	TwoSided float64
	// Three is 3/n, the rule of three, which belongs to level 0.95.
	Three float64
}

// NewNought returns the upper limits after no event in n independent
// observations. The error is stats.ErrNoData if n is 0; a level outside (0, 1)
// is an error too.
//
// Hanley & Lippman-Hand, JAMA 1983;249:1743–1745.
func NewNought(n int, level float64) (Nought, error) {
	one, err := proportion.ClopperPearsonUpper(0, n, level)
	if err != nil {
		return Nought{}, err
	}
	two, err := proportion.ClopperPearson(0, n, level)
	if err != nil {
		return Nought{}, err
	}
	return Nought{N: n, Level: level, OneSided: one.Upper, TwoSided: two.Upper, Three: 3 / float64(n)}, nil
}

// String says both limits in words, in per cent with as many decimals as three
// significant digits need: "no event in 100: with 95 % confidence fewer than 1
// in 33 (at most 2.95 %, one-sided); the two-sided 95 % interval reaches 3.62 %".
func (n Nought) String() string {
	return fmt.Sprintf("no event in %d: with %.3g %% confidence fewer than 1 in %d (at most %.3g %%, one-sided); the two-sided %.3g %% interval reaches %.3g %%",
		n.N, 100*n.Level, int(1/n.OneSided), 100*n.OneSided, 100*n.Level, 100*n.TwoSided)
}

// PerTime returns the rate per 100 (or any other number) units of time: limits
// and estimate multiplied by it.
func PerTime(iv stats.Interval, units float64) stats.Interval {
	iv.Estimate *= units
	iv.Lower *= units
	iv.Upper *= units
	return iv
}
