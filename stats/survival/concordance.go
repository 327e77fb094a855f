package survival

import (
	"math"
	"slices"
	"sort"

	"keratally/stats"
	"keratally/stats/dist"
)

// concordance returns the share of comparable pairs in which the row with the
// higher score had the event first, ties in the score counting one half, and
// its infinitesimal jackknife standard error (summed by cluster if there are
// clusters). A pair is comparable if it lies in one stratum and the earlier
// time is an event; of two rows with one time, an event comes before a
// censoring and two events are not comparable. Without a comparable pair the
// estimate is NaN.
//
// Therneau & Atkinson, Concordance (vignette of R's survival package), 2020.
func concordance(m *coxModel, d Data, score []float64, level float64) (stats.Interval, float64) {
	pairs := make([]pairCounts, len(score))
	for g := range m.strata {
		countPairs(&m.strata[g], d.Event, score, pairs)
	}
	var total pairCounts
	for _, c := range pairs {
		total.concordant += c.concordant / 2 // each pair is seen from both ends
		total.discordant += c.discordant / 2
		total.tied += c.tied / 2
	}
	all := total.all()
	out := stats.Interval{Estimate: math.NaN(), Lower: math.NaN(), Upper: math.NaN(), Level: level, Method: "infinitesimal jackknife"}
	if all == 0 {
		return out, math.NaN()
	}
	somers := (total.concordant - total.discordant) / all
	codes, levels := d.Cluster, len(score)
	if codes != nil {
		var l []int
		codes, l = denseCodes(codes)
		levels = len(l)
	}
	influence := make([]float64, levels)
	for i, c := range pairs {
		at := i
		if codes != nil {
			at = codes[i]
		}
		influence[at] += (c.concordant-c.discordant)/all - somers/all*c.all()
	}
	variance := 0.0
	for _, u := range influence {
		variance += u * u / 4
	}
	se := math.Sqrt(variance)
	z := dist.NormalQuantile((1 + level) / 2)
	out.Estimate = (somers + 1) / 2
	out.Lower, out.Upper = max(0, out.Estimate-z*se), min(1, out.Estimate+z*se)
	return out, se
}

// pairCounts are the comparable pairs that a row is part of.
type pairCounts struct{ concordant, discordant, tied float64 }

func (c pairCounts) all() float64 { return c.concordant + c.discordant + c.tied }

// countPairs adds the pairs of one stratum. Going back in time, each event is
// set against the later rows; going forward, each row against the earlier
// events. Both count by score in a tree of partial sums, log n a row.
func countPairs(s *coxStratum, event []bool, score []float64, pairs []pairCounts) {
	distinct := make([]float64, 0, len(s.rows))
	for _, i := range s.rows {
		distinct = append(distinct, score[i])
	}
	slices.Sort(distinct)
	distinct = slices.Compact(distinct)
	rank := func(i int32) int { return sort.SearchFloat64s(distinct, score[i]) }

	later := make(partialSums, len(distinct)+1)
	for k := len(s.times) - 1; k >= 0; k-- {
		now := s.rows[s.start(k):s.ends[k]]
		for _, i := range now {
			if !event[i] {
				later.add(rank(i))
			}
		}
		for _, i := range now {
			if event[i] {
				below, equal, above := later.split(rank(i))
				pairs[i].concordant += below
				pairs[i].tied += equal
				pairs[i].discordant += above
			}
		}
		for _, i := range now {
			if event[i] {
				later.add(rank(i))
			}
		}
	}
	earlier := make(partialSums, len(distinct)+1)
	count := func(i int32) {
		below, equal, above := earlier.split(rank(i))
		pairs[i].concordant += above
		pairs[i].tied += equal
		pairs[i].discordant += below
	}
	for k := range s.times {
		now := s.rows[s.start(k):s.ends[k]]
		for _, i := range now {
			if event[i] {
				count(i)
			}
		}
		for _, i := range now {
			if event[i] {
				earlier.add(rank(i))
			}
		}
		for _, i := range now {
			if !event[i] {
				count(i)
			}
		}
	}
}

// partialSums counts rows by rank (a binary indexed tree).
type partialSums []int

func (t partialSums) add(rank int) {
	for k := rank + 1; k < len(t); k += k & -k {
		t[k]++
	}
}

func (t partialSums) below(rank int) int {
	n := 0
	for k := rank; k > 0; k -= k & -k {
		n += t[k]
	}
	return n
}

func (t partialSums) split(rank int) (below, equal, above float64) {
	lo, hi, all := t.below(rank), t.below(rank+1), t.below(len(t)-1)
	return float64(lo), float64(hi - lo), float64(all - hi)
}
