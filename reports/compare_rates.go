package reports

import (
	"errors"
	"fmt"
	"math"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/dist"
	"keratally/stats/power"
	"keratally/stats/proportion"
)

// RateComparison is one kind of event, or one share, in all groups.
type RateComparison struct {
	Key, Label string
	Horizon    int // last day that counts; 0 for a share at the window
	Groups     []RateGroup
	Contrasts  []RateContrast
}

// RateGroup is one group's count.
type RateGroup struct {
	proportion.Count
	Patients int
	Share    ShareOf
	Effect   float64 // design effect of two eyes of one patient, at least 1
	event    map[int32]bool
}

// RateContrast is the second group's rate less, and over, the first's.
type RateContrast struct {
	First, Second int
	Difference    stats.Interval // Newcombe, eye by eye
	DifferenceErr error
	Ratio         stats.Interval // Koopman's score limits
	RatioErr      error
	Fisher        stats.Result // eye by eye
	FisherErr     error
	Headline      stats.Result // allows for two eyes of a patient
	HeadlineErr   error
	Holm          float64
	Detectable    float64 // rate of the second group that would have been told from the first's
	DetectableErr error
}

// rates counts the complications, and the shares of eyes whose primary measure
// changed by a step.
func (c *Comparison) rates() ([]RateComparison, error) {
	kinds, err := c.Source.Outcomes.Complications()
	if err != nil {
		return nil, err
	}
	var out []RateComparison
	for _, share := range sharesOf(c.Source.Outcomes, c.Spec.Measure, c.window) {
		r := RateComparison{Key: share.key, Label: share.label + " at " + c.Primary.Window.Label}
		for i := range c.Groups {
			p := c.Primary.Groups[i].Pairs
			g := RateGroup{event: map[int32]bool{}}
			for k, has := range share.has(p) {
				g.add(p.Episode[k], has)
			}
			r.Groups = append(r.Groups, g)
		}
		out = append(out, c.compareRate(r))
	}
	for i := range kinds {
		k := &kinds[i]
		r := RateComparison{Key: k.Kind.Key, Label: k.Kind.Label, Horizon: k.Horizon}
		for g := range c.Groups {
			group := RateGroup{event: map[int32]bool{}}
			for _, e := range c.Groups[g].Episodes {
				if k.AtRisk[e] {
					group.add(e, k.Event[e] != nil)
				}
			}
			r.Groups = append(r.Groups, group)
		}
		out = append(out, c.compareRate(r))
	}
	return out, nil
}

func (g *RateGroup) add(episode int32, has bool) {
	g.event[episode] = has
	g.N++
	if has {
		g.Events++
	}
}

// stepShare is a share of eyes whose measure changed by a step.
type stepShare struct {
	key, label string
	has        func(snapshot.Pairs) []bool
}

// sharesOf lists the shares that are reported of a measure.
func sharesOf(o *snapshot.Outcomes, q registry.Quantity, w int) []stepShare {
	info := q.Info()
	switch {
	case q == registry.Kmax.Quantity():
		return []stepShare{
			{"kmax-flatter-1", "Kmax flatter by 1 D or more", func(p snapshot.Pairs) []bool { return marks(p, func(d float64) bool { return d <= -1 }) }},
			{"kmax-steeper-1", "Kmax steeper by 1 D or more", func(p snapshot.Pairs) []bool { return marks(p, func(d float64) bool { return d >= 1 }) }},
		}
	case info.Acuity:
		lines := func(test func(int) bool) func(snapshot.Pairs) []bool {
			return func(p snapshot.Pairs) []bool {
				out := make([]bool, len(p.Change))
				for i, n := range o.Lines(p) {
					out[i] = test(n)
				}
				return out
			}
		}
		return []stepShare{
			{info.Key + "-gained-2", info.Label + " better by 2 lines or more", lines(func(n int) bool { return n >= 2 })},
			{info.Key + "-lost-2", info.Label + " worse by 2 lines or more", lines(func(n int) bool { return n <= -2 })},
		}
	}
	return nil
}

// errNoneAtRisk says that a group has no eye in which the event could be told.
var errNoneAtRisk = errors.New("no eye at risk")

func (c *Comparison) compareRate(r RateComparison) RateComparison {
	clustered := false
	for i := range r.Groups {
		g := &r.Groups[i]
		var has []bool
		var patient []int32
		for _, e := range c.Groups[i].Episodes { // in the order of the cohort, not of the map
			if event, in := g.event[e]; in {
				has = append(has, event)
				patient = append(patient, c.Source.Outcomes.Episodes[e].Patient)
			}
		}
		g.Patients = distinct(patient)
		g.Share, g.Effect = clusteredShare(has, patient, c.level())
		clustered = clustered || g.Patients < g.N
	}
	for i := range r.Groups {
		for j := i + 1; j < len(r.Groups); j++ {
			r.Contrasts = append(r.Contrasts, c.rateContrast(&r, i, j, clustered))
		}
	}
	return r
}

