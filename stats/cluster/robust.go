package cluster

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/glm"
	"keratally/stats/regress"
)

// Type is a variant of the cluster-robust variance, named as in Bell &
// McCaffrey and Pustejovsky & Tipton. With m clusters, N observations and p
// coefficients CR1 is CR0 times m/(m−1), CR1S times m(N−1)/((m−1)(N−p)), and CR1P
// times m/(m−p). CR2 corrects the residuals so that the variance is unbiased if
// the model's own variance is right; CR3 is close to the jackknife.
type Type int

// The variants.
const (
	CR0 Type = iota
	CR1
	CR1S
	CR1P
	CR2
	CR3
)

// String returns the name.
func (t Type) String() string { return [...]string{"CR0", "CR1", "CR1S", "CR1p", "CR2", "CR3"}[t] }

// factor is the small-sample factor of the variance.
func (t Type) factor(m, n, p float64) (float64, error) {
	switch t {
	case CR1:
		return m / (m - 1), nil
	case CR1S:
		return m * (n - 1) / ((m - 1) * (n - p)), nil
	case CR1P:
		if m <= p {
			return 0, &stats.TooFewError{Method: "CR1p, in clusters", Got: int(m), Need: int(p) + 1}
		}
		return m / (m - p), nil
	}
	return 1, nil
}

// Robust is a fit whose standard errors allow for dependence within clusters.
type Robust struct {
	Type         Type
	N, Clusters  int
	Coefficients []regress.Coefficient // t tests on Satterthwaite's degrees of freedom
	VCov         *mat.SymDense
	Level        float64

	parts []clusterPart
	root  *mat.Dense // S with S·S' the bread
	coef  []float64
}

// clusterPart is what a cluster adds to the degrees of freedom of l'b: with
// s = S'l, the variance g'Φg = s'own·s of its score and its pull = gather·s on
// the fit.
type clusterPart struct{ own, gather *mat.Dense }

// Naive returns the coefficient's p value on clusters − 1 degrees of freedom,
// or from the normal distribution with df = +Inf.
func (r *Robust) Naive(j int, df float64) float64 {
	return dist.PT(r.Coefficients[j].T, df, stats.TwoSided)
}

// OLS returns a least-squares fit with cluster-robust standard errors
//
//	(X'X)⁻¹ (Σ X_i'A_i e_i e_i'A_i X_i) (X'X)⁻¹
//
// over the clusters i. A_i is the identity for CR0 and the CR1s,
// (I − H_ii)^(−1/2) for CR2 and (I − H_ii)⁻¹ for CR3. Degrees of freedom are
// Satterthwaite's under independent errors of equal variance. CR2 with these is
// the default of the registry.
//
// The errors are stats.ErrOneGroup for one cluster and stats.ErrTooFew for CR3 if
// one cluster alone determines a coefficient.
//
// Liang & Zeger, Biometrika 1986;73:13–22; Bell & McCaffrey, Surv Methodol
// 2002;28:169–181; Pustejovsky & Tipton, J Bus Econ Stat 2018;36:672–683.
func OLS(f *regress.Fit, cluster []int, t Type) (*Robust, error) {
	code, count, err := codes("cluster-robust variance", cluster, f.N)
	if err != nil {
		return nil, err
	}
	r := &Robust{Type: t, N: f.N, Clusters: count, Level: f.Level, coef: f.Coef()}
	if r.root, err = squareRoot(f.Bread()); err != nil {
		return nil, err
	}
	p := len(r.coef)
	var q mat.Dense
	q.Mul(f.Design.X, r.root)
	squares := make([]*mat.SymDense, count)
	scores := make([]*mat.VecDense, count)
	for i := range count {
		squares[i], scores[i] = mat.NewSymDense(p, nil), mat.NewVecDense(p, nil)
	}
	for i, c := range code {
		row := mat.NewVecDense(p, q.RawRowView(i))
		squares[c].SymRankOne(squares[c], 1, row)
		scores[c].AddScaledVec(scores[c], f.Residuals[i], row)
	}
	meat := mat.NewSymDense(p, nil)
	for i := range count {
		k, err := t.correction(squares[i])
		if err != nil {
			return nil, err
		}
		var score mat.VecDense
		score.MulVec(k, scores[i])
		meat.SymRankOne(meat, 1, &score)
		var own, gather mat.Dense
		gather.Mul(squares[i], k)
		own.Mul(k, &gather)
		r.parts = append(r.parts, clusterPart{&own, &gather})
	}
	return r, r.finish(meat, f.Design.Names)
}

// squareRoot returns S with S·S' = bread.
func squareRoot(bread *mat.SymDense) (*mat.Dense, error) {
	var chol mat.Cholesky
	if !chol.Factorize(bread) {
		return nil, fmt.Errorf("cluster-robust variance: %w", stats.ErrCollinear)
	}
	var l mat.TriDense
	chol.LTo(&l)
	return mat.DenseCopyOf(&l), nil
}

