package workbook

import (
	"fmt"
	"math"
	"strings"
	"unicode/utf8"

	"github.com/xuri/excelize/v2"

	"keratally/reports"
)

// headRow is the row of the column headings: title, cohort and cut-off, and
// the section's sentences stand above it.
const (
	leadRow = 3
	headRow = 4
)

// sheet is where cells go: held whole for a sheet that a person reads,
// streamed for one with thousands of rows.
type sheet interface {
	row(n int, cells []excelize.Cell, height float64) error
	widths(w []float64) error
	freeze(row int) error
	flush() error
}

type cellSheet struct {
	f    *excelize.File
	name string
}

func (s *cellSheet) row(n int, cells []excelize.Cell, height float64) error {
	for c, cell := range cells {
		if cell.Value == nil && cell.StyleID == 0 {
			continue
		}
		at, err := excelize.CoordinatesToCellName(c+1, n)
		if err != nil {
			return err
		}
		if text, ok := cell.Value.(string); ok {
			err = s.f.SetCellStr(s.name, at, text) // never read as a formula
		} else if cell.Value != nil {
			err = s.f.SetCellValue(s.name, at, cell.Value)
		}
		if err == nil {
			err = s.f.SetCellStyle(s.name, at, at, cell.StyleID)
		}
		if err != nil {
			return err
		}
	}
	if height > 0 {
		return s.f.SetRowHeight(s.name, n, height)
	}
	return nil
}

func (s *cellSheet) widths(w []float64) error {
	for c, width := range w {
		col, err := excelize.ColumnNumberToName(c + 1)
		if err != nil {
			return err
		}
		if err := s.f.SetColWidth(s.name, col, col, width); err != nil {
			return err
		}
	}
	return nil
}

func (s *cellSheet) freeze(row int) error { return s.f.SetPanes(s.name, panes(row)) }
func (s *cellSheet) flush() error         { return nil }

type streamSheet struct{ w *excelize.StreamWriter }

func (s *streamSheet) row(n int, cells []excelize.Cell, height float64) error {
	at, err := excelize.CoordinatesToCellName(1, n)
	if err != nil {
		return err
	}
	values := make([]any, len(cells))
	for i := range cells {
		if cells[i].Value != nil || cells[i].Formula != "" || cells[i].StyleID != 0 {
			values[i] = cells[i]
		}
	}
	if height > 0 {
		return s.w.SetRow(at, values, excelize.RowOpts{Height: height})
	}
	return s.w.SetRow(at, values)
}

func (s *streamSheet) widths(w []float64) error {
	for c, width := range w {
		if err := s.w.SetColWidth(c+1, c+1, width); err != nil {
			return err
		}
	}
	return nil
}

func (s *streamSheet) freeze(row int) error { return s.w.SetPanes(panes(row)) }
func (s *streamSheet) flush() error         { return s.w.Flush() }

func panes(row int) *excelize.Panes {
	at := fmt.Sprintf("A%d", row+1)
	return &excelize.Panes{Freeze: true, YSplit: row, TopLeftCell: at, ActivePane: "bottomLeft",
		Selection: []excelize.Selection{{SQRef: at, ActiveCell: at, Pane: "bottomLeft"}}}
}

