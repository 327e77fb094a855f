package monitor

import (
	"fmt"
	"math"

	"keratally/stats"
)

// CUSUM weighs the evidence, case by case, that a rate has left the accepted
// one for an unacceptable one: S = max(0, S + w) with
//
//	w = ln(p₁/p₀) for an event, ln((1−p₁)/(1−p₀)) without one.
//
// An unacceptable rate above the accepted one makes a chart for deterioration,
// one below it a chart for improvement.
//
// Steiner, Cook, Farewell & Treasure, Biostatistics 2000;1:441–452.
type CUSUM struct {
	accepted, unacceptable float64
	event, noEvent         float64
}

// NewCUSUM returns the chart for two different rates strictly between 0 and 1.
func NewCUSUM(accepted, unacceptable float64) (CUSUM, error) {
	const method = "CUSUM"
	if err := checkShare(method, "accepted rate", accepted); err != nil {
		return CUSUM{}, err
	}
	if err := checkShare(method, "unacceptable rate", unacceptable); err != nil {
		return CUSUM{}, err
	}
	if accepted == unacceptable {
		return CUSUM{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "unacceptable rate", Got: unacceptable, Want: "different from the accepted rate"})
	}
	return CUSUM{
		accepted: accepted, unacceptable: unacceptable,
		event:   math.Log(unacceptable / accepted),
		noEvent: math.Log1p(-unacceptable) - math.Log1p(-accepted),
	}, nil
}

// ByOddsRatio returns the rate whose odds are ratio times those of rate, to
// state what is unacceptable as an odds ratio.
func ByOddsRatio(rate, ratio float64) float64 {
	odds := ratio * rate / (1 - rate)
	return odds / (1 + odds)
}

// Weights returns what an event and a case without one add to the sum.
func (c CUSUM) Weights() (event, noEvent float64) { return c.event, c.noEvent }

// Chart is a CUSUM as drawn.
type Chart struct {
	Path    []float64 // the sum after each case
	Signals []int     // cases, counted from 0, at which it reached the limit
}

// Run returns the chart of cases in order of treatment, events[i] saying
// whether case i had one. At a signal the sum reaches limit and starts again
// from 0 with the next case. An event that comes to light late changes the
// chart from its case on: run it again. A limit that is not positive is an
// error; +Inf draws the path without signals.
func (c CUSUM) Run(events []bool, limit float64) (Chart, error) {
	return run(events, limit, func(i int) float64 {
		if events[i] {
			return c.event
		}
		return c.noEvent
	})
}

// RunAdjusted is Run for cases with different accepted rates, the unacceptable
// odds being ratio times the accepted ones of each case:
// w = ln(ratio/(1 − p + ratio·p)) for an event, ln(1/(1 − p + ratio·p)) without.
func RunAdjusted(accepted []float64, ratio float64, events []bool, limit float64) (Chart, error) {
	const method = "risk-adjusted CUSUM"
	if len(accepted) != len(events) {
		return Chart{}, fmt.Errorf("%s: %w", method, stats.ErrLengths)
	}
	if !(ratio > 0) || math.IsInf(ratio, 0) || ratio == 1 {
		return Chart{}, fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "odds ratio", Got: ratio, Want: "above 0 and not 1"})
	}
	for i, p := range accepted {
		if err := checkShare(method, fmt.Sprintf("accepted rate of case %d", i+1), p); err != nil {
			return Chart{}, err
		}
	}
	return run(events, limit, func(i int) float64 {
		w := -math.Log1p((ratio - 1) * accepted[i])
		if events[i] {
			w += math.Log(ratio)
		}
		return w
	})
}

func run(events []bool, limit float64, weight func(int) float64) (Chart, error) {
	if !(limit > 0) {
		return Chart{}, fmt.Errorf("CUSUM: %w", &stats.ArgumentError{Name: "limit", Got: limit, Want: "above 0"})
	}
	c := Chart{Path: make([]float64, len(events))}
	s := 0.0
	for i := range events {
		s = max(0, s+weight(i))
		c.Path[i] = s
		if s >= limit {
			c.Signals = append(c.Signals, i)
			s = 0
		}
	}
	return c, nil
}
