package figure

import (
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"keratally/reports"
)

func points(x, y []float64) plotter.XYs {
	var xy plotter.XYs
	for i := range y {
		if !math.IsNaN(y[i]) && !math.IsNaN(x[i]) {
			xy = append(xy, plotter.XY{X: x[i], Y: y[i]})
		}
	}
	return xy
}

// named adds a series to the legend where there is more than one.
func named(p *chart, fig *reports.Figure, name string, t ...plot.Thumbnailer) {
	if len(fig.Series) > 1 && name != "" {
		p.keys = append(p.keys, key{name, t})
	}
}

// addLines draws means joined over time, each with its interval. Several
// series stand a little beside each other, so that none hides another's.
func addLines(p *chart, fig *reports.Figure) error {
	for i := range fig.Series {
		s := &fig.Series[i]
		xy := points(s.X, s.Y)
		if len(xy) == 0 {
			continue
		}
		line, mark, err := plotter.NewLinePoints(xy)
		if err != nil {
			return err
		}
		offset := 5 * vg.Length(float64(i)-float64(len(fig.Series)-1)/2)
		line.LineStyle = draw.LineStyle{Color: hue(i), Width: 1.4, Dashes: dash(i)}
		mark.GlyphStyle = draw.GlyphStyle{Color: hue(i), Radius: 2.8, Shape: glyph(i)}
		if s.Lower != nil {
			p.Add(whiskers{x: s.X, low: s.Lower, high: s.Upper, offset: offset, style: draw.LineStyle{Color: hue(i), Width: 1}})
		}
		p.Add(dodged{line, offset}, dodged{mark, offset})
		named(p, fig, s.Name, line, mark)
	}
	return nil
}

// addSteps draws right-continuous steps with their band and censoring marks.
func addSteps(p *chart, fig *reports.Figure) error {
	for i := range fig.Series {
		s := &fig.Series[i]
		if len(s.X) == 0 {
			continue
		}
		if s.Lower != nil {
			poly, err := plotter.NewPolygon(stepBand(s.X, s.Lower, s.Upper))
			if err != nil {
				return err
			}
			poly.Color, poly.LineStyle.Width = fade(hue(i)), 0
			p.Add(poly)
		}
		line, err := plotter.NewLine(stairs(s.X, s.Y))
		if err != nil {
			return err
		}
		line.LineStyle = draw.LineStyle{Color: hue(i), Width: 1.5, Dashes: dash(i)}
		p.Add(line)
		if len(s.Censored) > 0 {
			marks := make(plotter.XYs, len(s.Censored))
			for j, x := range s.Censored {
				marks[j] = plotter.XY{X: x, Y: stepAt(s.X, s.Y, x)}
			}
			sc, err := plotter.NewScatter(marks)
			if err != nil {
				return err
			}
			sc.GlyphStyle = draw.GlyphStyle{Color: hue(i), Radius: 2, Shape: draw.PlusGlyph{}}
			p.Add(sc)
		}
		named(p, fig, s.Name, line)
	}
	return nil
}

func stairs(x, y []float64) plotter.XYs {
	var xy plotter.XYs
	for i := range x {
		if math.IsNaN(y[i]) {
			break
		}
		if i > 0 {
			xy = append(xy, plotter.XY{X: x[i], Y: y[i-1]})
		}
		xy = append(xy, plotter.XY{X: x[i], Y: y[i]})
	}
	return xy
}

func stepBand(x, low, high []float64) plotter.XYs {
	up := stairs(x, high)
	down := stairs(x, low)
	for i := len(down) - 1; i >= 0; i-- {
		up = append(up, down[i])
	}
	return up
}

func stepAt(x, y []float64, at float64) float64 {
	v := y[0]
	for i := range x {
		if x[i] > at {
			break
		}
		v = y[i]
	}
	return v
}

// addPoints draws one mark an eye.
func addPoints(p *chart, fig *reports.Figure) error {
	for i := range fig.Series {
		s := &fig.Series[i]
		xy := points(s.X, s.Y)
		if len(xy) == 0 {
			continue
		}
		sc, err := plotter.NewScatter(xy)
		if err != nil {
			return err
		}
		sc.GlyphStyle = draw.GlyphStyle{Color: hue(i), Radius: radius(len(xy)), Shape: glyph(i)}
		if s.Marked {
			sc.GlyphStyle.Radius *= 1.8
		}
		p.Add(sc)
		named(p, fig, s.Name, sc)
	}
	return nil
}

