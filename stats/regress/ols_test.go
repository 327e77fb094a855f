package regress_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/stats"
	"keratally/stats/regress"
	"keratally/stats/regress/regresstest"
)

func ols(t require.TestingT, frame *regress.Frame, formula string, options ...regress.Option) *regress.Fit {
	f, err := regress.ParseFormula(formula)
	require.NoError(t, err)
	d, err := f.Design(frame, options...)
	require.NoError(t, err)
	o, err := regress.OLS(d, 0.95)
	require.NoError(t, err)
	return o
}

// R 4.2.2, car 3.1-1: lm(kmax_m12 ~ kmax_m0 + arm * site, data), summary(),
// anova(), Anova(type = 2), and Anova(type = 3) with contr.sum for both factors.
func TestAncovaAndAnova(t *testing.T) {
	frame := regresstest.Reference(t, "cxl_demo_wide")
	const formula = "kmax_m12 ~ kmax_m0 + arm * site"
	o := ols(t, frame, formula)
	for j, want := range []struct{ b, se, t, p float64 }{
		{-2.920061176256108, 1.7875991081647160, -1.633510087870911, 1.06788843030764e-01},
		{1.039800065050383, 0.0330522267351779, 31.459304493506675, 1.99853872669919e-43},
		{0.223307617249557, 0.3539103007159757, 0.630972358808987, 5.30084592148747e-01},
	} {
		c := o.Coefficients[j]
		require.InEpsilon(t, want.b, c.Estimate, 1e-11)
		require.InEpsilon(t, want.se, c.SE, 1e-11)
		require.InEpsilon(t, want.t, c.T, 1e-11)
		require.InEpsilon(t, want.p, c.P, 1e-9)
	}
	require.Equal(t, 10, o.Design.Missing)
	sums := ols(t, frame, formula, regress.SumContrasts("arm", "site"))
	for _, tt := range []struct {
		fit  *regress.Fit
		kind regress.AnovaType
		ss   []float64
	}{
		{o, regress.Sequential, []float64{843.3632250826, 0.0166518827, 1.2596211451, 2.7901990011, 57.1328028885}},
		{o, regress.Marginal, []float64{796.3892991414011249, 0.0357206221407651, 1.2596211450978245, 2.7901990010683377, 57.132802888513865}},
		{sums, regress.Partial, []float64{2.0474687662284552, 796.3892991414015796, 0.0796635163350317, 1.5381820096573122, 2.7901990010683377, 57.1328028885138721}},
	} {
		lines, err := tt.fit.Anova(tt.kind)
		require.NoError(t, err)
		require.Len(t, lines, len(tt.ss))
		for i, l := range lines {
			require.InDelta(t, tt.ss[i], l.SS, 1e-10*tt.ss[i]+6e-11, l.Term) // type 1 is printed to 10 decimals
		}
	}
}

// R 4.2.2, emmeans 1.8.4-1: emmeans(m, ~ arm), pairs(emmeans(m, ~ site), adjust = "tukey").
func TestMarginalMeans(t *testing.T) {
	o := ols(t, regresstest.Reference(t, "cxl_demo_wide"), "kmax_m12 ~ kmax_m0 + arm * site")
	means, err := o.Means("~ arm")
	require.NoError(t, err)
	for i, want := range [][]float64{{53.4693682490, 0.163097792422, 53.1441604874, 53.7945760105}, {53.4016800762, 0.140197768496, 53.1221336655, 53.6812264869}} {
		require.InEpsilon(t, want[0], means[i].Estimate, 1e-11)
		require.InEpsilon(t, want[1], means[i].SE, 1e-11)
		require.InEpsilon(t, want[2], means[i].Lower, 1e-11)
		require.InEpsilon(t, want[3], means[i].Upper, 1e-11)
	}
	pairs, err := o.Pairs("~ site", regress.Tukey)
	require.NoError(t, err)
	for i, want := range []struct {
		contrast string
		b, p     float64
	}{
		{"A - B", 0.2947416353791, 0.719356562495}, {"A - C", 0.0745743167194, 0.991992012267}, {"A - D", -0.1503429846112, 0.964590379453},
		{"B - C", -0.2201673186597, 0.875469196664}, {"B - D", -0.4450846199903, 0.566511797179}, {"C - D", -0.2249173013306, 0.904404278407},
	} {
		require.Equal(t, want.contrast, pairs[i].Contrast)
		require.InEpsilon(t, want.b, pairs[i].Estimate, 1e-11)
		require.InDelta(t, want.p, pairs[i].P, 1e-8)
	}
	none, err := o.Pairs("~ site", regress.NoAdjustment)
	require.NoError(t, err)
	holm, err := o.Pairs("~ site", regress.Holm)
	require.NoError(t, err)
	for i := range none {
		require.LessOrEqual(t, none[i].P, holm[i].P)
		require.LessOrEqual(t, none[i].P, pairs[i].P)
	}
	_, err = o.Means("~ colour")
	require.Error(t, err)
}

