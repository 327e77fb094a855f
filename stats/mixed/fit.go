package mixed

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/regress"
)

// Method is how variance components are estimated.
type Method int

// REML takes the fixed effects' degrees of freedom into account; ML does not,
// and is for comparing models with different fixed effects.
const (
	REML Method = iota + 1
	ML
)

// String returns "REML" or "maximum likelihood".
func (m Method) String() string {
	if m == ML {
		return "maximum likelihood"
	}
	return "REML"
}

// Component is a variance or covariance of the model.
type Component struct {
	Group        string // grouping, or "Residual"
	Name1, Name2 string // column; Name2 is empty for a variance
	Value        float64
	SD           float64 // square root of a variance, correlation of a covariance (NaN beside a zero variance)
}

// Fit is a fitted linear mixed model.
type Fit struct {
	Method       Method
	Freedom      FreedomMethod // of Coefficients
	Coefficients []regress.Coefficient
	Components   []Component
	N            int
	Groups       map[string]int // number of groups by grouping
	Criterion    float64        // −2 log (restricted) likelihood
	LogLik       float64
	AIC, BIC     float64 // every fixed effect and variance component counts as a parameter
	VCov         *mat.SymDense
	Sigma        float64 // residual standard deviation
	Boundary     bool    // a variance is 0 or a correlation ±1
	Level        float64
	Notes        []string

	core
	design *regress.Design
}

// boundaryShare is the share of the residual variance below which a random
// effect's variance, given those before it, is 0.
const boundaryShare = 1e-9

// Model fits y = Xβ + Zb + e to a design with random terms, such as that of
// "change ~ protocol + baseline + (1 | patient)", by REML or maximum
// likelihood; random effects may be intercepts, slopes, nested or crossed. One
// random intercept costs time in proportion to the rows once and to the distinct group
// sizes per step; other structures cost the cube of the random effects that are
// linked with one another (those of one patient, or all of them when crossed).
//
// On the boundary (no variation between patients beyond chance) the component
// is exactly 0, Boundary is set and a note says so. The errors are those of
// regress.OLS, stats.ErrOneGroup if a grouping has one level,
// stats.ErrTooFew if every group has one row (nothing separates the group's
// effect from the residual), stats.ErrNoVariance if the fixed effects fit exactly, and stats.ErrNotConverged.
func Model(d *regress.Design, method Method, freedom FreedomMethod, level float64) (*Fit, error) {
	if len(d.Random) == 0 {
		return nil, &stats.ArgumentError{Name: "mixed model", Got: "no random term", Want: "a term such as (1 | patient)"}
	}
	if err := stats.CheckLevel(level); err != nil {
		return nil, err
	}
	thin, err := d.Thin()
	if err != nil {
		return nil, err
	}
	if err := checkGroups(d); err != nil {
		return nil, err
	}
	dt, w, err := reduce(thin, len(d.Rows), method)
	if err != nil {
		return nil, err
	}
	f := &Fit{Method: method, Freedom: freedom, N: dt.n, Level: level, design: d, Groups: map[string]int{}}
	var part randomPart
	if len(d.Random) == 1 && onlyIntercept(d.Random[0]) {
		part = newIntercepts(w, dt.p+1, d.Random[0].Groups, len(d.Random[0].Labels))
	} else {
		part = newEffects(w, dt.p+1, d.Random)
	}
	mp, start := randomStart(d)
	f.core = core{data: dt, structure: &withResidual{random: part}}
	if f.best, err = dt.minimise(f.structure, mp, start); err != nil {
		return nil, err
	}
	f.finish(thin.RInverse, thin.Coef)
	f.components()
	return f, f.complete(d.Names)
}

func checkGroups(d *regress.Design) error {
	for _, r := range d.Random {
		if len(r.Labels) < 2 {
			return fmt.Errorf("%s: %w", r.Group, stats.ErrOneGroup)
		}
		if _, k := r.Z.Dims(); len(r.Labels)*k >= len(d.Rows) {
			return fmt.Errorf("%s has %d random effects for %d rows, so they cannot be told from the residual: %w",
				r.Group, len(r.Labels)*k, len(d.Rows), stats.ErrTooFew)
		}
	}
	return nil
}

