package selfcheck

import (
	"errors"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/regress"
)

// modelFrame returns the columns of a data set for a model formula: text
// columns are factors with levels in byte order.
func modelFrame(f *Frame) (*regress.Frame, error) {
	out := regress.NewFrame(f.Rows())
	for _, name := range f.Names() {
		var err error
		if f.IsNumeric(name) {
			var values []float64
			if values, err = f.Numbers(name); err == nil {
				err = out.AddNumbers(name, values)
			}
		} else {
			var values []string
			if values, err = f.Texts(name); err == nil {
				err = out.AddFactor(name, values)
			}
		}
		if err != nil {
			return nil, err
		}
	}
	return out, nil
}

// modelDesign evaluates a formula on the complete rows of a data set. A formula
// or function that the language of regress does not have is not covered.
func modelDesign(f *Frame, formula *regress.Formula, options ...regress.Option) (*regress.Design, error) {
	table, err := modelFrame(f)
	if err != nil {
		return nil, err
	}
	design, err := formula.Design(table, options...)
	if argument := new(stats.ArgumentError); errors.As(err, &argument) {
		return nil, NotCovered("%v", err)
	}
	return design, err
}

// modelFormula reads a formula.
func modelFormula(text string) (*regress.Formula, error) {
	formula, err := regress.ParseFormula(text)
	if err != nil {
		return nil, NotCovered("%v", err)
	}
	return formula, nil
}

// numericColumns returns columns of a data set side by side.
func numericColumns(f *Frame, names []string) (*mat.Dense, error) {
	x := mat.NewDense(f.Rows(), len(names), nil)
	for j, name := range names {
		column, err := f.Numbers(name)
		if err != nil {
			return nil, err
		}
		x.SetCol(j, column)
	}
	return x, nil
}

// labelledGroups returns the groups of the design's rows by an expression over
// the columns, numbered in the order of R's factor levels: numbers ascending,
// texts in byte order.
func labelledGroups(d *regress.Design, expression string) (codes []int, labels []string, err error) {
	codes, labels, err = d.Groups(expression)
	if err != nil {
		return nil, nil, err
	}
	order := make([]int, len(labels))
	numbers, numeric := make([]float64, len(labels)), true
	for i, label := range labels {
		order[i] = i
		number, err := strconv.ParseFloat(label, 64)
		numbers[i], numeric = number, numeric && err == nil
	}
	slices.SortFunc(order, func(a, b int) int {
		less := labels[a] < labels[b]
		if numeric {
			less = numbers[a] < numbers[b]
		}
		if less {
			return -1
		}
		return 1
	})
	sorted, place := make([]string, len(labels)), make([]int, len(labels))
	for k, i := range order {
		sorted[k], place[i] = labels[i], k
	}
	renumbered := make([]int, len(codes))
	for i, c := range codes {
		renumbered[i] = place[c]
	}
	return renumbered, sorted, nil
}
