package figure

import (
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"keratally/reports"
)

// chart is a plot with the keys of its legend, which stands above the plot
// under the title: inside it, it would lie on data sooner or later.
type chart struct {
	*plot.Plot
	keys []key
}

// key is one entry of the legend.
type key struct {
	name   string
	thumbs []plot.Thumbnailer
}

var (
	titleStyle  = text.Style{Color: ink, Font: textFont(11), Handler: plot.DefaultTextHandler}
	legendStyle = text.Style{Color: ink, Font: textFont(9), YAlign: text.YCenter, Handler: plot.DefaultTextHandler}
)

const (
	titleLine  = vg.Length(15)
	legendLine = vg.Length(13)
	thumbWidth = vg.Length(20)
)

// paintHeading writes title and legend at the top of the area, in as many
// lines as they need, and returns the height that they took.
func paintHeading(area draw.Canvas, title string, keys []key) vg.Length {
	room := area.Max.X - area.Min.X
	y := area.Max.Y
	for _, line := range wrap(title, titleStyle, room) {
		y -= titleLine
		area.FillText(titleStyle, vg.Point{X: area.Min.X, Y: y + 4}, line)
	}
	x := area.Min.X
	if len(keys) > 0 {
		y -= legendLine
	}
	for _, k := range keys {
		wide := thumbWidth + 4 + legendStyle.Width(k.name)
		if x > area.Min.X && x+wide > area.Max.X {
			x = area.Min.X
			y -= legendLine
		}
		box := draw.Canvas{Canvas: area.Canvas, Rectangle: vg.Rectangle{Min: vg.Point{X: x, Y: y}, Max: vg.Point{X: x + thumbWidth, Y: y + 9}}}
		for _, t := range k.thumbs {
			t.Thumbnail(&box)
		}
		area.FillText(legendStyle, vg.Point{X: x + thumbWidth + 4, Y: y + 4.5}, k.name)
		x += wide + 14
	}
	return area.Max.Y - y + 6
}

// wrap breaks a text into lines no wider than room, between words.
func wrap(s string, style text.Style, room vg.Length) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(s) {
		with := word
		if line != "" {
			with = line + " " + word
		}
		if line != "" && style.Width(with) > room {
			lines = append(lines, line)
			with = word
		}
		line = with
	}
	if line != "" {
		lines = append(lines, line)
	}
	return lines
}

// widest is the width of the longest name of the rows under the axis.
func widest(rows []reports.RiskRow) vg.Length {
	style := text.Style{Font: textFont(8.5), Handler: plot.DefaultTextHandler}
	w := vg.Length(0)
	for _, r := range rows {
		w = max(w, style.Width(r.Name))
	}
	return w
}

// dodged draws a plotter a little to the side of its place.
type dodged struct {
	plot.Plotter
	offset vg.Length
}

func (d dodged) Plot(c draw.Canvas, p *plot.Plot) {
	c.Min.X += d.offset
	c.Max.X += d.offset
	d.Plotter.Plot(c, p)
}

// DataRange is that of the plotter at its place.
func (d dodged) DataRange() (xmin, xmax, ymin, ymax float64) {
	if r, ok := d.Plotter.(plot.DataRanger); ok {
		return r.DataRange()
	}
	return plotter.XYRange(plotter.XYs{})
}
