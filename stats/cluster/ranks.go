package cluster

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/rank"
)

// SignedRankTest is a signed-rank test over clusters. The Result's N counts
// all observations and its Clusters those that have a difference other than
// zero.
type SignedRankTest struct {
	stats.Result
	Sum      float64 // of the signed midranks, T
	Variance float64 // Σ over clusters of (sum of signed midranks)²; NaN for the exact test
	Used     int     // differences other than zero
	Zeros    int
}

// clusterRanks are the sums of signed midranks of the clusters.
func clusterRanks(method string, differences []float64, cluster []int) (s []float64, t SignedRankTest, err error) {
	if err := stats.CheckSample(method, differences, 2); err != nil {
		return nil, t, err
	}
	if _, _, err := codes(method, cluster, len(differences)); err != nil {
		return nil, t, err
	}
	var sizes, signs []float64
	var owners []int
	for i, d := range differences {
		if d == 0 {
			continue
		}
		sizes = append(sizes, math.Abs(d))
		signs = append(signs, math.Copysign(1, d))
		owners = append(owners, cluster[i])
	}
	t.Result = stats.NewResult(method, len(differences))
	t.Used, t.Zeros, t.Variance = len(sizes), len(differences)-len(sizes), math.NaN()
	if t.Used == 0 {
		return nil, t, fmt.Errorf("%s: %w", method, stats.ErrAllZero)
	}
	index := map[int]int{}
	ranks, _ := rank.Midranks(sizes)
	for i, r := range ranks {
		k, ok := index[owners[i]]
		if !ok {
			k = len(s)
			index[owners[i]] = k
			s = append(s, 0)
		}
		s[k] += signs[i] * r
	}
	for _, v := range s {
		t.Sum += v
	}
	t.Clusters = len(s)
	t.Stat = t.Sum
	if t.Zeros > 0 {
		t.Note("%d differences of zero left out", t.Zeros)
	}
	return s, t, nil
}

