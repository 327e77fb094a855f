package regress

import (
	"fmt"
	"math"
	"slices"
	"sort"

	"keratally/stats"
)

// Frame is a table of named columns of one length: numbers, where NaN is a
// missing value, and factors, whose levels are text and where an empty text is
// a missing value.
type Frame struct {
	rows    int
	columns map[string]*column
	order   []string
}

// column is a vector of numbers or, where levels is not nil, of codes into levels.
type column struct {
	numbers []float64
	levels  []string
	codes   []int // −1 is missing
	logical bool  // numbers are 0 and 1 and stand for FALSE and TRUE
}

func (c *column) isFactor() bool { return c.levels != nil }

func (c *column) len() int {
	if c.isFactor() {
		return len(c.codes)
	}
	return len(c.numbers)
}

func (c *column) missing(i int) bool {
	if c.isFactor() {
		return c.codes[i] < 0
	}
	return math.IsNaN(c.numbers[i])
}

// NewFrame returns a frame of the given number of rows and no columns.
func NewFrame(rows int) *Frame { return &Frame{rows: rows, columns: map[string]*column{}} }

// Rows returns the number of rows.
func (f *Frame) Rows() int { return f.rows }

// Columns returns the column names in the order in which they were added.
func (f *Frame) Columns() []string { return slices.Clone(f.order) }

// AddNumbers adds or replaces a numeric column. The error is stats.ErrLengths
// if it does not have the frame's length.
func (f *Frame) AddNumbers(name string, values []float64) error {
	return f.add(name, &column{numbers: slices.Clone(values)})
}

// AddFactor adds or replaces a factor whose levels are the distinct texts in
// byte order; the first is the reference. The error is stats.ErrLengths if the
// column does not have the frame's length.
func (f *Frame) AddFactor(name string, values []string) error {
	levels := distinct(values)
	sort.Strings(levels)
	return f.AddFactorLevels(name, values, levels)
}

// AddFactorLevels adds or replaces a factor with its levels in the given order,
// the reference first. A value that is no level is an error; levels that do not
// occur are dropped from a model.
func (f *Frame) AddFactorLevels(name string, values, levels []string) error {
	index := make(map[string]int, len(levels))
	for i, l := range levels {
		index[l] = i
	}
	c := &column{levels: append([]string{}, levels...), codes: make([]int, len(values))}
	for i, v := range values {
		code, ok := index[v]
		switch {
		case v == "":
			code = -1
		case !ok:
			return fmt.Errorf("factor %s, row %d: %w", name, i+1, &stats.ArgumentError{Name: "level", Got: v, Want: fmt.Sprintf("one of %q", levels)})
		}
		c.codes[i] = code
	}
	return f.add(name, c)
}

func (f *Frame) add(name string, c *column) error {
	if c.len() != f.rows {
		return fmt.Errorf("column %s has %d values for %d rows: %w", name, c.len(), f.rows, stats.ErrLengths)
	}
	if _, ok := f.columns[name]; !ok {
		f.order = append(f.order, name)
	}
	f.columns[name] = c
	return nil
}

// Number returns the value of a numeric column in a row; ok is false where it
// is missing, or the column is absent or a factor.
func (f *Frame) Number(name string, row int) (value float64, ok bool) {
	c, found := f.columns[name]
	if !found || c.isFactor() || row < 0 || row >= f.rows || c.missing(row) {
		return math.NaN(), false
	}
	return c.numbers[row], true
}

// Groups returns, for the given rows, the group of each as a number from 0 in
// order of first appearance, and the group names. The column may be a factor or
// numbers; a missing value is an error.
func (f *Frame) Groups(name string, rows []int) (codes []int, names []string, err error) {
	e, err := parseExpr(name)
	if err != nil {
		return nil, nil, err
	}
	return f.groupsBy(crossing(e), rows)
}

// crossing splits a:b into its parts.
func crossing(e *Expr) []*Expr {
	if e.kind == binaryExpr && e.text == ":" {
		return append(crossing(e.args[0]), crossing(e.args[1])...)
	}
	return []*Expr{e}
}

func (f *Frame) groupsBy(by []*Expr, rows []int) (codes []int, names []string, err error) {
	columns := make([]*column, len(by))
	for i, e := range by {
		if columns[i], err = f.eval(e); err != nil {
			return nil, nil, err
		}
	}
	index := map[string]int{}
	codes = make([]int, len(rows))
	for k, r := range rows {
		label := ""
		for i, c := range columns {
			if c.missing(r) {
				return nil, nil, fmt.Errorf("row %d has no %s: %w", r+1, by[i], stats.ErrNotFinite)
			}
			if i > 0 {
				label += ":"
			}
			label += c.label(r)
		}
		code, ok := index[label]
		if !ok {
			code = len(names)
			index[label] = code
			names = append(names, label)
		}
		codes[k] = code
	}
	return codes, names, nil
}

// label returns the printed value of a row.
func (c *column) label(row int) string {
	switch {
	case c.isFactor():
		return c.levels[c.codes[row]]
	case c.logical && c.numbers[row] != 0:
		return "TRUE"
	case c.logical:
		return "FALSE"
	}
	return formatNumber(c.numbers[row])
}

// factor returns the column as a factor; the levels of numbers are ascending.
func (c *column) factor() *column {
	if c.isFactor() {
		return c
	}
	values := slices.DeleteFunc(slices.Clone(c.numbers), math.IsNaN)
	slices.Sort(values)
	values = slices.Compact(values)
	out := &column{levels: make([]string, len(values)), codes: make([]int, len(c.numbers))}
	for i, v := range values {
		one := column{numbers: []float64{v}, logical: c.logical}
		out.levels[i] = one.label(0)
	}
	for i, v := range c.numbers {
		if math.IsNaN(v) {
			out.codes[i] = -1
			continue
		}
		out.codes[i], _ = slices.BinarySearch(values, v)
	}
	return out
}

// take returns the column at the given rows; a factor loses the levels that do not occur.
func (c *column) take(rows []int) *column {
	if !c.isFactor() {
		out := &column{numbers: make([]float64, len(rows)), logical: c.logical}
		for i, r := range rows {
			out.numbers[i] = c.numbers[r]
		}
		return out
	}
	used := make([]bool, len(c.levels))
	for _, r := range rows {
		used[c.codes[r]] = true
	}
	out := &column{levels: []string{}, codes: make([]int, len(rows))}
	renumber := make([]int, len(c.levels))
	for l, u := range used {
		if u {
			renumber[l] = len(out.levels)
			out.levels = append(out.levels, c.levels[l])
		}
	}
	for i, r := range rows {
		out.codes[i] = renumber[c.codes[r]]
	}
	return out
}

func distinct(values []string) []string {
	seen := make(map[string]bool, len(values))
	var out []string
	for _, v := range values {
		if v != "" && !seen[v] {
			seen[v] = true
			out = append(out, v)
		}
	}
	return out
}
