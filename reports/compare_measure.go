package reports

import (
	"fmt"
	"math"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/stats"
	"keratally/stats/describe"
	"keratally/stats/groups"
	"keratally/stats/mixed"
	"keratally/stats/multiplicity"
	"keratally/stats/power"
	"keratally/stats/propensity"
	"keratally/stats/regress"
)

// MeasureGroup is one group's change of one measure.
type MeasureGroup struct {
	Pairs                   snapshot.Pairs
	Due, With, Patients     int
	Baseline, Follow, Delta describe.Summary // zero where there is no pair
}

// MeasureComparison is the change of one measure in all groups.
type MeasureComparison struct {
	Quantity registry.Quantity
	Window   registry.Window
	Groups   []MeasureGroup // in the order of Comparison.Groups
	TwoEyes  int            // patients with two eyes among the pairs
	Within   float64        // within-patient correlation of the change; NaN where no patient has two eyes

	// Tests of all groups together, where there are more than two.
	WelchAnova, KruskalWallis, MixedF          stats.Result
	WelchAnovaErr, KruskalWallisErr, MixedFErr error

	Contrasts []Contrast

	// Of the adjusted comparison.
	Covariates  []Covariate
	Complete    int // eyes with all of them
	Means       []regress.Margin
	MeansGroup  []int // group of each mean
	AdjustedErr error
}

// Contrast is the second group less the first.
type Contrast struct {
	First, Second int

	Welch, MannWhitney          stats.Result // eye by eye
	WelchErr, MannWhitneyErr    error
	Shift                       stats.Interval // Hodges–Lehmann
	ShiftErr                    error
	Headline                    stats.Result // allows for two eyes of a patient
	HeadlineErr                 error
	PairHolm                    float64 // headline p adjusted for all pairs of groups; NaN with two groups
	AdjustedHolm, WeightedHolm  float64 // the same of the adjusted and the weighted p
	Holm                        float64 // headline p adjusted for all secondary measures; NaN for the primary
	Adjusted                    stats.Result
	AdjustedErr                 error
	Weighted                    stats.Result
	WeightedErr                 error
	Before, After               []propensity.Balance
	BalanceErr                  error
	FirstSize, SecondSize       float64 // effective sizes of the weighted groups
	Weights                     map[int32]float64
	Detectable, DesignEffect    float64 // difference shown with 80 % power
	DetectableErr               error
	DetectableSD, DetectableEff float64 // SD and eyes a group that it rests on
}

// measure compares the change of a quantity. Only the primary measure is
// adjusted and weighted.
func (c *Comparison) measure(q registry.Quantity, primary bool) (MeasureComparison, error) {
	o := c.Source.Outcomes
	m := MeasureComparison{Quantity: q, Window: o.Windows()[c.window], Within: math.NaN()}
	eyesOf := map[int32]int{}
	for i := range c.Groups {
		g, err := c.measureGroup(q, i)
		if err != nil {
			return m, err
		}
		for _, p := range g.Pairs.Patient {
			eyesOf[p]++
		}
		m.Groups = append(m.Groups, g)
	}
	for _, n := range eyesOf {
		if n > 1 {
			m.TwoEyes++
		}
	}
	for i := range c.Groups {
		for j := i + 1; j < len(c.Groups); j++ {
			m.Contrasts = append(m.Contrasts, c.perEyeContrast(&m, i, j))
		}
	}
	if len(c.Groups) > 2 {
		c.together(&m)
	}
	if err := c.headlines(&m); err != nil {
		return m, err
	}
	for i := range m.Contrasts {
		c.detectable(&m, &m.Contrasts[i])
	}
	if primary {
		c.adjust(&m)
		for i := range m.Contrasts {
			c.weigh(&m, &m.Contrasts[i])
		}
	}
	return m, c.pairHolm(&m)
}

func (c *Comparison) measureGroup(q registry.Quantity, i int) (MeasureGroup, error) {
	only := c.Source.Outcomes.Only(c.Groups[i].Episodes)
	g := MeasureGroup{Pairs: only.Pairs(q, c.window)}
	g.Due, g.With = only.Completeness(q, c.window)
	g.Patients = distinct(g.Pairs.Patient)
	for k, e := range g.Pairs.Episode { // indexes into the whole set, not the group
		g.Pairs.Episode[k] = c.Groups[i].Episodes[e]
	}
	if len(g.Pairs.Change) == 0 {
		return g, nil
	}
	for _, part := range []struct {
		to     *describe.Summary
		values []float64
	}{{&g.Baseline, g.Pairs.Baseline}, {&g.Follow, g.Pairs.Follow}, {&g.Delta, g.Pairs.Change}} {
		var err error
		if *part.to, err = describe.Summarise(part.values, c.level()); err != nil {
			return g, fmt.Errorf("%s of %s: %w", q.Info().Label, c.Groups[i].Name, err)
		}
	}
	return g, nil
}

