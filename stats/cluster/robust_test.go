package cluster_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/glm"
	"keratally/stats/regress"
)

// clustered is a seeded data set of patients with one to three eyes.
func clustered(t *testing.T, patients int) (*regress.Frame, []int) {
	t.Helper()
	r := rand.New(rand.NewPCG(11, 3))
	var y, x, event []float64
	var arm []string
	var id []int
	for p := range patients {
		shared := r.NormFloat64()
		for range 1 + r.IntN(3) {
			x = append(x, 10*r.Float64())
			arm = append(arm, string(rune('A'+p%2)))
			y = append(y, shared+0.3*x[len(x)-1]+r.NormFloat64())
			event = append(event, math.Round(r.Float64()*0.8+0.1*shared))
			id = append(id, p)
		}
	}
	for i, e := range event {
		event[i] = math.Max(0, math.Min(1, e))
	}
	f := regress.NewFrame(len(y))
	require.NoError(t, f.AddNumbers("y", y))
	require.NoError(t, f.AddNumbers("x", x))
	require.NoError(t, f.AddNumbers("event", event))
	require.NoError(t, f.AddFactor("arm", arm))
	return f, id
}

func fit(t *testing.T, frame *regress.Frame, formula string) (*regress.Design, *regress.Fit) {
	t.Helper()
	f, err := regress.ParseFormula(formula)
	require.NoError(t, err)
	d, err := f.Design(frame)
	require.NoError(t, err)
	o, err := regress.OLS(d, 0.95)
	require.NoError(t, err)
	return d, o
}

// With one observation a cluster the matrices are those for unequal variances:
// CR0 is HC0, CR1S is HC1, CR2 is HC2 and CR3 is HC3, term by term in their definitions.
func TestSingletonsAreHC(t *testing.T) {
	frame, _ := clustered(t, 20)
	_, o := fit(t, frame, "y ~ x + arm")
	alone := make([]int, o.N)
	for i := range alone {
		alone[i] = i
	}
	for kind, plain := range map[cluster.Type]regress.HCType{cluster.CR0: regress.HC0, cluster.CR1S: regress.HC1, cluster.CR2: regress.HC2, cluster.CR3: regress.HC3} {
		r, err := cluster.OLS(o, alone, kind)
		require.NoError(t, err)
		want, err := o.HC(plain)
		require.NoError(t, err)
		for i := range 3 {
			for j := range 3 {
				require.InDelta(t, want.At(i, j), r.VCov.At(i, j), 1e-12*math.Sqrt(want.At(i, i)*want.At(j, j)), "%s %d %d", kind, i, j)
			}
		}
	}
}

// A mean of balanced clusters: the variance is that of the cluster means over
// their number, CR1 and CR2 alike, on clusters − 1 degrees of freedom. By hand:
// means 2, 5, 9, 12, variance 58/3.
func TestBalancedMean(t *testing.T) {
	frame := regress.NewFrame(8)
	require.NoError(t, frame.AddNumbers("y", []float64{1, 3, 4, 6, 8, 10, 10, 14}))
	_, o := fit(t, frame, "y ~ 1")
	for _, kind := range []cluster.Type{cluster.CR1, cluster.CR2} {
		r, err := cluster.OLS(o, []int{1, 1, 2, 2, 3, 3, 4, 4}, kind)
		require.NoError(t, err)
		require.InEpsilon(t, math.Sqrt(58.0/3/4), r.Coefficients[0].SE, 1e-12)
		require.InEpsilon(t, 3, r.Coefficients[0].DF, 1e-12)
	}
	m, err := cluster.Mean([]float64{1, 3, 4, 6, 8, 10, 10, 14}, []int{1, 1, 2, 2, 3, 3, 4, 4}, 0.95)
	require.NoError(t, err)
	require.InEpsilon(t, math.Sqrt(58.0/3/4), m.SE, 1e-12)
	require.Equal(t, 3.0, m.DF)
}

