package describe

import (
	"math/bits"
	"slices"

	"keratally/stats/rank"
)

// selectFrom is the sample size from which finding a few places of the ordered
// sample is faster than ordering it.
const selectFrom = 2000

// sortedAt returns x ordered as far as its quantiles at p need: each definition
// reads the places within two of n·p.
func sortedAt(x, p []float64) []float64 {
	if len(x) < selectFrom || len(p) > 20 {
		return rank.Sorted(x)
	}
	places := make([]int, 0, 5*len(p))
	for _, at := range p {
		if !(at >= 0 && at <= 1) {
			continue // refused by the caller
		}
		middle := int(at * float64(len(x)))
		for k := max(0, middle-2); k <= min(len(x)-1, middle+2); k++ {
			places = append(places, k)
		}
	}
	slices.Sort(places)
	ordered := slices.Clone(x)
	place(ordered, 0, places, 2*bits.Len(uint(len(x))))
	return ordered
}

// place puts at each of the places (ascending, counted from first) the value
// that it has in the ordered sample, by partition about a middle value: n steps
// for one place, n log k for k. After depth poor partitions it sorts.
func place(x []float64, first int, places []int, depth int) {
	for len(places) > 0 {
		if len(x) < 64 || depth == 0 {
			slices.Sort(x)
			return
		}
		depth--
		below, above := partition(x)
		left, _ := slices.BinarySearch(places, first+below)
		right, _ := slices.BinarySearch(places, first+above)
		place(x[:below], first, places[:left], depth)
		x, first, places = x[above:], first+above, places[right:]
	}
}

// partition moves the values below a middle one to the front, those above it
// to the back, and returns where the equal ones begin and end.
func partition(x []float64) (below, above int) {
	n := len(x)
	pivot := middle(middle(x[0], x[n/8], x[n/4]), middle(x[3*n/8], x[n/2], x[5*n/8]), middle(x[3*n/4], x[7*n/8], x[n-1]))
	i, low, high := 0, 0, n
	for i < high {
		switch v := x[i]; {
		case v < pivot:
			x[low], x[i] = v, x[low]
			low++
			i++
		case v > pivot:
			high--
			x[i], x[high] = x[high], v
		default:
			i++
		}
	}
	return low, high
}

func middle(a, b, c float64) float64 { return max(min(a, b), min(max(a, b), c)) }
