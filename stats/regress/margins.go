package regress

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
)

// Setting is the value of one variable in a marginal mean: a level, or for a
// covariate its number.
type Setting struct {
	Variable string
	Level    string
	Number   float64
	Numeric  bool // Number is set, and Level is its text
}

// Margins are the linear combinations of a model's coefficients that estimate
// its marginal means: one row a mean.
type Margins struct {
	Settings [][]Setting // of each row: the targets, then the variables it is split by
	L        [][]float64
	family   []int // rows that are compared with one another have one number
	targets  int   // how many of the settings are targets
}

// Margin is an estimated marginal mean or a contrast of two of them.
type Margin struct {
	Settings []Setting // of a contrast: the variables it is split by
	Contrast string    // "A - B"; empty for a mean
	Coefficient
}

// Margins works out the marginal means asked for by a specification such as
// "~ arm", "~ arm | visit" (compared within visit) or "~ arm * visit". Every
// other factor is averaged over its levels with equal weight, and every other
// covariate is at its mean over the observations; a covariate with only two values
// is averaged over them like a factor. Searle, Speed & Milliken, Am Stat
// 1980;34:216–221.
func (d *Design) Margins(specification string) (*Margins, error) {
	targets, by, err := d.specification(specification)
	if err != nil {
		return nil, err
	}
	grid, err := d.referenceGrid()
	if err != nil {
		return nil, err
	}
	shown := append(slices.Clone(targets), by...)
	for _, name := range shown {
		if !slices.ContainsFunc(grid, func(g gridVariable) bool { return g.name == name }) {
			return nil, &stats.ArgumentError{Name: "marginal mean of", Got: name, Want: "a variable of the model"}
		}
	}
	return d.average(grid, shown, len(targets))
}

func (d *Design) specification(text string) (targets, by []string, err error) {
	e, err := parseExpr(text)
	if err != nil {
		return nil, nil, err
	}
	if e.kind == unaryExpr && e.text == "~" {
		e = e.args[0]
	}
	if e.kind == binaryExpr && e.text == "|" {
		return e.args[0].Names(), e.args[1].Names(), nil
	}
	return e.Names(), nil, nil
}

// gridVariable is a column of the frame with the values it takes in the grid.
type gridVariable struct {
	name   string
	levels []string  // of a factor or a two-valued covariate
	values []float64 // numeric values; nil for a text factor
}

func (g gridVariable) size() int { return len(g.levels) }

// referenceGrid lists the variables of the fixed terms and offsets with their values.
func (d *Design) referenceGrid() ([]gridVariable, error) {
	var names []string
	factors := map[string]bool{}
	collect := func(e *Expr) {
		for _, n := range e.Names() {
			if !slices.Contains(names, n) {
				names = append(names, n)
			}
		}
		if f, args, ok := e.Call(); ok && (f == "factor" || f == "as.factor") && args[0].kind == nameExpr {
			factors[args[0].text] = true
		}
	}
	for _, t := range d.Formula.terms {
		for _, v := range t {
			collect(d.Formula.variables[v])
		}
	}
	var grid []gridVariable
	for _, name := range names {
		c, err := d.column(&Expr{kind: nameExpr, text: name})
		if err != nil {
			return nil, err
		}
		g := gridVariable{name: name}
		if c.isFactor() {
			g.levels = c.levels
			grid = append(grid, g)
			continue
		}
		values := slices.Clone(c.numbers)
		slices.Sort(values)
		if values = slices.Compact(values); len(values) > 2 && !factors[name] {
			values = []float64{mean(c.numbers)}
		}
		for _, v := range values {
			g.values = append(g.values, v)
			g.levels = append(g.levels, (&column{numbers: []float64{v}, logical: c.logical}).label(0))
		}
		grid = append(grid, g)
	}
	return grid, nil
}

func mean(x []float64) float64 {
	var s doubled
	for _, v := range x {
		s = s.plus(double(v))
	}
	return s.over(double(float64(len(x)))).float()
}

