package reports

import (
	"fmt"
	"math"
	"strings"

	"keratally/stats"
	"keratally/stats/design"
)

// name prints a contrast: "B − A".
func (c *Comparison) name(k *Contrast) string {
	return c.Groups[k.Second].Name + " − " + c.Groups[k.First].Name
}

// unit prints a number of the primary measure's unit behind it.
func unitAfter(m *MeasureComparison) string {
	if u := m.Quantity.Info().Unit.Symbol(); u != "" {
		return " " + u
	}
	return ""
}

// Sentences says what was and what was not shown, in order of weight.
func (c *Comparison) Sentences() []string {
	if len(c.Source.Outcomes.Episodes) == 0 {
		return []string{"The cohort holds no eye, so there is nothing to compare."}
	}
	m := &c.Primary
	if len(m.Contrasts) > saidOneByOne {
		return c.lead()
	}
	out := c.opening()
	for i := range m.Contrasts {
		out = append(out, c.contrastSentences(m, &m.Contrasts[i])...)
	}
	return c.closing(out)
}

// saidOneByOne is how many groups or pairs are said in sentences of their own.
const saidOneByOne = 3

// lead is Sentences cut to what the head of a sheet has room for: estimates
// beside the headline stand in the table below it.
func (c *Comparison) lead() []string {
	if len(c.Source.Outcomes.Episodes) == 0 || len(c.Groups) < 2 {
		return c.Sentences()
	}
	m := &c.Primary
	out := c.opening()
	if len(c.Groups) > saidOneByOne {
		out = []string{out[0], out[len(out)-1]} // the groups stand on the sheet Unadjusted
	}
	if len(m.Contrasts) > saidOneByOne {
		out = append(out, fmt.Sprintf("%d pairs were compared: the differences stand in the table, p values for all pairs together on the sheet Unadjusted.", len(m.Contrasts)))
		return c.closing(out)
	}
	for i := range m.Contrasts {
		k := &m.Contrasts[i]
		if k.HeadlineErr != nil {
			out = append(out, fmt.Sprintf("Difference in change, %s: %s.", c.name(k), k.HeadlineErr))
			continue
		}
		out = append(out, fmt.Sprintf("Difference in change, %s, unadjusted: %s. %s", c.name(k), c.estimate(m, k.Headline, k.PairHolm), c.Verdict(m, k, k.Headline, k.PairHolm)))
	}
	return c.closing(out)
}

// opening says who was compared and how each group changed.
func (c *Comparison) opening() []string {
	m := &c.Primary
	out := []string{c.whoSentence()}
	for i := range m.Groups {
		out = append(out, c.groupSentence(m, i))
	}
	switch {
	case len(c.Groups) < 2:
		out = append(out, "A comparison needs two groups: name them with --groups, or choose another --by.")
	case len(c.Groups) > 2:
		out = append(out, c.togetherSentence(m))
	}
	return out
}

// closing adds what is secondary, and that nobody was drawn by lot.
func (c *Comparison) closing(out []string) []string {
	if len(c.Groups) < 2 {
		return out
	}
	return dropEmpty(append(out, c.rateSentence(), c.secondarySentence(), fmt.Sprintf(
		"Who got which %s was never random: groups can differ in what was recorded (see Groups and Balance) and in what was not, and no method here mends the second.", byWord(c.Spec.By))))
}

func byWord(by string) string {
	if by == "centre" || by == "period" {
		return "treatment in which " + by
	}
	return by
}

func dropEmpty(s []string) []string {
	out := s[:0]
	for _, line := range s {
		if line != "" {
			out = append(out, line)
		}
	}
	return out
}

func (c *Comparison) whoSentence() string {
	var parts []string
	for i := range c.Groups {
		g := &c.Groups[i]
		if len(g.Episodes) == 0 {
			parts = append(parts, g.Name+" (no eye in this cohort)")
			continue
		}
		parts = append(parts, fmt.Sprintf("%s (%s of %s)", g.Name, eyes(g.Eyes), patients(g.Patients)))
	}
	s := fmt.Sprintf("Compared by %s: %s.", c.Spec.By, strings.Join(parts, ", "))
	if len(c.Others) > 0 {
		s += fmt.Sprintf(" Not compared: %s.", strings.Join(c.Others, ", "))
	}
	return s
}

