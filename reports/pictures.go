package reports

import (
	"fmt"
	"math"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/stats/describe"
)

// pictures are the figures of outcomes of refractive and corneal surgery that
// carry over to cross-linking (Waring 2000; Reinstein, Archer & Randleman
// 2014), in our own look, beside those on the sheets of the measures. Each
// draws what the audit holds; a figure without data is left out.
func (a *Audit) pictures() ([]Section, error) {
	o := a.Source.Outcomes
	sec := Section{Name: "Pictures", Title: "The standard pictures", Empty: "No eye has been followed to the primary window yet."}
	c := a.change(registry.Kmax.Quantity(), o.Definitions.Analysis.PrimaryWindow)
	for _, make := range []func() (Figure, bool){a.cumulativeAcuity, func() (Figure, bool) { return kmaxDistribution(c) }, a.astigmatism, a.demarcationDepth} {
		if fig, ok := make(); ok {
			sec.Figures = append(sec.Figures, fig)
		}
	}
	if len(sec.Figures) == 0 {
		sec.Table = &Table{Columns: []Column{{Key: "figure", Head: "figure", Wide: true}}}
		return []Section{sec}, nil
	}
	t := &Table{Columns: []Column{{Key: "figure", Head: "figure", Wide: true}, {Key: "what", Head: "what it shows", Wide: true}}}
	for _, f := range sec.Figures {
		t.Rows = append(t.Rows, Row{Cells: []Cell{Text(f.Title), Text(f.Desc)}})
	}
	sec.Table = t
	sec.Notes = []string{"Change over time, lines gained and lost, the plane before and after, haze, endothelium, completeness and time to progression stand on the sheets of their measures."}
	return []Section{sec}, nil
}

// acuityLevels are the levels of the cumulative picture, in thousandths of
// logMAR with half a letter of room, as 6 m and 20 ft fractions.
var acuityLevels = []struct {
	name  string
	limit float64
}{{"6/6", 0.01}, {"6/7.5", 0.107}, {"6/9", 0.186}, {"6/12", 0.311}, {"6/15", 0.408}, {"6/18", 0.487}, {"6/24", 0.612}, {"6/60", 1.01}}

// cumulativeAcuity is the share of eyes at each level or better: corrected
// before and after, uncorrected before and after, of the same eyes.
func (a *Audit) cumulativeAcuity() (Figure, bool) {
	window := a.Source.Outcomes.Definitions.Analysis.PrimaryWindow
	fig := Figure{Key: "cumulative-acuity", Kind: BarFigure, X: Axis{Title: "acuity, this level or better"}, Y: Axis{Title: "share of eyes", Percent: true, Max: 1},
		Desc: "Bars of the share of eyes that reach each level of acuity or better, before treatment and at follow-up."}
	for _, l := range acuityLevels {
		fig.X.Categories = append(fig.X.Categories, l.name)
	}
	most := 0
	for _, q := range []registry.Quantity{registry.CDVA.Quantity(), registry.UDVA.Quantity()} {
		c := a.change(q, window)
		if c == nil || len(c.Pairs.Change) == 0 {
			continue
		}
		most = max(most, len(c.Pairs.Change))
		for _, part := range []struct {
			name   string
			values []float64
		}{{q.Info().Label + " before", c.Pairs.Baseline}, {q.Info().Label + " " + c.Window.Label, c.Pairs.Follow}} {
			s := Series{Name: part.name}
			for _, l := range acuityLevels {
				n := 0
				for _, v := range part.values {
					if v <= l.limit {
						n++
					}
				}
				s.Y = append(s.Y, float64(n)/float64(len(part.values)))
			}
			fig.Series = append(fig.Series, s)
		}
	}
	fig.Title = "Cumulative acuity (up to " + eyes(most) + ")"
	return fig, len(fig.Series) > 0
}

