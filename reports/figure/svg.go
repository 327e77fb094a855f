package figure

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"html"
	"image"
	"image/color"
	"image/png"
	"io"
	"math"
	"strconv"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
)

// svgCanvas is a vg.Canvas that writes presentation attributes only: a page
// whose policy forbids inline style shows it in its colours.
type svgCanvas struct {
	b     bytes.Buffer
	w, h  vg.Length
	state []svgState
}

type svgState struct {
	colour color.Color
	width  vg.Length
	dashes []vg.Length
	groups int
}

func newSVG(w, h vg.Length, title, desc, key string) *svgCanvas {
	c := &svgCanvas{w: w, h: h, state: []svgState{{colour: color.Black, width: 1}}}
	id := html.EscapeString(key)
	fmt.Fprintf(&c.b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %s %s" width="%s" height="%s" role="img" aria-labelledby="%s-title %s-desc">`,
		num(w), num(h), num(w*4/3), num(h*4/3), id, id)
	fmt.Fprintf(&c.b, "\n<title id=\"%s-title\">%s</title>\n<desc id=\"%s-desc\">%s</desc>\n", id, html.EscapeString(title), id, html.EscapeString(desc))
	// The origin of vg is the lower left corner.
	fmt.Fprintf(&c.b, `<g transform="translate(0 %s) scale(1 -1)" font-family="Liberation Sans, Arial, Helvetica, sans-serif">`+"\n", num(h))
	return c
}

func num(l vg.Length) string {
	return strconv.FormatFloat(math.Round(float64(l)*100)/100, 'f', -1, 64)
}

func (c *svgCanvas) top() *svgState { return &c.state[len(c.state)-1] }

func (c *svgCanvas) Size() (w, h vg.Length)                 { return c.w, c.h }
func (c *svgCanvas) SetLineWidth(w vg.Length)               { c.top().width = w }
func (c *svgCanvas) SetColor(col color.Color)               { c.top().colour = col }
func (c *svgCanvas) SetLineDash(d []vg.Length, _ vg.Length) { c.top().dashes = d }

func (c *svgCanvas) group(transform string) {
	fmt.Fprintf(&c.b, `<g transform="%s">`+"\n", transform)
	c.top().groups++
}

func (c *svgCanvas) Rotate(rad float64)    { c.group("rotate(" + num(vg.Length(rad*180/math.Pi)) + ")") }
func (c *svgCanvas) Translate(pt vg.Point) { c.group("translate(" + num(pt.X) + " " + num(pt.Y) + ")") }
func (c *svgCanvas) Scale(x, y float64)    { c.group(fmt.Sprintf("scale(%g %g)", x, y)) }

func (c *svgCanvas) Push() {
	s := *c.top()
	s.groups = 0
	c.state = append(c.state, s)
}

func (c *svgCanvas) Pop() {
	for range c.top().groups {
		c.b.WriteString("</g>\n")
	}
	c.state = c.state[:len(c.state)-1]
}

// paintOf returns the colour and opacity attributes for fill or stroke.
func paintOf(attr string, col color.Color) string {
	n := color.NRGBAModel.Convert(col).(color.NRGBA)
	s := fmt.Sprintf(`%s="#%02X%02X%02X"`, attr, n.R, n.G, n.B)
	if n.A != 0xFF {
		s += fmt.Sprintf(` %s-opacity="%.3g"`, attr, float64(n.A)/255)
	}
	return s
}

func (c *svgCanvas) Stroke(p vg.Path) {
	s := c.top()
	if s.width <= 0 {
		return
	}
	fmt.Fprintf(&c.b, `<path d="%s" fill="none" %s stroke-width="%s"`, pathData(p), paintOf("stroke", s.colour), num(s.width))
	if len(s.dashes) > 0 {
		c.b.WriteString(` stroke-dasharray="`)
		for i, d := range s.dashes {
			if i > 0 {
				c.b.WriteByte(' ')
			}
			c.b.WriteString(num(d))
		}
		c.b.WriteByte('"')
	}
	c.b.WriteString("/>\n")
}