func (c *Comparison) groupSentence(m *MeasureComparison, i int) string {
	g := &m.Groups[i]
	name := c.Groups[i].Name
	n := len(g.Pairs.Change)
	if n == 0 {
		return fmt.Sprintf("%s: no eye has %s both before treatment and at %s (%s due).", name, m.Quantity.Info().Label, m.Window.Label, eyes(g.Due))
	}
	f := formatOf(m.Quantity)
	spread := ""
	if n > 1 {
		spread = " ± " + f.Print(g.Delta.SD)
	}
	missed := ""
	if g.Due > g.With {
		missed = fmt.Sprintf("; %s without a value", plural(g.Due-g.With, "due eye", "due eyes"))
	}
	return fmt.Sprintf("%s: %s changed by %s%s%s (mean ± SD) at %s (%s of %s%s).", name, m.Quantity.Info().Label,
		f.Signed(g.Delta.Mean.Estimate), spread, unitAfter(m), m.Window.Label, eyes(n), patients(g.Patients), missed)
}

func (c *Comparison) togetherSentence(m *MeasureComparison) string {
	if m.MixedFErr != nil {
		return fmt.Sprintf("All groups together: %s.", m.MixedFErr)
	}
	shown := "a difference between them was not shown"
	if m.MixedF.P < 1-c.level() {
		shown = "they differ"
	}
	return fmt.Sprintf("All groups together: %s (p %s, %s).", shown, withEquals(PValue.Print(m.MixedF.P)), m.MixedF.Method)
}

// contrastSentences says the difference of two groups unadjusted, adjusted and
// weighted, and how each stands to the margin.
func (c *Comparison) contrastSentences(m *MeasureComparison, k *Contrast) []string {
	what := fmt.Sprintf("Difference in change, %s", c.name(k))
	if k.HeadlineErr != nil {
		return []string{fmt.Sprintf("%s: %s.", what, k.HeadlineErr)}
	}
	out := []string{fmt.Sprintf("%s, unadjusted: %s. %s", what, c.estimate(m, k.Headline, k.PairHolm), c.Verdict(m, k, k.Headline, k.PairHolm))}
	for _, other := range []struct {
		name string
		r    stats.Result
		holm float64
		err  error
	}{{"adjusted for " + c.covariateWords(m), k.Adjusted, k.AdjustedHolm, k.AdjustedErr}, {"with " + c.Spec.Target.String(), k.Weighted, k.WeightedHolm, k.WeightedErr}} {
		if other.err != nil {
			out = append(out, fmt.Sprintf("%s, %s: %s.", what, other.name, other.err))
			continue
		}
		out = append(out, fmt.Sprintf("%s, %s: %s. %s", what, other.name, c.estimate(m, other.r, other.holm), c.Verdict(m, k, other.r, other.holm)))
	}
	if k.DetectableErr == nil {
		out = append(out, fmt.Sprintf("With these numbers a true difference of %s%s would have been shown with %.0f %% power; a smaller one may exist unseen.",
			formatOf(m.Quantity).Print(k.Detectable), unitAfter(m), 100*designPower))
	}
	return out
}

func (c *Comparison) covariateWords(m *MeasureComparison) string {
	names := make([]string, len(m.Covariates))
	for i, v := range m.Covariates {
		names[i] = v.label()
	}
	return strings.Join(names, ", ")
}

func (c *Comparison) estimate(m *MeasureComparison, r stats.Result, pairHolm float64) string {
	f := formatOf(m.Quantity)
	s := fmt.Sprintf("%s%s (%.0f %% CI %s, p %s", f.Signed(r.Estimate), unitAfter(m), 100*r.Interval.Level,
		f.Range(r.Interval.Lower, r.Interval.Upper), withEquals(PValue.Print(r.P)))
	if !math.IsNaN(pairHolm) {
		s += fmt.Sprintf("; for all pairs together p %s", withEquals(PValue.Print(pairHolm)))
	}
	return s + ")"
}

// Verdict says in one or two sentences what an interval shows: whether there
// is a difference, and how the later group stands to the margin. All of it
// follows from the one interval, so non-inferiority is tested at half of
// 1 − level, and equivalence, whose custom is the 90 % interval, more strictly.
// Where several pairs are compared, a difference counts as shown only if p
// adjusted for all of them (pairHolm, NaN with one pair) says so too.
func (c *Comparison) Verdict(m *MeasureComparison, k *Contrast, r stats.Result, pairHolm float64) string {
	return strings.TrimSpace(c.differenceWords(m, k, r, pairHolm) + " " + c.marginWords(m, k, r))
}