func onlyIntercept(r regress.RandomDesign) bool {
	return len(r.Names) == 1 && r.Names[0] == "(Intercept)"
}

// reduce scales the residuals to unit variance and puts them beside Q.
func reduce(t *regress.Thin, n int, method Method) (*data, []float64, error) {
	p := len(t.Coef)
	scale := math.Sqrt(t.RSS / float64(n-p))
	if scale == 0 {
		return nil, nil, fmt.Errorf("the fixed effects fit every observation exactly: %w", stats.ErrNoVariance)
	}
	w := make([]float64, n*(p+1))
	for i := range n {
		row := w[i*(p+1) : (i+1)*(p+1)]
		copy(row, t.Q.RawRowView(i))
		row[p] = t.Resid[i] / scale
	}
	return &data{n: n, p: p, scale: scale, logDetR: t.LogDet, ml: method == ML}, w, nil
}

// randomStart starts each random coefficient at half the residual variance
// and the residual at half.
func randomStart(d *regress.Design) (mapping, []float64) {
	var mp mapping
	var start []float64
	for _, r := range d.Random {
		n, k := r.Z.Dims()
		mp = append(mp, part{cholesky, k})
		for i := range k {
			square := 0.0
			for row := range n {
				v := r.Z.At(row, i)
				square += v * v
			}
			for range i {
				start = append(start, 0)
			}
			start = append(start, math.Sqrt(0.5*float64(n)/math.Max(square, 1e-300)/float64(k)))
		}
	}
	return append(mp, part{logarithm, 1}), append(start, math.Log(0.5))
}

// components lists the variances and covariances in the units of the data.
func (f *Fit) components() {
	square := f.data.scale * f.data.scale
	psi := f.best.psi
	residual := psi[len(psi)-1]
	f.Sigma = math.Sqrt(residual) * f.data.scale
	k := 0
	for _, r := range f.design.Random {
		f.Groups[r.Group] = len(r.Labels)
		first := k
		for i, name := range r.Names {
			k += i // past the covariances with the columns before
			v := psi[k] * square
			if psi[k] < boundaryShare*residual {
				v = 0
			}
			f.Components = append(f.Components, Component{Group: r.Group, Name1: name, Value: v, SD: math.Sqrt(v)})
			k++
		}
		for i := range r.Names {
			for j := range i {
				v := psi[first+triangle(i, j)] * square
				a, b := psi[first+triangle(i, i)], psi[first+triangle(j, j)]
				sd := v / math.Sqrt(a*b) / square
				if math.Min(a, b) < boundaryShare*residual {
					v, sd = 0, math.NaN()
				}
				f.Components = append(f.Components, Component{Group: r.Group, Name1: r.Names[j], Name2: r.Names[i], Value: v, SD: sd})
			}
		}
		f.noteBoundary(r, psi[first:k], residual)
	}
	f.Components = append(f.Components, Component{Group: "Residual", Value: residual * square, SD: f.Sigma})
}

// noteBoundary says where a term's covariance matrix is singular.
func (f *Fit) noteBoundary(r regress.RandomDesign, psi []float64, residual float64) {
	n := len(r.Names)
	c := mat.NewSymDense(n, nil)
	for i := range n {
		size := 0.0
		rows, _ := r.Z.Dims()
		for row := range rows {
			size += r.Z.At(row, i) * r.Z.At(row, i) / float64(rows)
		}
		for j := range i + 1 {
			c.SetSym(i, j, psi[triangle(i, j)])
		}
		if psi[triangle(i, i)]*size < boundaryShare*residual {
			f.Boundary = true
			f.Notes = append(f.Notes, fmt.Sprintf("no variation of %s between levels of %s beyond chance: its variance is estimated as 0, on the boundary", r.Names[i], r.Group))
			return
		}
	}
	for i := range n {
		for j := i; j < n; j++ {
			if i != j {
				c.SetSym(i, j, c.At(i, j)/math.Sqrt(c.At(i, i)*c.At(j, j)))
			}
		}
	}
	for i := range n {
		c.SetSym(i, i, 1)
	}
	var eigen mat.EigenSym
	if eigen.Factorize(c, false) && eigen.Values(nil)[0] < 1e-8 {
		f.Boundary = true
		f.Notes = append(f.Notes, fmt.Sprintf("the random effects of %s are estimated as perfectly correlated, on the boundary", r.Group))
	}
}

