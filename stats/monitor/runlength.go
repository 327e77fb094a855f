package monitor

import (
	"fmt"
	"math"

	"keratally/stats"
)

// latticeWork bounds the steps of one run-length calculation: about a tenth of
// a second.
const latticeWork = 5e7

// reachOfLimit is how high a limit the lattice is planned for. Limits in use
// lie between 2 and 6; a higher one costs more time, not accuracy.
const reachOfLimit = 6

// mostStates bounds a search for a limit.
const mostStates = 2_000_000

// steps is a CUSUM on a lattice: every sum is a whole number of units, up
// gaining and down losing whole units, so that the chart is a Markov chain with
// finitely many states and its run length is found exactly. The smaller weight
// is down (or up) units exactly; the larger is rounded to whole units, by the
// share error.
type steps struct {
	up, down  int
	unit      float64
	error     float64
	upAtEvent bool // deterioration: an event raises the sum, otherwise its absence does
}

// rises is the chance that a case of the given rate raises the sum.
func (s steps) rises(rate float64) float64 {
	if s.upAtEvent {
		return rate
	}
	return 1 - rate
}

// lattice chooses the unit: of all divisions of the smaller weight that the
// work allows, the one in which the larger weight is nearest to a whole number.
func (c CUSUM) lattice() steps {
	rise, fall := c.event, -c.noEvent
	s := steps{upAtEvent: rise > 0}
	if !s.upAtEvent { // a chart for improvement
		rise, fall = c.noEvent, -c.event
	}
	small, large := min(rise, fall), max(rise, fall)
	ratio := large / small
	most := int(math.Cbrt(latticeWork / (reachOfLimit / small * ratio)))
	best, parts := math.Inf(1), 1
	for b := 1; b <= max(1, min(60, most)); b++ {
		whole := math.Round(ratio * float64(b))
		// Ratios that are commensurable but for rounding keep the coarsest unit.
		if e := math.Abs(whole/(ratio*float64(b)) - 1); e < best-1e-13 {
			best, parts = e, b
		}
	}
	s.unit, s.error = small/float64(parts), best
	s.up, s.down = parts, int(math.Round(ratio*float64(parts)))
	if rise == large {
		s.up, s.down = s.down, s.up
	}
	return s
}

// descent describes, for states at each distance below the limit, how the sum
// first falls below where it is: expected number of cases until then or the
// signal, the chance that the signal comes first, and where it lands. None of
// it depends on how far down the floor is. All terms are positive and are only
// added, multiplied and divided, so every digit is kept however rare a signal
// is (Grassmann, Taksar & Heyman, Oper Res 1985;33:1107–1116).
type descent struct {
	steps
	rise, fall float64     // chances
	cases      []float64   // by distance − 1
	signal     []float64   // by distance − 1
	lands      [][]float64 // by distance − 1, then by units fallen − 1
	x          []float64   // work space
}

func newDescent(s steps, rate float64) *descent {
	rise := s.rises(rate)
	return &descent{steps: s, rise: rise, fall: 1 - rise, x: make([]float64, s.up+s.down+1)}
}

// from follows the sum from a state, height units above a level, until it is
// at that level or below or has signalled; the state is at the given distance
// from the limit. It returns expected cases, the chance of a signal, and the
// chance of reaching the level exactly (at index 0 of landed) or units below.
func (d *descent) from(height, distance int) (cases, signal float64, landed []float64) {
	x := d.x[:height+d.down]
	clear(x)
	x[0] = 1 // index: units fallen so far
	for fallen := 0; fallen < height; fallen++ {
		w := x[fallen]
		if w == 0 {
			continue
		}
		at := distance + fallen - 1
		cases += w * d.cases[at]
		signal += w * d.signal[at]
		for u, p := range d.lands[at] {
			x[fallen+u+1] += w * p
		}
	}
	return cases, signal, x[height:]
}

// grow adds the state one unit further from the limit than those known.
func (d *descent) grow() {
	distance := len(d.cases) + 1
	cases, signal := 0.0, 1.0 // after a rise
	var landed []float64
	if distance > d.up {
		cases, signal, landed = d.from(d.up, distance-d.up)
	}
	lands := make([]float64, d.down)
	lands[d.down-1] = d.fall
	leaves := d.fall + d.rise*signal // 1 − chance of returning here
	if landed != nil {
		for u, p := range landed[1:] {
			lands[u] += d.rise * p
			leaves += d.rise * p
		}
	}
	for u := range lands {
		lands[u] /= leaves
	}
	d.cases = append(d.cases, (1+d.rise*cases)/leaves)
	d.signal = append(d.signal, d.rise*signal/leaves)
	d.lands = append(d.lands, lands)
}

