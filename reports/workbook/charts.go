package workbook

import (
	"bytes"
	"fmt"
	"image"
	_ "image/png" // the pictures of figures
	"slices"

	"github.com/xuri/excelize/v2"

	"keratally/reports"
)

// chartSheet holds the numbers that native charts draw from.
const chartSheet = "Chart data"

// The size of a chart in pixels, and the rows that it covers on a sheet.
const (
	chartWidth, chartHeight = 760, 380
	chartRows               = 25
	chartOffset             = 6 // pixels below the edge of the row, which may be that of a page
)

// seriesColours are those of Okabe & Ito (2008), which readers with any
// colour vision can tell apart; the accent of the house leads.
var seriesColours = []string{accent, "E69F00", "009E73", "CC79A7", "56B4E9", "D55E00", "0072B2", "000000"}

var markers = []string{"circle", "square", "triangle", "diamond", "x", "star", "dash", "plus"}

// drawCharts puts a section's figures under its notes: as native charts where
// the spreadsheet has the type; other kinds are pictures (see pictures.go).
func (b *book) drawCharts(s *reports.Section) error {
	row := headRow + 1 + len(s.Notes) // the first empty row
	if s.Table != nil {
		row += max(s.Table.Len(), 1) + 1
	}
	y := b.tableEnd(s)
	pages := b.pagesOf(s)
	for i := range s.Figures {
		fig := &s.Figures[i]
		put, rows, err := b.place(s.Name, fig)
		if err != nil {
			return fmt.Errorf("figure %s: %w", fig.Key, err)
		}
		if rows == 0 {
			continue
		}
		height := float64(rows) * rowPoints
		if pages.splits(y, height) {
			if err := b.f.InsertPageBreak(s.Name, fmt.Sprintf("A%d", row)); err != nil {
				return err
			}
		} else {
			row++
			y += rowPoints
		}
		if err := put(fmt.Sprintf("A%d", row)); err != nil {
			return fmt.Errorf("figure %s: %w", fig.Key, err)
		}
		row += rows
		y += height
	}
	return nil
}

func native(k reports.FigureKind) bool {
	switch k {
	case reports.LineFigure, reports.StepFigure, reports.BarFigure, reports.StackedBarFigure, reports.ScatterFigure:
		return true
	}
	return false
}

// rowPixels is the least height of an empty row, which some readers take from
// their font instead of the sheet.
const rowPixels = 17

// place returns how to put a figure at a cell, as a native chart or a picture,
// and the rows that it covers: 0 where there is nothing to draw.
func (b *book) place(sheet string, fig *reports.Figure) (put func(at string) error, rows int, err error) {
	if native(fig.Kind) {
		if len(fig.Series) == 0 {
			return nil, 0, nil
		}
		chart, err := b.chart(fig)
		return func(at string) error { return b.f.AddChart(sheet, at, chart) }, chartRows, err
	}
	if b.picture == nil {
		return nil, 0, nil
	}
	var png bytes.Buffer
	if err := b.picture(&png, fig); err != nil {
		return nil, 0, err
	}
	size, _, err := image.DecodeConfig(bytes.NewReader(png.Bytes()))
	if err != nil {
		return nil, 0, err
	}
	const scale = 96.0 / 200
	rows = int(float64(size.Height)*scale)/rowPixels + 2
	return func(at string) error {
		return b.f.AddPictureFromBytes(sheet, at, &excelize.Picture{Extension: ".png", File: png.Bytes(),
			Format: &excelize.GraphicOptions{OffsetY: chartOffset, ScaleX: scale, ScaleY: scale, AltText: fig.Title + ". " + fig.Desc}})
	}, rows, nil
}

func (b *book) chart(fig *reports.Figure) (*excelize.Chart, error) {
	if inMonths(fig.X) && native(fig.Kind) {
		months := *fig
		months.X.Ticks, months.X.Max, months.Series = nil, fig.X.Max/monthDays, slices.Clone(fig.Series)
		for i := range months.Series {
			months.Series[i].X = scaled(months.Series[i].X)
		}
		fig = &months
	}
	c := &excelize.Chart{
		Title:     excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: fig.Title, Font: &excelize.Font{Size: 11, Bold: true, Color: ink}}}},
		Legend:    excelize.ChartLegend{Position: "bottom"},
		Dimension: excelize.ChartDimension{Width: chartWidth, Height: chartHeight},
		Format:    excelize.GraphicOptions{AltText: fig.Desc, OffsetY: chartOffset},
		XAxis:     axis(fig.X, false),
		YAxis:     axis(fig.Y, true),
	}
	switch fig.Kind {
	case reports.BarFigure:
		c.Type = excelize.Col
	case reports.StackedBarFigure:
		c.Type = excelize.ColStacked
	default:
		c.Type = excelize.Scatter
	}
	var labels []string
	switch {
	case c.Type != excelize.Scatter:
		labels = fig.X.Categories
	case namedTicks(fig):
		c.Type, labels = excelize.Line, tickLabels(fig)
	}
	b.ranges(fig, c)
	for i := range fig.Series {
		s := &fig.Series[i]
		x, y := s.X, s.Y
		if fig.Kind == reports.StepFigure {
			x, y = steps(s.X, s.Y)
		}
		cats, vals, name, err := b.chartData(fig, s.Name, x, y, labels)
		if err != nil {
			return nil, err
		}
		c.Series = append(c.Series, b.series(fig, i, name, cats, vals))
		if labels != nil || s.Lower == nil {
			continue
		}
		for k, limit := range [][]float64{s.Lower, s.Upper} {
			lx, ly := s.X, limit
			if fig.Kind == reports.StepFigure {
				lx, ly = steps(s.X, limit)
			}
			cats, vals, name, err := b.chartData(fig, s.Name+[...]string{", 95 % CI from", ", 95 % CI to"}[k], lx, ly, nil)
			if err != nil {
				return nil, err
			}
			c.Series = append(c.Series, excelize.ChartSeries{Name: name, Categories: cats, Values: vals, Fill: solid(colour(i)),
				Line:   excelize.LineOptions{Type: excelize.LineSolid, Width: 0.75, Dash: excelize.LineDashSysDash, Fill: solid(colour(i))},
				Marker: excelize.ChartMarker{Symbol: "none"}})
		}
	}
	if err := b.referenceLines(fig, c, labels); err != nil {
		return nil, err
	}
	if len(c.Series) == 1 {
		c.Legend.Position = "none"
	}
	return c, nil
}

