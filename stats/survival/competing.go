package survival

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"keratally/stats"
	"keratally/stats/dist"
)

// CompetingData is follow-up that one of several causes may end.
type CompetingData struct {
	Time    []float64 // follow-up in any one unit, 0 or more
	Cause   []int     // 0 for censored, else the number of the cause
	Cluster []int     // patient of each row, for clustered variance; nil if independent
	Strata  []int     // stratum of each row, for the stratified Gray test; nil for one
}

func (d CompetingData) check(method string) error {
	for i, c := range d.Cause {
		if c < 0 {
			return fmt.Errorf("%s: row %d: %w", method, i+1, &stats.ArgumentError{Name: "cause", Got: c, Want: "0 or more"})
		}
	}
	return d.anyCause().check(method)
}

// anyCause is the same follow-up with every cause counted as the event.
func (d CompetingData) anyCause() Data {
	event := make([]bool, len(d.Cause))
	for i, c := range d.Cause {
		event[i] = c != 0
	}
	return Data{Time: d.Time, Event: event, Cluster: d.Cluster, Strata: d.Strata}
}

// causes returns the causes that occur, ascending.
func (d CompetingData) causes() []int {
	_, levels := denseCodes(d.Cause)
	return slices.DeleteFunc(levels, func(c int) bool { return c == 0 })
}

// IncidencePoint is the cumulative incidence of one cause at and just after
// one time.
type IncidencePoint struct {
	Time          float64
	AtRisk        int     // just before Time
	Events, Other int     // of this cause, of the other causes, at Time
	Incidence     float64 // probability of this cause by Time, all causes acting
	SE            float64 // Aalen-type; clustered where there are clusters
	Lower, Upper  float64 // from SE; NaN where the scale has none (see Limits)
	JackknifeSE   float64 // infinitesimal jackknife, by row or by cluster
}

// Incidence is the cumulative incidence of one cause.
type Incidence struct {
	Method    string
	Cause     int
	N, Events int // rows; events of this cause
	Clusters  int
	Level     float64
	Limits    Limits
	Points    []IncidencePoint // one for each distinct time, ascending
}

// CumulativeIncidence returns for each cause k that occurs, ascending, the
// Aalen–Johansen estimate
//
//	F_k(t) = Σ over times u ≤ t of S(u−)·d_k(u)/n(u),
//
// S the Kaplan–Meier curve of all causes together. 1 − Kaplan–Meier with the
// other causes censored would be larger than the share of eyes that will ever
// have the cause. The standard error is the Aalen-type (delta method) one with
// tied-event correction; if d.Cluster is given it is the infinitesimal
// jackknife summed by cluster. The recommended limits are LogLog.
//
// It assumes that censoring says nothing of the event to come; a competing
// event is no censoring. Errors are those of KaplanMeier, stats.ErrNoEvents
// if no cause occurs, and *stats.ArgumentError for a negative cause.
//
// Aalen & Johansen, Scand J Stat 1978;5:141–150. Variance: Marubini & Valsecchi,
// Analysing Survival Data from Clinical Trials, 10.3; Gray, Ann Stat
// 1988;16:1141–1154.
func CumulativeIncidence(d CompetingData, limits Limits, level float64) ([]Incidence, error) {
	const method = "cumulative incidence"
	if err := stats.CheckLevel(level); err != nil {
		return nil, fmt.Errorf("%s: %w", method, err)
	}
	if err := d.check(method); err != nil {
		return nil, err
	}
	causes := d.causes()
	if len(causes) == 0 {
		return nil, fmt.Errorf("%s: %w", method, stats.ErrNoEvents)
	}
	variance := "Aalen-type variance"
	if d.Cluster != nil {
		variance = "variance clustered by patient"
	}
	order := timeOrder(d.Time)
	times, ends := distinctTimes(d.Time, order)
	out := make([]Incidence, len(causes))
	for c, cause := range causes {
		inc := Incidence{
			Method: fmt.Sprintf("cumulative incidence, Aalen–Johansen, %s, %s", variance, limits),
			Cause:  cause, N: len(d.Time), Clusters: d.anyCause().clusters(), Level: level, Limits: limits,
			Points: make([]IncidencePoint, len(times)),
		}
		inc.fill(d, order, times, ends)
		z := dist.NormalQuantile((1 + level) / 2)
		for k := range inc.Points {
			p := &inc.Points[k]
			if d.Cluster != nil {
				p.SE = p.JackknifeSE
			}
			p.Lower, p.Upper = limits.limits(p.Incidence, p.SE, z)
		}
		out[c] = inc
	}
	return out, nil
}

// fill computes the estimate and both standard errors.
func (inc *Incidence) fill(d CompetingData, order []int32, times []float64, ends []int) {
	jackknife := newIncidenceJackknife(d)
	var aalen aalenSums
	surv, f, start := 1.0, 0.0, 0
	for k, end := range ends {
		p := IncidencePoint{Time: times[k], AtRisk: len(order) - start}
		for _, i := range order[start:end] {
			switch d.Cause[i] {
			case 0:
			case inc.Cause:
				p.Events++
			default:
				p.Other++
			}
		}
		n, dead := float64(p.AtRisk), float64(p.Events+p.Other)
		after := surv * (n - dead) / n
		f += surv * float64(p.Events) / n
		aalen.add(surv, after, f, n, float64(p.Events), float64(p.Other))
		jackknife.step(p, surv, after, f, order[start:end], d.Cause, inc.Cause)
		p.Incidence = f
		p.SE = math.Sqrt(aalen.variance(f))
		p.JackknifeSE = math.Sqrt(jackknife.variance(f))
		inc.Events += p.Events
		inc.Points[k] = p
		surv = after
		start = end
	}
}