// Two groups of three: by hand b = 4 − 2, σ² = 4/4, Var = 1·(1/3 + 1/3), and
// with equal group sizes every leverage is 1/3.
func TestTwoGroupsByHand(t *testing.T) {
	frame := regress.NewFrame(6)
	require.NoError(t, frame.AddNumbers("y", []float64{1, 2, 3, 3, 4, 5}))
	require.NoError(t, frame.AddFactor("g", []string{"a", "a", "a", "b", "b", "b"}))
	o := ols(t, frame, "y ~ g")
	require.InEpsilon(t, 2, o.Coefficients[1].Estimate, 1e-15)
	require.InEpsilon(t, math.Sqrt(2.0/3), o.Coefficients[1].SE, 1e-15)
	require.Equal(t, 4.0, o.DF)
	for _, h := range o.Leverage() {
		require.InEpsilon(t, 1.0/3, h, 1e-14)
	}
	i := o.Influence()
	require.InEpsilon(t, -1/math.Sqrt(2.0/3), i.Standardised[0], 1e-14)
	require.InEpsilon(t, 1.5*(1.0/3)/(2*2.0/3), i.Cook[0], 1e-14)
}

func TestOLSRefusals(t *testing.T) {
	frame := regress.NewFrame(4)
	require.NoError(t, frame.AddNumbers("y", []float64{1, 2, 4, 8}))
	require.NoError(t, frame.AddNumbers("x", []float64{0.1, 0.2, 0.3, 0.7}))
	require.NoError(t, frame.AddNumbers("double", []float64{0.2, 0.4, 0.6, 1.4}))
	require.NoError(t, frame.AddNumbers("same", []float64{5, 5, 5, 5}))
	require.NoError(t, frame.AddNumbers("none", []float64{math.NaN(), math.NaN(), math.NaN(), math.NaN()}))
	for formula, want := range map[string]error{
		"y ~ x + double":            stats.ErrCollinear,
		"y ~ same":                  stats.ErrCollinear,
		"same ~ x":                  stats.ErrNoVariance,
		"y ~ x + I(x^2) + I(x^3)":   stats.ErrTooFew,
		"y ~ none":                  stats.ErrNoData,
		"y ~ log(same - 5)":         stats.ErrNotFinite,
		"y ~ offset(1/(same - 5))":  stats.ErrNotFinite,
		"y ~ x + I(3*double - 2*x)": stats.ErrCollinear,
	} {
		f, err := regress.ParseFormula(formula)
		require.NoError(t, err)
		d, err := f.Design(frame)
		if err == nil {
			_, err = regress.OLS(d, 0.95)
		}
		require.ErrorIs(t, err, want, formula)
	}
}

// A response shifted by 1e9 has the same slope, to the digits that a double
// leaves of it, and stretched units stretch the coefficients.
func TestShiftAndScale(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 3))
		n := rapid.IntRange(6, 40).Draw(rt, "n")
		y, x, z, far := make([]float64, n), make([]float64, n), make([]float64, n), make([]float64, n)
		for i := range y {
			x[i], z[i] = r.NormFloat64(), r.NormFloat64()
			y[i] = math.Round((x[i]-z[i]+r.NormFloat64())*1024) / 1024 // so that y + 1e9 is exact
			far[i] = y[i] + 1e9
		}
		order := r.Perm(n)
		frame, mixed := regress.NewFrame(n), regress.NewFrame(n)
		for name, c := range map[string][]float64{"y": y, "x": x, "z": z, "far": far} {
			shuffled := make([]float64, n)
			for i, k := range order {
				shuffled[i] = c[k]
			}
			require.NoError(rt, frame.AddNumbers(name, c))
			require.NoError(rt, mixed.AddNumbers(name, shuffled))
		}
		a, b, c := ols(rt, frame, "y ~ x * z"), ols(rt, frame, "far ~ x * z"), ols(rt, mixed, "I(1000*y) ~ x * z")
		for j := range a.Coefficients {
			want := a.Coefficients[j]
			if j > 0 {
				require.InDelta(rt, want.Estimate, b.Coefficients[j].Estimate, 1e-12*(1+math.Abs(want.Estimate))+1e-10*want.SE)
			}
			require.InEpsilon(rt, want.SE, b.Coefficients[j].SE, 1e-10)
			require.InDelta(rt, want.Estimate*1000, c.Coefficients[j].Estimate, 1e-9*(math.Abs(want.Estimate)+want.SE)*1000)
			require.True(rt, want.Lower <= want.Estimate && want.Estimate <= want.Upper)
			require.True(rt, want.P >= 0 && want.P <= 1)
		}
		require.InEpsilon(rt, a.R2, b.R2, 1e-9)
	})
}

// The plain and the doubled arithmetic agree on a large design: the same rows
// 2000 times over have the same coefficients.
func TestLargeDesign(t *testing.T) {
	base := regresstest.Reference(t, "cxl_demo_wide")
	small := ols(t, base, "kmax_m12 ~ kmax_m0 + age")
	const times = 2000
	var y, x, age []float64
	for range times {
		for i := range base.Rows() {
			a, ok := base.Number("kmax_m12", i)
			b, okB := base.Number("kmax_m0", i)
			c, okC := base.Number("age", i)
			if ok && okB && okC {
				y, x, age = append(y, a), append(x, b), append(age, c)
			}
		}
	}
	frame := regress.NewFrame(len(y))
	require.NoError(t, frame.AddNumbers("y", y))
	require.NoError(t, frame.AddNumbers("x", x))
	require.NoError(t, frame.AddNumbers("age", age))
	large := ols(t, frame, "y ~ x + age")
	for j, c := range small.Coefficients {
		require.InEpsilon(t, c.Estimate, large.Coefficients[j].Estimate, 1e-10)
		require.InEpsilon(t, c.SE*math.Sqrt(small.DF/large.DF), large.Coefficients[j].SE, 1e-10)
	}
}
