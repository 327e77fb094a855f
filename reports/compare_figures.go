package reports

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"keratally/stats/propensity"
)

// counts prints "A 40 eyes, B 35 eyes" for titles.
func (c *Comparison) counts(m *MeasureComparison) string {
	var parts []string
	for i := range m.Groups {
		parts = append(parts, shortName(c.Groups[i].Name)+" "+eyes(len(m.Groups[i].Pairs.Change)))
	}
	return strings.Join(parts, ", ")
}

// shortName cuts a name to what a figure has room for.
func shortName(name string) string {
	const room = 28
	r := []rune(name)
	if len(r) <= room {
		return name
	}
	return string(r[:room-1]) + "…"
}

// forest is every estimate of the primary difference with its interval.
func (c *Comparison) forest() (Figure, bool) {
	m := &c.Primary
	info := m.Quantity.Info()
	fig := Figure{Key: "difference", Kind: ForestFigure, Title: fmt.Sprintf("Difference in change of %s at %s (%s)", info.Label, m.Window.Label, c.counts(m)),
		Desc:  fmt.Sprintf("One line an estimate of the difference in change of %s, with its confidence interval: unadjusted, adjusted for covariates and weighted.", info.Long),
		X:     Axis{Title: "difference in change" + bracketed(info.Unit.Symbol())},
		Lines: []RefLine{{Name: "no difference", Vertical: true}}}
	if c.Spec.Margin > 0 {
		fig.Lines = append(fig.Lines, RefLine{Name: "− margin", At: -c.Spec.Margin, Vertical: true}, RefLine{Name: "margin", At: c.Spec.Margin, Vertical: true})
	}
	var s Series
	for i := range m.Contrasts {
		k := &m.Contrasts[i]
		for _, e := range c.estimates(k) {
			if e.err != nil {
				continue
			}
			name := e.name
			if len(m.Contrasts) > 1 {
				name = shortName(c.Groups[k.Second].Name) + " − " + shortName(c.Groups[k.First].Name) + ", " + e.name
			}
			fig.Y.Categories = append(fig.Y.Categories, name)
			s.X = append(s.X, e.r.Estimate)
			s.Lower, s.Upper = append(s.Lower, e.r.Interval.Lower), append(s.Upper, e.r.Interval.Upper)
		}
	}
	if len(m.Contrasts) == 1 {
		fig.X.Title = "difference in change, " + shortName(c.Groups[1].Name) + " − " + shortName(c.Groups[0].Name) + bracketed(info.Unit.Symbol())
	}
	fig.Series = []Series{s}
	fig.X.Min, fig.X.Max = rangeOf(s, fig.Lines)
	return fig, len(s.X) > 0
}

// rangeOf is the span of a series and of the lines beside it, with some room.
func rangeOf(s Series, lines []RefLine) (low, high float64) {
	low, high = math.Inf(1), math.Inf(-1)
	for i := range s.X {
		low, high = math.Min(low, s.Lower[i]), math.Max(high, s.Upper[i])
	}
	for _, l := range lines {
		low, high = math.Min(low, l.At), math.Max(high, l.At)
	}
	room := 0.08 * (high - low)
	return low - room, high + room
}

func bracketed(unit string) string {
	if unit == "" {
		return ""
	}
	return " (" + unit + ")"
}

// balancePlot is the standardised differences of the covariates before and
// after weighting.
func (c *Comparison) balancePlot(k *Contrast, i int) (Figure, bool) {
	fig := Figure{Key: "balance-" + strconv.Itoa(i), Kind: ForestFigure,
		Title: fmt.Sprintf("Balance of the covariates, %s − %s (%s)", shortName(c.Groups[k.Second].Name), shortName(c.Groups[k.First].Name), eyes(len(k.Weights))),
		Desc:  "One line a covariate: the standardised difference between the groups before and after weighting, with the limits of 0.1 on both sides of 0.",
		X:     Axis{Title: "standardised difference"},
		Lines: []RefLine{{Name: "−0.1", At: -0.1, Vertical: true}, {Name: "0", Vertical: true}, {Name: "0.1", At: 0.1, Vertical: true}}}
	add := func(name string, b []propensity.Balance) {
		s := Series{Name: name}
		for _, one := range b {
			s.X = append(s.X, one.Difference)
		}
		fig.Series = append(fig.Series, s)
	}
	for _, b := range k.Before {
		fig.Y.Categories = append(fig.Y.Categories, b.Covariate)
	}
	add("before", k.Before)
	if len(k.After) > 0 {
		add("after weighting", k.After)
	}
	return fig, len(k.Before) > 0
}

