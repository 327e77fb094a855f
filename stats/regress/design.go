package regress

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
)

// Design is a formula evaluated on the complete rows of a frame.
type Design struct {
	Formula *Formula
	X       *mat.Dense  // one row an observation, one column a coefficient; nil if the model has no column
	Names   []string    // names of the columns: (Intercept), armB, armB:age
	Assign  []int       // term of each column: 0 the constant, k the k-th of Formula.Terms()
	Y       []float64   // the response; nil where the formula has none or it has several parts
	Parts   [][]float64 // the arguments of a response such as Surv(time, status) or cbind(events, rest)
	Offset  []float64   // sum of the offsets; nil if there is none
	Rows    []int       // row of the frame behind each observation
	Random  []RandomDesign
	Missing int // rows of the frame left out for a missing value

	variables []*column // by index of Formula.variables, on Rows
	full      [][]bool  // by term and variable of the term: coded without reference level
	sums      map[string]bool
	frame     *Frame
}

// RandomDesign is one random-effects term: the columns that have a random
// coefficient, and the group of each observation.
type RandomDesign struct {
	Group  string
	Names  []string
	Z      *mat.Dense
	Groups []int    // from 0, in order of first appearance
	Labels []string // name of each group
}

// Option changes how a design is coded.
type Option func(*Design)

// SumContrasts codes the named factors to sum to zero over their levels (the
// last level is minus the others) instead of as differences from the first.
func SumContrasts(factors ...string) Option {
	return func(d *Design) {
		for _, f := range factors {
			d.sums[f] = true
		}
	}
}

// Design evaluates the formula on the rows of the frame that have every
// variable it reads. The error is stats.ErrNoData if no row is complete,
// stats.ErrNotFinite if an expression is not a finite number on a complete row, and
// *stats.ArgumentError for an unknown variable or function.
func (f *Formula) Design(frame *Frame, options ...Option) (*Design, error) {
	d := &Design{Formula: f, frame: frame, sums: map[string]bool{}}
	for _, o := range options {
		o(d)
	}
	if err := d.completeRows(); err != nil {
		return nil, err
	}
	if len(d.Rows) == 0 {
		return nil, fmt.Errorf("no row has every variable of the model: %w", stats.ErrNoData)
	}
	for _, v := range f.variables {
		c, err := d.column(v)
		if err != nil {
			return nil, err
		}
		if c.logical {
			c = c.factor()
		}
		d.variables = append(d.variables, c)
	}
	if err := d.response(); err != nil {
		return nil, err
	}
	for _, e := range f.Offsets {
		c, err := d.column(e)
		if err != nil {
			return nil, err
		}
		if d.Offset == nil {
			d.Offset = make([]float64, len(d.Rows))
		}
		for i, v := range c.numbers {
			d.Offset[i] += v
		}
	}
	d.code()
	return d, d.random()
}

// completeRows finds the rows that miss no column that the formula reads.
func (d *Design) completeRows() error {
	var columns []*column
	for _, name := range d.Formula.Names() {
		c, err := d.frame.eval(&Expr{kind: nameExpr, text: name})
		if err != nil {
			return err
		}
		columns = append(columns, c)
	}
rows:
	for i := range d.frame.rows {
		for _, c := range columns {
			if c.missing(i) {
				continue rows
			}
		}
		d.Rows = append(d.Rows, i)
	}
	d.Missing = d.frame.rows - len(d.Rows)
	return nil
}

// column evaluates an expression on the complete rows and refuses what is not finite.
func (d *Design) column(e *Expr) (*column, error) {
	c, err := d.frame.eval(e)
	if err != nil {
		return nil, err
	}
	c = c.take(d.Rows)
	for i, v := range c.numbers {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return nil, fmt.Errorf("%s is %v in row %d: %w", e, v, d.Rows[i]+1, stats.ErrNotFinite)
		}
	}
	return c, nil
}

func (d *Design) response() error {
	r := d.Formula.Response
	if r == nil {
		return nil
	}
	if name, args, ok := r.Call(); ok && len(args) != 1 || name == "Surv" {
		for _, a := range args {
			c, err := d.column(a)
			if err != nil {
				return err
			}
			d.Parts = append(d.Parts, c.values())
		}
		return nil
	}
	c, err := d.column(r)
	if err != nil {
		return err
	}
	d.Y = c.values()
	return nil
}

// values returns numbers, or for a factor 0 for its first level and 1 for any other.
func (c *column) values() []float64 {
	if !c.isFactor() {
		return c.numbers
	}
	out := make([]float64, len(c.codes))
	for i, code := range c.codes {
		out[i] = truth(code > 0)
	}
	return out
}