// small returns why two groups cannot be tested against each other, nil if
// they can.
func (c *Comparison) small(m *MeasureComparison, groups ...int) error {
	for _, i := range groups {
		if n := len(m.Groups[i].Pairs.Change); n < c.Source.Outcomes.Definitions.Analysis.MinEpisodes {
			return c.few(c.Groups[i].Name, n)
		}
	}
	return nil
}

// unitOf is the step in which a quantity is recorded, for ties of ranks.
func unitOf(q registry.Quantity) float64 {
	return 1 / math.Pow10(q.Info().Unit.Shown()+1)
}

func (c *Comparison) perEyeContrast(m *MeasureComparison, i, j int) Contrast {
	k := Contrast{First: i, Second: j, PairHolm: math.NaN(), AdjustedHolm: math.NaN(), WeightedHolm: math.NaN(), Holm: math.NaN()}
	k.Adjusted, k.Weighted = stats.NewResult("", 0), stats.NewResult("", 0) // of secondary measures there is none
	if err := c.small(m, i, j); err != nil {
		k.WelchErr, k.MannWhitneyErr, k.ShiftErr, k.HeadlineErr = err, err, err, err
		k.AdjustedErr, k.WeightedErr, k.BalanceErr, k.DetectableErr = err, err, err, err
		return k
	}
	first, second := m.Groups[i].Pairs.Change, m.Groups[j].Pairs.Change
	welch, err := groups.Welch(second, first, 0, stats.TwoSided, c.level())
	k.Welch, k.WelchErr = welch.Result, err
	ranks, err := groups.MannWhitney(second, first, groups.MannWhitneyOptions{Unit: unitOf(m.Quantity)})
	k.MannWhitney, k.MannWhitneyErr = ranks.Result, err
	shift, err := groups.HodgesLehmann(second, first, stats.TwoSided, c.level(), groups.AutomaticRanks)
	k.Shift, k.ShiftErr = shift.Interval, err
	return k
}

// eligible lists the groups that have enough eyes.
func (c *Comparison) eligible(m *MeasureComparison) []int {
	var out []int
	for i := range m.Groups {
		if c.small(m, i) == nil {
			out = append(out, i)
		}
	}
	return out
}

// together tests all groups that are large enough at once.
func (c *Comparison) together(m *MeasureComparison) {
	var in []groups.Group
	for _, i := range c.eligible(m) {
		in = append(in, groups.Group{Name: c.Groups[i].Name, Values: m.Groups[i].Pairs.Change})
	}
	m.WelchAnova, m.WelchAnovaErr = groups.WelchAnova(in)
	m.KruskalWallis, m.KruskalWallisErr = groups.KruskalWallis(in)
}

// headlines fills in the differences that allow for two eyes of one patient: a
// linear mixed model with the group as fixed effect and a random patient
// intercept. Where no patient has two eyes among the pairs that is the Welch
// test.
func (c *Comparison) headlines(m *MeasureComparison) error {
	in := c.eligible(m)
	if m.TwoEyes == 0 || len(in) < 2 {
		for i := range m.Contrasts {
			k := &m.Contrasts[i]
			if k.HeadlineErr == nil {
				k.Headline, k.HeadlineErr = k.Welch, k.WelchErr
			}
		}
		m.MixedF, m.MixedFErr = m.WelchAnova, m.WelchAnovaErr
		return nil
	}
	rows, err := c.rows(m, in, nil)
	if err != nil {
		return err
	}
	fit, err := rows.mixed("change ~ group + (1 | patient)", c.level())
	if err == nil {
		m.Within = fit.ICC("patient")
		var pairs []regress.Margin
		if pairs, err = fit.Pairs("~ group", mixed.Satterthwaite, regress.NoAdjustment); err == nil {
			rows.contrasts(m, pairs, func(k *Contrast, r stats.Result) {
				r.Method = "linear mixed model, random patient intercept (REML, Satterthwaite)"
				r.Notes = append(r.Notes, fit.Notes...)
				k.Headline = r
			})
		}
		if len(in) > 2 {
			m.MixedF, m.MixedFErr = groupF(fit)
		}
	}
	if err != nil {
		m.MixedFErr = err
		for i := range m.Contrasts {
			if k := &m.Contrasts[i]; k.HeadlineErr == nil {
				k.HeadlineErr = err
			}
		}
	}
	return nil
}

