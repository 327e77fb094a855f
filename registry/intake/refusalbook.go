package intake

import (
	"fmt"
	"io"
	"strconv"
	"strings"

	"github.com/xuri/excelize/v2"
)

// refusedMark begins the headings of the columns that the workbook of refused
// rows adds. An intake passes over such columns, so that a corrected workbook
// can be taken in again with the same mapping.
const refusedMark = "refused: "

// WriteRefusals writes the refused rows as a workbook: for each sheet its
// headings and the rows as they were, each with its number, and the columns,
// values and reasons of what was refused; then one sheet that lists every
// refused cell. Texts stay texts, whatever they begin with.
func (r *Result) WriteRefusals(w io.Writer) error {
	f := excelize.NewFile()
	defer f.Close()
	dates, err := f.NewStyle(&excelize.Style{NumFmt: 14})
	if err != nil {
		return err
	}
	first := true
	for _, sheet := range r.refused {
		if len(sheet.rows) == 0 {
			continue
		}
		name, err := addSheet(f, sheet.lay.sheet.Name, first)
		if err != nil {
			return err
		}
		first = false
		if err := writeRefusedRows(f, name, sheet, dates); err != nil {
			return fmt.Errorf("sheet %s of the refused rows: %w", name, err)
		}
	}
	if first {
		return nil
	}
	if err := r.writeReasons(f); err != nil {
		return fmt.Errorf("list of reasons: %w", err)
	}
	return f.Write(w)
}

func addSheet(f *excelize.File, name string, first bool) (string, error) {
	clean := strings.Map(func(r rune) rune {
		if strings.ContainsRune(`:\/?*[]`, r) {
			return '-'
		}
		return r
	}, name)
	if runes := []rune(clean); len(runes) > 31 {
		clean = string(runes[:31])
	}
	clean = strings.Trim(clean, "'")
	if clean == "" {
		clean = "rows"
	}
	if first {
		return clean, f.SetSheetName("Sheet1", clean)
	}
	base := []rune(clean)
	for n := 2; ; n++ {
		if i, err := f.GetSheetIndex(clean); err != nil || i < 0 {
			break
		}
		clean = string(base[:min(len(base), 27)]) + " " + strconv.Itoa(n)
	}
	_, err := f.NewSheet(clean)
	return clean, err
}

func writeRefusedRows(f *excelize.File, name string, sheet *refusedRows, dates int) error {
	w, err := f.NewStreamWriter(name)
	if err != nil {
		return err
	}
	lay := sheet.lay
	width := lay.width
	for _, row := range sheet.rows {
		width = max(width, len(row.cells))
	}
	at := 0
	for i, line := range lay.head {
		at++
		cells := make([]any, width+4)
		for c, text := range line {
			cells[c] = text
		}
		if i == len(lay.head)-1 {
			for c, text := range []string{"row", "columns", "values", "reasons"} {
				cells[width+c] = refusedMark + text
			}
		}
		if err := w.SetRow("A"+strconv.Itoa(at), cells); err != nil {
			return err
		}
	}
	for _, row := range sheet.rows {
		at++
		cells := make([]any, width+4)
		for c, cell := range row.cells {
			cells[c] = refusedCell(cell, dates)
		}
		var columns, values, reasons []string
		for _, r := range row.refusals {
			columns = append(columns, strings.TrimSpace(r.Column+" "+r.Heading))
			values = append(values, r.Value)
			reasons = append(reasons, r.Reason)
		}
		cells[width], cells[width+1] = row.number, strings.Join(columns, "\n")
		cells[width+2], cells[width+3] = strings.Join(values, "\n"), strings.Join(reasons, "\n")
		if err := w.SetRow("A"+strconv.Itoa(at), cells); err != nil {
			return err
		}
	}
	return w.Flush()
}

// refusedCell keeps a cell as it was: numbers as numbers, days as days, and
// everything else as text, formulas too.
func refusedCell(c Cell, dates int) any {
	switch c.Type {
	case EmptyCell:
		return nil
	case NumberCell, DateCell:
		x, err := strconv.ParseFloat(string(c.Text), 64)
		if err != nil {
			return string(c.Text)
		}
		if c.Type == DateCell {
			return excelize.Cell{StyleID: dates, Value: x}
		}
		return x
	case BoolCell:
		return string(c.Text) == "1"
	}
	return string(c.Text)
}

func (r *Result) writeReasons(f *excelize.File) error {
	name, err := addSheet(f, "reasons", false)
	if err != nil {
		return err
	}
	w, err := f.NewStreamWriter(name)
	if err != nil {
		return err
	}
	if err := w.SetColWidth(1, 6, 18); err != nil {
		return err
	}
	if err := w.SetColWidth(7, 7, 90); err != nil {
		return err
	}
	if err := w.SetPanes(&excelize.Panes{Freeze: true, YSplit: 1, TopLeftCell: "A2", ActivePane: "bottomLeft"}); err != nil {
		return err
	}
	if err := w.SetRow("A1", []any{"sheet", "row", "column", "heading", "field", "value", "reason"}); err != nil {
		return err
	}
	for i, x := range r.Refusals {
		if err := w.SetRow("A"+strconv.Itoa(i+2), []any{x.Sheet, x.Row, x.Column, x.Heading, x.Field, x.Value, x.Reason}); err != nil {
			return err
		}
	}
	return w.Flush()
}
