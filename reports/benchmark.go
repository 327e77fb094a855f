package reports

import (
	"fmt"
	"math"
	"slices"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/stats"
	"keratally/stats/describe"
	"keratally/stats/dist"
	"keratally/stats/mixed"
	"keratally/stats/pool"
	"keratally/stats/proportion"
)

// Benchmark sets published summaries beside the own cohort. It gives no
// verdict: the published eyes were other eyes, and the case mix is printed
// beside every difference.
type Benchmark struct {
	Source  *Source
	Studies []Study
	Changes []BenchmarkChange
	Mix     []BenchmarkMix
	Rates   []BenchmarkRate
	Pools   []BenchmarkPool
}

// OwnChange is the own cohort's change of one measure in one window.
type OwnChange struct {
	Quantity  registry.Quantity
	Window    registry.Window
	Pairs     snapshot.Pairs
	Patients  int
	Delta     describe.Summary
	Mean      stats.Result // allows for two eyes of a patient
	MeanErr   error
	Clustered bool
}

// BenchmarkChange is one published mean change beside the own one.
type BenchmarkChange struct {
	Study         *Study
	Arm           *StudyArm
	Published     StudyChange
	N             int // eyes behind it
	SD            float64
	HasSD         bool
	Own           *OwnChange // nil where the own definitions have no such window
	Difference    stats.Result
	DifferenceErr error
}

// BenchmarkMix is one published characteristic beside the own cohort's.
type BenchmarkMix struct {
	Study     *Study
	Arm       *StudyArm
	Published StudyBaseline
	Covariate Covariate
	Own       describe.Summary
	OwnErr    error
	Missing   int
}

// BenchmarkRate is one published rate beside the own one.
type BenchmarkRate struct {
	Study         *Study
	Arm           *StudyArm
	Published     StudyRate
	Label         string
	Theirs        stats.Interval // exact
	Own           ShareOf
	OwnErr        error
	Difference    stats.Interval
	DifferenceErr error
}

// BenchmarkPool is the published changes of one family pooled over its arms.
type BenchmarkPool struct {
	Family  string
	Measure string
	Window  string
	Arms    []string
	Own     *OwnChange
	Fixed   pool.Meta
	DL      pool.Meta
	REML    pool.Meta
	Err     error
}

// NewBenchmark computes the comparison. A measure, window or event of a study
// that the cohort has nothing of is told in its row, not left out.
func NewBenchmark(s *Source, studies []Study) (*Benchmark, error) {
	if err := s.Outcomes.Definitions.Check(); err != nil {
		return nil, err
	}
	b := &Benchmark{Source: s, Studies: studies}
	own := map[[2]string]*OwnChange{}
	kinds, err := s.Outcomes.Complications()
	if err != nil {
		return nil, err
	}
	for i := range studies {
		study := &studies[i]
		for j := range study.Arms {
			arm := &study.Arms[j]
			for _, ch := range arm.Change {
				row, err := b.change(study, arm, ch, own)
				if err != nil {
					return nil, err
				}
				b.Changes = append(b.Changes, row)
			}
			for _, base := range arm.Baseline {
				row, err := b.mix(study, arm, base)
				if err != nil {
					return nil, err
				}
				b.Mix = append(b.Mix, row)
			}
			for _, rate := range arm.Rate {
				b.Rates = append(b.Rates, b.rate(study, arm, rate, kinds))
			}
		}
	}
	b.pool()
	return b, nil
}

func (b *Benchmark) level() float64 { return b.Source.Outcomes.Definitions.Analysis.ConfidenceLevel }

func (b *Benchmark) change(study *Study, arm *StudyArm, ch StudyChange, own map[[2]string]*OwnChange) (BenchmarkChange, error) {
	row := BenchmarkChange{Study: study, Arm: arm, Published: ch, N: ch.N, SD: math.NaN()}
	if row.N == 0 {
		row.N = arm.N
	}
	sd, ok, err := ch.spread(row.N)
	if err != nil {
		return row, fmt.Errorf("study %s, arm %s: %w", study.Name, arm.Name, err)
	}
	if ok {
		row.SD, row.HasSD = sd, true
	}
	key := [2]string{ch.Measure, ch.Window}
	if row.Own, ok = own[key]; !ok {
		if row.Own, err = b.own(ch.Measure, ch.Window); err != nil {
			return row, err
		}
		own[key] = row.Own
	}
	row.Difference, row.DifferenceErr = b.difference(&row)
	return row, nil
}

