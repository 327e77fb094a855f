// Package rank orders and ranks samples.
package rank

import (
	"math"
	"slices"
)

// radixFrom is the sample size from which a radix sort beats comparisons.
const radixFrom = 512

// Order returns the positions of x in ascending order of value, equal values
// in their original order, NaN last. x is left unmodified. Cost is linear in
// len(x) for large samples.
func Order(x []float64) []int {
	_, positions := sortedKeys(x)
	order := make([]int, len(x))
	for i, p := range positions {
		order[i] = int(p)
	}
	return order
}

// Midranks returns the rank of each value of x, from 1, equal values sharing
// the mean of their ranks, together with the sizes of the groups of equal
// values in ascending order of value (singletons included, so that they sum to
// len(x)). Values are equal when they compare equal, −0 and 0 among them: round
// or scale measurements to integers first where near-equal should tie. x must
// hold no NaN.
func Midranks(x []float64) (ranks []float64, tieSizes []int) {
	keys, positions := sortedKeys(x)
	ranks = make([]float64, len(x))
	for start := 0; start < len(x); {
		end := start + 1
		for end < len(x) && keys[end] == keys[start] {
			end++
		}
		shared := float64(start+1+end) / 2
		for _, p := range positions[start:end] {
			ranks[p] = shared
		}
		tieSizes = append(tieSizes, end-start)
		start = end
	}
	return ranks, tieSizes
}

// TieSum returns Σ (t³ − t) over the sizes of groups of equal values, the
// correction of the rank tests.
func TieSum(tieSizes []int) float64 {
	total := 0.0
	for _, size := range tieSizes {
		t := float64(size)
		total += t*t*t - t
	}
	return total
}

// Sorted returns a sorted copy of x.
func Sorted(x []float64) []float64 {
	if len(x) < radixFrom {
		sorted := slices.Clone(x)
		slices.Sort(sorted)
		return sorted
	}
	keys, _ := sortedKeys(x)
	sorted := make([]float64, len(x))
	for i, key := range keys {
		sorted[i] = fromKey(key)
	}
	return sorted
}

// sortedKeys returns order-preserving keys of x in ascending order, and the
// position in x that each came from; equal keys keep their order.
func sortedKeys(x []float64) ([]uint64, []int32) {
	keys := make([]uint64, len(x))
	positions := make([]int32, len(x))
	for i, v := range x {
		keys[i] = toKey(v)
		positions[i] = int32(i)
	}
	if len(x) < radixFrom {
		slices.SortFunc(positions, func(a, b int32) int {
			switch {
			case keys[a] < keys[b]:
				return -1
			case keys[a] > keys[b]:
				return 1
			default:
				return int(a - b)
			}
		})
		sorted := make([]uint64, len(x))
		for i, p := range positions {
			sorted[i] = keys[p]
		}
		return sorted, positions
	}
	return radixSort(keys, positions)
}

// radixSort sorts keys and the positions that go with them by 11 bits at a
// time from the lowest, leaving out digits that all keys share: data rounded
// to a few decimals has many.
func radixSort(keys []uint64, positions []int32) ([]uint64, []int32) {
	const bits, buckets = 11, 1 << 11
	otherKeys, otherPositions := make([]uint64, len(keys)), make([]int32, len(keys))
	for shift := 0; shift < 64; shift += bits {
		var count [buckets]int32
		for _, key := range keys {
			count[key>>shift&(buckets-1)]++
		}
		if count[keys[0]>>shift&(buckets-1)] == int32(len(keys)) {
			continue
		}
		next := int32(0)
		for i, c := range count {
			count[i] = next
			next += c
		}
		for i, key := range keys {
			slot := &count[key>>shift&(buckets-1)]
			otherKeys[*slot], otherPositions[*slot] = key, positions[i]
			*slot++
		}
		keys, otherKeys = otherKeys, keys
		positions, otherPositions = otherPositions, positions
	}
	return keys, positions
}

// toKey maps a double to an integer of the same order, −0 to the key of 0 and
// NaN above +Inf.
func toKey(v float64) uint64 {
	if v == 0 {
		return 1 << 63 // −0 too
	}
	if math.IsNaN(v) {
		return math.MaxUint64
	}
	b := math.Float64bits(v)
	if b>>63 == 1 {
		return ^b
	}
	return b | 1<<63
}

func fromKey(key uint64) float64 {
	if key>>63 == 1 {
		return math.Float64frombits(key &^ (1 << 63))
	}
	return math.Float64frombits(^key)
}
