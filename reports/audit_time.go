package reports

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"keratally/registry/snapshot"
	"keratally/stats/survival"
)

// curve is a Kaplan–Meier estimate of one group.
type curve struct {
	name                                string
	km                                  *survival.Curve
	err                                 error
	sure                                *survival.Curve // confirmed progressions only
	sureErr                             error
	eyes, patients                      int
	confirmed, unconfirmed, competing   int
	noBaseline, noFollowUp, stillStable int
	intervals                           []survival.Interval
}

func newCurve(name string, courses []snapshot.Course, level float64) curve {
	c := curve{name: name}
	var d survival.Data
	var confirmed []bool
	seen := map[int32]bool{}
	for i := range courses {
		k := &courses[i]
		switch k.Status {
		case snapshot.Confirmed:
			c.confirmed++
		case snapshot.Unconfirmed:
			c.unconfirmed++
		case snapshot.Competing:
			c.competing++
		case snapshot.NoBaseline:
			c.noBaseline++
		case snapshot.NoFollowUp:
			c.noFollowUp++
		default:
			c.stillStable++
		}
		if !k.Assessed() {
			continue
		}
		c.eyes++
		seen[k.Patient] = true
		d.Time = append(d.Time, float64(k.Day))
		d.Event = append(d.Event, k.Progressed())
		confirmed = append(confirmed, k.Status == snapshot.Confirmed)
		d.Cluster = append(d.Cluster, int(k.Patient))
		right := math.Inf(1)
		if k.Known >= 0 {
			right = float64(k.Known)
		}
		c.intervals = append(c.intervals, survival.Interval{Left: float64(k.Free), Right: right})
	}
	c.patients = len(seen)
	if c.eyes == len(seen) {
		d.Cluster = nil
	}
	c.km, c.err = survival.KaplanMeier(d, survival.LogLog, level)
	sure := d
	sure.Event = confirmed
	c.sure, c.sureErr = survival.KaplanMeier(sure, survival.LogLog, level)
	return c
}

// progression is time to progression under the headline rule, by protocol.
func (a *Audit) progression() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	level := o.Definitions.Analysis.ConfidenceLevel
	var out []Section
	for r, rule := range o.Definitions.Progression {
		courses, err := o.Progression(rule)
		if err != nil {
			return nil, err
		}
		name := "Progression"
		if r > 0 {
			name = fmt.Sprintf("Progression %d", r+1)
		}
		sec := Section{Name: name, Title: "Time to progression", Empty: "No treated eye with a baseline and a later visit yet.",
			Lead: []string{"Rule: " + rule.String() + ". An eye beyond the limit at its last visit, with no later one to confirm it, counts as progressed in the curve and is counted apart; the column “confirmed only” leaves such eyes out."}}
		groups := []group{{name: "all", episodes: everyEpisode(o)}}
		if by := s.groups(s.protocolCode); len(by) > 1 {
			groups = append(groups, by...)
		}
		t := &Table{Columns: []Column{{Key: "group", Head: "protocol"}, {Key: "day", Head: "months", Format: Whole}, {Key: "risk", Head: "at risk", Format: Whole},
			{Key: "events", Head: "progressed by then", Format: Whole}, {Key: "free", Head: "free of progression", Format: Share},
			{Key: "lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Kaplan–Meier; Greenwood variance, log–log limits; where patients have two eyes the variance is clustered by patient."}, {Key: "upper", Head: "to", Format: Share},
			{Key: "interval_least", Head: "interval-censored, least", Format: Share, Pair: true, Help: "Turnbull estimate: visits bound the true day of progression from both sides; free of progression lies between these two."}, {Key: "interval_greatest", Head: "greatest", Format: Share},
			{Key: "sure", Head: "free, confirmed only", Format: Share, Help: "The same curve with confirmed progressions as events; an eye beyond the limit at its last visit is censored there."}, {Key: "words", Head: "eyes", Wide: true}}}
		fig := Figure{Key: "progression-" + rule.Name, Kind: StepFigure, Desc: "Steps of the share of eyes free of progression over time.",
			X: Axis{Title: "months after treatment"}, Y: Axis{Title: "free of progression", Percent: true}}
		last := 0.0
		for gi, g := range groups {
			sub := make([]snapshot.Course, 0, len(g.episodes))
			for _, e := range g.episodes {
				sub = append(sub, courses[e])
			}
			c := newCurve(g.name, sub, level)
			t.Rows = append(t.Rows, a.curveRows(&c)...)
			if gi == 0 && c.err == nil && c.eyes > 0 {
				series := Series{Name: g.name, X: []float64{0}, Y: []float64{1}, Lower: []float64{1}, Upper: []float64{1}}
				for _, p := range c.km.Points {
					last = max(last, p.Time)
					if p.Events > 0 {
						series.X, series.Y = append(series.X, p.Time), append(series.Y, p.Survival)
						series.Lower, series.Upper = append(series.Lower, p.Lower), append(series.Upper, p.Upper)
					}
				}
				end := c.km.At(last)
				series.X, series.Y = append(series.X, last), append(series.Y, end.Survival)
				series.Lower, series.Upper = append(series.Lower, end.Lower), append(series.Upper, end.Upper)
				fig.Series = append(fig.Series, series)
				fig.Title = fmt.Sprintf("Free of progression (%s of %s)", eyes(c.eyes), patients(c.patients))
				row := RiskRow{Name: "at risk"}
				for m := 0; float64(m)*30.4375 <= last+1; m += 6 {
					fig.X.Ticks = append(fig.X.Ticks, Tick{At: math.Round(float64(m) * 30.4375), Label: fmt.Sprint(m)})
					row.Numbers = append(row.Numbers, c.km.AtRisk(math.Round(float64(m)*30.4375)))
				}
				fig.AtRisk = []RiskRow{row}
				fig.X.Max = last
				fig.Y.Min, fig.Y.Max = floorTo(slices.Min(series.Lower)), 1
			}
		}
		sec.Table = t
		if len(fig.Series) > 0 {
			sec.Figures = []Figure{fig}
		}
		sec.Notes = []string{"Keratoplasty competes with progression and is not a censoring: such eyes are counted apart.",
			"A change of 1 D lies inside the measurement noise of a steep cornea (repeatability limit about 2.3 D, Hashemi 2015)."}
		out = append(out, sec)
	}
	return out, nil
}