// runLength returns the expected number of cases from 0 until a sum of states
// units, of which all distances are known, is reached.
func (d *descent) runLength(states int) float64 {
	if d.up >= states {
		return 1 / d.rise
	}
	cases, signal, _ := d.from(d.up, states-d.up)
	return (1 + d.rise*cases) / (d.rise * signal)
}

// RunLength is what a CUSUM with a limit does in the long run.
type RunLength struct {
	Limit     float64 // the chart signals when the sum reaches it
	InControl float64 // expected cases until a signal while the accepted rate holds
	OutOf     float64 // the same once the unacceptable rate holds, from a sum of 0
	States    int     // of the Markov chain
	Error     float64 // share by which the larger weight was rounded to fit the chain; 0 when it fits exactly
}

// LimitFor returns the smallest limit whose expected number of cases until a
// false alarm, from a sum of 0 while the accepted rate holds, is at least
// inControl.
//
// The run length is exact for a chart whose weights are whole multiples of one
// unit. The weights of the chart are fitted to the finest unit that is
// practical, and Error says by how much the larger one had to be rounded;
// against simulation of the unrounded chart the run length agrees within a
// fraction of a per cent. An inControl that is not above 1, or beyond what the
// chain can hold, is an error.
//
// Brook & Evans, Biometrika 1972;59:539–549; for this chart Steiner, Cook,
// Farewell & Treasure, Biostatistics 2000;1:441–452.
func (c CUSUM) LimitFor(inControl float64) (RunLength, error) {
	if !(inControl > 1) || math.IsInf(inControl, 0) {
		return RunLength{}, fmt.Errorf("CUSUM limit: %w", &stats.ArgumentError{Name: "in-control run length", Got: inControl, Want: "above 1 and finite"})
	}
	s := c.lattice()
	d := newDescent(s, c.accepted)
	for states := 1; states <= mostStates; states++ {
		d.grow()
		if length := d.runLength(states); length >= inControl {
			return c.lengths(s, states, length), nil
		}
	}
	return RunLength{}, fmt.Errorf("CUSUM limit: an in-control run length of %g needs more than %d states: %w", inControl, mostStates, stats.ErrNotConverged)
}

// RunLengths returns the expected run lengths of the chart with a given limit.
// A limit that is not positive and finite is an error.
func (c CUSUM) RunLengths(limit float64) (RunLength, error) {
	if !(limit > 0) || math.IsInf(limit, 0) {
		return RunLength{}, fmt.Errorf("CUSUM: %w", &stats.ArgumentError{Name: "limit", Got: limit, Want: "above 0 and finite"})
	}
	s := c.lattice()
	states := s.states(limit)
	if states > mostStates {
		return RunLength{}, fmt.Errorf("CUSUM: %w", &stats.ArgumentError{Name: "limit", Got: limit, Want: fmt.Sprintf("at most %.3g for these rates", s.unit*mostStates)})
	}
	r := c.lengths(s, states, expected(s, states, c.accepted))
	r.Limit = limit
	return r, nil
}

func (c CUSUM) lengths(s steps, states int, inControl float64) RunLength {
	return RunLength{
		Limit: float64(states) * s.unit, InControl: inControl, OutOf: expected(s, states, c.unacceptable),
		States: states, Error: s.error,
	}
}

func expected(s steps, states int, rate float64) float64 {
	d := newDescent(s, rate)
	for range states {
		d.grow()
	}
	return d.runLength(states)
}

// states is how many whole units reach a limit, a limit that is a whole number
// but for rounding being that number.
func (s steps) states(limit float64) int {
	return max(1, int(math.Ceil(limit/s.unit-1e-9)))
}

// SignalWithin returns the probability that a chart with the given limit
// signals within cases cases of the given true rate, from a sum of 0: the
// chance of a false alarm in a year, or of noticing a change in one. It is exact
// on the same lattice as RunLengths, and costs cases times states.
func (c CUSUM) SignalWithin(cases int, rate, limit float64) (float64, error) {
	const method = "CUSUM"
	if err := checkShare(method, "rate", rate); err != nil {
		return 0, err
	}
	if !(limit > 0) || math.IsInf(limit, 0) {
		return 0, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "limit", Got: limit, Want: "above 0 and finite"})
	}
	if cases < 0 {
		return 0, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "number of cases", Got: cases, Want: "0 or more"})
	}
	s := c.lattice()
	states := s.states(limit)
	rise := s.rises(rate)
	now, next := make([]float64, states), make([]float64, states)
	now[0] = 1
	signalled := 0.0
	for range cases {
		clear(next)
		for i, p := range now {
			if p == 0 {
				continue
			}
			if i+s.up >= states {
				signalled += rise * p
			} else {
				next[i+s.up] += rise * p
			}
			next[max(0, i-s.down)] += (1 - rise) * p
		}
		now, next = next, now
	}
	return min(1, signalled), nil
}
