package selfcheck

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"slices"
	"strconv"
	"strings"
)

// Frame is a data set: named columns of equal length. It is not modified;
// filters return a new one.
type Frame struct {
	names   []string
	columns map[string]*column
	rows    int
}

// column keeps the text as written beside the number read from it.
type column struct {
	text    []string  // "" is missing
	numbers []float64 // NaN is missing; nil if some value is not a number
}

// readFrame reads a CSV file with a header; an empty field or NA is missing.
func readFrame(root fs.FS, name string) (*Frame, error) {
	file, err := root.Open("datasets/" + name)
	if err != nil {
		return nil, fmt.Errorf("data set: %w", err)
	}
	defer file.Close()
	reader := csv.NewReader(file)
	records, err := reader.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("data set %s: %w", name, err)
	}
	if len(records) == 0 {
		return nil, fmt.Errorf("data set %s: no header", name)
	}
	columns := make(map[string][]string, len(records[0]))
	names := make([]string, len(records[0]))
	for j, title := range records[0] {
		names[j] = strings.TrimSpace(title)
		values := make([]string, len(records)-1)
		for i, record := range records[1:] {
			value := strings.TrimSpace(record[j])
			if value == "NA" {
				value = ""
			}
			values[i] = value
		}
		columns[names[j]] = values
	}
	return NewFrame(names, columns)
}

// NewFrame returns a data set of the named columns of text; an empty text is
// missing. A column is numeric when every value present is a number.
func NewFrame(names []string, text map[string][]string) (*Frame, error) {
	f := &Frame{names: slices.Clone(names), columns: make(map[string]*column, len(names))}
	for i, name := range names {
		values := text[name]
		if i == 0 {
			f.rows = len(values)
		}
		if len(values) != f.rows {
			return nil, fmt.Errorf("column %s has %d values, %s has %d", name, len(values), names[0], f.rows)
		}
		f.columns[name] = newColumn(values)
	}
	return f, nil
}

func newColumn(text []string) *column {
	c := &column{text: text, numbers: make([]float64, len(text))}
	for i, value := range text {
		if value == "" {
			c.numbers[i] = math.NaN()
			continue
		}
		number, err := strconv.ParseFloat(value, 64)
		if err != nil && !errors.Is(err, strconv.ErrRange) {
			c.numbers = nil
			break
		}
		c.numbers[i] = number
	}
	return c
}

// Rows returns the number of rows.
func (f *Frame) Rows() int { return f.rows }

// Names returns the column names in the order of the file.
func (f *Frame) Names() []string { return slices.Clone(f.names) }

// Has reports whether there is a column of this name.
func (f *Frame) Has(name string) bool { return f.columns[name] != nil }

// IsNumeric reports whether every value present in the column is a number.
func (f *Frame) IsNumeric(name string) bool {
	c := f.columns[name]
	return c != nil && c.numbers != nil
}

// Numbers returns a numeric column; missing values are NaN.
func (f *Frame) Numbers(name string) ([]float64, error) {
	c := f.columns[name]
	switch {
	case c == nil:
		return nil, NotCovered("the data set has no column %q", name)
	case c.numbers == nil:
		return nil, NotCovered("column %q is not numeric", name)
	}
	return slices.Clone(c.numbers), nil
}

// Texts returns a column as written; missing values are empty.
func (f *Frame) Texts(name string) ([]string, error) {
	c := f.columns[name]
	if c == nil {
		return nil, NotCovered("the data set has no column %q", name)
	}
	return slices.Clone(c.text), nil
}

// Factor returns a column as codes into its levels, −1 where missing. Levels
// are in byte order, or in numeric order for a numeric column.
func (f *Frame) Factor(name string) (codes []int, levels []string, err error) {
	c := f.columns[name]
	if c == nil {
		return nil, nil, NotCovered("the data set has no column %q", name)
	}
	codes, levels = factorOf(c)
	return codes, levels, nil
}