// average builds the rows of L: the mean over the grid points that share the
// shown variables, the first of which varies fastest.
func (d *Design) average(grid []gridVariable, shown []string, targets int) (*Margins, error) {
	var order []gridVariable
	for _, name := range shown {
		order = append(order, grid[slices.IndexFunc(grid, func(g gridVariable) bool { return g.name == name })])
	}
	for _, g := range grid {
		if !slices.Contains(shown, g.name) {
			order = append(order, g)
		}
	}
	points := 1
	for _, g := range order {
		points *= g.size()
	}
	frame, err := gridFrame(order, points)
	if err != nil {
		return nil, err
	}
	rows, err := d.rowsOn(frame)
	if err != nil {
		return nil, err
	}
	cells, family := 1, 1
	for k, g := range order[:len(shown)] {
		cells *= g.size()
		if k < targets {
			family *= g.size()
		}
	}
	m := &Margins{targets: targets}
	for cell := range cells {
		sum := make([]float64, len(d.Names))
		for point := cell; point < points; point += cells {
			for j, v := range rows[point] {
				sum[j] += v
			}
		}
		for j := range sum {
			sum[j] /= float64(points / cells)
		}
		m.L = append(m.L, sum)
		m.Settings = append(m.Settings, settingsAt(order[:len(shown)], cell))
		m.family = append(m.family, cell/family)
	}
	return m, nil
}

func settingsAt(order []gridVariable, cell int) []Setting {
	var out []Setting
	for _, g := range order {
		k := cell % g.size()
		cell /= g.size()
		s := Setting{Variable: g.name, Level: g.levels[k]}
		if g.values != nil {
			s.Number, s.Numeric = g.values[k], true
		}
		out = append(out, s)
	}
	return out
}

func gridFrame(order []gridVariable, points int) (*Frame, error) {
	frame := NewFrame(points)
	step := 1
	for _, g := range order {
		numbers, texts := make([]float64, points), make([]string, points)
		for point := range points {
			k := point / step % g.size()
			texts[point] = g.levels[k]
			if g.values != nil {
				numbers[point] = g.values[k]
			}
		}
		step *= g.size()
		err := frame.AddFactorLevels(g.name, texts, g.levels)
		if g.values != nil {
			err = frame.AddNumbers(g.name, numbers)
		}
		if err != nil {
			return nil, err
		}
	}
	return frame, nil
}

// rowsOn evaluates the fixed part of the model on another frame.
func (d *Design) rowsOn(frame *Frame) ([][]float64, error) {
	columns := make([]*column, len(d.variables))
	for v, fitted := range d.variables {
		if !d.used(v) {
			continue
		}
		c, err := frame.eval(d.Formula.variables[v])
		if err != nil {
			return nil, err
		}
		if c.logical || fitted.isFactor() {
			c = c.factor()
		}
		columns[v] = c
	}
	rows := make([][]float64, frame.rows)
	for i := range rows {
		rows[i] = make([]float64, len(d.Names))
		d.fill(rows[i], func(v int) value {
			c := columns[v]
			if !c.isFactor() {
				return value{number: c.numbers[i]}
			}
			return value{code: slices.Index(d.variables[v].levels, c.levels[c.codes[i]])}
		})
	}
	return rows, nil
}

// used reports whether a term reads variable v.
func (d *Design) used(v int) bool {
	return slices.ContainsFunc(d.Formula.terms, func(t term) bool { return slices.Contains(t, v) })
}

// Freedom gives the standard error and the degrees of freedom of a linear
// combination of the coefficients.
type Freedom func(l []float64) (se, df float64, err error)

// Means estimates the marginal means of coefficients b.
func (m *Margins) Means(b []float64, freedom Freedom, level float64) ([]Margin, error) {
	var out []Margin
	for i, l := range m.L {
		se, df, err := freedom(l)
		if err != nil {
			return nil, err
		}
		out = append(out, Margin{Settings: m.Settings[i], Coefficient: NewCoefficient("", dotPlain(l, b), se, df, level)})
	}
	return out, nil
}

// Freedom returns the standard error σ√(l'(X'X)⁻¹l) on the residual degrees of freedom.
func (f *Fit) Freedom(l []float64) (se, df float64, err error) {
	v := mat.NewVecDense(len(l), l)
	return math.Sqrt(mat.Inner(v, f.VCov, v)), f.DF, nil
}

// Means estimates the marginal means of a specification such as "~ arm".
func (f *Fit) Means(specification string) ([]Margin, error) {
	m, err := f.Design.Margins(specification)
	if err != nil {
		return nil, err
	}
	return m.Means(f.Coef(), f.Freedom, f.Level)
}

// Pairs compares the marginal means of a specification pairwise.
func (f *Fit) Pairs(specification string, adjust Adjustment) ([]Margin, error) {
	m, err := f.Design.Margins(specification)
	if err != nil {
		return nil, err
	}
	return m.Pairs(f.Coef(), f.Freedom, f.Level, adjust)
}