// correction returns (I − square)^power in the coordinates of Q, with square =
// Q_i'Q_i. As H_ii = Q_iQ_i', Q_i'A_i is correction·Q_i', so that a cluster costs
// the same however many observations it has.
func (t Type) correction(square *mat.SymDense) (mat.Matrix, error) {
	p := square.SymmetricDim()
	power := 0.0
	switch t {
	case CR2:
		power = -0.5
	case CR3:
		power = -1
	}
	out := mat.NewSymDense(p, nil)
	if power == 0 {
		for i := range p {
			out.SetSym(i, i, 1)
		}
		return out, nil
	}
	left := mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			left.SetSym(i, j, -square.At(i, j))
		}
		left.SetSym(i, i, 1-square.At(i, i))
	}
	return symmetricPower(left, power)
}

// singular is the eigenvalue below which a direction is determined by one cluster alone.
const singular = 1e-12

// symmetricPower returns a symmetric matrix to a negative power; directions of
// eigenvalue 0 stay 0 for −1/2, as their residuals are 0, and are an error for −1.
func symmetricPower(a *mat.SymDense, power float64) (*mat.SymDense, error) {
	n := a.SymmetricDim()
	var eigen mat.EigenSym
	if !eigen.Factorize(a, true) {
		return nil, fmt.Errorf("cluster-robust variance: %w", stats.ErrNotConverged)
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	out := mat.NewSymDense(n, nil)
	for k, v := range eigen.Values(nil) {
		if !(v > singular) {
			if power == -1 {
				return nil, fmt.Errorf("cluster-robust variance CR3: one cluster alone determines a coefficient: %w", stats.ErrTooFew)
			}
			continue
		}
		out.SymRankOne(out, math.Pow(v, power), vectors.ColView(k))
	}
	return out, nil
}

// finish turns the meat, in the coordinates of Q, into coefficients.
func (r *Robust) finish(meat *mat.SymDense, names []string) error {
	p := len(r.coef)
	factor, err := r.Type.factor(float64(r.Clusters), float64(r.N), float64(p))
	if err != nil {
		return err
	}
	var v mat.Dense
	v.Product(r.root, meat, r.root.T())
	r.VCov = mat.NewSymDense(p, nil)
	for i := range p {
		for j := i; j < p; j++ {
			r.VCov.SetSym(i, j, factor*v.At(i, j))
		}
	}
	for j, name := range names {
		l := make([]float64, p)
		l[j] = 1
		se, df, err := r.Freedom(l)
		if err != nil {
			return err
		}
		r.Coefficients = append(r.Coefficients, regress.NewCoefficient(name, r.coef[j], se, df, r.Level))
	}
	return nil
}

// Freedom returns the standard error of l'b and its Satterthwaite degrees of
// freedom 2E²/V, from the mean and variance of the estimated variance. It is
// a regress.Freedom, for marginal means and their contrasts.
func (r *Robust) Freedom(l []float64) (se, df float64, err error) {
	p := len(l)
	lv := mat.NewVecDense(p, l)
	var s mat.VecDense
	s.MulVec(r.root.T(), lv)
	expected, squares, whole := 0.0, 0.0, 0.0
	pulls := mat.NewSymDense(p, nil)
	for _, part := range r.parts {
		own := mat.Inner(&s, part.own, &s)
		var pull mat.VecDense
		pull.MulVec(part.gather, &s)
		pulled := mat.Dot(&pull, &pull)
		expected += own - pulled
		whole += own
		squares += own*own - 2*own*pulled
		pulls.SymRankOne(pulls, 1, &pull)
	}
	for i := range p {
		for j := range p {
			squares += pulls.At(i, j) * pulls.At(i, j)
		}
	}
	if !(expected > 1e-9*whole) {
		return 0, 0, fmt.Errorf("cluster-robust variance: the residuals of every cluster cancel, as each has its own coefficient: %w", stats.ErrTooFew)
	}
	return math.Sqrt(mat.Inner(lv, r.VCov, lv)), expected * expected / squares, nil
}

// GLM returns a logistic or Poisson regression with cluster-robust standard
// errors, OLS's sandwich on the working model: D'V⁻¹(y − μ) are the scores, and
// CR2 and CR3 correct the residuals against the variance V of the model. data is
// what the fit was made from. The errors are those of OLS; a cluster costs the
// cube of its observations.
func GLM(f *glm.Fit, data glm.Data, cluster []int, t Type) (*Robust, error) {
	const method = "cluster-robust variance"
	code, count, err := codes(method, cluster, f.N)
	if err != nil {
		return nil, err
	}
	if data.X == nil || len(data.Y) != f.N || data.X.RawMatrix().Rows != f.N || data.X.RawMatrix().Cols != len(f.Coefficients) || len(data.Terms) != len(f.Coefficients) ||
		data.Trials != nil && len(data.Trials) != f.N {
		return nil, fmt.Errorf("%s: data that the fit of %d rows was not made from: %w", method, f.N, stats.ErrLengths)
	}
	if err := stats.CheckSample(method, data.Y, 1); err != nil {
		return nil, err
	}
	if err := stats.CheckSample(method, data.X.RawMatrix().Data, 1); err != nil {
		return nil, err
	}
	r := &Robust{Type: t, N: f.N, Clusters: count, Level: f.Level}
	for _, c := range f.Coefficients {
		r.coef = append(r.coef, c.Estimate)
	}
	p := len(r.coef)
	slopes := mat.DenseCopyOf(data.X) // D = dμ/dβ
	variance, residual := make([]float64, f.N), make([]float64, f.N)
	information := mat.NewSymDense(p, nil)
	for i, mu := range f.Fitted {
		d := mu // dμ/dη, which is V at the canonical link
		if f.Family == glm.Binomial {
			d = mu * (1 - mu)
		}
		variance[i], residual[i] = d, data.Y[i]-mu
		if data.Trials != nil {
			variance[i] /= data.Trials[i]
		}
		row := slopes.RawRowView(i)
		for j := range row {
			row[j] *= d
		}
		information.SymRankOne(information, 1/variance[i], mat.NewVecDense(p, row))
	}
	var chol mat.Cholesky
	if !chol.Factorize(information) {
		return nil, fmt.Errorf("cluster-robust variance: %w", stats.ErrCollinear)
	}
	var bread mat.SymDense
	if err := chol.InverseTo(&bread); err != nil {
		return nil, fmt.Errorf("cluster-robust variance: %w", stats.ErrCollinear)
	}
	if r.root, err = squareRoot(&bread); err != nil {
		return nil, err
	}
	meat := mat.NewSymDense(p, nil)
	for _, rows := range members(code, count) {
		part, score, err := t.weighted(rows, slopes, &bread, r.root, variance, residual)
		if err != nil {
			return nil, err
		}
		r.parts = append(r.parts, part)
		meat.SymRankOne(meat, 1, score)
	}
	names := data.Terms
	return r, r.finish(meat, names)
}

// weighted works out one cluster of a model with unequal variances.
func (t Type) weighted(rows []int, slopes *mat.Dense, bread *mat.SymDense, root *mat.Dense, variance, residual []float64) (clusterPart, *mat.VecDense, error) {
	n := len(rows)
	_, p := slopes.Dims()
	x := mat.NewDense(n, p, nil)
	e := mat.NewVecDense(n, nil)
	scaledRows := mat.NewDense(n, p, nil) // V⁻¹X
	for k, i := range rows {
		x.SetRow(k, slopes.RawRowView(i))
		e.SetVec(k, residual[i])
		for j := range p {
			scaledRows.Set(k, j, slopes.At(i, j)/variance[i])
		}
	}
	var hat mat.Dense // X·bread·X'
	hat.Product(x, bread, x.T())
	adjust, err := t.adjustment(rows, &hat, variance)
	if err != nil {
		return clusterPart{}, nil, err
	}
	// G = S'X'V⁻¹A, so that S·G·e is the cluster's share of the estimate's error.
	var g mat.Dense
	g.Product(root.T(), scaledRows.T(), adjust)
	score := mat.NewVecDense(p, nil)
	score.MulVec(&g, e)
	spread := mat.DenseCopyOf(&g)
	for k, i := range rows {
		for j := range p {
			spread.Set(j, k, g.At(j, k)*variance[i])
		}
	}
	var own, pull mat.Dense
	own.Mul(spread, g.T())
	pull.Product(root.T(), x.T(), g.T())
	return clusterPart{&own, &pull}, score, nil
}

// adjustment returns A for a cluster whose fitted part has covariance hat.
func (t Type) adjustment(rows []int, hat *mat.Dense, variance []float64) (mat.Matrix, error) {
	n := len(rows)
	switch t {
	case CR2: // D(D(V − hat)D)^(−1/2)D with D = V^(1/2)
		b := mat.NewSymDense(n, nil)
		for i, a := range rows {
			for j := i; j < n; j++ {
				v := -hat.At(i, j)
				if i == j {
					v += variance[a]
				}
				b.SetSym(i, j, v*math.Sqrt(variance[a]*variance[rows[j]]))
			}
		}
		root, err := symmetricPower(b, -0.5)
		if err != nil {
			return nil, err
		}
		out := mat.NewDense(n, n, nil)
		for i, a := range rows {
			for j, c := range rows {
				out.Set(i, j, root.At(i, j)*math.Sqrt(variance[a]*variance[c]))
			}
		}
		return out, nil
	case CR3: // (I − hat·V⁻¹)⁻¹
		left := mat.NewDense(n, n, nil)
		for i := range n {
			for j, c := range rows {
				left.Set(i, j, -hat.At(i, j)/variance[c])
			}
			left.Set(i, i, left.At(i, i)+1)
		}
		var out mat.Dense
		if err := out.Inverse(left); err != nil {
			return nil, fmt.Errorf("cluster-robust variance CR3: one cluster alone determines a coefficient: %w", stats.ErrTooFew)
		}
		return &out, nil
	}
	out := mat.NewDense(n, n, nil)
	for i := range n {
		out.Set(i, i, 1)
	}
	return out, nil
}
