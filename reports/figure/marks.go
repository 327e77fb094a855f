package figure

import (
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"keratally/reports"
)

// whiskers are vertical intervals with short caps.
type whiskers struct {
	x, low, high []float64
	offset       vg.Length
	style        draw.LineStyle
}

func (w whiskers) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	for i := range w.x {
		if i >= len(w.low) || math.IsNaN(w.low[i]) || math.IsNaN(w.high[i]) {
			continue
		}
		x, lo, hi := tx(w.x[i])+w.offset, ty(w.low[i]), ty(w.high[i])
		c.StrokeLine2(w.style, x, lo, x, hi)
		for _, y := range []vg.Length{lo, hi} {
			c.StrokeLine2(w.style, x-2.5, y, x+2.5, y)
		}
	}
}

// DataRange lets the axes see the ends of the intervals.
func (w whiskers) DataRange() (xmin, xmax, ymin, ymax float64) {
	xmin, ymin = math.Inf(1), math.Inf(1)
	xmax, ymax = math.Inf(-1), math.Inf(-1)
	for i := range w.low {
		if math.IsNaN(w.low[i]) || math.IsNaN(w.high[i]) {
			continue
		}
		xmin, xmax = math.Min(xmin, w.x[i]), math.Max(xmax, w.x[i])
		ymin, ymax = math.Min(ymin, w.low[i]), math.Max(ymax, w.high[i])
	}
	return xmin, xmax, ymin, ymax
}

// span is one horizontal interval of a forest plot.
type span struct {
	y, low, high float64
	style        draw.LineStyle
}

func (s span) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	y := ty(s.y)
	c.StrokeLine2(s.style, tx(s.low), y, tx(s.high), y)
}

func (s span) DataRange() (xmin, xmax, ymin, ymax float64) { return s.low, s.high, s.y, s.y }

// refLine is a threshold, named where it stands.
// Names of upright lines stand in rows, so that close ones do not lie on each other.
type refLine struct {
	line reports.RefLine
	row  int
	low  bool // the name of an upright line stands at its foot
}

func (r refLine) Plot(c draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&c)
	style := draw.LineStyle{Color: muted, Width: 0.8, Dashes: []vg.Length{3, 3}}
	label := text.Style{Color: muted, Font: textFont(8.5), Handler: plot.DefaultTextHandler}
	switch {
	case r.line.Diagonal:
		lo, hi := p.X.Min, p.X.Max
		c.StrokeLines(style, c.ClipLinesXY([]vg.Point{{X: tx(lo), Y: ty(lo + r.line.At)}, {X: tx(hi), Y: ty(hi + r.line.At)}})...)
	case r.line.Vertical:
		x := tx(r.line.At)
		c.StrokeLine2(style, x, c.Min.Y, x, c.Max.Y)
		y := c.Max.Y - 10 - 10*vg.Length(r.row)
		if r.low {
			y = c.Min.Y + 3 + 10*vg.Length(r.row)
		}
		c.FillText(label, vg.Point{X: x + 3, Y: y}, r.line.Name)
	default:
		y := ty(r.line.At)
		c.StrokeLine2(style, c.Min.X, y, c.Max.X, y)
		label.XAlign = text.XRight
		c.FillText(label, vg.Point{X: c.Max.X - 2, Y: y + 3}, r.line.Name)
	}
}

// shade is a visit window behind a time axis.
type shade struct{ band reports.Band }

func (s shade) Plot(c draw.Canvas, p *plot.Plot) {
	tx, _ := p.Transforms(&c)
	x0, x1 := max(tx(s.band.From), c.Min.X), min(tx(s.band.To), c.Max.X)
	if x1 <= x0 {
		return
	}
	c.FillPolygon(band, []vg.Point{{X: x0, Y: c.Min.Y}, {X: x1, Y: c.Min.Y}, {X: x1, Y: c.Max.Y}, {X: x0, Y: c.Max.Y}})
}