// The order of the rows is irrelevant, and the two routes to a logistic model's
// robust variance (correction by cluster, estimating equations with an
// independent working correlation) agree.
func TestLogisticIsIndependenceEquations(t *testing.T) {
	frame, id := clustered(t, 40)
	d, _ := fit(t, frame, "event ~ x + arm")
	data := glm.Data{Y: d.Y, X: d.X, Terms: d.Names}
	f, err := glm.Logistic(data, 0.95)
	require.NoError(t, err)
	r, err := cluster.GLM(f, data, id, cluster.CR0)
	require.NoError(t, err)
	g, err := cluster.SolveGEE(d, id, cluster.Equations{Family: cluster.Binomial}, 0.95)
	require.NoError(t, err)
	for j := range r.Coefficients {
		require.InEpsilon(t, g.Coefficients[j].SE, r.Coefficients[j].SE, 1e-9)
		require.InEpsilon(t, g.Coefficients[j].Estimate, r.Coefficients[j].Estimate, 1e-9)
	}
}

func TestRobustRefusals(t *testing.T) {
	frame, id := clustered(t, 12)
	_, o := fit(t, frame, "y ~ x")
	same := make([]int, o.N)
	_, err := cluster.OLS(o, same, cluster.CR2)
	require.ErrorIs(t, err, stats.ErrOneGroup)
	_, err = cluster.OLS(o, id[1:], cluster.CR2)
	require.ErrorIs(t, err, stats.ErrLengths)
	// A dummy for each of two clusters: nothing is left between clusters.
	two := regress.NewFrame(4)
	require.NoError(t, two.AddNumbers("y", []float64{1, 2, 4, 8}))
	require.NoError(t, two.AddNumbers("g", []float64{0, 0, 1, 1}))
	_, o = fit(t, two, "y ~ g")
	_, err = cluster.OLS(o, []int{1, 1, 2, 2}, cluster.CR0)
	require.ErrorIs(t, err, stats.ErrTooFew)
	_, err = cluster.OLS(o, []int{1, 1, 2, 2}, cluster.CR3)
	require.ErrorIs(t, err, stats.ErrTooFew)
}

// An exchangeable correlation without pairs is independence, and says so.
func TestEquationsWithoutPairs(t *testing.T) {
	frame, _ := clustered(t, 15)
	d, o := fit(t, frame, "y ~ x")
	alone := make([]int, o.N)
	for i := range alone {
		alone[i] = 100 - i
	}
	g, err := cluster.SolveGEE(d, alone, cluster.Equations{Family: cluster.Gaussian, Working: cluster.Exchangeable}, 0.95)
	require.NoError(t, err)
	require.NotEmpty(t, g.Notes)
	want, err := o.HC(regress.HC0)
	require.NoError(t, err)
	require.InEpsilon(t, math.Sqrt(want.At(1, 1)), g.Coefficients[1].SE, 1e-9)
}

// The standard error of α against the definition: the change in α when a
// cluster's weight changes, by refitting with one cluster entered twice, is its
// influence, and the root of the sum of squares is the standard error (to first
// order in 1/clusters: 2 % at 400 clusters).
func TestAlphaSEByReweighting(t *testing.T) {
	frame, id := clustered(t, 400)
	d, _ := fit(t, frame, "y ~ x")
	q := cluster.Equations{Family: cluster.Gaussian, Working: cluster.Exchangeable}
	g, err := cluster.SolveGEE(d, id, q, 0.95)
	require.NoError(t, err)
	variance := 0.0
	for p := range 400 {
		var y, x []float64
		var ids []int
		for i, c := range id {
			if c != p {
				y, x, ids = append(y, d.Y[i]), append(x, d.X.At(i, 1)), append(ids, c)
			}
		}
		less := regress.NewFrame(len(y))
		require.NoError(t, less.AddNumbers("y", y))
		require.NoError(t, less.AddNumbers("x", x))
		ld, _ := fit(t, less, "y ~ x")
		lg, err := cluster.SolveGEE(ld, ids, q, 0.95)
		require.NoError(t, err)
		variance += (lg.Alpha - g.Alpha) * (lg.Alpha - g.Alpha)
	}
	require.InEpsilon(t, math.Sqrt(variance), g.AlphaSE, 0.02)
}