func (b *book) series(fig *reports.Figure, i int, name, cats, vals string) excelize.ChartSeries {
	s := excelize.ChartSeries{Name: name, Categories: cats, Values: vals, Fill: solid(colour(i))}
	switch fig.Kind {
	case reports.LineFigure:
		s.Line = excelize.LineOptions{Type: excelize.LineSolid, Width: 1.75, Fill: solid(colour(i))}
		s.Marker = excelize.ChartMarker{Symbol: markers[i%len(markers)], Size: 6, Fill: solid(colour(i))}
	case reports.StepFigure:
		s.Line = excelize.LineOptions{Type: excelize.LineSolid, Width: 1.75, Fill: solid(colour(i))}
		s.Marker = excelize.ChartMarker{Symbol: "none"}
	case reports.ScatterFigure:
		s.Line = excelize.LineOptions{Type: excelize.LineNone}
		s.Marker = excelize.ChartMarker{Symbol: markers[i%len(markers)], Size: 4, Fill: solid(colour(i))}
	}
	return s
}

func colour(i int) string { return seriesColours[i%len(seriesColours)] }

func solid(colour string) excelize.Fill {
	return excelize.Fill{Type: "pattern", Pattern: 1, Color: []string{colour}}
}

func axis(a reports.Axis, y bool) excelize.ChartAxis {
	out := excelize.ChartAxis{
		Title:             excelize.ChartTitle{Paragraph: []excelize.RichTextRun{{Text: a.Title, Font: &excelize.Font{Size: 9, Color: muted}}}},
		Font:              excelize.Font{Size: 9, Color: ink},
		MajorGridLines:    y,
		TickLabelPosition: excelize.ChartTickLabelLow,
	}
	if a.Min != 0 || a.Max != 0 {
		lo, hi := a.Min, a.Max
		out.Minimum, out.Maximum = &lo, &hi
	}
	if a.Percent {
		out.NumFmt = excelize.ChartNumFmt{CustomNumFmt: "0%"}
	}
	return out
}

// steps turns a right-continuous step function into the corners to join.
func steps(x, y []float64) (sx, sy []float64) {
	for i := range x {
		if i > 0 {
			sx, sy = append(sx, x[i]), append(sy, y[i-1])
		}
		sx, sy = append(sx, x[i]), append(sy, y[i])
	}
	return sx, sy
}

// chartData writes one series to the chart data sheet and returns the
// references to it.
func (b *book) chartData(fig *reports.Figure, name string, x, y []float64, labels []string) (cats, vals, nameRef string, err error) {
	if b.charts == 0 {
		if _, err := b.f.NewSheet(chartSheet); err != nil {
			return "", "", "", err
		}
	}
	col := b.charts + 1
	b.charts += 3
	put := func(c, r int, v any) {
		if err != nil {
			return
		}
		var at string
		if at, err = excelize.CoordinatesToCellName(c, r); err == nil {
			if s, ok := v.(string); ok {
				err = b.f.SetCellStr(chartSheet, at, s)
			} else {
				err = b.f.SetCellValue(chartSheet, at, v)
			}
		}
	}
	put(col, 1, fig.Title)
	put(col, 2, fig.X.Title)
	put(col+1, 2, name)
	for i := range y {
		if labels != nil {
			put(col, 3+i, labels[i])
		} else {
			put(col, 3+i, x[i])
		}
		put(col+1, 3+i, y[i])
	}
	ref := func(c, from, to int) string {
		a, _ := excelize.CoordinatesToCellName(c, from, true)
		z, _ := excelize.CoordinatesToCellName(c, to, true)
		if from == to {
			return fmt.Sprintf("'%s'!%s", chartSheet, a)
		}
		return fmt.Sprintf("'%s'!%s:%s", chartSheet, a, z)
	}
	last := max(2+len(y), 3)
	return ref(col, 3, last), ref(col+1, 3, last), ref(col+1, 2, 2), err
}
