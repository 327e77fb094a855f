package intake

import (
	"fmt"
	"io"
	"strconv"
)

func (x *xlsxBook) openSheet(part string) (Rows, error) {
	s, err := x.part(part, maxSheetBytes)
	if err != nil {
		return nil, err
	}
	return &xlsxRows{x: x, s: s, part: part}, nil
}

// xlsxRows reads the rows of one sheet as its XML comes.
type xlsxRows struct {
	x    *xlsxBook
	s    *xmlScanner
	part string
	row  Row
	text []byte // of the cells of the row
}

func (r *xlsxRows) Close() error { return r.s.close() }

// Next returns the next row that the sheet holds; rows without a cell are
// left out, so numbers may jump.
func (r *xlsxRows) Next() (*Row, error) {
	for {
		ok, err := r.s.next()
		if err != nil {
			return nil, r.x.damaged(r.part)
		}
		if !ok {
			if r.s.depth > 0 {
				return nil, r.x.damaged(r.part)
			}
			return nil, io.EOF
		}
		if r.s.kind == xmlStart && r.s.name == "row" {
			number := r.row.Number + 1
			if a := r.s.attr("r"); a != "" {
				if number, err = strconv.Atoi(a); err != nil || number <= r.row.Number || number > maxRows {
					return nil, r.x.damaged(r.part)
				}
			}
			r.row.Number, r.row.Cells, r.text = number, r.row.Cells[:0], r.text[:0]
			if r.s.empty {
				return &r.row, nil
			}
			if err := r.readCells(); err != nil {
				return nil, err
			}
			return &r.row, nil
		}
	}
}

func (r *xlsxRows) readCells() error {
	for {
		ok, err := r.s.next()
		if err != nil || !ok {
			return r.x.damaged(r.part)
		}
		switch {
		case r.s.kind == xmlEnd && r.s.name == "row":
			return nil
		case r.s.kind == xmlStart && r.s.name == "c":
			if err := r.readCell(); err != nil {
				return err
			}
		}
	}
}

func (r *xlsxRows) readCell() error {
	at := len(r.row.Cells)
	if ref := r.s.attr("r"); ref != "" {
		column, _, ok := cellAt(ref)
		if !ok || column < at {
			return r.x.damaged(r.part)
		}
		at = column
	}
	if at >= maxColumns {
		return r.x.damaged(r.part)
	}
	for len(r.row.Cells) < at {
		r.row.Cells = append(r.row.Cells, Cell{})
	}
	kind, style := r.s.attr("t"), r.s.attr("s")
	from := len(r.text)
	formula := ""
	hasFormula := false
	if !r.s.empty {
	inside:
		for {
			ok, err := r.s.next()
			if err != nil || !ok {
				return r.x.damaged(r.part)
			}
			switch {
			case r.s.kind == xmlEnd && r.s.name == "c":
				break inside
			case r.s.kind == xmlStart && r.s.name == "f":
				hasFormula = true
				if !r.s.empty {
					t, err := r.s.textOf()
					if err != nil {
						return r.x.damaged(r.part)
					}
					formula = string(t)
				}
			case r.s.kind == xmlStart && (r.s.name == "v" || r.s.name == "t") && !r.s.empty:
				t, err := r.s.textOf()
				if err != nil {
					return r.x.damaged(r.part)
				}
				r.text = append(r.text, t...)
			}
		}
	}
	cell, err := r.cell(kind, style, r.text[from:len(r.text):len(r.text)])
	if err != nil {
		return err
	}
	if hasFormula && cell.Type == EmptyCell && kind != "str" {
		cell = Cell{Type: BareFormula, Text: []byte("=" + formula)}
	}
	r.row.Cells = append(r.row.Cells, cell)
	return nil
}

func (r *xlsxRows) cell(kind, style string, text []byte) (Cell, error) {
	if len(text) == 0 {
		return Cell{}, nil
	}
	switch kind {
	case "s":
		i, err := strconv.Atoi(string(text))
		if err != nil || i < 0 || i >= len(r.x.strings) {
			return Cell{}, r.x.damaged(r.part)
		}
		return textCell([]byte(r.x.strings[i])), nil
	case "str", "inlineStr", "d":
		return textCell(text), nil
	case "e":
		return Cell{Type: ErrorCell, Text: text}, nil
	case "b":
		return Cell{Type: BoolCell, Text: text}, nil
	}
	if i, err := strconv.Atoi(style); err == nil && i >= 0 && i < len(r.x.dates) && r.x.dates[i] {
		return Cell{Type: DateCell, Text: text}, nil
	}
	return Cell{Type: NumberCell, Text: text}, nil
}

// String names the cell type in messages.
func (t CellType) String() string {
	names := [...]string{"empty", "text", "number", "date", "error", "truth value", "formula"}
	if int(t) < len(names) {
		return names[t]
	}
	return fmt.Sprintf("CellType(%d)", t)
}
