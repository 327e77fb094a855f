package survival

import (
	"math"
	"slices"
)

func sortInts(x []int) { slices.Sort(x) }

// timeOrder returns the row numbers in ascending order of time, rows of equal
// time in their given order. It is a radix sort on the bits of the non-negative
// times, whose order as integers is their order as numbers: n operations a
// byte, and bytes that all times share cost nothing.
func timeOrder(times []float64) []int32 {
	n := len(times)
	order := make([]int32, n)
	for i := range order {
		order[i] = int32(i)
	}
	if n < 64 {
		slices.SortStableFunc(order, func(a, b int32) int {
			switch {
			case times[a] < times[b]:
				return -1
			case times[a] > times[b]:
				return 1
			}
			return 0
		})
		return order
	}
	keys := make([]uint64, n)
	var all, any uint64 = math.MaxUint64, 0
	for i, t := range times {
		keys[i] = math.Float64bits(t + 0) // turns −0 into 0
		all &= keys[i]
		any |= keys[i]
	}
	differ := all ^ any
	otherOrder, otherKeys := make([]int32, n), make([]uint64, n)
	for shift := 0; shift < 64; shift += 8 {
		if differ>>shift&0xff == 0 {
			continue
		}
		var start [257]int
		for _, k := range keys {
			start[k>>shift&0xff+1]++
		}
		for b := 1; b < len(start); b++ {
			start[b] += start[b-1]
		}
		for i, k := range keys {
			b := k >> shift & 0xff
			otherKeys[start[b]], otherOrder[start[b]] = k, order[i]
			start[b]++
		}
		keys, otherKeys = otherKeys, keys
		order, otherOrder = otherOrder, order
	}
	return order
}

// distinctTimes walks times in the given order and returns the distinct ones
// with, for each, the end of its rows in order. Times closer than tieTolerance
// are one time, the earliest of them.
func distinctTimes(times []float64, order []int32) (distinct []float64, end []int) {
	var sum float64
	count := 0
	last := math.Inf(-1)
	for _, i := range order {
		if t := times[i]; t != last {
			sum += t
			count++
			last = t
		}
	}
	gap := tieTolerance * max(1, sum/float64(max(count, 1)))
	distinct, end = make([]float64, 0, count), make([]int, 0, count)
	last = math.Inf(-1)
	for k, i := range order {
		t := times[i]
		if t-last > gap {
			distinct = append(distinct, t)
			end = append(end, k+1)
		} else {
			end[len(end)-1] = k + 1
		}
		last = t
	}
	return distinct, end
}

// settleTies returns the times with those closer than tieTolerance made equal,
// over all rows, so that strata of one data set judge ties alike.
func settleTies(times []float64, order []int32) []float64 {
	settled := make([]float64, len(times))
	distinct, ends := distinctTimes(times, order)
	start := 0
	for k, end := range ends {
		for _, i := range order[start:end] {
			settled[i] = distinct[k]
		}
		start = end
	}
	return settled
}

// runs returns the end of each run of equal times among rows in time order.
func runs(settled []float64, rows []int32) (ends []int) {
	for k, i := range rows {
		if k == 0 || settled[i] != settled[rows[k-1]] {
			ends = append(ends, k+1)
		} else {
			ends[len(ends)-1] = k + 1
		}
	}
	return ends
}