// complete fills in likelihoods, coefficients and their covariance.
func (f *Fit) complete(names []string) error {
	f.Criterion = f.best.point.value + f.data.constant()
	f.LogLik = -f.Criterion / 2
	parameters := float64(f.data.p + len(f.best.psi))
	f.AIC = f.Criterion + 2*parameters
	f.BIC = f.Criterion + math.Log(float64(f.N))*parameters
	f.VCov = f.covariance()
	if f.Freedom == KenwardRoger {
		if _, err := f.adjust(); err != nil {
			return err
		}
	}
	for j := range names {
		se, df, err := f.one(unit(len(names), j), f.Freedom)
		if err != nil {
			return err
		}
		f.Coefficients = append(f.Coefficients, regress.NewCoefficient(names[j], f.beta[j], se, df, f.Level))
	}
	if f.design != nil && f.design.Missing > 0 {
		f.Notes = append(f.Notes, fmt.Sprintf("%d rows with a missing value left out", f.design.Missing))
	}
	return nil
}

func unit(n, j int) []float64 {
	l := make([]float64, n)
	l[j] = 1
	return l
}

// covariance returns Var β without Kenward and Roger's adjustment.
func (c *core) covariance() *mat.SymDense {
	p := c.data.p
	rows := make([][]float64, p)
	for j := range p {
		rows[j] = c.turned(unit(p, j))
	}
	return between(c.best.point.phi, rows)
}

// Estimate returns l'β with a t test on the given degrees of freedom.
func (f *Fit) Estimate(name string, l []float64, freedom FreedomMethod) (regress.Coefficient, error) {
	se, df, err := f.one(l, freedom)
	if err != nil {
		return regress.Coefficient{}, err
	}
	return regress.NewCoefficient(name, dot(l, f.beta), se, df, f.Level), nil
}

// Test tests that every combination of the coefficients in L is zero.
func (f *Fit) Test(h regress.Hypothesis, freedom FreedomMethod) (FTest, error) {
	t, err := f.test(h, freedom)
	t.SS *= f.Sigma * f.Sigma
	return t, err
}

// Anova returns the type 3 F test of each term.
func (f *Fit) Anova(freedom FreedomMethod) ([]FTest, error) {
	hypotheses, err := f.design.PartialHypotheses()
	if err != nil {
		return nil, err
	}
	var out []FTest
	for _, h := range hypotheses {
		t, err := f.Test(h, freedom)
		if err != nil {
			return nil, err
		}
		out = append(out, t)
	}
	return out, nil
}

// Means estimates marginal means, see regress.Margins.
func (f *Fit) Means(specification string, freedom FreedomMethod) ([]regress.Margin, error) {
	m, err := f.design.Margins(specification)
	if err != nil {
		return nil, err
	}
	return m.Means(f.beta, f.freedomOf(freedom), f.Level)
}

// Pairs compares marginal means pairwise, see regress.Margins.
func (f *Fit) Pairs(specification string, freedom FreedomMethod, adjust regress.Adjustment) ([]regress.Margin, error) {
	m, err := f.design.Margins(specification)
	if err != nil {
		return nil, err
	}
	return m.Pairs(f.beta, f.freedomOf(freedom), f.Level, adjust)
}

func (f *Fit) freedomOf(method FreedomMethod) regress.Freedom {
	return func(l []float64) (se, df float64, err error) { return f.one(l, method) }
}

// Variance returns the variance of the named grouping's intercept, 0 where it
// is on the boundary or absent; "Residual" is the residual variance.
func (f *Fit) Variance(group string) float64 {
	for _, c := range f.Components {
		if c.Group == group && c.Name2 == "" && (c.Name1 == "(Intercept)" || c.Name1 == "") {
			return c.Value
		}
	}
	return 0
}

// ICC returns the share of the variance that lies between the groups of a
// model with one random intercept: τ²/(τ² + σ²), the correlation of two rows of one group.
func (f *Fit) ICC(group string) float64 {
	v := f.Variance(group)
	return v / (v + f.Sigma*f.Sigma)
}