// SignedRank tests whether differences are distributed symmetrically about
// zero when they are correlated within clusters, by the normal approximation
//
//	z = T/√Σ S_i²,  S_i = Σ_j sign(d_ij)·rank|d_ij|,  T = Σ S_i
//
// with midranks for ties and zeros dropped. Given the absolute differences, the
// sign of each cluster's S_i is a coin toss. Use SignedRankExact for
// fewer than about 20 clusters. No continuity correction.
//
// The errors are stats.ErrTooFew, stats.ErrOneGroup, stats.ErrNotFinite,
// stats.ErrLengths, stats.ErrAllZero, and stats.ErrNoVariance if the ranks of
// every cluster cancel.
//
// Rosner, Glynn & Lee, Biometrics 2006;62:185–192.
func SignedRank(differences []float64, cluster []int) (SignedRankTest, error) {
	const method = "signed-rank test for clustered differences, normal approximation"
	s, t, err := clusterRanks(method, differences, cluster)
	if err != nil {
		return t, err
	}
	t.Variance = 0
	for _, v := range s {
		t.Variance += v * v
	}
	if t.Variance == 0 {
		return t, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	t.Stat = t.Sum / math.Sqrt(t.Variance)
	t.P = dist.PZ(t.Stat, stats.TwoSided)
	return t, nil
}

// exactWork is the number of additions up to which the exact distribution is made.
const exactWork = 2e9

// SignedRankExact is SignedRank with its exact null distribution: the share of
// the 2^K ways to give the K cluster sums a sign in which |T| is at least as
// large. It is found by convolution over twice the midranks, which are whole
// numbers. A problem of more than about 2·10⁹ additions (some thousand clusters) is a *stats.ArgumentError.
func SignedRankExact(differences []float64, cluster []int) (SignedRankTest, error) {
	const method = "signed-rank test for clustered differences, exact over the signs of clusters"
	s, t, err := clusterRanks(method, differences, cluster)
	if err != nil {
		return t, err
	}
	total, sum := 0, 0
	weights := make([]int, 0, len(s))
	for _, v := range s {
		k := int(math.Round(2 * v))
		sum += k
		weights = append(weights, max(k, -k))
		total += max(k, -k)
	}
	if float64(total)*float64(len(s)) > exactWork {
		return t, &stats.ArgumentError{Name: "clusters for an exact signed-rank test", Got: len(s), Want: "fewer; the normal approximation is accurate here"}
	}
	t.P = signTail(weights, total, max(sum, -sum))
	return t, nil
}

// signTail returns the probability that Σ±w is at least far from 0 in size.
func signTail(weights []int, total, far int) float64 {
	f := make([]float64, total+1) // of the sum of the positive weights
	f[0] = 1
	reach := 0
	for _, w := range weights {
		if w == 0 {
			continue
		}
		for v := reach + w; v >= 0; v-- {
			below := 0.0
			if v >= w {
				below = f[v-w]
			}
			above := 0.0
			if v <= reach {
				above = f[v]
			}
			f[v] = (above + below) / 2
		}
		reach += w
	}
	if far == 0 {
		return 1
	}
	// Σ± = 2v − total, and its distribution is symmetric.
	p := 0.0
	for v := 0; 2*v <= total-far; v++ {
		p += f[v]
	}
	return math.Min(1, 2*p)
}

// RankSumTest compares two groups of clusters by ranks.
type RankSumTest struct {
	stats.Result
	Sum                  float64 // of the midranks of the first group
	Expected, Variance   float64 // of Sum if the groups do not differ
	ClustersA, ClustersB int
}

// RankSum tests whether values have the same distribution in two groups when
// they are correlated within clusters and a cluster is whole in one group, such
// as a protocol given to both eyes. With R the midranks over all values, W the sum
// of those of the first group, and clusters exchangeable among those of their size g,
//
//	E W = Σ_g m_g·R_g/N_g,  Var W = Σ_g m_g·n_g/(N_g(N_g − 1)) Σ_i (R_i − R_g/N_g)²
//
// where m_g and n_g are the group's clusters of size g, N_g their number, R_i the rank sum
// of a cluster and R_g of them all; z = (W − E W)/√Var W, without continuity
// correction. A size that occurs in one group only tells nothing of the difference.
//
// first says of each value whether it is in the first group. The errors are
// stats.ErrOneGroup if a group is empty, *stats.ArgumentError if a cluster
// has values in both groups (take differences within clusters and SignedRank,
// or a regression with OLS), stats.ErrNoVariance if nothing varies, and those of SignedRank.
//
// Rosner, Glynn & Lee, Biometrics 2003;59:1089–1098.
func RankSum(values []float64, first []bool, cluster []int) (RankSumTest, error) {
	const method = "rank-sum test for clustered values, normal approximation"
	var t RankSumTest
	if err := stats.CheckSample(method, values, 2); err != nil {
		return t, err
	}
	code, count, err := codes(method, cluster, len(values))
	if err != nil {
		return t, err
	}
	if len(first) != len(values) {
		return t, fmt.Errorf("%s: groups: %w", method, stats.ErrLengths)
	}
	t.Result = stats.NewResult(method, len(values))
	t.Clusters = count
	rows := members(code, count)
	for k, own := range rows {
		for _, i := range own {
			if first[i] != first[own[0]] {
				return t, &stats.ArgumentError{Name: "cluster", Got: cluster[i], Want: "whole in one group; for groups within clusters compare within them"}
			}
		}
		if first[rows[k][0]] {
			t.ClustersA++
		} else {
			t.ClustersB++
		}
	}
	if t.ClustersA == 0 || t.ClustersB == 0 {
		return t, fmt.Errorf("%s: %w", method, stats.ErrOneGroup)
	}
	ranks, _ := rank.Midranks(values)
	r := sums(ranks, code, count)
	t.bySize(rows, r, first)
	if !(t.Variance > 0) {
		return t, fmt.Errorf("%s: %w", method, stats.ErrNoVariance)
	}
	t.Stat = (t.Sum - t.Expected) / math.Sqrt(t.Variance)
	t.P = dist.PZ(t.Stat, stats.TwoSided)
	return t, nil
}

// bySize adds up sum, expectation and variance over the cluster sizes.
func (t *RankSumTest) bySize(rows [][]int, r []float64, first []bool) {
	bySize := map[int][]int{}
	var order []int
	for k, own := range rows {
		if bySize[len(own)] == nil {
			order = append(order, len(own))
		}
		bySize[len(own)] = append(bySize[len(own)], k)
	}
	for _, size := range order {
		clusters := bySize[size]
		n, m, total := float64(len(clusters)), 0.0, 0.0
		for _, k := range clusters {
			total += r[k]
			if first[rows[k][0]] {
				m++
				t.Sum += r[k]
			}
		}
		t.Expected += m * total / n
		if len(clusters) < 2 {
			continue
		}
		square := 0.0
		for _, k := range clusters {
			square += (r[k] - total/n) * (r[k] - total/n)
		}
		t.Variance += m * (n - m) / (n * (n - 1)) * square
	}
}