// kmaxDistribution is how the change of Kmax is spread over the eyes.
func kmaxDistribution(c *Change) (Figure, bool) {
	if c == nil || len(c.Pairs.Change) == 0 {
		return Figure{}, false
	}
	edges := []float64{-4, -3, -2, -1, 0, 1, 2, 3}
	names := []string{"< −4", "−4 to −3", "−3 to −2", "−2 to −1", "−1 to 0", "0 to 1", "1 to 2", "2 to 3", "≥ 3"}
	counts := make([]float64, len(names))
	for _, d := range c.Pairs.Change {
		i := 0
		for i < len(edges) && d >= edges[i] {
			i++
		}
		counts[i]++
	}
	n := len(c.Pairs.Change)
	for i := range counts {
		counts[i] /= float64(n)
	}
	return Figure{Key: "kmax-distribution", Kind: BarFigure, Title: fmt.Sprintf("Change of Kmax at %s (%s)", c.Window.Label, eyes(n)),
		Desc: "Bars of the share of eyes by change of Kmax, lower limit of each class included; left of nought is flatter.",
		X:    Axis{Title: "change of Kmax (D)", Categories: names}, Y: Axis{Title: "share of eyes", Percent: true},
		Series: []Series{{Name: "eyes", Y: counts}}}, true
}

// astigmatism is the refractive astigmatism before and after as vectors on the
// double-angle plane, one point an eye.
func (a *Audit) astigmatism() (Figure, bool) {
	o := a.Source.Outcomes
	w, ok := o.Definitions.Windows.Find(o.Definitions.Analysis.PrimaryWindow)
	if !ok {
		return Figure{}, false
	}
	x, y := o.Pairs(registry.RefractiveJ0, w), o.Pairs(registry.RefractiveJ45, w)
	if len(x.Change) == 0 || len(x.Change) != len(y.Change) {
		return Figure{}, false
	}
	reach := 1.0
	for _, list := range [][]float64{x.Baseline, x.Follow, y.Baseline, y.Follow} {
		for _, v := range list {
			reach = math.Max(reach, math.Ceil(math.Abs(v)))
		}
	}
	return Figure{Key: "astigmatism", Kind: DoubleAngle, Square: true, Title: fmt.Sprintf("Refractive astigmatism before and at %s (%s)", o.Windows()[w].Label, eyes(len(x.Change))),
		Desc: "One point an eye on the plane of J0 and J45: distance from the middle is half the cylinder, the angle twice its axis.",
		X:    Axis{Title: "J0 (D)", Min: -reach, Max: reach}, Y: Axis{Title: "J45 (D)", Min: -reach, Max: reach},
		Lines:  []RefLine{{At: 0}, {At: 0, Vertical: true}},
		Series: []Series{{Name: "before", X: x.Baseline, Y: y.Baseline}, {Name: o.Windows()[w].Label, X: x.Follow, Y: y.Follow}}}, true
}

// demarcationDepth is the mean depth of the line by protocol and zone, ± SD.
func (a *Audit) demarcationDepth() (Figure, bool) {
	fig := Figure{Key: "demarcation-depth", Kind: ForestFigure, Desc: "Mean depth of the demarcation line by protocol and zone with one standard deviation to each side.",
		X: Axis{Title: "depth (" + measure.MicrometreUnit.Symbol() + "), mean ± SD"}}
	s := Series{Name: "depth"}
	total := 0
	for _, g := range a.Source.groups(a.Source.protocolCode) {
		byZone, zones := a.linesOfGroup(g)
		for _, z := range zones {
			f := byZone[z]
			if len(f.depth) < 2 {
				continue
			}
			d, err := describe.Summarise(f.depth, 0.95)
			if err != nil {
				continue
			}
			fig.Y.Categories = append(fig.Y.Categories, fmt.Sprintf("%s, %s (%d)", g.name, z, len(f.depth)))
			s.X = append(s.X, d.Mean.Estimate)
			s.Lower, s.Upper = append(s.Lower, d.Mean.Estimate-d.SD), append(s.Upper, d.Mean.Estimate+d.SD)
			total += len(f.depth)
		}
	}
	fig.Series = []Series{s}
	fig.Title = fmt.Sprintf("Demarcation depth by protocol and zone (%d depths)", total)
	return fig, total > 0
}
