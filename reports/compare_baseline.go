package reports

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/registry/snapshot"
	"keratally/stats/describe"
	"keratally/stats/propensity"
)

// BaselineRow is one characteristic of the eyes before treatment, in all
// groups.
type BaselineRow struct {
	Label      string
	Format     Format
	Share      bool // of eyes, rather than a mean
	Groups     []describe.Summary
	Missing    []int
	Difference []float64 // standardised, each group less the first; NaN for the first and where DifferenceErr says why
	Errs       []error
}

// trait is a characteristic that a comparison describes: a number, or 1 and 0.
type trait struct {
	label  string
	format Format
	share  bool
	of     func(o *snapshot.Outcomes, e int) float64
}

func (c *Comparison) traits() []trait {
	compared := map[int32]int{} // eyes of a patient
	for i := range c.Groups {
		for _, e := range c.Groups[i].Episodes {
			compared[c.Source.Outcomes.Episodes[e].Patient]++
		}
	}
	bilateral := func(o *snapshot.Outcomes, e int) float64 {
		if compared[o.Episodes[e].Patient] > 1 {
			return 1
		}
		return 0
	}
	out := []trait{{"age (years)", OneDec, false, Covariate{Age: true}.value}, {"female", Share, true, female},
		{"of a patient with two eyes here", Share, true, bilateral}}
	for _, q := range characteristics {
		out = append(out, trait{heading(q), formatOf(q), false, Covariate{Quantity: q}.value})
	}
	return out
}

// female is 1 or 0, NaN where the sex was not recorded.
func female(o *snapshot.Outcomes, e int) float64 {
	switch o.Snapshot.Patients.Sex.At(o.Episodes[e].Patient) {
	case "":
		return math.NaN()
	case "female":
		return 1
	}
	return 0
}

// baselineRows describes the groups before treatment.
func (c *Comparison) baselineRows() []BaselineRow {
	var rows []BaselineRow
	for _, t := range c.traits() {
		rows = append(rows, c.baselineRow(t))
	}
	return rows
}

func (c *Comparison) baselineRow(t trait) BaselineRow {
	row := BaselineRow{Label: t.label, Format: t.format, Share: t.share}
	values := make([][]float64, len(c.Groups))
	for i := range c.Groups {
		missing := 0
		for _, e := range c.Groups[i].Episodes {
			if x := t.of(c.Source.Outcomes, int(e)); math.IsNaN(x) {
				missing++
			} else {
				values[i] = append(values[i], x)
			}
		}
		d, err := describe.Summarise(values[i], c.level())
		if err != nil {
			d = describe.Summary{}
		}
		row.Groups, row.Missing = append(row.Groups, d), append(row.Missing, missing)
		difference, err := math.NaN(), error(nil)
		if i > 0 {
			difference, err = standardised(t.label, values[i], values[0])
		}
		row.Difference, row.Errs = append(row.Difference, difference), append(row.Errs, err)
	}
	return row
}

// standardised is the standardised mean difference of two samples, x less y.
func standardised(label string, x, y []float64) (float64, error) {
	n := len(x) + len(y)
	if len(x) == 0 || len(y) == 0 {
		return math.NaN(), fmt.Errorf("no value in one of the groups")
	}
	treated := make([]bool, n)
	column := mat.NewDense(n, 1, nil)
	for i, v := range x {
		treated[i] = true
		column.Set(i, 0, v)
	}
	for i, v := range y {
		column.Set(len(x)+i, 0, v)
	}
	b, err := propensity.BalanceOf(treated, column, []string{label}, nil)
	if err != nil {
		return math.NaN(), err
	}
	return b[0].Difference, nil
}