// own computes the own change, nil where there is no such window.
func (b *Benchmark) own(measure, window string) (*OwnChange, error) {
	o := b.Source.Outcomes
	q, ok := registry.ParseQuantity(measure)
	if !ok {
		return nil, fmt.Errorf("measure %q: should be the key of a measure, such as kmax", measure)
	}
	w, ok := o.Definitions.Windows.Find(window)
	if !ok {
		return nil, nil
	}
	c := &OwnChange{Quantity: q, Window: o.Windows()[w], Pairs: o.Pairs(q, w)}
	c.Patients = distinct(c.Pairs.Patient)
	n := len(c.Pairs.Change)
	c.Clustered = c.Patients < n
	if n < o.Definitions.Analysis.MinEpisodes {
		c.MeanErr = fmt.Errorf("not compared: the cohort has %s with it, fewer than %d", eyes(n), o.Definitions.Analysis.MinEpisodes)
		if n == 0 {
			return c, nil
		}
	}
	var err error
	if c.Delta, err = describe.Summarise(c.Pairs.Change, b.level()); err != nil {
		return nil, fmt.Errorf("%s at %s: %w", q.Info().Label, c.Window.Label, err)
	}
	if c.MeanErr == nil {
		var fit mixed.MeanResult
		fit, c.MeanErr = mixed.RandomInterceptMean(c.Pairs.Change, clusters(c.Pairs.Patient), b.level())
		c.Mean = fit.Result
	}
	return c, nil
}

// difference is the own mean change less the published one:
//
//	d ± t·√(a + b),  a = SE² of the own mean, b = SD²/n of the published one
//
// on Satterthwaite's degrees of freedom (a + b)²/(a²/ν + b²/(n−1)), ν being
// those of the own mean. The own standard error allows for two eyes of one
// patient; where no patient has two this is Welch's t test from summaries.
//
// Welch, Biometrika 1947;34:28–35; Satterthwaite, Biometrics Bull 1946;2:110–114.
func (b *Benchmark) difference(row *BenchmarkChange) (stats.Result, error) {
	r := stats.NewResult("difference of means from summaries, Welch–Satterthwaite", 0)
	switch {
	case row.Own == nil:
		return r, fmt.Errorf("not compared: the windows in use have no %s", row.Published.Window)
	case row.Own.MeanErr != nil:
		return r, row.Own.MeanErr
	}
	r.Estimate = row.Own.Mean.Estimate - row.Published.Mean
	if !row.HasSD {
		return r, fmt.Errorf("no interval: the spread or number published was not seen")
	}
	own, theirs := row.Own.Mean.SE*row.Own.Mean.SE, row.SD*row.SD/float64(row.N)
	r.N, r.Clusters = row.Own.Mean.N+row.N, row.Own.Mean.Clusters+row.N
	r.SE = math.Sqrt(own + theirs)
	if r.SE == 0 {
		return r, stats.ErrNoVariance
	}
	r.DF = (own + theirs) * (own + theirs) / (own*own/row.Own.Mean.DF + theirs*theirs/float64(row.N-1))
	half := dist.TQuantile((1+b.level())/2, r.DF) * r.SE
	r.Interval = stats.Interval{Estimate: r.Estimate, Lower: r.Estimate - half, Upper: r.Estimate + half, Level: b.level(), Method: "Welch–Satterthwaite t"}
	r.Stat = r.Estimate / r.SE
	r.P = dist.PT(r.Stat, r.DF, stats.TwoSided)
	return r, nil
}

func (b *Benchmark) mix(study *Study, arm *StudyArm, base StudyBaseline) (BenchmarkMix, error) {
	cov, err := ParseCovariate(base.Measure)
	if err != nil {
		return BenchmarkMix{}, fmt.Errorf("study %s, arm %s: %w", study.Name, arm.Name, err)
	}
	row := BenchmarkMix{Study: study, Arm: arm, Published: base, Covariate: cov}
	var x []float64
	for e := range b.Source.Outcomes.Episodes {
		if v := cov.value(b.Source.Outcomes, e); math.IsNaN(v) {
			row.Missing++
		} else {
			x = append(x, v)
		}
	}
	if len(x) == 0 {
		row.OwnErr = fmt.Errorf("the cohort has none")
		return row, nil
	}
	row.Own, err = describe.Summarise(x, b.level())
	return row, err
}

// benchmarkShares are the shares at a window that a published rate can be of.
var benchmarkShares = map[string]struct {
	label   string
	measure registry.Quantity
	change  func(d float64) bool // of a change; nil where lines count
	lines   func(n int) bool
}{
	"kmax-flatter-1": {"Kmax flatter by 1 D or more", registry.Kmax.Quantity(), func(d float64) bool { return d <= -1 }, nil},
	"kmax-flatter-2": {"Kmax flatter by 2 D or more", registry.Kmax.Quantity(), func(d float64) bool { return d <= -2 }, nil},
	"kmax-steeper-1": {"Kmax steeper by 1 D or more", registry.Kmax.Quantity(), func(d float64) bool { return d >= 1 }, nil},
	"kmax-steeper-2": {"Kmax steeper by 2 D or more", registry.Kmax.Quantity(), func(d float64) bool { return d >= 2 }, nil},
	"cdva-lost-2":    {"CDVA worse by 2 lines or more", registry.CDVA.Quantity(), nil, func(n int) bool { return n <= -2 }},
	"cdva-gained-2":  {"CDVA better by 2 lines or more", registry.CDVA.Quantity(), nil, func(n int) bool { return n >= 2 }},
}

