package stats

import "math"

// P picks the p value of an exact test from its two tails: that of the
// direction, or twice the smaller one, at most 1.
func (a Alternative) P(less, greater float64) float64 {
	switch a {
	case Less:
		return less
	case Greater:
		return greater
	default:
		return math.Min(1, 2*math.Min(less, greater))
	}
}

// Tail returns the probability beyond each limit of an interval of this level:
// half of 1 − level on both sides, all of it on the one side of a one-sided
// interval.
func (a Alternative) Tail(level float64) float64 {
	if a == TwoSided {
		return (1 - level) / 2
	}
	return 1 - level
}

// Continuity returns what the normal approximation of a rank sum takes from
// its deviation from the mean: ½ towards the mean, or ½ against the direction.
func (a Alternative) Continuity(deviation float64) float64 {
	switch {
	case a == Greater:
		return 0.5
	case a == Less:
		return -0.5
	case deviation == 0:
		return 0
	default:
		return math.Copysign(0.5, deviation)
	}
}