// At returns the incidence at time t: the last point at or before t, with the
// number still at risk just before t. Before the first time it is 0 with limits
// 0; after the last it stays where it ended.
func (inc *Incidence) At(t float64) IncidencePoint {
	k := sort.Search(len(inc.Points), func(k int) bool { return inc.Points[k].Time > t })
	p := IncidencePoint{Time: t, AtRisk: inc.N}
	if k > 0 {
		p = inc.Points[k-1]
	}
	if p.Time == t && k > 0 {
		return p
	}
	p.Time, p.AtRisk, p.Events, p.Other = t, 0, 0, 0
	if k < len(inc.Points) {
		p.AtRisk = inc.Points[k].AtRisk
	}
	return p
}

// aalenSums accumulates Σ over event times s ≤ t of w(s)·(a(s) − F(t)/S(s))²,
// a = F(s)/S(s) for events of the other causes and 1 + F(s)/S(s) for the cause
// itself, as three sums from which any F(t) can be put in. w is
// S(s−)²·d/n²·(1 − (d−1)/(n−1)).
type aalenSums struct{ aa, ab, bb float64 }

func (s *aalenSums) add(before, after, f, n, events, other float64) {
	weight := func(d float64) float64 {
		w := before * before * d / (n * n)
		if d > 1 {
			w *= 1 - (d-1)/(n-1)
		}
		return w
	}
	inverse := 0.0
	if after > 0 {
		inverse = 1 / after
	}
	put := func(w, a float64) {
		s.aa += w * a * a
		s.ab += w * a * inverse
		s.bb += w * inverse * inverse
	}
	if other > 0 && after > 0 {
		put(weight(other), f*inverse)
	}
	if events > 0 {
		put(weight(events), 1+f*inverse)
	}
}

func (s *aalenSums) variance(f float64) float64 {
	return max(0, s.aa-2*f*s.ab+f*f*s.bb)
}

// incidenceJackknife sums the squared influence of clusters on F. A row at
// risk has influence B(t) = Σ S(u−)·d_k/n·(A(u−) − 1/n), A as for the survival
// curve; one that has left has c + ℓ·F(t), ℓ its lasting influence on log S. So
// with k rows of a cluster at risk the cluster has k·B + C + L·F, and the six
// sums of products over clusters change only when a row leaves.
type incidenceJackknife struct {
	codes                  []int
	in, c, l               []float64
	kk, kc, kl, cc, cl, ll float64
	a, b                   float64
}

func newIncidenceJackknife(d CompetingData) *incidenceJackknife {
	n := len(d.Time)
	j := &incidenceJackknife{}
	clusters := n
	if d.Cluster != nil {
		codes, levels := denseCodes(d.Cluster)
		j.codes, clusters = codes, len(levels)
	}
	j.in, j.c, j.l = make([]float64, clusters), make([]float64, clusters), make([]float64, clusters)
	for i := range n {
		j.in[j.cluster(int32(i))]++
	}
	for _, k := range j.in {
		j.kk += k * k
	}
	return j
}

func (j *incidenceJackknife) cluster(row int32) int {
	if j.codes == nil {
		return int(row)
	}
	return j.codes[row]
}

func (j *incidenceJackknife) step(p IncidencePoint, before, after, f float64, rows []int32, causes []int, cause int) {
	n, dead, of := float64(p.AtRisk), float64(p.Events+p.Other), float64(p.Events)
	aBefore := j.a
	j.b += before * of / n * (aBefore - 1/n)
	if dead > 0 && after > 0 {
		j.a += dead / (n * (n - dead))
	}
	for _, i := range rows {
		log, own := j.a, 0.0
		if causes[i] != 0 {
			log = aBefore - 1/n
		}
		if causes[i] == cause {
			own = before / n
		}
		if after == 0 {
			log = 0 // nothing can be added to F any more
		}
		j.leave(j.cluster(i), j.b+own-log*f, log)
	}
}

func (j *incidenceJackknife) leave(cluster int, dc, dl float64) {
	k, c, l := j.in[cluster], j.c[cluster], j.l[cluster]
	j.kk += (k-1)*(k-1) - k*k
	j.kc += (k-1)*(c+dc) - k*c
	j.kl += (k-1)*(l+dl) - k*l
	j.cc += (c+dc)*(c+dc) - c*c
	j.cl += (c+dc)*(l+dl) - c*l
	j.ll += (l+dl)*(l+dl) - l*l
	j.in[cluster], j.c[cluster], j.l[cluster] = k-1, c+dc, l+dl
}

func (j *incidenceJackknife) variance(f float64) float64 {
	return max(0, j.b*j.b*j.kk+j.cc+f*f*j.ll+2*(j.b*j.kc+j.b*f*j.kl+f*j.cl))
}