func (c *svgCanvas) Fill(p vg.Path) {
	fmt.Fprintf(&c.b, `<path d="%s" %s/>`+"\n", pathData(p), paintOf("fill", c.top().colour))
}

func pathData(p vg.Path) string {
	var b bytes.Buffer
	for _, part := range p {
		switch part.Type {
		case vg.MoveComp:
			fmt.Fprintf(&b, "M%s %s", num(part.Pos.X), num(part.Pos.Y))
		case vg.LineComp:
			fmt.Fprintf(&b, "L%s %s", num(part.Pos.X), num(part.Pos.Y))
		case vg.ArcComp:
			arc(&b, part)
		case vg.CurveComp:
			if len(part.Control) == 1 {
				fmt.Fprintf(&b, "Q%s %s ", num(part.Control[0].X), num(part.Control[0].Y))
			} else {
				fmt.Fprintf(&b, "C%s %s %s %s ", num(part.Control[0].X), num(part.Control[0].Y), num(part.Control[1].X), num(part.Control[1].Y))
			}
			fmt.Fprintf(&b, "%s %s", num(part.Pos.X), num(part.Pos.Y))
		case vg.CloseComp:
			b.WriteByte('Z')
		}
	}
	return b.String()
}

// arc writes a circular arc; a full circle is two halves.
func arc(b *bytes.Buffer, part vg.PathComp) {
	at := func(angle float64) (x, y vg.Length) {
		sin, cos := math.Sincos(angle)
		return part.Pos.X + part.Radius*vg.Length(cos), part.Pos.Y + part.Radius*vg.Length(sin)
	}
	steps := 1
	if math.Abs(part.Angle) >= 2*math.Pi-1e-9 {
		steps = 2
	}
	x, y := at(part.Start)
	if b.Len() == 0 || bytes.HasSuffix(b.Bytes(), []byte("Z")) {
		fmt.Fprintf(b, "M%s %s", num(x), num(y))
	} else {
		fmt.Fprintf(b, "L%s %s", num(x), num(y))
	}
	sweep, large := 0, 0
	if part.Angle > 0 {
		sweep = 1
	}
	if math.Abs(part.Angle) > math.Pi && steps == 1 {
		large = 1
	}
	for i := 1; i <= steps; i++ {
		x, y = at(part.Start + part.Angle*float64(i)/float64(steps))
		fmt.Fprintf(b, "A%s %s 0 %d %d %s %s", num(part.Radius), num(part.Radius), large, sweep, num(x), num(y))
	}
}

func (c *svgCanvas) FillString(f font.Face, pt vg.Point, text string) {
	if text == "" {
		return
	}
	weight := ""
	if f.Font.Weight > 0 {
		weight = ` font-weight="bold"`
	}
	fmt.Fprintf(&c.b, `<text transform="translate(%s %s) scale(1 -1)" font-size="%s"%s %s>%s</text>`+"\n",
		num(pt.X), num(pt.Y), num(f.Font.Size), weight, paintOf("fill", c.top().colour), html.EscapeString(text))
}

func (c *svgCanvas) DrawImage(rect vg.Rectangle, img image.Image) {
	var b bytes.Buffer
	if err := png.Encode(&b, img); err != nil {
		return // an image in memory always encodes
	}
	size := rect.Size()
	fmt.Fprintf(&c.b, `<image transform="translate(%s %s) scale(1 -1)" width="%s" height="%s" href="data:image/png;base64,%s"/>`+"\n",
		num(rect.Min.X), num(rect.Max.Y), num(size.X), num(size.Y), base64.StdEncoding.EncodeToString(b.Bytes()))
}

// WriteTo closes the drawing and writes it.
func (c *svgCanvas) WriteTo(w io.Writer) (int64, error) {
	for range c.top().groups {
		c.b.WriteString("</g>\n")
	}
	c.b.WriteString("</g>\n</svg>\n")
	n, err := w.Write(c.b.Bytes())
	return int64(n), err
}