func factorOf(c *column) (codes []int, levels []string) {
	seen := map[string]bool{}
	for i, value := range c.text {
		if value == "" {
			continue
		}
		if c.numbers != nil {
			value = strconv.FormatFloat(c.numbers[i], 'g', 15, 64)
		}
		if !seen[value] {
			seen[value] = true
			levels = append(levels, value)
		}
	}
	if c.numbers != nil {
		slices.SortFunc(levels, func(a, b string) int {
			x, _ := strconv.ParseFloat(a, 64)
			y, _ := strconv.ParseFloat(b, 64)
			switch {
			case x < y:
				return -1
			case x > y:
				return 1
			}
			return 0
		})
	} else {
		slices.Sort(levels)
	}
	index := make(map[string]int, len(levels))
	for i, level := range levels {
		index[level] = i
	}
	codes = make([]int, len(c.text))
	for i, value := range c.text {
		codes[i] = -1
		if value == "" {
			continue
		}
		if c.numbers != nil {
			value = strconv.FormatFloat(c.numbers[i], 'g', 15, 64)
		}
		codes[i] = index[value]
	}
	return codes, levels
}

// Subset returns the rows at the given positions, in that order.
func (f *Frame) Subset(rows []int) *Frame {
	out := &Frame{names: f.names, columns: make(map[string]*column, len(f.columns)), rows: len(rows)}
	for name, c := range f.columns {
		picked := &column{text: make([]string, len(rows))}
		if c.numbers != nil {
			picked.numbers = make([]float64, len(rows))
		}
		for i, row := range rows {
			picked.text[i] = c.text[row]
			if c.numbers != nil {
				picked.numbers[i] = c.numbers[row]
			}
		}
		out.columns[name] = picked
	}
	return out
}

// Where returns the rows whose columns equal the given values (or one of them,
// where a list is given); numbers compare as numbers.
func (f *Frame) Where(where map[string]any) (*Frame, error) {
	rows, err := f.matching(where)
	if err != nil {
		return nil, err
	}
	return f.Subset(rows), nil
}

func (f *Frame) matching(where map[string]any) ([]int, error) {
	type test struct {
		column *column
		values []string
	}
	var tests []test
	for name, value := range where {
		c := f.columns[name]
		if c == nil {
			return nil, NotCovered("the data set has no column %q", name)
		}
		list, isList := value.([]any)
		if !isList {
			list = []any{value}
		}
		var values []string
		for _, v := range list {
			values = append(values, fmt.Sprint(v))
		}
		tests = append(tests, test{c, values})
	}
	var rows []int
	for i := range f.rows {
		keep := true
		for _, t := range tests {
			keep = keep && t.column.equalsAny(i, t.values)
		}
		if keep {
			rows = append(rows, i)
		}
	}
	return rows, nil
}

func (c *column) equalsAny(row int, values []string) bool {
	if c.text[row] == "" {
		return false
	}
	for _, value := range values {
		if c.text[row] == value {
			return true
		}
		if c.numbers != nil {
			if number, err := strconv.ParseFloat(value, 64); err == nil && number == c.numbers[row] {
				return true
			}
		}
	}
	return false
}

// Complete returns the rows without a missing value in any named column.
func (f *Frame) Complete(names ...string) (*Frame, error) {
	for _, name := range names {
		if !f.Has(name) {
			return nil, NotCovered("the data set has no column %q", name)
		}
	}
	var rows []int
	for i := range f.rows {
		complete := true
		for _, name := range names {
			complete = complete && f.columns[name].text[i] != ""
		}
		if complete {
			rows = append(rows, i)
		}
	}
	return f.Subset(rows), nil
}

// WithNumbers returns the data set with a numeric column added or replaced;
// NaN is missing.
func (f *Frame) WithNumbers(name string, values []float64) (*Frame, error) {
	if len(values) != f.rows && len(f.names) > 0 {
		return nil, fmt.Errorf("column %s has %d values for %d rows", name, len(values), f.rows)
	}
	text := make([]string, len(values))
	for i, v := range values {
		if !math.IsNaN(v) {
			text[i] = strconv.FormatFloat(v, 'g', -1, 64)
		}
	}
	out := &Frame{names: slices.Clone(f.names), columns: make(map[string]*column, len(f.columns)+1), rows: len(values)}
	for key, c := range f.columns {
		out.columns[key] = c
	}
	if !f.Has(name) {
		out.names = append(out.names, name)
	}
	out.columns[name] = &column{text: text, numbers: slices.Clone(values)}
	return out, nil
}
