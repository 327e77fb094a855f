package export

import (
	"math"
	"strconv"
)

// Type is what the cells of a column hold.
type Type uint8

// The types.
const (
	Integer Type = iota + 1
	Number
	Text
)

// String returns the name of the type in the descriptor and the codebook.
func (t Type) String() string { return [...]string{"", "integer", "number", "string"}[t] }

// Code is one value that a column can have, and its meaning.
type Code struct{ Value, Meaning string }

// Column is one column of a table with all that a reader must know of it.
type Column struct {
	Name, Label, Unit, Definition string
	Type                          Type
	Codes                         []Code

	numbers []float64 // NaN where missing; of Integer and Number
	texts   []string  // "" where missing; of Text
}

// Table is one table of an export, held by columns.
type Table struct {
	Name, Title string
	Key         []string // columns that tell its rows apart
	Columns     []*Column
	rows        int
}

// Rows returns how many rows there are.
func (t *Table) Rows() int { return t.rows }

// Column returns the column of the name, nil if there is none.
func (t *Table) Column(name string) *Column {
	for _, c := range t.Columns {
		if c.Name == name {
			return c
		}
	}
	return nil
}

// Missing reports whether the cell is empty.
func (c *Column) Missing(row int) bool {
	if c.Type == Text {
		return c.texts[row] == ""
	}
	return math.IsNaN(c.numbers[row])
}

// Number returns the number of the cell, NaN where it is missing or text.
func (c *Column) Number(row int) float64 {
	if c.Type == Text {
		return math.NaN()
	}
	return c.numbers[row]
}

// Text returns the cell as written in a text file: the shortest decimal that
// reads back as the same number, "" where it is missing.
func (c *Column) Text(row int) string {
	if c.Type == Text {
		return c.texts[row]
	}
	if x := c.numbers[row]; !math.IsNaN(x) {
		return strconv.FormatFloat(x+0, 'f', -1, 64) // −0 + 0 is 0
	}
	return ""
}

// blank empties the cell.
func (c *Column) blank(row int) {
	if c.Type == Text {
		c.texts[row] = ""
	} else {
		c.numbers[row] = math.NaN()
	}
}

// add appends a column and returns it.
func (t *Table) add(c Column) *Column {
	t.Columns = append(t.Columns, &c)
	return &c
}

// number appends to the last cell of the column; text likewise.
func (c *Column) number(x float64) { c.numbers = append(c.numbers, x) }
func (c *Column) text(s string)    { c.texts = append(c.texts, s) }
