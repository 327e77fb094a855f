package cluster

import (
	"fmt"

	"keratally/stats"
)

// codes numbers the clusters from 0 in order of first appearance and checks
// that there are at least two.
func codes(method string, cluster []int, n int) (code []int, count int, err error) {
	if len(cluster) != n {
		return nil, 0, fmt.Errorf("%s: %d clusters for %d observations: %w", method, len(cluster), n, stats.ErrLengths)
	}
	index := make(map[int]int, n)
	code = make([]int, n)
	for i, c := range cluster {
		k, ok := index[c]
		if !ok {
			k = len(index)
			index[c] = k
		}
		code[i] = k
	}
	if len(index) < 2 {
		return nil, 0, fmt.Errorf("%s: %w", method, stats.ErrOneGroup)
	}
	return code, len(index), nil
}

// members lists the observations of each cluster.
func members(code []int, count int) [][]int {
	out := make([][]int, count)
	for i, c := range code {
		out[c] = append(out[c], i)
	}
	return out
}

// sums adds values by cluster.
func sums(values []float64, code []int, count int) []float64 {
	out := make([]float64, count)
	for i, v := range values {
		out[code[i]] += v
	}
	return out
}