// code makes the columns of X.
func (d *Design) code() {
	f := d.Formula
	d.full = make([][]bool, len(f.terms))
	freed := false // without a constant the first factor met keeps all its levels
	for k, t := range f.terms {
		d.full[k] = make([]bool, len(t))
		for j, v := range t {
			if !d.variables[v].isFactor() {
				continue
			}
			if !f.Intercept && !freed {
				freed = true
				d.full[k][j] = true
				continue
			}
			d.full[k][j] = !f.hasMargin(k, v)
		}
	}
	if f.Intercept {
		d.Names, d.Assign = []string{"(Intercept)"}, []int{0}
	}
	for k := range f.terms {
		for _, name := range d.termNames(k) {
			d.Names = append(d.Names, name)
			d.Assign = append(d.Assign, k+1)
		}
	}
	if len(d.Names) == 0 {
		return
	}
	d.X = mat.NewDense(len(d.Rows), len(d.Names), nil)
	for i := range d.Rows {
		d.fill(d.X.RawRowView(i), func(v int) value { return d.variables[v].at(i) })
	}
}

// hasMargin reports whether the k-th term without variable v is contained in
// an earlier term (the constant for a main effect), in which case v is coded
// against its reference there.
func (f *Formula) hasMargin(k, v int) bool {
	rest := slices.DeleteFunc(slices.Clone(f.terms[k]), func(x int) bool { return x == v })
	if len(rest) == 0 {
		return true
	}
	for _, earlier := range f.terms[:k] {
		contained := true
		for _, x := range rest {
			contained = contained && slices.Contains(earlier, x)
		}
		if contained {
			return true
		}
	}
	return false
}

// value is a number, or a level code of a factor.
type value struct {
	number float64
	code   int
}

func (c *column) at(i int) value {
	if c.isFactor() {
		return value{code: c.codes[i]}
	}
	return value{number: c.numbers[i]}
}

// width returns how many columns variable v makes in a term.
func (d *Design) width(v int, full bool) int {
	c := d.variables[v]
	switch {
	case !c.isFactor():
		return 1
	case full:
		return len(c.levels)
	}
	return len(c.levels) - 1
}

func (d *Design) termNames(k int) []string {
	names := []string{""}
	for j, v := range d.Formula.terms[k] {
		label := d.Formula.variables[v].String()
		var next []string
		for m := range d.width(v, d.full[k][j]) {
			part := label + d.columnLabel(v, m, d.full[k][j])
			for _, have := range names {
				if j > 0 {
					have += ":"
				}
				next = append(next, have+part)
			}
		}
		names = next
	}
	return names
}

func (d *Design) columnLabel(v, m int, full bool) string {
	c := d.variables[v]
	switch {
	case !c.isFactor():
		return ""
	case full:
		return c.levels[m]
	case d.sums[d.Formula.variables[v].String()]:
		return fmt.Sprint(m + 1)
	}
	return c.levels[m+1]
}

// fill writes one row of the design; at gives the value of each variable.
func (d *Design) fill(row []float64, at func(v int) value) {
	pos := 0
	if d.Formula.Intercept {
		row[0], pos = 1, 1
	}
	for k, t := range d.Formula.terms {
		row[pos] = 1
		size := 1
		for j, v := range t {
			size = d.spread(row[pos:], size, v, at(v), d.full[k][j])
		}
		pos += size
	}
}

// spread multiplies the first size entries of row by the coding of one
// variable, the earlier variables varying fastest, and returns the new size.
func (d *Design) spread(row []float64, size, v int, x value, full bool) int {
	c := d.variables[v]
	if !c.isFactor() {
		for i := range size {
			row[i] *= x.number
		}
		return size
	}
	width := d.width(v, full)
	for m := width - 1; m >= 0; m-- {
		weight := d.coding(v, m, x.code, full)
		for i := range size {
			row[m*size+i] = row[i] * weight
		}
	}
	return width * size
}

// coding returns the m-th contrast of a level.
func (d *Design) coding(v, m, code int, full bool) float64 {
	switch {
	case full:
		return truth(code == m)
	case d.sums[d.Formula.variables[v].String()]:
		if code == len(d.variables[v].levels)-1 {
			return -1
		}
		return truth(code == m)
	}
	return truth(code == m+1)
}

// random evaluates the terms with a bar on the same rows.
func (d *Design) random() error {
	for _, r := range d.Formula.Random {
		inner := &Design{Formula: r.Inner, frame: d.frame, Rows: d.Rows, sums: d.sums}
		for _, v := range r.Inner.variables {
			c, err := d.column(v)
			if err != nil {
				return err
			}
			inner.variables = append(inner.variables, c)
		}
		inner.code()
		codes, labels, err := d.frame.groupsBy(r.by, d.Rows)
		if err != nil {
			return err
		}
		d.Random = append(d.Random, RandomDesign{Group: r.Group, Names: inner.Names, Z: inner.X, Groups: codes, Labels: labels})
	}
	return nil
}

// Groups returns the group of each observation by a column of the frame, from
// 0 in order of first appearance, and the names of the groups.
func (d *Design) Groups(column string) (codes []int, names []string, err error) {
	return d.frame.Groups(column, d.Rows)
}