// paintAtRisk writes the numbers at risk under the ticks of the time axis.
func paintAtRisk(whole, data draw.Canvas, p *chart, fig *reports.Figure) {
	tx, _ := p.Transforms(&data)
	name := text.Style{Color: muted, Font: textFont(8.5), Handler: plot.DefaultTextHandler}
	number := text.Style{Color: ink, Font: textFont(9), XAlign: text.XCenter, Handler: plot.DefaultTextHandler}
	for r, row := range fig.AtRisk {
		y := whole.Min.Y + vg.Length(len(fig.AtRisk)-1-r)*0.42*vg.Centimeter + 2
		whole.FillText(name, vg.Point{X: whole.Min.X, Y: y}, row.Name)
		for i, n := range row.Numbers {
			if i < len(fig.X.Ticks) {
				whole.FillText(number, vg.Point{X: tx(fig.X.Ticks[i].At), Y: y}, strconv.Itoa(n))
			}
		}
	}
}

// paintFlow draws the boxes of a cohort's flow, one criterion under another.
func paintFlow(c draw.Canvas, fig *reports.Figure) {
	title := text.Style{Color: ink, Font: textFont(11), Handler: plot.DefaultTextHandler}
	words := text.Style{Color: ink, Font: textFont(9.5), YAlign: text.YCenter, Handler: plot.DefaultTextHandler}
	count := words
	count.XAlign = text.XRight
	c.FillText(title, vg.Point{X: c.Min.X + 8, Y: c.Max.Y - 16}, fig.Title)
	line := draw.LineStyle{Color: muted, Width: 0.8}
	left, right := c.Min.X+8, c.Max.X-8
	top := c.Max.Y - 1.1*vg.Centimeter
	for i, b := range fig.Boxes {
		y1 := top - vg.Length(i)*1.35*vg.Centimeter
		y0 := y1 - 0.95*vg.Centimeter
		c.StrokeLines(line, []vg.Point{{X: left, Y: y0}, {X: right, Y: y0}, {X: right, Y: y1}, {X: left, Y: y1}, {X: left, Y: y0}})
		mid := (y0 + y1) / 2
		c.FillText(words, vg.Point{X: left + 8, Y: mid}, b.Label)
		c.FillText(count, vg.Point{X: right - 8, Y: mid}, strconv.Itoa(b.Eyes)+" eyes of "+strconv.Itoa(b.Patients)+" patients")
		if i < len(fig.Boxes)-1 {
			x := left + 0.8*vg.Centimeter
			c.StrokeLine2(line, x, y0, x, y0-0.4*vg.Centimeter)
		}
	}
}

// fixedTicks are the ticks that the figure names.
func fixedTicks(ticks []reports.Tick) plot.ConstantTicks {
	out := make(plot.ConstantTicks, len(ticks))
	for i, t := range ticks {
		out[i] = plot.Tick{Value: t.At, Label: t.Label}
	}
	return out
}

// plainTicks are round numbers with a true minus sign.
type plainTicks struct{}

func (plainTicks) Ticks(lo, hi float64) []plot.Tick {
	return roundTicks(lo, hi, reports.General.Print)
}

// percentTicks show fractions as per cent.
type percentTicks struct{}

func (percentTicks) Ticks(lo, hi float64) []plot.Tick {
	return roundTicks(lo, hi, func(x float64) string { return reports.General.Print(math.Round(x*1e8)/1e6) + " %" })
}

// roundTicks are four to nine multiples of 1, 2 or 5 times a power of ten, so
// that 0 is among them where it lies on the axis.
func roundTicks(lo, hi float64, label func(float64) string) []plot.Tick {
	if !(hi > lo) {
		return nil
	}
	power := math.Pow(10, math.Floor(math.Log10((hi-lo)/4)))
	step := power
	for _, m := range []float64{2, 5} {
		if m*power <= (hi-lo)/4 {
			step = m * power
		}
	}
	var ticks []plot.Tick
	for k := math.Ceil(lo/step - 1e-9); k*step <= hi+1e-9*step; k++ {
		x := math.Round(k*step*1e9) / 1e9
		ticks = append(ticks, plot.Tick{Value: x, Label: label(x)})
	}
	return ticks
}
