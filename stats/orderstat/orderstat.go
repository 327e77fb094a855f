// Package orderstat finds order statistics of the n(n+1)/2 Walsh averages of a
// sample, and of the m·n differences between two samples, without forming them:
// memory is that of the samples and time is linear in them for each order
// statistic, so that Hodges–Lehmann estimates of 100,000 values take
// milliseconds. What is returned is one of the averages or differences, exact
// to the bit, not an approximation by root finding.
package orderstat

import (
	"math"
	"slices"
)

// Walsh holds the averages (x[i] + x[j])/2, i ≤ j, of a sample.
type Walsh struct{ half []float64 } // ascending x/2

// NewWalsh returns the Walsh averages of x, at least one finite value.
func NewWalsh(x []float64) Walsh {
	half := slices.Clone(x)
	for i := range half {
		half[i] /= 2
	}
	slices.Sort(half)
	return Walsh{half}
}

// Len returns n(n+1)/2.
func (w Walsh) Len() int { return len(w.half) * (len(w.half) + 1) / 2 }

// Kth returns the k-th smallest average, k from 1 to Len.
func (w Walsh) Kth(k int) float64 {
	low, high := w.half[0], w.half[len(w.half)-1]
	return kth(k, low+low, high+high, w.atMost)
}

// Median returns the median of the averages: the Hodges–Lehmann estimate of
// the centre of a symmetric distribution.
func (w Walsh) Median() float64 { return median(w.Len(), w.Kth) }

// atMost counts the averages not above t in one pass from both ends.
func (w Walsh) atMost(t float64) int {
	count, j := 0, len(w.half)-1
	for i, v := range w.half {
		for j >= i && v+w.half[j] > t {
			j--
		}
		if j < i {
			break
		}
		count += j - i + 1
	}
	return count
}

// Differences holds the differences x[i] − y[j] of two samples.
type Differences struct{ x, y []float64 } // ascending

// NewDifferences returns the differences of x and y, at least one finite value each.
func NewDifferences(x, y []float64) Differences {
	d := Differences{slices.Clone(x), slices.Clone(y)}
	slices.Sort(d.x)
	slices.Sort(d.y)
	return d
}

// Len returns len(x)·len(y).
func (d Differences) Len() int { return len(d.x) * len(d.y) }

// Kth returns the k-th smallest difference, k from 1 to Len.
func (d Differences) Kth(k int) float64 {
	return kth(k, d.x[0]-d.y[len(d.y)-1], d.x[len(d.x)-1]-d.y[0], d.atMost)
}

// Median returns the median of the differences: the Hodges–Lehmann estimate of
// the shift between two distributions of one shape.
func (d Differences) Median() float64 { return median(d.Len(), d.Kth) }

func (d Differences) atMost(t float64) int {
	count, j := 0, 0 // d.y[j:] are the values whose difference from x is at most t
	for _, v := range d.x {
		for j < len(d.y) && v-d.y[j] > t {
			j++
		}
		count += len(d.y) - j
	}
	return count
}

func median(n int, kth func(int) float64) float64 {
	upper := kth(n/2 + 1)
	if n%2 == 1 {
		return upper
	}
	return kth(n/2)/2 + upper/2
}

// kth returns the smallest double t in [low, high] for which atMost(t) ≥ k, by
// halving the range of doubles, of which there are 2⁶⁴: rounding keeps sums in
// order, so that double is itself the k-th smallest sum.
func kth(k int, low, high float64, atMost func(float64) int) float64 {
	from, to := ordinal(low), ordinal(high)
	for from < to {
		mid := from + (to-from)/2
		if atMost(double(mid)) >= k {
			to = mid
		} else {
			from = mid + 1
		}
	}
	return double(from) + 0 // never −0
}

// ordinal numbers the doubles in ascending order.
func ordinal(v float64) uint64 {
	b := math.Float64bits(v)
	if b>>63 == 1 {
		return ^b
	}
	return b | 1<<63
}

// double is the inverse of ordinal.
func double(o uint64) float64 {
	if o>>63 == 1 {
		return math.Float64frombits(o &^ (1 << 63))
	}
	return math.Float64frombits(^o)
}
