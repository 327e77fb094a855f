package workbook

import (
	"fmt"

	"github.com/xuri/excelize/v2"

	"keratally/reports"
)

// furnish adds what stands around the cells: links to case rows, comments on
// headings, filters and the set-up of the printed page. A streamed sheet takes
// only what needs no cell to be read back.
func (b *book) furnish(s *reports.Section, streamed bool) error {
	if err := b.page(s); err != nil {
		return err
	}
	if len(s.Lead) > 0 && !streamed {
		columns, _ := b.leadColumns(s)
		corner, err := excelize.CoordinatesToCellName(columns, leadRow)
		if err != nil {
			return err
		}
		if err := b.f.MergeCell(s.Name, fmt.Sprintf("A%d", leadRow), corner); err != nil {
			return err
		}
	}
	if s.Table == nil {
		return nil
	}
	last := headRow + s.Table.Len()
	if s.Table.Filter && s.Table.Len() > 0 {
		corner, err := excelize.CoordinatesToCellName(len(s.Table.Columns), last)
		if err != nil {
			return err
		}
		if err := b.f.AutoFilter(s.Name, fmt.Sprintf("A%d:%s", headRow, corner), nil); err != nil {
			return err
		}
	}
	for i, c := range s.Table.Columns {
		if c.Help == "" {
			continue
		}
		at, err := excelize.CoordinatesToCellName(i+1, headRow)
		if err != nil {
			return err
		}
		comment := excelize.Comment{Cell: at, Author: "Keratally", Width: 320, Height: 90,
			Paragraph: []excelize.RichTextRun{{Text: c.Help, Font: &excelize.Font{Size: 9, Family: "Calibri", Color: ink}}}}
		if err := b.f.AddComment(s.Name, comment); err != nil {
			return err
		}
	}
	if streamed {
		return nil
	}
	for r := range s.Table.Len() {
		row := s.Table.Row(r)
		for c, cell := range row.Cells {
			if cell.Cases == nil {
				continue
			}
			target, ok := b.reference(cell.Cases)
			if !ok {
				continue
			}
			at, err := excelize.CoordinatesToCellName(c+1, headRow+1+r)
			if err != nil {
				return err
			}
			if err := b.f.SetCellHyperLink(s.Name, at, target, "Location"); err != nil {
				return err
			}
		}
	}
	return nil
}

// reference returns the address of case rows: 'Case values'!F5:G96.
func (b *book) reference(c *reports.Cases) (string, bool) {
	p, ok := b.places[c.Section]
	if !ok || len(c.Columns) == 0 || p.section.Table == nil || p.section.Table.Len() == 0 {
		return "", false
	}
	first, last := c.First, c.Last
	if last < first {
		first, last = 0, p.section.Table.Len()-1
	}
	from, ok1 := p.columns[c.Columns[0]]
	to, ok2 := p.columns[c.Columns[len(c.Columns)-1]]
	if !ok1 || !ok2 {
		return "", false
	}
	a, err1 := excelize.CoordinatesToCellName(from, p.firstRow+first)
	z, err2 := excelize.CoordinatesToCellName(to, p.firstRow+last)
	return fmt.Sprintf("'%s'!%s:%s", c.Section, a, z), err1 == nil && err2 == nil
}

// page sets landscape A4, one page wide, the heading repeated, page x of y.
func (b *book) page(s *reports.Section) error {
	landscape, a4, wide, high, fit, grid := "landscape", 9, 1, 0, true, false
	if err := b.f.SetSheetView(s.Name, 0, &excelize.ViewOptions{ShowGridLines: &grid}); err != nil {
		return err
	}
	if err := b.f.SetSheetProps(s.Name, &excelize.SheetPropsOptions{FitToPage: &fit}); err != nil {
		return err
	}
	if err := b.f.SetPageLayout(s.Name, &excelize.PageLayoutOptions{Orientation: &landscape, Size: &a4, FitToWidth: &wide, FitToHeight: &high}); err != nil {
		return err
	}
	if err := b.f.SetHeaderFooter(s.Name, &excelize.HeaderFooterOptions{OddFooter: "&L&8" + footerText(b.doc.Title) + "&R&8page &P of &N"}); err != nil {
		return err
	}
	if s.Table == nil {
		return nil
	}
	quoted := "'" + s.Name + "'"
	return b.f.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", Scope: s.Name,
		RefersTo: fmt.Sprintf("%s!$%d:$%d", quoted, headRow, headRow)})
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

// pages estimates where the printed pages of a sheet end: one page wide, so
// the wider the columns, the more rows on a page.
type pages struct {
	start   int // first row of the page under consideration
	perPage int
}

// The printable part of a landscape A4 page and the height of a row, in points;
// a unit of column width is about five and a quarter points.
const (
	pageWidth, pageHeight = 740.0, 480.0
	rowPoints             = 15.0
	widthPoints           = 5.25
)

func (b *book) pagesOf(s *reports.Section) *pages {
	total := 0.0
	for _, w := range b.columnWidths(s) {
		total += w * widthPoints
	}
	scale := min(1, pageWidth/max(total, 1))
	return &pages{start: 1, perPage: int(pageHeight / rowPoints / scale)}
}

// splits reports whether something that covers rows would cross the end of a page.
func (p *pages) splits(row, rows int) bool {
	for row >= p.start+p.perPage {
		p.start += p.perPage
	}
	return row > p.start && row+rows > p.start+p.perPage
}
