package export

import (
	"bytes"
	"fmt"
	"io"
	"sort"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"keratally/reports/zipped"
)

// The limits of a worksheet.
const (
	maxSheetRows    = 1_048_576
	maxSheetColumns = 16_384
	maxCellRunes    = 32_767
)

// xlsxFile returns the tables as one workbook, a sheet each: numbers as
// numbers, text as text, never a formula.
func xlsxFile(tables []*Table, widths map[string]float64) ([]byte, error) {
	f := excelize.NewFile()
	defer f.Close()
	heads, err := f.NewStyle(&excelize.Style{Font: &excelize.Font{Bold: true, Family: "Calibri", Size: 11}, Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"},
		Border: []excelize.Border{{Type: "bottom", Color: "1F5C7A", Style: 1}}})
	if err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	prose, err := f.NewStyle(&excelize.Style{Alignment: &excelize.Alignment{WrapText: true, Vertical: "top"}})
	if err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	words, err := f.NewStyle(&excelize.Style{Alignment: &excelize.Alignment{Indent: 1}}) // away from the number before
	if err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	for i, t := range tables {
		if i == 0 {
			err = f.SetSheetName("Sheet1", t.Name)
		} else {
			_, err = f.NewSheet(t.Name)
		}
		if err == nil {
			style := words
			if t.Name == "codebook" {
				style = prose
			}
			err = sheet(f, t, heads, style, widths)
		}
		if err != nil {
			return nil, fmt.Errorf("sheet %s: %w", t.Name, err)
		}
	}
	if err := f.SetDocProps(&excelize.DocProperties{Title: "Research export", Creator: "Keratally", LastModifiedBy: "Keratally",
		Created: noTime, Modified: noTime, Language: "en-GB"}); err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	if types := f.ContentTypes; types != nil { // filled from a map, in another order each time
		sort.Slice(types.Defaults, func(i, j int) bool { return types.Defaults[i].Extension < types.Defaults[j].Extension })
	}
	var out bytes.Buffer
	f.SetZipWriter(func(w io.Writer) excelize.ZipWriter { return zipped.NewWriter(w) })
	if err := f.Write(&out); err != nil {
		return nil, fmt.Errorf("workbook: %w", err)
	}
	return out.Bytes(), nil
}

// noTime stands where a workbook must have a time: a clock would make every
// file another, and the cut-off would give dates away.
const noTime = "2000-01-01T00:00:00Z"

// widest is the number of columns that a page can still show.
const widest = 12

// printed sets how the sheet looks on paper: landscape, headings on each page,
// as wide as the page unless it has more columns than anybody could read there.
func printed(f *excelize.File, t *Table) error {
	landscape, wide, high, fit := "landscape", 1, 0, len(t.Columns) <= widest
	if err := f.SetPageLayout(t.Name, &excelize.PageLayoutOptions{Orientation: &landscape, FitToWidth: &wide, FitToHeight: &high}); err != nil {
		return err
	}
	if err := f.SetSheetProps(t.Name, &excelize.SheetPropsOptions{FitToPage: &fit}); err != nil {
		return err
	}
	if err := f.SetHeaderFooter(t.Name, &excelize.HeaderFooterOptions{OddFooter: "&L&A&Rpage &P of &N"}); err != nil {
		return err
	}
	return f.SetDefinedName(&excelize.DefinedName{Name: "_xlnm.Print_Titles", RefersTo: t.Name + "!$1:$1", Scope: t.Name})
}

// width is how many characters the heading and the longest cell need, up to 60.
func (c *Column) width() float64 {
	longest := utf8.RuneCountInString(c.Name) + 1 // bold
	for _, text := range c.texts {
		longest = max(longest, utf8.RuneCountInString(text))
	}
	return float64(min(longest, 60) + 2)
}

// The height of a line of text and the most that a row can have, in points.
const (
	lineHeight = 15
	maxHeight  = 405
)

// height is what the longest wrapped cell of a row needs: a program that shows
// the sheet does not work it out by itself.
func height(t *Table, row int, widths map[string]float64) float64 {
	lines := 1
	for _, c := range t.Columns {
		if wide := int(widths[c.Name]); wide > 2 {
			lines = max(lines, 1+utf8.RuneCountInString(c.Text(row))/(wide-2))
		}
	}
	return float64(min(lineHeight*lines, maxHeight))
}

func sheet(f *excelize.File, t *Table, heads, style int, widths map[string]float64) error {
	if t.rows >= maxSheetRows || len(t.Columns) > maxSheetColumns {
		return fmt.Errorf("%d rows and %d columns: a worksheet holds %d and %d: export as csv or parquet", t.rows, len(t.Columns), maxSheetRows-1, maxSheetColumns)
	}
	if err := printed(f, t); err != nil {
		return err
	}
	w, err := f.NewStreamWriter(t.Name)
	if err != nil {
		return err
	}
	for i, c := range t.Columns {
		width := c.width()
		if wide := widths[c.Name]; wide > 0 && t.Name == "codebook" {
			width = wide
		}
		if err := w.SetColWidth(i+1, i+1, width); err != nil {
			return err
		}
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	cells := make([]any, len(t.Columns))
	for i, c := range t.Columns {
		cells[i] = excelize.Cell{StyleID: heads, Value: c.Name}
	}
	if err := w.SetRow("A1", cells); err != nil {
		return err
	}
	for row := range t.rows {
		for i, c := range t.Columns {
			switch {
			case c.Missing(row):
				cells[i] = nil
			case c.Type == Text:
				text := c.Text(row)
				if utf8.RuneCountInString(text) > maxCellRunes {
					return fmt.Errorf("row %d, column %s: a cell holds %d characters, found %d: export as csv or parquet", row+2, c.Name, maxCellRunes, utf8.RuneCountInString(text))
				}
				cells[i] = excelize.Cell{StyleID: style, Value: text}
			default:
				cells[i] = c.Number(row)
			}
		}
		at, err := excelize.CoordinatesToCellName(1, row+2)
		if err != nil {
			return err
		}
		var opts []excelize.RowOpts
		if t.Name == "codebook" {
			opts = append(opts, excelize.RowOpts{Height: height(t, row, widths)})
		}
		if err := w.SetRow(at, cells, opts...); err != nil {
			return err
		}
	}
	return w.Flush()
}
