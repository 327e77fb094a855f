package regress_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/regress"
)

func small(t *testing.T) *regress.Frame {
	t.Helper()
	f := regress.NewFrame(6)
	require.NoError(t, f.AddNumbers("y", []float64{1, 2, 3, 4, 5, 7}))
	require.NoError(t, f.AddNumbers("x", []float64{1, 2, 4, 8, 16, 32}))
	require.NoError(t, f.AddNumbers("visit", []float64{3, 12, 3, 12, 6, 6}))
	require.NoError(t, f.AddFactor("arm", []string{"b", "a", "b", "a", "a", "b"}))
	require.NoError(t, f.AddFactor("g", []string{"u", "v", "w", "u", "v", "w"}))
	return f
}

// Names and order of the columns as R 4.2.2 gives them:
// colnames(model.matrix(formula, data)).
func TestColumnNames(t *testing.T) {
	for _, tt := range []struct {
		formula string
		want    []string
	}{
		{"y ~ x + arm", []string{"(Intercept)", "x", "armb"}},
		{"y ~ arm * x", []string{"(Intercept)", "armb", "x", "armb:x"}},
		{"y ~ arm:x", []string{"(Intercept)", "arma:x", "armb:x"}},
		{"y ~ arm - 1", []string{"arma", "armb"}},
		{"y ~ 0 + x + arm + g", []string{"x", "arma", "armb", "gv", "gw"}},
		{"y ~ factor(visit)*arm", []string{"(Intercept)", "factor(visit)6", "factor(visit)12", "armb", "factor(visit)6:armb", "factor(visit)12:armb"}},
		{"y ~ I(x^2)+log(x+1)", []string{"(Intercept)", "I(x^2)", "log(x + 1)"}},
		{"y ~ I(x>4)", []string{"(Intercept)", "I(x > 4)TRUE"}},
		{"y ~ arm/x", []string{"(Intercept)", "armb", "arma:x", "armb:x"}},
		{"y ~ arm:g", []string{"(Intercept)", "arma:gu", "armb:gu", "arma:gv", "armb:gv", "arma:gw", "armb:gw"}},
		{"y ~ (arm + g + x)^2 - arm:g", []string{"(Intercept)", "armb", "gv", "gw", "x", "armb:x", "gv:x", "gw:x"}},
		{"y ~ x + offset(log(x)) + (1 | g)", []string{"(Intercept)", "x"}},
	} {
		t.Run(tt.formula, func(t *testing.T) {
			f, err := regress.ParseFormula(tt.formula)
			require.NoError(t, err)
			d, err := f.Design(small(t))
			require.NoError(t, err)
			require.Equal(t, tt.want, d.Names)
		})
	}
}

func TestFormulaRefusals(t *testing.T) {
	for _, text := range []string{"y", "y ~ a +", "y ~ (a", "y ~ log(", "y ~ 3x", "y ~ 'a", ""} {
		_, err := regress.ParseFormula(text)
		var syntax *regress.SyntaxError
		require.ErrorAs(t, err, &syntax, text)
	}
	for _, text := range []string{"y ~ 7", "y ~ .", "y ~ x^0.5", "y ~ x > 3"} {
		_, err := regress.ParseFormula(text)
		var argument *stats.ArgumentError
		require.ErrorAs(t, err, &argument, text)
	}
	f, err := regress.ParseFormula("y ~ log(x - 1)")
	require.NoError(t, err)
	_, err = f.Design(small(t))
	require.ErrorIs(t, err, stats.ErrNotFinite)
	f, err = regress.ParseFormula("y ~ z")
	require.NoError(t, err)
	_, err = f.Design(small(t))
	require.ErrorContains(t, err, "variable z")
}

// Nesting expands as in the trade: (1 | a/b) is a, and b within a; a double bar drops the correlations.
func TestRandomTerms(t *testing.T) {
	f, err := regress.ParseFormula("y ~ x + (1 | g/arm) + (x || g)")
	require.NoError(t, err)
	d, err := f.Design(small(t))
	require.NoError(t, err)
	var groups []string
	for _, r := range d.Random {
		groups = append(groups, r.Group+" "+r.Names[0])
	}
	require.Equal(t, []string{"g (Intercept)", "arm:g (Intercept)", "g (Intercept)", "g x"}, groups)
	require.Equal(t, []int{0, 1, 2, 0, 1, 2}, d.Random[0].Groups)
}
