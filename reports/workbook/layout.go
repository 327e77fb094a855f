package workbook

import (
	"fmt"
	"math"

	"github.com/xuri/excelize/v2"

	"keratally/reports"
)

// page sets landscape A4, as many pages wide as can be read, the heading repeated, page x of y.
func (b *book) page(s *reports.Section) error {
	points := rowPoints // stated, so that a font of another height does not move what stands below
	landscape, a4, wide, high, fit, grid := "landscape", 9, b.pagesWide(s), 0, true, false
	if err := b.f.SetSheetView(s.Name, 0, &excelize.ViewOptions{ShowGridLines: &grid}); err != nil {
		return err
	}
	if err := b.f.SetSheetProps(s.Name, &excelize.SheetPropsOptions{FitToPage: &fit, DefaultRowHeight: &points, CustomHeight: &fit}); err != nil {
		return err
	}
	if err := b.f.SetPageLayout(s.Name, &excelize.PageLayoutOptions{Orientation: &landscape, Size: &a4, FitToWidth: &wide, FitToHeight: &high}); err != nil {
		return err
	}
	if err := b.f.SetHeaderFooter(s.Name, &excelize.HeaderFooterOptions{OddFooter: "&L&8" + footerText(b.doc.Title) + "&R&8page &P of &N"}); err != nil {
		return err
	}
	edge, foot, line := 0.5, 0.6, 0.3 // inches
	if err := b.f.SetPageMargins(s.Name, &excelize.PageLayoutMarginsOptions{Left: &edge, Right: &edge, Top: &edge, Bottom: &foot, Header: &line, Footer: &line}); err != nil {
		return err
	}
	if s.Table == nil || b.tableEnd(s) < b.pagesOf(s).height {
		return nil // a heading above the charts of the next page would head nothing
	}
	quoted := "'" + s.Name + "'"
	titles := fmt.Sprintf("%s!$%d:$%d", quoted, headRow, headRow)
	if b.pagesWide(s) > 1 {
		titles = fmt.Sprintf("%s!$A:$A,%s", quoted, titles)
	}
	return b.f.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", Scope: s.Name, RefersTo: titles})
}

// footerText doubles the ampersands, which introduce codes in a footer.
func footerText(s string) string {
	out := make([]rune, 0, len(s))
	for _, r := range s {
		if r == '&' {
			out = append(out, r)
		}
		out = append(out, r)
	}
	if len(out) > 100 {
		out = out[:100]
	}
	return string(out)
}

// The printable part of a landscape A4 page within its margins, its height with
// a tenth in reserve for fonts that are not there, and the height of a row, in
// points; a unit of column width is about five and a quarter
// points, a pixel of a chart three quarters.
const (
	pageWidth, pageHeight = 770.0, 440.0
	rowPoints             = 15.0
	widthPoints           = 5.25
	pixelPoints           = 0.75
)

// pagesWide is how many pages the columns of a sheet are spread over: one,
// unless its rows of cases would be too small to read.
func (b *book) pagesWide(s *reports.Section) int {
	const smallest = 0.55 // of the size of type, five and a half points
	if !s.Data {
		return 1
	}
	return max(1, int(math.Ceil(b.tableWidth(s)*smallest/pageWidth)))
}

func (b *book) tableWidth(s *reports.Section) float64 {
	total := 0.0
	for _, w := range b.columnWidths(s) {
		total += w * widthPoints
	}
	return total
}

// pages follows where the printed pages of a sheet end: one page wide, so the
// wider the columns, the more rows on a page. Lengths are points of the sheet.
type pages struct {
	start  float64 // of the page under consideration
	height float64 // of a page
	repeat float64 // height of the heading repeated on every page but the first
}

func (b *book) pagesOf(s *reports.Section) *pages {
	total := b.tableWidth(s)
	if len(s.Lead) > 0 {
		_, width := b.leadColumns(s)
		total = max(total, width*widthPoints)
	}
	if len(s.Figures) > 0 {
		total = max(total, chartWidth*pixelPoints)
	}
	p := &pages{height: pageHeight / min(1, pageWidth/max(total, 1))}
	if s.Table != nil {
		p.repeat = headHeight(s.Table, b.columnWidths(s))
	}
	return p
}

// tableEnd is where the table of a section and its notes end.
func (b *book) tableEnd(s *reports.Section) float64 {
	end := 26 + 15 + b.leadHeight(s) + rowPoints*float64(len(s.Notes)+1)
	if s.Table == nil {
		return end
	}
	widths := b.columnWidths(s)
	end += headHeight(s.Table, widths) + rowPoints
	for i := range s.Table.Len() {
		end += max(rowPoints, wrappedHeight(s.Table, s.Table.Row(i), widths))
	}
	return end
}

// splits reports whether something of a height that begins at y would cross
// the end of the page, and if so begins a page there. A table of more than a
// page always splits: where its last page ends depends on the reader's fonts.
func (p *pages) splits(y, height float64) bool {
	if y <= p.start || y+height <= p.start+p.height {
		return false
	}
	if p.start == 0 {
		p.height -= p.repeat
	}
	p.start = y
	return true
}