func shareKeys() []string {
	var keys []string
	for k := range benchmarkShares {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}

func (b *Benchmark) rate(study *Study, arm *StudyArm, rate StudyRate, kinds []snapshot.Complications) BenchmarkRate {
	row := BenchmarkRate{Study: study, Arm: arm, Published: rate, Label: rate.Event}
	theirs := exact(rate.Events, rate.N, b.level())
	row.Theirs = theirs.Interval
	own, effect := ShareOf{}, 1.0
	if share, ok := benchmarkShares[rate.Event]; ok {
		row.Label = share.label
		w, ok := b.Source.Outcomes.Definitions.Windows.Find(rate.Window)
		if !ok {
			row.OwnErr = fmt.Errorf("not compared: the windows in use have no %s", rate.Window)
		} else {
			row.Label += " at " + b.Source.Outcomes.Windows()[w].Label
			p := b.Source.Outcomes.Pairs(share.measure, w)
			var has []bool
			if share.lines != nil {
				for _, n := range b.Source.Outcomes.Lines(p) {
					has = append(has, share.lines(n))
				}
			} else {
				has = marks(p, share.change)
			}
			own, effect = clusteredShare(has, p.Patient, b.level())
		}
	} else {
		at := slices.IndexFunc(kinds, func(k snapshot.Complications) bool { return k.Kind.Key == rate.Event })
		if at < 0 {
			row.OwnErr = fmt.Errorf("not compared: the list of complications has no %s", rate.Event)
		} else {
			k := &kinds[at]
			row.Label = fmt.Sprintf("%s (up to day %d)", k.Kind.Label, k.Horizon)
			var has []bool
			var patient []int32
			for e := range b.Source.Outcomes.Episodes {
				if k.AtRisk[e] {
					has = append(has, k.Event[e] != nil)
					patient = append(patient, b.Source.Outcomes.Episodes[e].Patient)
				}
			}
			own, effect = clusteredShare(has, patient, b.level())
		}
	}
	row.Own = own
	if row.OwnErr == nil && own.N < b.Source.Outcomes.Definitions.Analysis.MinEpisodes {
		row.OwnErr = fmt.Errorf("not compared: the cohort has %s at risk, fewer than %d", eyes(own.N), b.Source.Outcomes.Definitions.Analysis.MinEpisodes)
	}
	if row.OwnErr != nil {
		row.DifferenceErr = row.OwnErr
		return row
	}
	row.Difference, row.DifferenceErr = b.rateDifference(rate, own, effect)
	return row
}

// rateDifference is the own rate less the published one: Newcombe, with the
// own limits on the eyes divided by the design effect of two eyes of a patient.
func (b *Benchmark) rateDifference(rate StudyRate, own ShareOf, effect float64) (stats.Interval, error) {
	if own.Patients == own.N {
		return proportion.DifferenceNewcombe(proportion.Count{Events: own.Events, N: own.N}, proportion.Count{Events: rate.Events, N: rate.N}, b.level())
	}
	ours := RateGroup{Count: proportion.Count{Events: own.Events, N: own.N}, Patients: own.Patients, Share: own, Effect: effect}
	theirs := RateGroup{Count: proportion.Count{Events: rate.Events, N: rate.N}, Patients: rate.N, Effect: 1}
	theirs.Share = ShareOf{Events: rate.Events, N: rate.N, Patients: rate.N}
	theirs.Share.Interval, theirs.Share.Err = proportion.Wilson(rate.Events, rate.N, b.level())
	r, err := clusteredDifference(&ours, &theirs, b.level())
	if err != nil && r.Interval.Level > 0 { // no p value where nobody has the event; the interval stands
		err = nil
	}
	return r.Interval, err
}

// pool pools the published changes of a family where at least two arms give
// their spread.
func (b *Benchmark) pool() {
	type key struct{ family, measure, window string }
	var order []key
	rows := map[key][]*BenchmarkChange{}
	for i := range b.Changes {
		c := &b.Changes[i]
		if c.Arm.Family == "" || !c.HasSD {
			continue
		}
		k := key{c.Arm.Family, c.Published.Measure, c.Published.Window}
		if rows[k] == nil {
			order = append(order, k)
		}
		rows[k] = append(rows[k], c)
	}
	for _, k := range order {
		if len(rows[k]) < 2 {
			continue
		}
		p := BenchmarkPool{Family: k.family, Measure: k.measure, Window: k.window, Own: rows[k][0].Own}
		var effect, variance []float64
		for _, c := range rows[k] {
			p.Arms = append(p.Arms, c.Study.Name)
			effect = append(effect, c.Published.Mean)
			variance = append(variance, c.SD*c.SD/float64(c.N))
		}
		for _, m := range []struct {
			to     *pool.Meta
			method pool.Heterogeneity
		}{{&p.Fixed, pool.Common}, {&p.DL, pool.DerSimonianLaird}, {&p.REML, pool.REML}} {
			if p.Err == nil {
				*m.to, p.Err = pool.Studies(effect, variance, m.method, false, b.level())
			}
		}
		b.Pools = append(b.Pools, p)
	}
}
