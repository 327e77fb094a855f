package regress_test

import (
	"math"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats/regress"
	"keratally/stats/regress/regresstest"
)

// digits is the number of significant digits to which got agrees with want.
func digits(got, want float64) float64 {
	if got == want {
		return 16
	}
	if want == 0 {
		return -math.Log10(math.Abs(got))
	}
	return -math.Log10(math.Abs(got-want) / math.Abs(want))
}

func powers(degree int) string {
	terms := []string{"x"}
	for k := 2; k <= degree; k++ {
		terms = append(terms, "I(x^"+strconv.Itoa(k)+")")
	}
	return "y ~ " + strings.Join(terms, " + ")
}

// Certified values of the NIST Statistical Reference Datasets, linear
// regression. The digits asked are those that reading the decimals as doubles
// leaves: Filip's columns agree to nine digits with a combination of the
// others, so that an error of 1e-16 in the data is one of about 1e-8 in its
// coefficients, whatever the arithmetic.
func TestNISTLinearRegression(t *testing.T) {
	for _, tt := range []struct {
		set, formula string
		estimate, se []float64
		sigma, r2    float64
		want         float64
	}{
		{"norris", "y ~ x", []float64{-0.262323073774029, 1.00211681802045}, []float64{0.232818234301152, 0.000429796848199937}, 0.884796396144373, 0.999993745883712, 13},
		{"noint1", "y ~ x - 1", []float64{2.07438016528926}, []float64{0.0165289256198347}, 3.56753034006338, 0.999365492298663, 13},
		{"noint2", "y ~ x - 1", []float64{0.727272727272727}, []float64{0.0420827318078432}, 0.369274472937998, 0.993348115299335, 13},
		{"wampler1", powers(5), []float64{1, 1, 1, 1, 1, 1}, []float64{0, 0, 0, 0, 0, 0}, 0, 1, 15},
		{"wampler2", powers(5), []float64{1, 0.1, 0.01, 0.001, 0.0001, 0.00001}, []float64{0, 0, 0, 0, 0, 0}, 0, 1, 12},
		{"wampler3", powers(5), []float64{1, 1, 1, 1, 1, 1}, []float64{2152.32624678170, 2363.55173469681, 779.343524331583, 101.475507550350, 5.64566512170752, 0.112324854679312}, 2360.14502379268, 0.999995559025820, 13},
		{"wampler4", powers(5), []float64{1, 1, 1, 1, 1, 1}, []float64{215232.624678170, 236355.173469681, 77934.3524331583, 10147.5507550350, 564.566512170752, 11.2324854679312}, 236014.502379268, 0.957478440825662, 13},
		{"longley", "y ~ x1 + x2 + x3 + x4 + x5 + x6", []float64{-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359, -0.511041056535807e-01, 1829.15146461355},
			[]float64{890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675, 0.226073200069370, 455.478499142212}, 304.854073561965, 0.995479004577296, 13},
		{"filip", powers(10), []float64{-1467.48961422980, -2772.17959193342, -2316.37108160893, -1127.97394098372, -354.478233703349, -75.1242017393757, -10.8753180355343, -1.06221498588947, -0.670191154593408e-01, -0.246781078275479e-02, -0.402962525080404e-04},
			[]float64{298.084530995537, 559.779865474950, 466.477572127796, 227.204274477751, 71.6478660875927, 15.2897178747400, 2.23691159816033, 0.221624321934227, 0.142363763154724e-01, 0.535617408889821e-03, 0.896632837373868e-05}, 0.334801051324544e-02, 0.996727416185620, 7.5},
	} {
		t.Run(tt.set, func(t *testing.T) {
			f, err := regress.ParseFormula(tt.formula)
			require.NoError(t, err)
			d, err := f.Design(regresstest.Reference(t, "nist_"+tt.set))
			require.NoError(t, err)
			fit, err := regress.OLS(d, 0.95)
			require.NoError(t, err)
			worst := math.Min(digits(fit.Sigma, tt.sigma), digits(fit.R2, tt.r2))
			for j, c := range fit.Coefficients {
				worst = math.Min(worst, math.Min(digits(c.Estimate, tt.estimate[j]), digits(c.SE, tt.se[j])))
			}
			require.GreaterOrEqual(t, worst, tt.want, "fewest digits of agreement")
		})
	}
}
