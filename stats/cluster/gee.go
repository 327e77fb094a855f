package cluster

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/glm"
	"keratally/stats/regress"
)

// Family is the distribution of the response, with its canonical link.
type Family int

// The families: identity link and constant variance; logit and μ(1 − μ); log and μ.
const (
	Gaussian Family = iota + 1
	Binomial
	Poisson
)

// Working is the correlation that the equations assume within a cluster. The
// estimates are consistent whatever it is; they are more efficient when it is right.
type Working int

// The working correlations: none; one α for every two observations; α to the
// number of places between two observations of a cluster, in the order given.
const (
	Independence Working = iota
	Exchangeable
	AR1
)

// Convention is how scale and correlation are estimated from Pearson residuals e.
type Convention int

// Plain: φ = Σe²/N and α over all pairs. Corrected: N − p and pairs − p
// instead. They differ in the second to fourth digit; a report says which.
const (
	Plain Convention = iota
	Corrected
)

// Equations says what to solve.
type Equations struct {
	Family      Family
	Working     Working
	Convention  Convention
	BiasReduced bool // Mancl & DeRouen's variance in place of the plain sandwich
}

// GEE is the solution of generalised estimating equations.
type GEE struct {
	Equations    Equations
	N, Clusters  int
	Largest      int                   // observations of the largest cluster
	Coefficients []regress.Coefficient // z tests by the sandwich
	VCov         *mat.SymDense         // sandwich
	ModelVCov    *mat.SymDense         // as if the working correlation were right
	Alpha, Scale float64
	AlphaSE      float64 // sandwich, allowing for the estimation of β and φ; NaN for Independence
	// AlphaSEComparison is the standard error of α that geepack 1.3.9 prints, for
	// comparing with it only: see alphaSE.
	AlphaSEComparison float64
	Level             float64
	Notes             []string
}

// SolveGEE solves Σ D_i'V_i⁻¹(y_i − μ_i) = 0 over the clusters i, with V_i =
// φ·A^(1/2)R(α)A^(1/2), alternating Newton steps with moment estimates of φ and
// α until neither moves. Standard errors are the sandwich without small-sample
// factor, or Mancl and DeRouen's, whose residuals are divided by I − H_ii and
// which is better with fewer than about 50 clusters.
//
// The errors are stats.ErrOneGroup for one cluster, those of regress.OLS or the glm
// package at the start (collinear terms, separation), stats.ErrTooFew
// if the corrected convention has no pairs left, and stats.ErrNotConverged if α leaves
// the range of a correlation matrix.
//
// Liang & Zeger, Biometrika 1986;73:13–22; Mancl & DeRouen, Biometrics
// 2001;57:126–134.
func SolveGEE(d *regress.Design, cluster []int, q Equations, level float64) (*GEE, error) {
	if err := stats.CheckLevel(level); err != nil {
		return nil, err
	}
	if d.X == nil || d.Y == nil {
		return nil, &stats.ArgumentError{Name: "estimating equations", Got: "no response or no term", Want: "a response and at least one term"}
	}
	code, count, err := codes("estimating equations", cluster, len(d.Rows))
	if err != nil {
		return nil, err
	}
	g := &solver{design: d, equations: q, groups: members(code, count)}
	if g.beta, err = g.start(level); err != nil {
		return nil, fmt.Errorf("estimating equations: %w", err)
	}
	if err := g.solve(); err != nil {
		return nil, fmt.Errorf("estimating equations: %w", err)
	}
	return g.result(level)
}

type solver struct {
	design    *regress.Design
	equations Equations
	groups    [][]int
	beta      []float64
	alpha     float64
	scale     float64

	x        *mat.Dense // D/√variance, row by row
	residual []float64  // Pearson
	root     []float64  // √variance
	bend     []float64  // d variance/dμ over √variance
	hessian  *mat.SymDense
	score    *mat.VecDense
	notes    []string
}

// start fits the model as if the observations were independent.
func (g *solver) start(level float64) ([]float64, error) {
	d := g.design
	if g.equations.Family == Gaussian {
		f, err := regress.OLS(d, level)
		if err != nil {
			return nil, err
		}
		return f.Coef(), nil
	}
	data := glm.Data{Y: d.Y, X: d.X, Terms: d.Names, Offset: d.Offset}
	fit := glm.Logistic
	if g.equations.Family == Poisson {
		fit = glm.PoissonRegression
	}
	f, err := fit(data, level)
	if err != nil {
		return nil, err
	}
	beta := make([]float64, len(f.Coefficients))
	for j, c := range f.Coefficients {
		beta[j] = c.Estimate
	}
	return beta, nil
}

// standardise fills in Pearson residuals and D/√variance at beta.
func (g *solver) standardise() {
	d := g.design
	n, p := d.X.Dims()
	g.x, g.residual = mat.NewDense(n, p, nil), make([]float64, n)
	g.root, g.bend = make([]float64, n), make([]float64, n)
	for i := range n {
		row := d.X.RawRowView(i)
		eta := 0.0
		for j, v := range row {
			eta += v * g.beta[j]
		}
		if d.Offset != nil {
			eta += d.Offset[i]
		}
		mu, slope, bend := eta, 1.0, 0.0
		switch g.equations.Family {
		case Binomial:
			mu = 1 / (1 + math.Exp(-eta))
			slope, bend = mu*(1-mu), 1-2*mu
		case Poisson:
			mu = math.Exp(eta)
			slope, bend = mu, 1
		}
		// At the canonical link the variance is dμ/dη.
		root := math.Sqrt(slope)
		g.residual[i], g.root[i], g.bend[i] = (d.Y[i]-mu)/root, root, bend/root
		for j, v := range row {
			g.x.Set(i, j, v*root)
		}
	}
}

