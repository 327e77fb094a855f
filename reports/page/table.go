package page

import (
	"strings"
	"unicode/utf8"

	"keratally/reports"
)

// tableView is a table as text: what the layout prints.
type tableView struct {
	Caption string
	Heads   []headView
	Rows    []rowView
	More    int // rows not shown
	Columns int
}

type headView struct {
	Text, Help string
	Number     bool
}

type rowView struct {
	Break bool
	Cells []cellView
}

type cellView struct {
	Text   string
	Href   string
	Number bool
	Reason bool
	Day    bool
	Wide   bool
}

// viewOf lays the rows out as text. The two columns of an interval become one.
func viewOf(t *reports.Table, caption string, o Options) *tableView {
	limit := o.MaxRows
	if limit == 0 {
		limit = defaultRows
	}
	v := &tableView{Caption: caption, More: max(0, t.Len()-limit)}
	for i := 0; i < len(t.Columns); i++ {
		c := &t.Columns[i]
		h := headView{Text: c.Head, Help: c.Help, Number: isNumber(c.Format)}
		if c.Pair && i+1 < len(t.Columns) {
			i++
			h.Text = strings.TrimSuffix(c.Head, " from")
		}
		v.Heads = append(v.Heads, h)
	}
	v.Columns = len(v.Heads)
	for i := range min(t.Len(), limit) {
		v.Rows = append(v.Rows, rowOf(t, t.Row(i), o))
	}
	for c := range v.Heads {
		align(v.Rows, c)
	}
	return v
}

func isNumber(f reports.Format) bool { return f != reports.General && f != reports.DayForm }

func rowOf(t *reports.Table, row reports.Row, o Options) rowView {
	if row.Break {
		return rowView{Break: true, Cells: []cellView{{Text: row.Cells[0].Text}}}
	}
	var out rowView
	for i := 0; i < len(t.Columns); i++ {
		c := &t.Columns[i]
		cell := cellOf(row.Cells, i, c)
		if c.Pair && i+1 < len(t.Columns) {
			upper := cellOf(row.Cells, i+1, &t.Columns[i+1])
			i++
			if cell.Number && upper.Number && cell.Text != "" && upper.Text != "" {
				cell.Text += " to " + upper.Text
			} else if cell.Text == "" {
				cell = upper
			}
		}
		if len(out.Cells) == 0 && row.Key != "" && o.Eye != nil {
			cell.Href = o.Eye(row.Key)
		}
		out.Cells = append(out.Cells, cell)
	}
	return out
}

func cellOf(cells []reports.Cell, i int, column *reports.Column) cellView {
	if i >= len(cells) {
		return cellView{Number: isNumber(column.Format)}
	}
	c := &cells[i]
	v := cellView{Number: isNumber(column.Format), Wide: column.Wide}
	switch c.Kind {
	case reports.TextCell:
		v.Text, v.Number = c.Text, false
	case reports.DayCell:
		v.Text, v.Day, v.Number = c.Day.Long(), true, false
	case reports.ReasonCell:
		v.Text, v.Reason, v.Number = c.Text, true, false
	case reports.NumberCell:
		format := c.Format
		if format == reports.General {
			format = column.Format
		}
		v.Text, v.Number = format.Print(c.Num), true
	}
	return v
}

// The figure space is as wide as a digit, the punctuation space as a point.
const (
	figureSpace      = "\u2007"
	punctuationSpace = "\u2008"
)

// align pads the numbers of a column behind their last decimal, so that those
// with different decimals stand under each other by their decimal point.
func align(rows []rowView, column int) {
	most := 0
	for i := range rows {
		if c := cellAt(rows[i], column); c != nil && c.Number {
			most = max(most, decimalsOf(c.Text))
		}
	}
	if most == 0 {
		return
	}
	for i := range rows {
		c := cellAt(rows[i], column)
		if c == nil || !c.Number || c.Text == "" {
			continue
		}
		d := decimalsOf(c.Text)
		if d == most {
			continue
		}
		pad := strings.Repeat(figureSpace, most-d)
		if d == 0 {
			pad += punctuationSpace
		}
		c.Text += pad
	}
}

func cellAt(r rowView, column int) *cellView {
	if r.Break || column >= len(r.Cells) {
		return nil
	}
	return &r.Cells[column]
}

// decimalsOf returns the digits behind the last point of a text, and whatever
// follows them.
func decimalsOf(s string) int {
	i := strings.LastIndexByte(s, '.')
	if i < 0 {
		return 0
	}
	return utf8.RuneCountInString(s[i+1:])
}
