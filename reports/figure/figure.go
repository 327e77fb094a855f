// Package figure draws the figures of a document. One drawing serves a page
// (SVG with presentation attributes, title and description), a picture (PNG)
// and print (PDF). It computes nothing: what it draws is in the Figure.
package figure

import (
	"bytes"
	"fmt"
	"image/color"
	"io"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
	"gonum.org/v1/plot/vg/vgpdf"

	"keratally/reports"
)

// The size of a figure: at 8 cm print width its 10 pt text is still 7 pt.
const (
	width  = 16 * vg.Centimeter
	height = 9.6 * vg.Centimeter
	square = 12.5 * vg.Centimeter
)

// The house colours on paper.
var (
	ink      = color.RGBA{0x1B, 0x23, 0x28, 0xFF}
	muted    = color.RGBA{0x5A, 0x66, 0x6D, 0xFF}
	hairline = color.RGBA{0xDA, 0xD8, 0xD0, 0xFF}
	band     = color.RGBA{0xF1, 0xEF, 0xE9, 0xFF}
)

// palette leads with the accent, then follows Okabe & Ito (2008).
var palette = []color.RGBA{
	{0x1F, 0x5C, 0x7A, 0xFF}, {0xE6, 0x9F, 0x00, 0xFF}, {0x00, 0x9E, 0x73, 0xFF}, {0xCC, 0x79, 0xA7, 0xFF},
	{0x56, 0xB4, 0xE9, 0xFF}, {0xD5, 0x5E, 0x00, 0xFF}, {0x00, 0x72, 0xB2, 0xFF}, {0x00, 0x00, 0x00, 0xFF},
}

// The second channels beside colour.
var (
	glyphs = []draw.GlyphDrawer{draw.CircleGlyph{}, draw.SquareGlyph{}, draw.TriangleGlyph{}, draw.PyramidGlyph{}, draw.CrossGlyph{}, draw.PlusGlyph{}, draw.RingGlyph{}, draw.BoxGlyph{}}
	dashes = [][]vg.Length{nil, {6, 3}, {2, 2}, {8, 2, 2, 2}, {4, 4}, {1, 3}, {10, 4}, {3, 1}}
)

func hue(i int) color.RGBA          { return palette[i%len(palette)] }
func glyph(i int) draw.GlyphDrawer  { return glyphs[i%len(glyphs)] }
func dash(i int) []vg.Length        { return dashes[i%len(dashes)] }
func fade(c color.RGBA) color.NRGBA { return color.NRGBA{c.R, c.G, c.B, 0x2E} }
func textFont(size vg.Length) font.Font {
	return font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
}

// size returns the outer size of a figure.
func size(fig *reports.Figure) (w, h vg.Length) {
	w, h = width, height
	switch {
	case fig.Square:
		w, h = square, square
	case fig.Kind == reports.ForestFigure:
		h = vg.Length(3.4+0.75*float64(max(len(fig.Y.Categories), 3))+0.26*float64(vertical(fig))) * vg.Centimeter
	case fig.Kind == reports.FlowFigure:
		h = vg.Length(1.6+1.35*float64(len(fig.Boxes))) * vg.Centimeter
	}
	return w, h + vg.Length(len(fig.AtRisk))*0.42*vg.Centimeter
}

// vertical counts the named lines that stand upright.
func vertical(fig *reports.Figure) int {
	n := 0
	for _, l := range fig.Lines {
		if l.Vertical && l.Name != "" {
			n++
		}
	}
	return n
}

// PNG writes the figure as a picture of about 1,260 pixels width.
func PNG(w io.Writer, fig *reports.Figure) error {
	fw, fh := size(fig)
	c := vgimg.NewWith(vgimg.UseWH(fw, fh), vgimg.UseDPI(200))
	if err := paint(draw.New(c), fig); err != nil {
		return err
	}
	_, err := vgimg.PngCanvas{Canvas: c}.WriteTo(w)
	return err
}

// PDF writes the figure as one page of vectors.
func PDF(w io.Writer, fig *reports.Figure) error {
	fw, fh := size(fig)
	c := vgpdf.New(fw, fh)
	c.EmbedFonts(true)
	if err := paint(draw.New(c), fig); err != nil {
		return err
	}
	_, err := c.WriteTo(w)
	return err
}

// SVG writes the figure as scalable graphics to stand inside a page.
func SVG(w io.Writer, fig *reports.Figure) error {
	fw, fh := size(fig)
	c := newSVG(fw, fh, fig.Title, fig.Desc, fig.Key)
	if err := paint(draw.New(c), fig); err != nil {
		return err
	}
	_, err := c.WriteTo(w)
	return err
}