// fill writes the rows of a section in order, which streaming demands: column
// widths and frozen rows first, then title, context, lead, headings, data,
// notes.
func (b *book) fill(out sheet, s *reports.Section) error {
	widths := b.columnWidths(s)
	if err := out.widths(widths); err != nil {
		return err
	}
	if s.Table != nil {
		if err := out.freeze(headRow); err != nil {
			return err
		}
	}
	st := b.styles
	top := [][]excelize.Cell{
		{{Value: s.Title, StyleID: st.title}},
		{{Value: b.context(), StyleID: st.context}},
		{{Value: strings.Join(s.Lead, "\n"), StyleID: st.lead}},
	}
	for i, cells := range top {
		if err := out.row(i+1, cells, [...]float64{26, 15, b.leadHeight(s)}[i]); err != nil {
			return err
		}
	}
	next := headRow
	if s.Table != nil {
		if err := out.row(headRow, b.heading(s.Table), headHeight(s.Table, widths)); err != nil {
			return err
		}
		next = headRow + 1
		for i := range s.Table.Len() {
			row := s.Table.Row(i)
			if err := out.row(next, b.cells(s.Table, row), wrappedHeight(s.Table, row, widths)); err != nil {
				return err
			}
			next++
		}
		if s.Table.Len() == 0 && s.Empty != "" {
			if err := out.row(next, []excelize.Cell{{Value: s.Empty, StyleID: st.note}}, 0); err != nil {
				return err
			}
			next++
		}
		next++
	}
	for _, note := range s.Notes {
		if err := out.row(next, []excelize.Cell{{Value: note, StyleID: st.note}}, 0); err != nil {
			return err
		}
		next++
	}
	return nil
}

// leadColumns is how many columns the sentences above a table are spread over.
func (b *book) leadColumns(s *reports.Section) (columns int, width float64) {
	const wide = 130 // characters that a reader's line may have on a sheet
	w := b.columnWidths(s)
	for i := range w {
		if width += w[i]; width >= wide {
			return i + 1, width
		}
	}
	for width < wide && columns+len(w) < 40 { // the empty columns beyond the table are of the default width
		width += 9
		columns++
	}
	return columns + len(w), width
}

// leadHeight is the height of the row of sentences, one line for each and more
// where one is longer than the columns.
func (b *book) leadHeight(s *reports.Section) float64 {
	_, width := b.leadColumns(s)
	lines := 0.0
	for _, sentence := range s.Lead {
		lines += math.Ceil(float64(utf8.RuneCountInString(sentence)) * 1.12 / width)
	}
	return min(max(18, 16*lines+4), excelize.MaxRowHeight)
}

func (b *book) context() string {
	p := b.doc.Provenance
	return fmt.Sprintf("%s · cohort: %s · data to %s", b.doc.Subtitle, p.Cohort, p.CutOff.Long())
}

func (b *book) heading(t *reports.Table) []excelize.Cell {
	cells := make([]excelize.Cell, len(t.Columns))
	for i, c := range t.Columns {
		style := b.styles.headText
		if besideNumbers(t, i) {
			style = b.styles.headBeside
		}
		if c.Format != reports.General && c.Format != reports.DayForm {
			style = b.styles.headNumber
		}
		cells[i] = excelize.Cell{Value: c.Head, StyleID: style}
	}
	return cells
}

func (b *book) cells(t *reports.Table, row reports.Row) []excelize.Cell {
	cells := make([]excelize.Cell, len(t.Columns))
	for i := range t.Columns {
		if i >= len(row.Cells) {
			cells = cells[:i]
			break
		}
		c := row.Cells[i]
		format := t.Columns[i].Format
		if c.Format != reports.General {
			format = c.Format
		}
		out := excelize.Cell{StyleID: b.styles.of(format, row.Break, c.Cases != nil)}
		switch c.Kind {
		case reports.TextCell:
			out.Value = c.Text
			out.StyleID = b.styles.ofText(row.Break, t.Columns[i].Wide, besideNumbers(t, i), c.Cases != nil)
		case reports.ReasonCell:
			out.Value, out.StyleID = c.Text, b.styles.reason
		case reports.NumberCell:
			out.Value, out.Formula = c.Num, c.Formula
		case reports.DayCell:
			out.Value, out.StyleID = daySerial(c.Day.Days()), b.styles.of(reports.DayForm, row.Break, false)
		default:
			if !row.Break {
				out = excelize.Cell{}
			}
		}
		cells[i] = out
	}
	return cells
}

// besideNumbers reports whether a column of text follows one of numbers, which
// stand at its edge.
func besideNumbers(t *reports.Table, i int) bool {
	return i > 0 && t.Columns[i].Format == reports.General && t.Columns[i-1].Format != reports.General
}

