package monitor

import (
	"fmt"
	"math"
	"sort"

	"keratally/stats"
	"keratally/stats/dist"
)

// RunChart is what a series of values in order of time says about chance. A
// point on the centre line is neither above nor below: it is not useful, and
// neither adds to a run nor ends it.
type RunChart struct {
	N, Useful   int
	Centre      float64
	Runs        int // stretches of useful points on one side of the centre
	LongestRun  int // points in the longest of them
	LongestRise int // points of the longest steady rise or fall, equal neighbours counted once
	Crossings   int // Runs − 1

	// Rules of Perla, Provost & Murray, BMJ Qual Saf 2011;20:46–51.
	Shift bool // six or more useful points in a row on one side
	Trend bool // five or more points in a row all rising or all falling
	// FewestRuns and MostRuns bound what chance gives with probability 0.95
	// for as many points above and below (Swed & Eisenhart, Ann Math Stat
	// 1943;14:66–87, each tail at most 0.025); the fewest and the most that
	// there can be where no number of runs is that unlikely.
	FewestRuns, MostRuns int
	TooFew, TooMany      bool

	// Rules of Anhøj & Olesen, PLoS ONE 2014;9:e113825, whose limits grow with
	// the number of points.
	LongestAllowed   int  // log₂(useful) + 3, rounded
	FewestCrossings  int  // 5 % quantile of the crossings under chance
	UnusuallyLongRun bool // LongestRun above LongestAllowed
	UnusuallyFew     bool // Crossings below FewestCrossings
}

// Signal reports whether any rule of the first set (shift, trend, number of
// runs) speaks; the second set is there beside it, not in addition to it.
func (r RunChart) Signal() bool { return r.Shift || r.Trend || r.TooFew || r.TooMany }

// Words says which rules of the first set speak, or that none does.
func (r RunChart) Words() []string {
	var out []string
	if r.Shift {
		out = append(out, fmt.Sprintf("shift: %d points in a row on one side of the centre (6 or more)", r.LongestRun))
	}
	if r.Trend {
		out = append(out, fmt.Sprintf("trend: %d points in a row rising or falling (5 or more)", r.LongestRise))
	}
	if r.TooFew {
		out = append(out, fmt.Sprintf("too few runs: %d where chance gives at least %d", r.Runs, r.FewestRuns))
	}
	if r.TooMany {
		out = append(out, fmt.Sprintf("too many runs: %d where chance gives at most %d", r.Runs, r.MostRuns))
	}
	if out == nil {
		out = append(out, "no sign of anything but chance")
	}
	return out
}

// NewRunChart examines values in order of time about a centre line, which is
// usually the Median of a baseline period.
//
// The error is stats.ErrNoData without values, stats.ErrNotFinite,
// stats.ErrNoVariance when every value lies on the centre.
func NewRunChart(values []float64, centre float64) (RunChart, error) {
	const method = "run chart"
	if len(values) == 0 {
		return RunChart{}, &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	for i, v := range append([]float64{centre}, values...) {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return RunChart{}, fmt.Errorf("%s: value %d: %w", method, i, stats.ErrNotFinite)
		}
	}
	r := RunChart{N: len(values), Centre: centre}
	above, length := 0, 0
	side := 0
	for _, v := range values {
		s := 0
		switch {
		case v > centre:
			s = 1
			above++
		case v < centre:
			s = -1
		default:
			continue
		}
		r.Useful++
		if s != side {
			r.Runs++
			side, length = s, 0
		}
		length++
		r.LongestRun = max(r.LongestRun, length)
	}
	if r.Useful == 0 {
		return RunChart{}, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	r.Crossings = r.Runs - 1
	r.LongestRise = longestRise(values)
	r.Shift, r.Trend = r.LongestRun >= 6, r.LongestRise >= 5
	r.FewestRuns, r.MostRuns = RunLimits(above, r.Useful-above)
	r.TooFew, r.TooMany = r.Runs < r.FewestRuns, r.Runs > r.MostRuns
	r.LongestAllowed = int(math.Round(math.Log2(float64(r.Useful)) + 3))
	r.FewestCrossings = dist.BinomialQuantile(0.05, r.Useful-1, 0.5)
	r.UnusuallyLongRun = r.LongestRun > r.LongestAllowed
	r.UnusuallyFew = r.Crossings < r.FewestCrossings
	return r, nil
}

// Median returns the middle value, the mean of the two middle ones when there
// are two; NaN without values.
func Median(values []float64) float64 {
	if len(values) == 0 {
		return math.NaN()
	}
	v := append([]float64{}, values...)
	sort.Float64s(v)
	h := len(v) / 2
	if len(v)%2 == 1 {
		return v[h]
	}
	return v[h-1] + (v[h]-v[h-1])/2
}

// longestRise counts the points of the longest stretch that only rises or only
// falls; a value equal to the one before it is passed over.
func longestRise(values []float64) int {
	longest, length, direction := 1, 1, 0
	last := values[0]
	for _, v := range values[1:] {
		d := 0
		switch {
		case v > last:
			d = 1
		case v < last:
			d = -1
		default:
			continue
		}
		if d != direction {
			direction, length = d, 1
		}
		length++
		longest = max(longest, length)
		last = v
	}
	return longest
}

// RunLimits returns the fewest and the most runs that are not unusual for as
// many points above and below the centre, in random order: fewer than fewest
// has probability at most 0.025, and so has more than most. It is the exact
// distribution of Swed and Eisenhart.
func RunLimits(above, below int) (fewest, most int) {
	const tail = 0.025
	last := 2*min(above, below) + 1
	if above == below {
		last--
	}
	sum := 0.0
	fewest = 1
	for r := 1; r <= last; r++ {
		if sum += runProbability(r, above, below); sum > tail {
			break
		}
		fewest = r + 1
	}
	sum, most = 0, last
	for r := last; r >= 1; r-- {
		if sum += runProbability(r, above, below); sum > tail {
			break
		}
		most = r - 1
	}
	return fewest, most
}

// runProbability is the chance of r runs in a random order of a and b points.
func runProbability(r, a, b int) float64 {
	if a == 0 || b == 0 {
		if r == 1 {
			return 1
		}
		return 0
	}
	all := logChoose(a+b, a)
	ways := func(i, j int) float64 { // i runs of a points, j of b
		if i < 1 || j < 1 || i > a || j > b {
			return 0
		}
		return math.Exp(logChoose(a-1, i-1) + logChoose(b-1, j-1) - all)
	}
	half := r / 2
	if r%2 == 0 {
		return 2 * ways(half, half)
	}
	return ways(half+1, half) + ways(half, half+1)
}

func logChoose(n, k int) float64 {
	a, _ := math.Lgamma(float64(n + 1))
	b, _ := math.Lgamma(float64(k + 1))
	c, _ := math.Lgamma(float64(n - k + 1))
	return a - b - c
}
