package dist

// SignedRankPMF returns the null probabilities of the signed-rank statistic
// 0 … n(n+1)/2 for n untied differences: the sum of the ranks carrying a plus
// sign, every sign being plus or minus with probability ½. Costs n³/4
// additions, so it suits n up to a few hundred.
func SignedRankPMF(n int) []float64 {
	probabilities := make([]float64, n*(n+1)/2+1)
	probabilities[0] = 1
	top := 0
	for rank := 1; rank <= n; rank++ {
		top += rank
		for s := top; s >= rank; s-- {
			probabilities[s] = (probabilities[s] + probabilities[s-rank]) / 2
		}
		for s := min(rank, top+1) - 1; s >= 0; s-- {
			probabilities[s] /= 2
		}
	}
	return probabilities
}

// SignedRankCDF returns P(V ≤ v) for the statistic of SignedRankPMF.
func SignedRankCDF(v, n int) float64 { return lowerSum(SignedRankPMF(n), v) }

// SignedRankSF returns P(V > v); see SignedRankPMF, whose symmetry it uses.
func SignedRankSF(v, n int) float64 { return lowerSum(SignedRankPMF(n), n*(n+1)/2-v-1) }

// SignedRankQuantile returns the smallest v with P(V ≤ v) ≥ p.
func SignedRankQuantile(p float64, n int) int { return tableQuantile(p, SignedRankPMF(n)) }

// RankSumPMF returns the null probabilities of the Mann–Whitney count
// U = 0 … m·n of untied samples of m and n: all C(m+n, m) orders are equally
// likely. Costs m²·n·(m+n)/2 additions at most.
func RankSumPMF(m, n int) []float64 {
	if m > n {
		m, n = n, m
	}
	// ways[j][u]: probability, among the first i observations in order, that j
	// are of the first sample and u pairs have it above. P(j of i) is carried
	// hypergeometrically, so that nothing overflows.
	size := m*n + 1
	ways := make([][]float64, m+1)
	for j := range ways {
		ways[j] = make([]float64, size)
	}
	ways[0][0] = 1
	total := m + n
	for i := 0; i < total; i++ {
		left := float64(total - i)
		for j := min(i+1, m); j >= 0; j-- {
			takeSecond := 0.0
			if second := n - (i - j); second > 0 && j <= i {
				takeSecond = float64(second) / left
			}
			for u := range ways[j] {
				ways[j][u] *= takeSecond
			}
			if j == 0 {
				continue
			}
			above := i - (j - 1) // of the second sample, below the new one of the first
			if above < 0 || above > n {
				continue
			}
			takeFirst := float64(m-j+1) / left
			from := ways[j-1]
			for u := 0; u+above < size; u++ {
				ways[j][u+above] += from[u] * takeFirst
			}
		}
	}
	return ways[m]
}

// RankSumCDF returns P(U ≤ u) for the count of RankSumPMF.
func RankSumCDF(u, m, n int) float64 { return lowerSum(RankSumPMF(m, n), u) }

// RankSumSF returns P(U > u); see RankSumPMF, whose symmetry it uses.
func RankSumSF(u, m, n int) float64 { return lowerSum(RankSumPMF(m, n), m*n-u-1) }

// RankSumQuantile returns the smallest u with P(U ≤ u) ≥ p.
func RankSumQuantile(p float64, m, n int) int { return tableQuantile(p, RankSumPMF(m, n)) }

// lowerSum adds probabilities[0 … k] of a symmetric distribution, by way of
// the shorter tail.
func lowerSum(probabilities []float64, k int) float64 {
	switch {
	case k < 0:
		return 0
	case k >= len(probabilities)-1:
		return 1
	case 2*k >= len(probabilities):
		return 1 - lowerSum(probabilities, len(probabilities)-2-k)
	}
	sum := 0.0
	for _, p := range probabilities[:k+1] {
		sum += p
	}
	return sum
}

func tableQuantile(p float64, probabilities []float64) int {
	want := p * (1 - 64*2*machineEpsilon)
	sum := 0.0
	for k, probability := range probabilities {
		sum += probability
		if sum >= want {
			return k
		}
	}
	return len(probabilities) - 1
}
