package reports

import (
	"keratally/registry/snapshot"
	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/proportion"
)

// ShareOf is a share of eyes with its interval: Wilson limits on the effective
// sample size where patients have two eyes (never narrower than the per-eye
// interval), else plain Wilson.
type ShareOf struct {
	Events, N, Patients int
	Interval            stats.Interval
	Err                 error
}

// newShare counts the eyes for which has is true.
func newShare(has []bool, patient []int32, level float64) ShareOf {
	s := ShareOf{N: len(has), Patients: distinct(patient)}
	for _, h := range has {
		if h {
			s.Events++
		}
	}
	if s.N == 0 {
		s.Err = stats.ErrNoData
		return s
	}
	fit, err := cluster.Proportion(has, clusters(patient), level)
	if err != nil { // a single patient: nothing to estimate a design effect from
		s.Interval, s.Err = proportion.Wilson(s.Events, s.N, level)
		return s
	}
	s.Interval = fit.Interval
	return s
}

// cells returns count, n, share and limits.
func (s ShareOf) cells() []Cell {
	if s.Err != nil {
		return []Cell{Count(s.Events), Count(s.N), Reason(s.Err), {}, {}}
	}
	lower, upper := interval(s.Interval)
	return []Cell{Count(s.Events), Count(s.N), Number(s.Interval.Estimate), lower, upper}
}

// shareColumns are the headings of cells.
func shareColumns(key, what string) []Column {
	return []Column{
		{Key: key + "_events", Head: what + ", eyes", Format: Whole},
		{Key: key + "_n", Head: "of n eyes", Format: Whole},
		{Key: key + "_share", Head: "share", Format: Share},
		{Key: key + "_lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Wilson limits; where patients have two eyes, on the effective sample size from the estimated design effect, never narrower than eye by eye."},
		{Key: key + "_upper", Head: "to", Format: Share},
	}
}

// marks tells for each pair whether its change meets a condition.
func marks(p snapshot.Pairs, test func(change float64) bool) []bool {
	out := make([]bool, len(p.Change))
	for i, d := range p.Change {
		out[i] = test(d)
	}
	return out
}

// exact returns the Clopper–Pearson interval as a share.
func exact(events, n int, level float64) ShareOf {
	s := ShareOf{Events: events, N: n}
	s.Interval, s.Err = proportion.ClopperPearson(events, n, level)
	return s
}