func radius(n int) vg.Length {
	switch {
	case n > 2000:
		return 0.8
	case n > 400:
		return 1.3
	}
	return 2.1
}

// addBars draws groups of bars side by side over the categories of x.
func addBars(p *chart, fig *reports.Figure) error {
	return bars(p, fig, false)
}

// addStacked draws bars whose parts add up.
func addStacked(p *chart, fig *reports.Figure) error {
	return bars(p, fig, true)
}

func bars(p *chart, fig *reports.Figure, stacked bool) error {
	groups := len(fig.Series)
	room := width * 0.8 / vg.Length(max(len(fig.X.Categories), 1))
	each := room * 0.72
	if !stacked {
		each /= vg.Length(groups)
	}
	each = min(each, 1.4*vg.Centimeter)
	var below *plotter.BarChart
	for i := range fig.Series {
		s := &fig.Series[i]
		b, err := plotter.NewBarChart(plotter.Values(s.Y), each)
		if err != nil {
			return err
		}
		b.Color, b.LineStyle = hue(i), draw.LineStyle{Color: ink, Width: 0.4}
		if stacked {
			if below != nil {
				b.StackOn(below)
			}
			below = b
		} else {
			b.Offset = each * vg.Length(float64(i)-float64(groups-1)/2)
			if s.Lower != nil {
				p.Add(whiskers{x: counting(len(s.Y)), low: s.Lower, high: s.Upper, offset: b.Offset, style: draw.LineStyle{Color: ink, Width: 0.9}})
			}
		}
		p.Add(b)
		named(p, fig, s.Name, b)
	}
	p.NominalX(fig.X.Categories...)
	p.X.Min, p.X.Max = -0.6, float64(len(fig.X.Categories))-0.4
	return nil
}

func counting(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = float64(i)
	}
	return x
}

// addForest draws estimates with intervals, the first category on top.
func addForest(p *chart, fig *reports.Figure) error {
	n := len(fig.Y.Categories)
	labels := make([]reports.Tick, n)
	for i, name := range fig.Y.Categories {
		labels[i] = reports.Tick{At: float64(n - 1 - i), Label: name}
	}
	p.Y.Tick.Marker = fixedTicks(labels)
	for i := range fig.Series {
		s := &fig.Series[i]
		shift := (float64(len(fig.Series)-1)/2 - float64(i)) * 0.22
		var xy plotter.XYs
		for j := range s.X {
			if math.IsNaN(s.X[j]) {
				continue
			}
			y := float64(n-1-j) + shift
			xy = append(xy, plotter.XY{X: s.X[j], Y: y})
			if s.Lower != nil {
				p.Add(span{y: y, low: s.Lower[j], high: s.Upper[j], style: draw.LineStyle{Color: hue(i), Width: 1.4}})
			}
		}
		if len(xy) == 0 {
			continue
		}
		sc, err := plotter.NewScatter(xy)
		if err != nil {
			return err
		}
		sc.GlyphStyle = draw.GlyphStyle{Color: hue(i), Radius: 3, Shape: glyph(i + 1)}
		p.Add(sc)
		named(p, fig, s.Name, sc)
	}
	p.Y.Min, p.Y.Max = -0.6, float64(n)-0.4+0.35*float64(vertical(fig)) // the names of lines stand above the first row
	return nil
}

// addFunnel draws units as points; series with limits only are drawn as lines.
func addFunnel(p *chart, fig *reports.Figure) error {
	for i := range fig.Series {
		s := &fig.Series[i]
		if s.Lower != nil {
			for _, y := range [][]float64{s.Lower, s.Upper} {
				line, err := plotter.NewLine(points(s.X, y))
				if err != nil {
					return err
				}
				line.LineStyle = draw.LineStyle{Color: muted, Width: 0.9, Dashes: dash(i)}
				p.Add(line)
			}
			continue
		}
		sc, err := plotter.NewScatter(points(s.X, s.Y))
		if err != nil {
			return err
		}
		sc.GlyphStyle = draw.GlyphStyle{Color: hue(i), Radius: 2.8, Shape: glyph(i)}
		if s.Marked {
			sc.GlyphStyle = draw.GlyphStyle{Color: hue(5), Radius: 5, Shape: draw.PyramidGlyph{}}
		}
		p.Add(sc)
		named(p, fig, s.Name, sc)
	}
	return nil
}