// overTime is each group's mean change at the windows.
func (c *Comparison) overTime() (Figure, error) {
	q := c.Spec.Measure
	o := c.Source.Outcomes
	info := q.Info()
	fig := Figure{Key: info.Key + "-over-time-by-group", Kind: LineFigure, X: Axis{Title: "days after treatment"}, Y: Axis{Title: "mean change of " + heading(q)},
		Title: fmt.Sprintf("Change of %s over time, mean with %.0f %% CI", info.Label, 100*c.level()),
		Desc:  fmt.Sprintf("A line a group: the mean change of %s from baseline at each visit window, with its confidence interval.", info.Long),
		Lines: []RefLine{{Name: "no change", At: 0}}}
	windows := c.Source.reported()
	ticks := map[int]string{}
	n := make([]map[int]int, len(c.Groups))
	var most []string
	for i := range c.Groups {
		only := o.Only(c.Groups[i].Episodes)
		s := Series{Name: shortName(c.Groups[i].Name)}
		n[i] = map[int]int{}
		largest := 0
		for _, w := range windows {
			change, err := NewChange(only, q, w)
			if err != nil {
				return fig, err
			}
			if change.MeanErr != nil {
				continue
			}
			target := change.Window.Target
			s.X, s.Y = append(s.X, float64(target)), append(s.Y, change.Mean.Estimate)
			s.Lower, s.Upper = append(s.Lower, change.Mean.Interval.Lower), append(s.Upper, change.Mean.Interval.Upper)
			s.N = append(s.N, len(change.Pairs.Change))
			s.Labels = append(s.Labels, change.Window.Label)
			ticks[target] = change.Window.Label
			n[i][target] = len(change.Pairs.Change)
			largest = max(largest, len(change.Pairs.Change))
		}
		if len(s.X) > 0 {
			fig.Series = append(fig.Series, s)
			most = append(most, s.Name+" up to "+eyes(largest))
		}
	}
	if len(fig.Series) == 0 {
		return fig, nil
	}
	fig.Title += " (" + strings.Join(most, ", ") + ")"
	var at []int
	for t := range ticks {
		if t >= 28 { // labels of the first weeks would lie on one another
			at = append(at, t)
		}
	}
	slices.Sort(at)
	for _, t := range at {
		fig.X.Ticks = append(fig.X.Ticks, Tick{At: float64(t), Label: strconv.Itoa(t)})
	}
	for i := range c.Groups {
		row := RiskRow{Name: shortName(c.Groups[i].Name)}
		for _, t := range at {
			row.Numbers = append(row.Numbers, n[i][t])
		}
		fig.AtRisk = append(fig.AtRisk, row)
	}
	return fig, nil
}

// distribution is the cumulative share of eyes by change, a curve a group:
// every eye is in it and no width of bars was chosen.
func (c *Comparison) distribution() (Figure, bool) {
	m := &c.Primary
	info := m.Quantity.Info()
	fig := Figure{Key: info.Key + "-change-distribution", Kind: StepFigure,
		Title: fmt.Sprintf("Change of %s at %s: share of eyes at or below (%s)", info.Label, m.Window.Label, c.counts(m)),
		Desc:  "Steps rising from 0 to 100 %: the share of eyes whose change is at or below each value, a curve a group. A curve further left has changed further down.",
		X:     Axis{Title: "change of " + heading(m.Quantity)}, Y: Axis{Title: "share of eyes", Percent: true, Min: 0, Max: 1},
		Lines: []RefLine{{Name: "no change", Vertical: true}}}
	low, high := math.Inf(1), math.Inf(-1)
	for i := range m.Groups {
		for _, d := range m.Groups[i].Pairs.Change {
			low, high = math.Min(low, d), math.Max(high, d)
		}
	}
	for i := range m.Groups {
		d := slices.Clone(m.Groups[i].Pairs.Change)
		if len(d) == 0 {
			continue
		}
		slices.Sort(d)
		s := Series{Name: shortName(c.Groups[i].Name), X: []float64{low}, Y: []float64{0}}
		for j, x := range d {
			if j+1 < len(d) && d[j+1] == x {
				continue
			}
			s.X, s.Y = append(s.X, x), append(s.Y, float64(j+1)/float64(len(d)))
		}
		s.X, s.Y = append(s.X, high), append(s.Y, 1)
		fig.Series = append(fig.Series, s)
	}
	return fig, len(fig.Series) > 0
}