// each gives the information X'R⁻¹X and score X'R⁻¹e of every cluster.
func (g *solver) each(visit func(information *mat.Dense, score *mat.VecDense)) error {
	_, p := g.x.Dims()
	for _, rows := range g.groups {
		own, solved := mat.NewDense(len(rows), p, nil), mat.NewDense(len(rows), p, nil)
		e := mat.NewVecDense(len(rows), nil)
		for k, i := range rows {
			own.SetRow(k, g.x.RawRowView(i))
			solved.SetRow(k, g.x.RawRowView(i))
			e.SetVec(k, g.residual[i])
		}
		if err := g.invert(solved); err != nil {
			return err
		}
		var information mat.Dense
		var score mat.VecDense
		information.Mul(solved.T(), own)
		score.MulVec(solved.T(), e)
		visit(&information, &score)
	}
	return nil
}

const geeIterations = 2000

func (g *solver) solve() error {
	_, p := g.design.X.Dims()
	settled := 0
	for range geeIterations {
		g.standardise()
		before := g.alpha
		if err := g.moments(); err != nil {
			return err
		}
		total := mat.NewDense(p, p, nil)
		g.score = mat.NewVecDense(p, nil)
		err := g.each(func(information *mat.Dense, score *mat.VecDense) {
			total.Add(total, information)
			g.score.AddVec(g.score, score)
		})
		if err != nil {
			return err
		}
		g.hessian = symmetric(total)
		var chol mat.Cholesky
		if !chol.Factorize(g.hessian) {
			return stats.ErrCollinear
		}
		var step mat.VecDense
		if err := chol.SolveVecTo(&step, g.score); err != nil {
			if _, badly := err.(mat.Condition); !badly {
				return err
			}
		}
		largest := math.Abs(g.alpha - before)
		for j := range g.beta {
			g.beta[j] += step.AtVec(j)
			largest = math.Max(largest, math.Abs(step.AtVec(j))/math.Sqrt(1/g.hessian.At(j, j)+g.beta[j]*g.beta[j]))
		}
		if largest < 1e-13 {
			if settled++; settled == 2 {
				return nil
			}
		}
	}
	return fmt.Errorf("not settled after %d steps: %w", geeIterations, stats.ErrNotConverged)
}

func symmetric(m *mat.Dense) *mat.SymDense {
	n, _ := m.Dims()
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for j := i; j < n; j++ {
			out.SetSym(i, j, (m.At(i, j)+m.At(j, i))/2)
		}
	}
	return out
}

// result makes the sandwich at the solution.
func (g *solver) result(level float64) (*GEE, error) {
	n, p := g.design.X.Dims()
	var chol mat.Cholesky
	if !chol.Factorize(g.hessian) {
		return nil, stats.ErrCollinear
	}
	var bread mat.SymDense
	if err := chol.InverseTo(&bread); err != nil {
		return nil, stats.ErrCollinear
	}
	meat := mat.NewSymDense(p, nil)
	var failure error
	err := g.each(func(information *mat.Dense, score *mat.VecDense) {
		if g.equations.BiasReduced {
			// (I − DH⁻¹D'V⁻¹)⁻¹ on the residuals is (I − H_iH⁻¹)⁻¹ on the score.
			var share, left mat.Dense
			share.Mul(information, &bread)
			left.Scale(-1, &share)
			for j := range p {
				left.Set(j, j, left.At(j, j)+1)
			}
			var widened mat.VecDense
			if err := widened.SolveVec(&left, score); err != nil {
				failure = fmt.Errorf("one cluster alone determines a coefficient: %w", stats.ErrTooFew)
				return
			}
			score = &widened
		}
		meat.SymRankOne(meat, 1, score)
	})
	if err == nil {
		err = failure
	}
	if err != nil {
		return nil, err
	}
	out := &GEE{
		Equations: g.equations, N: n, Clusters: len(g.groups), Alpha: g.alpha, Scale: g.scale, Level: level,
		VCov: regress.Sandwich(&bread, meat), ModelVCov: mat.NewSymDense(p, nil), AlphaSE: math.NaN(), Notes: g.notes,
	}
	out.ModelVCov.ScaleSym(g.scale, &bread)
	for _, rows := range g.groups {
		out.Largest = max(out.Largest, len(rows))
	}
	out.AlphaSEComparison = math.NaN()
	if g.equations.Working != Independence && out.Largest > 1 {
		out.AlphaSE = g.alphaSE(&bread, sandwichDerivatives)
		out.AlphaSEComparison = g.alphaSE(&bread, comparisonDerivatives)
	}
	if out.Largest == 1 && g.equations.Working != Independence {
		out.Notes = append(out.Notes, "no cluster has two observations, so there is no correlation to estimate")
	}
	for j, name := range g.design.Names {
		out.Coefficients = append(out.Coefficients, regress.NewCoefficient(name, g.beta[j], math.Sqrt(out.VCov.At(j, j)), math.Inf(1), level))
	}
	return out, nil
}
