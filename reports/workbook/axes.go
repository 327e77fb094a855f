package workbook

import (
	"math"
	"slices"
	"strconv"

	"github.com/xuri/excelize/v2"

	"keratally/reports"
)

// namedTicks reports whether the points of a line stand at names, such as
// quarters, rather than on a scale. Only a category axis can show those.
func namedTicks(fig *reports.Figure) bool {
	if fig.Kind != reports.LineFigure || len(fig.Series) != 1 || len(fig.X.Ticks) == 0 {
		return false
	}
	_, err := strconv.ParseFloat(fig.X.Ticks[0].Label, 64)
	return err != nil && tickLabels(fig) != nil
}

// tickLabels returns the name of each point of the only series; nil where a
// point stands between names.
func tickLabels(fig *reports.Figure) []string {
	out := make([]string, 0, len(fig.Series[0].X))
	for _, x := range fig.Series[0].X {
		i := slices.IndexFunc(fig.X.Ticks, func(t reports.Tick) bool { return t.At == x })
		if i < 0 {
			return nil
		}
		out = append(out, fig.X.Ticks[i].Label)
	}
	return out
}

// monthDays is the length of the month in which ticks are labelled.
const monthDays = 30.4375

// inMonths reports whether the ticks of an axis in days are labelled in months.
// A chart labels its own axis, so its numbers have to be months.
func inMonths(a reports.Axis) bool {
	months := false
	for _, t := range a.Ticks {
		m, err := strconv.ParseFloat(t.Label, 64)
		if err != nil || math.Round(m*monthDays) != math.Round(t.At) {
			return false
		}
		months = months || m != 0
	}
	return months
}

// scaled divides by the length of a month.
func scaled(days []float64) []float64 {
	out := make([]float64, len(days))
	for i, d := range days {
		out[i] = d / monthDays
	}
	return out
}

// ranges sets what the spreadsheet would choose badly: equal scales of a
// square figure, shares that end at 100 %, and many names turned on their side.
func (b *book) ranges(fig *reports.Figure, c *excelize.Chart) {
	if len(fig.X.Categories) > 12 || c.Type == excelize.Line {
		c.XAxis.Alignment.TextRotation = -90
	}
	if fig.Y.Percent && fig.Y.Max == 0 {
		least, greatest := 0.0, 0.0
		sums := map[int]float64{}
		for _, s := range fig.Series {
			for i, y := range s.Y {
				sums[i] += y
				least, greatest = min(least, y), max(greatest, y)
				if fig.Kind == reports.StackedBarFigure {
					greatest = max(greatest, sums[i])
				}
			}
		}
		if bars := fig.Kind == reports.BarFigure || fig.Kind == reports.StackedBarFigure; bars && least == 0 && greatest > 0.85 && greatest < 1.001 {
			none, all := 0.0, 1.0
			c.YAxis.Minimum, c.YAxis.Maximum = &none, &all
		}
	}
	if fig.Square && fig.Kind == reports.ScatterFigure {
		if lo, hi, ok := span(fig); ok {
			c.XAxis.Minimum, c.XAxis.Maximum, c.YAxis.Minimum, c.YAxis.Maximum = &lo, &hi, &lo, &hi
			c.Dimension.Width = c.Dimension.Height * 5 / 4
		}
	}
}

// span is the range of all values of a figure, out to whole fives.
func span(fig *reports.Figure) (lo, hi float64, ok bool) {
	lo, hi = math.Inf(1), math.Inf(-1)
	for _, s := range fig.Series {
		for _, v := range [][]float64{s.X, s.Y} {
			for _, x := range v {
				lo, hi = min(lo, x), max(hi, x)
			}
		}
	}
	return 5 * math.Floor(lo/5), 5 * math.Ceil(hi/5), lo < hi
}

// referenceLines draws the named level lines and diagonals of a chart that has
// scales; the name stands in the legend.
func (b *book) referenceLines(fig *reports.Figure, c *excelize.Chart, labels []string) error {
	if labels != nil && c.Type != excelize.Line {
		return nil // columns stand on their line
	}
	dashes := []excelize.LineDashType{excelize.LineDashDash, excelize.LineDashSysDot, excelize.LineDashSysDash}
	for i, line := range fig.Lines {
		x, y, ok := reference(fig, line, labels != nil)
		if !ok {
			continue
		}
		name := line.Name
		if name == "" {
			name = "line"
		}
		cats, vals, ref, err := b.chartData(fig, name, x, y, labels)
		if err != nil {
			return err
		}
		c.Series = append(c.Series, excelize.ChartSeries{Name: ref, Categories: cats, Values: vals, Fill: solid(muted),
			Line:   excelize.LineOptions{Type: excelize.LineSolid, Width: 0.75, Dash: dashes[i%len(dashes)], Fill: solid(muted)},
			Marker: excelize.ChartMarker{Symbol: "none"}})
	}
	return nil
}

// reference returns the points to join for a line across the figure's data.
func reference(fig *reports.Figure, line reports.RefLine, named bool) (x, y []float64, ok bool) {
	if line.Vertical || len(fig.Series) == 0 || len(fig.Series[0].X) == 0 {
		return nil, nil, false
	}
	if line.Diagonal {
		lo, hi, ok := span(fig)
		lo, hi = lo-min(0, line.At), hi-max(0, line.At) // inside the square
		return []float64{lo, hi}, []float64{lo + line.At, hi + line.At}, ok
	}
	x = fig.Series[0].X
	if !named {
		x = []float64{slices.Min(x), slices.Max(x)}
	}
	y = make([]float64, len(x))
	for i := range y {
		y[i] = line.At
	}
	return x, y, true
}