func (c *Comparison) differenceWords(m *MeasureComparison, k *Contrast, r stats.Result, pairHolm float64) string {
	iv := r.Interval
	if iv.Lower <= 0 && iv.Upper >= 0 {
		return "A difference was not shown; that is no proof of none."
	}
	side := "above"
	if iv.Upper < 0 {
		side = "below"
	}
	if pairHolm >= 1-iv.Level {
		return fmt.Sprintf("The interval of this pair lies %s 0, but among all pairs a difference was not shown; that is no proof of none.", side)
	}
	s := fmt.Sprintf("A difference was shown: the interval lies %s 0", side)
	if better := Better(m.Quantity); better != stats.TwoSided {
		who := k.Second
		if (better == stats.Less) == (iv.Lower > 0) {
			who = k.First
		}
		s += ", in favour of " + c.Groups[who].Name
	}
	return s + "."
}

func (c *Comparison) marginWords(m *MeasureComparison, k *Contrast, r stats.Result) string {
	if c.Spec.Margin == 0 {
		return ""
	}
	f := formatOf(m.Quantity)
	margin := f.Print(c.Spec.Margin) + unitAfter(m)
	alpha := (1 - r.Interval.Level) / 2
	var said []string
	if better := Better(m.Quantity); better != stats.TwoSided {
		at, limit, end := c.Spec.Margin, r.Interval.Upper, "upper"
		if better == stats.Greater {
			at, limit, end = -at, r.Interval.Lower, "lower"
		}
		if ni, err := design.NotInferior(r, at, better, alpha); err == nil {
			shown := "was not shown to be"
			if ni.NonInferior {
				shown = "is"
			}
			said = append(said, fmt.Sprintf("%s %s non-inferior to %s within %s (the %s limit is %s)", c.Groups[k.Second].Name, shown, c.Groups[k.First].Name, margin, end, f.Print(limit)))
		}
	}
	if eq, err := design.Equivalent(r, -c.Spec.Margin, c.Spec.Margin, alpha); err == nil {
		if eq.Equivalent {
			said = append(said, "the two are equivalent within ± "+margin)
		} else {
			said = append(said, "equivalence within ± "+margin+" was not shown")
		}
	}
	if len(said) == 0 {
		return ""
	}
	return strings.Join(said, "; ") + "."
}

// rateSentence names the complications in which a difference was shown after
// Holm's adjustment.
func (c *Comparison) rateSentence() string {
	compared, shown := 0, []string(nil)
	for i := range c.Rates {
		r := &c.Rates[i]
		for j := range r.Contrasts {
			k := &r.Contrasts[j]
			if k.HeadlineErr != nil {
				continue
			}
			compared++
			if k.Holm < 1-c.level() {
				shown = append(shown, fmt.Sprintf("%s (%s %s of %d, %s %s of %d)", r.Label, c.Groups[k.First].Name, thousands(r.Groups[k.First].Events), r.Groups[k.First].N,
					c.Groups[k.Second].Name, thousands(r.Groups[k.Second].Events), r.Groups[k.Second].N))
			}
		}
	}
	switch {
	case compared == 0:
		return "Complications and shares: nothing that could be compared (no event, or too few eyes)."
	case len(shown) == 0:
		return "Complications and shares, secondary: no difference was shown after Holm's adjustment; rare events need far more eyes than these."
	}
	return "Complications and shares, secondary: rates differ after Holm's adjustment in " + strings.Join(shown, "; ") + "."
}

func (c *Comparison) secondarySentence() string {
	tested, shown := 0, []string(nil)
	for i := range c.Secondary {
		m := &c.Secondary[i]
		for j := range m.Contrasts {
			k := &m.Contrasts[j]
			if k.HeadlineErr != nil {
				continue
			}
			tested++
			if k.Holm < 1-c.level() {
				shown = append(shown, fmt.Sprintf("%s (%s: %s)", m.Quantity.Info().Label, c.name(k), c.estimate(m, k.Headline, math.NaN())))
			}
		}
	}
	switch {
	case tested == 0:
		return ""
	case len(shown) == 0:
		return "Other measures, secondary: no difference was shown after Holm's adjustment."
	}
	return "Other measures, secondary: a difference remains after Holm's adjustment in " + strings.Join(shown, "; ") + "."
}