// groupF is the F test of the groups in a mixed model.
func groupF(fit *mixed.Fit) (stats.Result, error) {
	tests, err := fit.Anova(mixed.Satterthwaite)
	if err != nil {
		return stats.Result{}, err
	}
	for _, t := range tests {
		if t.Term == "group" {
			r := stats.NewResult("linear mixed model, F test of the groups (REML, Satterthwaite)", fit.N)
			r.Stat, r.DF, r.DF2, r.P = t.F, t.DF, t.DF2, t.P
			return r, nil
		}
	}
	return stats.Result{}, stats.ErrOneGroup
}

// pairHolm adjusts the p values of several pairs of groups, of each way of
// estimating by itself.
func (c *Comparison) pairHolm(m *MeasureComparison) error {
	if len(m.Contrasts) < 2 {
		return nil
	}
	for _, of := range []func(k *Contrast) (p float64, to *float64, err error){
		func(k *Contrast) (float64, *float64, error) { return k.Headline.P, &k.PairHolm, k.HeadlineErr },
		func(k *Contrast) (float64, *float64, error) { return k.Adjusted.P, &k.AdjustedHolm, k.AdjustedErr },
		func(k *Contrast) (float64, *float64, error) { return k.Weighted.P, &k.WeightedHolm, k.WeightedErr },
	} {
		var family holmFamily
		for i := range m.Contrasts {
			p, to, err := of(&m.Contrasts[i])
			family.add(p, err, to)
		}
		if err := family.adjust(); err != nil {
			return fmt.Errorf("pairs of groups in %s: %w", m.Quantity, err)
		}
	}
	return nil
}

// holmFamily is p values that are adjusted together.
type holmFamily struct {
	p  []float64
	to []*float64
}

// add takes a p value into the family; one that there is none of stays NaN.
func (f *holmFamily) add(p float64, err error, to *float64) {
	*to = math.NaN()
	if err == nil && !math.IsNaN(p) {
		f.p, f.to = append(f.p, p), append(f.to, to)
	}
}

func (f *holmFamily) adjust() error {
	if len(f.p) == 0 {
		return nil
	}
	adjusted, err := multiplicity.Holm(f.p)
	if err != nil {
		return err
	}
	for i, at := range f.to {
		*at = adjusted[i]
	}
	return nil
}

// designPower is the power at which the smallest detectable difference is given.
const designPower = 0.8

// detectable says how large a true difference these numbers could have shown:
// the two-sample t test at 1 − level with the SD pooled over both groups and
// the harmonic mean of their sizes, divided by the design effect of two eyes
// of one patient.
func (c *Comparison) detectable(m *MeasureComparison, k *Contrast) {
	if k.DetectableErr != nil {
		return
	}
	a, b := &m.Groups[k.First], &m.Groups[k.Second]
	na, nb := float64(len(a.Pairs.Change)), float64(len(b.Pairs.Change))
	k.DetectableSD = math.Sqrt(((na-1)*a.Delta.Variance + (nb-1)*b.Delta.Variance) / (na + nb - 2))
	k.DetectableEff = 2 / (1/na + 1/nb)
	k.DesignEffect = 1
	if !math.IsNaN(m.Within) && m.Within > 0 {
		k.DesignEffect, k.DetectableErr = power.DesignEffect(append(sizes(a.Pairs.Patient), sizes(b.Pairs.Patient)...), m.Within)
	}
	if k.DetectableErr == nil && k.DetectableSD == 0 {
		k.DetectableErr = stats.ErrNoVariance
	}
	if k.DetectableErr == nil {
		t := power.TTest{Design: power.TwoSample, SD: k.DetectableSD, Alpha: 1 - c.level(), DesignEffect: k.DesignEffect}
		k.Detectable, k.DetectableErr = t.Detectable(k.DetectableEff, designPower)
	}
}

// sizes counts the eyes of each patient, in order of appearance.
func sizes(patient []int32) []int {
	at := map[int32]int{}
	var out []int
	for _, p := range patient {
		i, ok := at[p]
		if !ok {
			i = len(out)
			at[p] = i
			out = append(out, 0)
		}
		out[i]++
	}
	return out
}
