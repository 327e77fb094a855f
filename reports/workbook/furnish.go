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
		return b.page(s)
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
	if err := b.page(s); err != nil { // a filter resets what the sheet says of its page
		return err
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
