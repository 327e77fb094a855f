package regress

import (
	"fmt"
	"math"

	"keratally/stats"
)

// eval computes an expression over the rows of the frame. A missing operand
// makes a missing value.
func (f *Frame) eval(e *Expr) (*column, error) {
	switch e.kind {
	case numberExpr:
		return &column{numbers: constant(e.num, f.rows)}, nil
	case nameExpr:
		switch e.text {
		case "TRUE", "T":
			return &column{numbers: constant(1, f.rows), logical: true}, nil
		case "FALSE", "F":
			return &column{numbers: constant(0, f.rows), logical: true}, nil
		}
		c, ok := f.columns[e.text]
		if !ok {
			return nil, &stats.ArgumentError{Name: "variable", Got: e.text, Want: fmt.Sprintf("one of the columns %v", f.order)}
		}
		return c, nil
	case parenExpr:
		return f.eval(e.args[0])
	case callExpr:
		return f.evalCall(e)
	case unaryExpr:
		c, err := f.number(e.args[0])
		if err != nil {
			return nil, err
		}
		switch e.text {
		case "-":
			return mapNumbers(c, func(x float64) float64 { return -x }), nil
		case "!":
			out := mapNumbers(c, func(x float64) float64 { return truth(x == 0) })
			out.logical = true
			return out, nil
		}
		return c, nil
	case binaryExpr:
		return f.evalBinary(e)
	}
	return nil, &stats.ArgumentError{Name: "expression", Got: e.String(), Want: "a number or a column"}
}

// number evaluates an expression that has to be numeric.
func (f *Frame) number(e *Expr) (*column, error) {
	c, err := f.eval(e)
	if err != nil {
		return nil, err
	}
	if c.isFactor() {
		return nil, &stats.ArgumentError{Name: "factor", Got: e.String(), Want: "a column of numbers here"}
	}
	return c, nil
}

var functions = map[string]func(float64) float64{
	"log": math.Log, "log2": math.Log2, "log10": math.Log10, "log1p": math.Log1p,
	"exp": math.Exp, "expm1": math.Expm1, "sqrt": math.Sqrt, "abs": math.Abs,
	"sin": math.Sin, "cos": math.Cos, "tan": math.Tan, "floor": math.Floor, "ceiling": math.Ceil,
	"as.numeric": func(x float64) float64 { return x }, "as.integer": math.Trunc,
}

func (f *Frame) evalCall(e *Expr) (*column, error) {
	if len(e.args) != 1 {
		return nil, &stats.ArgumentError{Name: "function", Got: e.String(), Want: "a function of one argument"}
	}
	switch e.text {
	case "I", "identity":
		return f.eval(e.args[0])
	case "factor", "as.factor":
		c, err := f.eval(e.args[0])
		if err != nil {
			return nil, err
		}
		return c.factor(), nil
	}
	function, ok := functions[e.text]
	if !ok {
		return nil, &stats.ArgumentError{Name: "function", Got: e.text, Want: "log, log2, log10, log1p, exp, sqrt, abs, I, factor or as.numeric"}
	}
	c, err := f.number(e.args[0])
	if err != nil {
		return nil, err
	}
	return mapNumbers(c, function), nil
}

func (f *Frame) evalBinary(e *Expr) (*column, error) {
	if e.text == "==" || e.text == "!=" {
		return f.equality(e)
	}
	a, err := f.number(e.args[0])
	if err != nil {
		return nil, err
	}
	b, err := f.number(e.args[1])
	if err != nil {
		return nil, err
	}
	operation, logical := arithmetic(e.text)
	if operation == nil {
		return nil, &stats.ArgumentError{Name: "operator", Got: e.text, Want: "+ - * / ^ or a comparison"}
	}
	out := &column{numbers: make([]float64, f.rows), logical: logical}
	for i := range out.numbers {
		x, y := a.numbers[i], b.numbers[i]
		if math.IsNaN(x) || math.IsNaN(y) {
			out.numbers[i] = math.NaN()
			continue
		}
		out.numbers[i] = operation(x, y)
	}
	return out, nil
}

func arithmetic(op string) (operation func(x, y float64) float64, logical bool) {
	switch op {
	case "+":
		return func(x, y float64) float64 { return x + y }, false
	case "-":
		return func(x, y float64) float64 { return x - y }, false
	case "*":
		return func(x, y float64) float64 { return x * y }, false
	case "/":
		return func(x, y float64) float64 { return x / y }, false
	case "^":
		return math.Pow, false
	case "<":
		return func(x, y float64) float64 { return truth(x < y) }, true
	case "<=":
		return func(x, y float64) float64 { return truth(x <= y) }, true
	case ">":
		return func(x, y float64) float64 { return truth(x > y) }, true
	case ">=":
		return func(x, y float64) float64 { return truth(x >= y) }, true
	case "&", "&&":
		return func(x, y float64) float64 { return truth(x != 0 && y != 0) }, true
	case "|", "||":
		return func(x, y float64) float64 { return truth(x != 0 || y != 0) }, true
	}
	return nil, false
}

// equality compares numbers, or a factor with a quoted level.
func (f *Frame) equality(e *Expr) (*column, error) {
	out := &column{numbers: make([]float64, f.rows), logical: true}
	side := make([]func(i int) (string, bool), 2)
	for k, x := range e.args {
		if x.kind == textExpr {
			side[k] = func(int) (string, bool) { return x.text, true }
			continue
		}
		c, err := f.eval(x)
		if err != nil {
			return nil, err
		}
		side[k] = func(i int) (string, bool) {
			if c.missing(i) {
				return "", false
			}
			return c.label(i), true
		}
	}
	for i := range out.numbers {
		a, okA := side[0](i)
		b, okB := side[1](i)
		if !okA || !okB {
			out.numbers[i] = math.NaN()
			continue
		}
		out.numbers[i] = truth((a == b) == (e.text == "=="))
	}
	return out, nil
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
}

func constant(v float64, n int) []float64 {
	out := make([]float64, n)
	for i := range out {
		out[i] = v
	}
	return out
}

func mapNumbers(c *column, function func(float64) float64) *column {
	out := &column{numbers: make([]float64, len(c.numbers))}
	for i, x := range c.numbers {
		out.numbers[i] = math.NaN()
		if !math.IsNaN(x) {
			out.numbers[i] = function(x)
		}
	}
	return out
}