func (c *Comparison) rateContrast(r *RateComparison, i, j int, clustered bool) RateContrast {
	k := RateContrast{First: i, Second: j, Holm: math.NaN()}
	a, b := &r.Groups[i], &r.Groups[j]
	least := c.Source.Outcomes.Definitions.Analysis.MinEpisodes
	for _, at := range []int{i, j} {
		var err error
		switch g := &r.Groups[at]; {
		case g.N == 0:
			err = fmt.Errorf("not compared: %s: %w", c.Groups[at].Name, errNoneAtRisk)
		case g.N < least:
			err = fmt.Errorf("not compared: %s has %s at risk, fewer than %d", c.Groups[at].Name, eyes(g.N), least)
		}
		if err != nil && k.HeadlineErr == nil {
			k.DifferenceErr, k.RatioErr, k.FisherErr, k.HeadlineErr, k.DetectableErr = err, err, err, err, err
		}
	}
	if k.HeadlineErr != nil {
		return k
	}
	k.Difference, k.DifferenceErr = proportion.DifferenceNewcombe(b.Count, a.Count, c.level())
	k.Ratio, k.RatioErr = proportion.RatioKoopman(b.Count, a.Count, c.level())
	k.Fisher, k.FisherErr = proportion.FisherExact(proportion.TwoByTwo(b.Count, a.Count), stats.TwoSided)
	k.Headline, k.HeadlineErr = k.Fisher, k.FisherErr
	k.Headline.Estimate, k.Headline.Interval = k.Difference.Estimate, k.Difference
	if clustered {
		k.Headline, k.HeadlineErr = clusteredDifference(b, a, c.level())
		if k.HeadlineErr == nil && k.FisherErr == nil { // z is too bold for rare events
			k.Headline.P = math.Max(k.Headline.P, k.Fisher.P)
		}
	}
	if a.Events == 0 && b.Events == 0 {
		k.HeadlineErr = stats.ErrNoEvents
	}
	effect := math.Max(a.Effect, b.Effect)
	plan := power.Proportions{Alpha: 1 - c.level(), DesignEffect: effect}
	k.Detectable, k.DetectableErr = plan.Detectable(2/(1/float64(a.N)+1/float64(b.N)), a.Proportion(), designPower)
	return k
}

// clusteredDifference is Newcombe's hybrid of the limits of both shares, each
// by Wilson on the eyes divided by the design effect of two eyes of a patient,
// with the p value of the pooled z test on the same sizes.
//
// Newcombe, Stat Med 1998;17:873–890, method 10; Rao & Scott, Biometrics
// 1992;48:577–585.
func clusteredDifference(b, a *RateGroup, level float64) (stats.Result, error) {
	r := stats.NewResult("Newcombe limits and pooled z, eyes divided by the design effect of two eyes of a patient", a.N+b.N)
	r.Clusters = a.Patients + b.Patients
	if a.Share.Err != nil {
		return r, a.Share.Err
	}
	if b.Share.Err != nil {
		return r, b.Share.Err
	}
	wa, wb := a.Share.Interval, b.Share.Interval
	d := wb.Estimate - wa.Estimate
	r.Estimate = d
	r.Interval = stats.Interval{
		Estimate: d, Level: level, Method: "Newcombe, effective sample sizes",
		Lower: d - math.Hypot(wb.Estimate-wb.Lower, wa.Upper-wa.Estimate),
		Upper: d + math.Hypot(wb.Upper-wb.Estimate, wa.Estimate-wa.Lower),
	}
	na, nb := float64(a.N)/a.Effect, float64(b.N)/b.Effect
	p := (a.Proportion()*na + b.Proportion()*nb) / (na + nb)
	if p == 0 {
		return r, stats.ErrNoEvents
	}
	if p == 1 {
		return r, stats.ErrNoVariance
	}
	r.SE = math.Sqrt(p * (1 - p) * (1/na + 1/nb))
	r.Stat = d / r.SE
	r.P = dist.PZ(r.Stat, stats.TwoSided)
	return r, nil
}

// clusteredShare is the share with the limits and the design effect of two
// eyes of a patient; plain Wilson where no patient has two.
func clusteredShare(has []bool, patient []int32, level float64) (ShareOf, float64) {
	s := newShare(has, patient, level)
	if s.Patients == s.N || s.Err != nil {
		return s, 1
	}
	p, err := cluster.Proportion(has, clusters(patient), level)
	if err != nil {
		s.Err = err
		return s, 1
	}
	s.Interval = p.Interval
	if p.EffectiveN > 0 && p.EffectiveN < float64(s.N) {
		return s, float64(s.N) / p.EffectiveN
	}
	return s, 1
}