// floorTo rounds a share down to a tenth, leaving NaN and 0 alone.
func floorTo(x float64) float64 {
	if math.IsNaN(x) {
		return 0
	}
	return math.Max(0, math.Floor(x*10)/10)
}

func (a *Audit) curveRows(c *curve) []Row {
	words := []string{fmt.Sprintf("%s assessed of %s", eyes(c.eyes), patients(c.patients))}
	for _, part := range []struct {
		n    int
		name string
	}{{c.confirmed, "progressed, confirmed"}, {c.unconfirmed, "progressed at the last visit, not yet confirmed"}, {c.competing, "keratoplasty first"},
		{c.noBaseline, "without a baseline"}, {c.noFollowUp, "without a later visit that can tell"}} {
		if part.n > 0 {
			words = append(words, fmt.Sprintf("%s %s", thousands(part.n), part.name))
		}
	}
	head := Row{Break: true, Cells: []Cell{Text(c.name), {}, {}, {}, {}, {}, {}, {}, {}, {}, Text(strings.Join(words, "; "))}}
	rows := []Row{head}
	if c.err != nil || c.eyes == 0 {
		return rows
	}
	turnbull, terr := survival.Turnbull(c.intervals)
	for _, months := range []int{6, 12, 24, 36, 48, 60} {
		day := math.Round(float64(months) * 365.25 / 12)
		risk := c.km.AtRisk(day)
		if risk == 0 {
			break
		}
		p := c.km.At(day)
		events := 0
		for _, q := range c.km.Points {
			if q.Time <= day {
				events += q.Events
			}
		}
		row := Row{Cells: []Cell{{}, Count(months), Count(risk), Count(events), Number(p.Survival), Number(p.Lower), Number(p.Upper)}}
		if terr == nil {
			least, greatest := turnbull.SurvivalBounds(day)
			row.Cells = append(row.Cells, Number(least), Number(greatest))
		} else {
			row.Cells = append(row.Cells, Cell{}, Cell{})
		}
		if c.sureErr == nil {
			row.Cells = append(row.Cells, Number(c.sure.At(day).Survival))
		}
		rows = append(rows, row)
	}
	return rows
}