// daySerial converts days from 1970 into the serial day of a spreadsheet with
// the 1900 date system, in which 1 January 1970 is 25569.
func daySerial(days int32) float64 { return float64(days) + 25569 }

// columnWidths fits each column to its longest content within bounds.
func (b *book) columnWidths(s *reports.Section) []float64 {
	if s.Table == nil {
		return []float64{110}
	}
	const (
		sample = 400 // rows looked at: more would not change a width a reader sees
		many   = 10  // columns from which headings take three lines and remarks are narrow
	)
	headLines, mostWide := 2, 54.0
	if len(s.Table.Columns) >= many {
		headLines, mostWide = 3, 40
	}
	w := make([]float64, len(s.Table.Columns))
	for i, c := range s.Table.Columns {
		w[i] = float64(longestWord(c.Head)) + 2.5
		if n := float64(utf8.RuneCountInString(c.Head)/headLines) + 3; n > w[i] {
			w[i] = min(n, 18)
		}
	}
	for r := range min(s.Table.Len(), sample) {
		row := s.Table.Row(r)
		for i := range row.Cells {
			if i < len(w) && (!row.Break || s.Table.Columns[i].Wide) {
				w[i] = max(w[i], float64(printedLen(row.Cells[i], s.Table.Columns[i].Format))+2)
			}
		}
	}
	for i, c := range s.Table.Columns {
		least, most := 7.0, 38.0
		if c.Wide {
			most = mostWide
		}
		w[i] = min(max(w[i], least), most)
	}
	for r := range min(s.Table.Len(), sample) {
		row := s.Table.Row(r)
		for i := range min(len(w), len(row.Cells)-1) { // a reason runs on over empty cells only
			if c := row.Cells[i]; c.Kind == reports.ReasonCell && row.Cells[i+1].Kind != reports.EmptyCell {
				w[i] = max(w[i], min(float64(utf8.RuneCountInString(c.Text))+2, 38))
			}
		}
		if row.Break && len(row.Cells) > 0 {
			w[0] += max(0, 1.15*float64(utf8.RuneCountInString(row.Cells[0].Text))+1-room(row, w))
		}
	}
	return w
}

// room is the width that the name of a group has: its own column and the empty
// ones beside it.
func room(row reports.Row, w []float64) float64 {
	free := w[0]
	for i := 1; i < len(w) && (i >= len(row.Cells) || row.Cells[i].Kind == reports.EmptyCell); i++ {
		free += w[i]
	}
	return free
}

// wrappedHeight is the height of a row whose text wraps; 0 leaves it as it is.
func wrappedHeight(t *reports.Table, row reports.Row, widths []float64) float64 {
	lines := 1.0
	for i, c := range row.Cells {
		if i < len(t.Columns) && t.Columns[i].Wide && c.Kind == reports.TextCell {
			lines = max(lines, math.Ceil(float64(utf8.RuneCountInString(c.Text))/(widths[i]-1)))
		}
	}
	if lines == 1 {
		return 0
	}
	return 13.5*lines + 3
}

func longestWord(s string) int {
	longest := 0
	for _, word := range strings.Fields(s) {
		longest = max(longest, utf8.RuneCountInString(word))
	}
	return longest
}

func printedLen(c reports.Cell, f reports.Format) int {
	switch c.Kind {
	case reports.TextCell:
		return utf8.RuneCountInString(c.Text)
	case reports.NumberCell:
		if c.Format != reports.General {
			f = c.Format
		}
		return utf8.RuneCountInString(f.Print(c.Num))
	case reports.DayCell:
		return 11
	}
	return 0
}

func headHeight(t *reports.Table, w []float64) float64 {
	lines := 1.0
	for i, c := range t.Columns {
		lines = max(lines, float64(utf8.RuneCountInString(c.Head))/(w[i]-1)+0.75)
	}
	return 15*float64(int(lines+0.5)) + 4
}