// Inline returns the SVG of a figure as text.
func Inline(fig *reports.Figure) (string, error) {
	var b bytes.Buffer
	err := SVG(&b, fig)
	return b.String(), err
}

// paint draws title, plot and numbers at risk on any canvas.
func paint(c draw.Canvas, fig *reports.Figure) error {
	c.SetColor(color.White)
	c.Fill(c.Rectangle.Path())
	if fig.Kind == reports.FlowFigure {
		paintFlow(c, fig)
		return nil
	}
	p := &chart{Plot: plot.New()}
	furnish(p, fig)
	if err := draws[kindOf(fig.Kind)](p, fig); err != nil {
		return fmt.Errorf("figure %s: %w", fig.Key, err)
	}
	row := 0
	for _, l := range fig.Lines {
		p.Add(refLine{l, row, fig.Kind == reports.StepFigure}) // steps rise to the right, or stay high
		if l.Vertical && l.Name != "" {
			row++
		}
	}
	limits(p, fig)
	area := draw.Crop(c, 6, -10, 6, -6)
	area = draw.Crop(area, 0, 0, 0, -paintHeading(area, fig.Title, p.keys))
	if len(fig.AtRisk) == 0 {
		p.Draw(area)
		return nil
	}
	room := vg.Length(len(fig.AtRisk)) * 0.42 * vg.Centimeter
	plotArea := draw.Crop(area, 0, 0, room+4, 0)
	if short := widest(fig.AtRisk) + 10 - (p.DataCanvas(plotArea).Min.X - area.Min.X); short > 0 { // room for their names
		plotArea = draw.Crop(plotArea, short, 0, 0, 0)
	}
	p.Draw(plotArea)
	paintAtRisk(area, p.DataCanvas(plotArea), p, fig)
	return nil
}

func kindOf(k reports.FigureKind) reports.FigureKind {
	if _, ok := draws[k]; ok {
		return k
	}
	return reports.ScatterFigure
}

// draws adds the series of each kind to a plot.
var draws = map[reports.FigureKind]func(*chart, *reports.Figure) error{
	reports.LineFigure:       addLines,
	reports.BarFigure:        addBars,
	reports.StackedBarFigure: addStacked,
	reports.StepFigure:       addSteps,
	reports.ScatterFigure:    addPoints,
	reports.ForestFigure:     addForest,
	reports.FunnelFigure:     addFunnel,
	reports.DoubleAngle:      addPoints,
}

func furnish(p *chart, fig *reports.Figure) {
	p.BackgroundColor = color.White
	for _, a := range []struct {
		axis *plot.Axis
		spec reports.Axis
	}{{&p.X, fig.X}, {&p.Y, fig.Y}} {
		a.axis.Label.Text = a.spec.Title
		a.axis.Label.TextStyle.Font = textFont(10)
		a.axis.Label.TextStyle.Color = muted
		a.axis.Label.Padding = 3
		a.axis.Tick.Label.Font = textFont(9)
		a.axis.Tick.Label.Color = ink
		a.axis.LineStyle.Color = muted
		a.axis.LineStyle.Width = 0.5
		a.axis.Tick.LineStyle.Color = muted
		a.axis.Tick.LineStyle.Width = 0.5
		a.axis.Padding = 4
		switch {
		case len(a.spec.Ticks) > 0:
			a.axis.Tick.Marker = fixedTicks(a.spec.Ticks)
		case a.spec.Percent:
			a.axis.Tick.Marker = percentTicks{}
		default:
			a.axis.Tick.Marker = plainTicks{}
		}
	}
	for _, b := range fig.Bands {
		p.Add(shade{b})
	}
	grid := plotter.NewGrid()
	grid.Vertical.Width = 0
	grid.Horizontal.Color = hairline
	grid.Horizontal.Width = 0.5
	p.Add(grid)
}

// limits sets the axis ranges, which get no room of their own otherwise.
func limits(p *chart, fig *reports.Figure) {
	fit := func(a *plot.Axis, spec reports.Axis) {
		if spec.Min != 0 || spec.Max != 0 {
			a.Min, a.Max = spec.Min, spec.Max
			return
		}
		if math.IsInf(a.Min, 0) || math.IsInf(a.Max, 0) || a.Min > a.Max {
			a.Min, a.Max = 0, 1
		}
		if a.Min == a.Max {
			a.Min, a.Max = a.Min-1, a.Max+1
		}
		if len(spec.Categories) == 0 {
			room := (a.Max - a.Min) * 0.06
			a.Min, a.Max = a.Min-room, a.Max+room
		}
	}
	fit(&p.X, fig.X)
	fit(&p.Y, fig.Y)
	if fig.Square {
		lo, hi := math.Min(p.X.Min, p.Y.Min), math.Max(p.X.Max, p.Y.Max)
		p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = lo, hi, lo, hi
	}
}
