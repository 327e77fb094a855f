package intake

import (
	"fmt"
	"io"

	"keratally/registry"
)

// takeRow takes one row, or refuses it whole with every reason.
func (t *taker) takeRow(m *merger, held *refusedRows, row *Row) {
	l := m.lay
	if !l.wanted(row) {
		if !isBlank(row) {
			t.result.RowsPassed++
		}
		return
	}
	var refusals []Refusal
	at := func(b *bound, cell Cell, reason string) {
		r := Refusal{Sheet: l.sheet.Name, Row: row.Number, Value: string(cell.Text), Reason: reason}
		if b != nil && b.at >= 0 {
			r.Column, r.Heading, r.Field = Letters(b.at), l.headings[b.at], b.field.Key
		}
		refusals = append(refusals, r)
	}
	if extra := l.beyond(row); extra >= 0 {
		at(nil, row.Cells[extra], fmt.Sprintf("stands in column %s, beyond the last heading: should be empty; a decimal comma or a delimiter inside a cell may have split it", Letters(extra)))
	}
	l.parse(row, t.in, func(b *bound, cell Cell, err error) { at(b, cell, err.Error()) })
	src := registry.Source{Sheet: int32(l.number), Row: int32(row.Number)}
	m.refuse = func(s *slot, field, reason string) {
		b := s.by[field]
		cell := Cell{}
		if b != nil && b.at >= 0 && b.at < len(row.Cells) {
			cell = row.Cells[b.at]
		}
		at(b, cell, reason)
	}
	for _, f := range t.early[src] {
		b := l.columnOf(f.field)
		cell := Cell{}
		if b != nil && b.at >= 0 && b.at < len(row.Cells) {
			cell = row.Cells[b.at]
		}
		at(b, cell, f.reason)
	}
	result := refusedRow
	if len(refusals) == 0 {
		result = m.take(src)
	} else if isBlank(row) {
		result = blankRow
	}
	if result == blankRow {
		return
	}
	t.result.RowsRead++
	switch result {
	case sameRow:
		t.result.RowsSame++
	case changedRow:
		t.result.RowsChanged++
	case newRow:
		t.result.RowsNew++
	case refusedRow:
		t.result.RowsRefused++
		t.result.Refusals = append(t.result.Refusals, refusals...)
		held.rows = append(held.rows, heldRow{row.Number, copyCells(row.Cells), refusals})
	}
}

func isBlank(row *Row) bool {
	for _, c := range row.Cells {
		if c.Type != EmptyCell {
			return false
		}
	}
	return true
}

func copyCells(cells []Cell) []Cell {
	c := make([]Cell, len(cells))
	for i := range cells {
		c[i] = Cell{Type: cells[i].Type, Text: append([]byte(nil), cells[i].Text...)}
	}
	return c
}

// wanted reports whether a row is one of those that [sheet.only] lets through.
func (l *layout) wanted(row *Row) bool {
	for at, values := range l.only {
		text := ""
		if at < len(row.Cells) {
			text = fold(string(row.Cells[at].Text))
		}
		ok := false
		for _, v := range values {
			ok = ok || v == text
		}
		if !ok {
			return false
		}
	}
	return true
}

// beyond returns the first column that holds something right of the last
// heading; -1 if there is none.
func (l *layout) beyond(row *Row) int {
	if l.mapping.headerRows == 0 {
		return -1
	}
	for i := l.width; i < len(row.Cells); i++ {
		if row.Cells[i].Type != EmptyCell {
			return i
		}
	}
	return -1
}

func (l *layout) columnOf(field string) *bound {
	for _, b := range l.columns {
		if b.field.Key == field {
			return b
		}
	}
	return l.value
}

// lookingAhead reads rows, some at a time where the registry must be asked
// about them first.
type lookingAhead struct {
	rows   Rows
	skip   int
	buffer []*Row
	at     int
}

func (a *lookingAhead) next(ask func([]*Row) error, needed bool) (*Row, error) {
	if a.at < len(a.buffer) {
		a.at++
		return a.buffer[a.at-1], nil
	}
	if !needed {
		return a.read()
	}
	a.buffer, a.at = a.buffer[:0], 0
	for len(a.buffer) < lookAhead {
		row, err := a.read()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		a.buffer = append(a.buffer, &Row{Number: row.Number, Cells: copyCells(row.Cells)})
	}
	if len(a.buffer) == 0 {
		return nil, io.EOF
	}
	if err := ask(a.buffer); err != nil {
		return nil, err
	}
	a.at = 1
	return a.buffer[0], nil
}

func (a *lookingAhead) read() (*Row, error) {
	for {
		row, err := a.rows.Next()
		if err != nil {
			return nil, err
		}
		if row.Number > a.skip {
			return row, nil
		}
	}
}
