package selfcheck

import (
	"math"
	"strings"

	"keratally/stats/groups"
)

// calledFormula returns the two sides of the formula that a function is called
// with on the data set.
func calledFormula(in *Input, function string) (response, rest string, err error) {
	c, err := countCall(in, function)
	if err != nil {
		return "", "", err
	}
	c.Expression("data")
	if err := c.Unread(); err != nil {
		return "", "", err
	}
	if len(c.Positional()) != 1 || !strings.Contains(c.Positional()[0], "~") {
		return "", "", NotCovered("%s is not called with a formula in %q", function, in.CallText())
	}
	response, rest, _ = strings.Cut(c.Positional()[0], "~")
	return response, rest, nil
}

func friedman(in *Input) (Results, error) {
	response, rest, err := calledFormula(in, "friedman.test")
	if err != nil {
		return nil, err
	}
	treatment, block, ok := strings.Cut(rest, "|")
	if !ok {
		return nil, NotCovered("the formula %q names no block", rest)
	}
	blocks, err := completeLayout(in, response, block, treatment)
	if err != nil {
		return nil, err
	}
	return htestMethod(groups.Friedman(blocks))
}

// completeLayout is ratingsOf for columns that may be wrapped in factor().
func completeLayout(in *Input, value, row, column string) ([][]float64, error) {
	blocks, err := ratingsOf(in, value, plainColumn(row), plainColumn(column))
	if err != nil {
		return nil, err
	}
	for _, block := range blocks {
		for _, v := range block {
			if math.IsNaN(v) {
				return nil, NotCovered("a block has no value, or two, of a treatment")
			}
		}
	}
	return blocks, nil
}

func plainColumn(expression string) string {
	if inner, ok := strings.CutPrefix(expression, "factor("); ok {
		return strings.TrimSuffix(inner, ")")
	}
	return expression
}

func blockAnova(in *Input) (Results, error) {
	response, rest, err := calledFormula(in, "aov")
	if err != nil {
		return nil, err
	}
	treatment, block, ok := strings.Cut(rest, "+Error(")
	block, closed := strings.CutSuffix(block, ")")
	block = strings.TrimSuffix(block, "/"+treatment) // the same layout, said in full
	if !ok || !closed || strings.ContainsAny(treatment+block, "+*:/|") {
		return nil, NotCovered("the formula %q is not one treatment within one block", rest)
	}
	if frame, err := in.Frame(); err != nil {
		return nil, err
	} else if plainColumn(treatment) == treatment && frame.IsNumeric(treatment) {
		return nil, NotCovered("the treatment %s is a number, not a factor", treatment)
	}
	blocks, err := completeLayout(in, response, block, treatment)
	if err != nil {
		return nil, err
	}
	a, err := groups.RepeatedMeasuresAnova(blocks)
	if err != nil {
		return nil, err
	}
	return Results{
		"df1": a.DF, "df2": a.DF2, "ss": a.TreatmentSS, "ss_error": a.ErrorSS, "f": a.Stat, "p_value": a.P,
	}, nil
}
