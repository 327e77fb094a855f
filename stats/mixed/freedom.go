package mixed

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/regress"
)

// FreedomMethod says where degrees of freedom come from.
type FreedomMethod int

// Satterthwaite matches the variance of an estimated variance to χ² by the
// delta method on the observed information. Kenward–Roger uses the expected
// information, widens the covariance matrix for the estimation of ψ, and
// scales F; it is defined for REML.
const (
	Satterthwaite FreedomMethod = iota + 1
	KenwardRoger
)

// String returns the printable name.
func (m FreedomMethod) String() string {
	if m == KenwardRoger {
		return "Kenward–Roger"
	}
	return "Satterthwaite"
}

// core is a converged fit reduced to what tests of coefficients need, in the
// coordinates of the orthonormal columns.
type core struct {
	data      *data
	structure structure
	best      *optimum
	rinverse  [][]float64 // nil: coefficients are γ themselves
	ols       []float64
	beta      []float64

	information *mat.SymDense // inverse information of η, times 2
	kenward     *kenward
}

// turned returns R⁻ᵀl·scale: l'β = const + turned'γ.
func (c *core) turned(l []float64) []float64 {
	out := make([]float64, c.data.p)
	for j := range out {
		for i := 0; i <= j; i++ {
			out[j] += c.rinverse[i][j] * l[i]
		}
		out[j] *= c.data.scale
	}
	return out
}

func (c *core) finish(rinverse [][]float64, ols []float64) {
	c.rinverse, c.ols = rinverse, ols
	c.beta = append([]float64(nil), ols...)
	for i := range c.beta {
		for j := i; j < c.data.p; j++ {
			c.beta[i] += c.data.scale * rinverse[i][j] * c.best.point.gamma[j]
		}
	}
	c.information = pseudoInverse(c.best.hessian, 2)
}

// pseudoInverse returns times·h⁻¹ over the directions in which h is positive:
// at a boundary a parameter that does nothing has none.
func pseudoInverse(h *mat.SymDense, times float64) *mat.SymDense {
	n := h.SymmetricDim()
	out := mat.NewSymDense(n, nil)
	var eigen mat.EigenSym
	if !eigen.Factorize(h, true) {
		return out
	}
	values := eigen.Values(nil)
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	largest := values[n-1]
	for k, v := range values {
		if v > 1e-10*largest && v > 0 {
			out.SymRankOne(out, times/v, vectors.ColView(k))
		}
	}
	return out
}

// variance returns l'Φl for turned l.
func (c *core) variance(turned []float64) float64 { return quadratic(c.best.point.phi, turned) }

func quadratic(a, x []float64) float64 {
	n := len(x)
	s := 0.0
	for i := range n {
		s += x[i] * dot(a[i*n:(i+1)*n], x)
	}
	return s
}

// slopes returns the derivatives of l'Φl in ψ: l'ΦA_kΦl.
func (c *core) slopes(turned []float64) []float64 {
	p, m := c.data.p, c.data.p+1
	u := make([]float64, p)
	for i := range p {
		u[i] = dot(c.best.point.phi[i*p:(i+1)*p], turned)
	}
	var out []float64
	for _, a := range c.best.moments.products {
		s := 0.0
		for i := range p {
			s += u[i] * dot(a[i*m:i*m+p], u)
		}
		out = append(out, s)
	}
	return out
}

// satterthwaite returns the degrees of freedom 2v²/(g'Ag) of l'β, v = l'Φl.
func (c *core) satterthwaite(turned []float64) float64 {
	v := c.variance(turned)
	slopes := c.slopes(turned)
	n := len(slopes)
	g := mat.NewVecDense(n, nil)
	for a := range n {
		s := 0.0
		for k := range n {
			s += c.best.jacobian[k][a] * slopes[k]
		}
		g.SetVec(a, s)
	}
	return 2 * v * v / mat.Inner(g, c.information, g)
}

// kenward holds the adjusted covariance matrix and the weights of Kenward and Roger.
type kenward struct {
	adjusted []float64     // p × p
	w        *mat.SymDense // inverse expected information of ψ, times 2
}

// adjust works out Φ + 2Φ(Σ W_kl(Q_kl − P_kΦP_l))Φ with W from the expected information.
func (c *core) adjust() (*kenward, error) {
	if c.kenward != nil {
		return c.kenward, nil
	}
	if c.data.ml {
		return nil, &stats.ArgumentError{Name: "degrees of freedom", Got: "Kenward–Roger", Want: "used with REML, not with maximum likelihood"}
	}
	p, m := c.data.p, c.data.p+1
	products := c.best.moments.products
	n := len(products)
	phi := mat.NewDense(p, p, c.best.point.phi)
	corner := make([]*mat.Dense, n)
	for k, a := range products {
		corner[k] = cornerOf(a, p, m)
	}
	expected := mat.NewSymDense(n, nil)
	middle := make([][]*mat.Dense, n)
	for k := range n {
		for l := range n {
			if k > l {
				middle[k] = append(middle[k], mat.DenseCopyOf(middle[l][k].T()))
				continue
			}
			q := cornerOf(c.structure.product2(k, l), p, m)
			if _, b := c.structure.bend(k, l); b != nil {
				// A curved covariance enters with −¼ of its second derivative.
				bend := cornerOf(b, p, m)
				bend.Scale(-0.25, bend)
				q.Add(q, bend)
			}
			var pp, phiQ, phiK, phiL mat.Dense
			pp.Product(corner[k], phi, corner[l])
			phiQ.Mul(phi, cornerOf(c.structure.product2(k, l), p, m))
			phiK.Mul(phi, corner[k])
			phiL.Mul(phi, corner[l])
			expected.SetSym(k, l, c.structure.trace2(k, l)-2*mat.Trace(&phiQ)+traceOf(&phiK, &phiL))
			var between mat.Dense
			between.Sub(q, &pp)
			middle[k] = append(middle[k], &between)
		}
	}
	w := pseudoInverse(expected, 2)
	u := mat.NewDense(p, p, nil)
	for k := range n {
		for l := range n {
			var part mat.Dense
			part.Scale(w.At(k, l), middle[k][l])
			u.Add(u, &part)
		}
	}
	var lambda mat.Dense
	lambda.Product(phi, u, phi)
	lambda.Scale(2, &lambda)
	lambda.Add(phi, &lambda)
	c.kenward = &kenward{adjusted: lambda.RawMatrix().Data, w: w}
	return c.kenward, nil
}

func cornerOf(a []float64, p, m int) *mat.Dense {
	out := mat.NewDense(p, p, nil)
	for i := range p {
		copy(out.RawRowView(i), a[i*m:i*m+p])
	}
	return out
}

// one returns standard error and degrees of freedom of l'β.
func (c *core) one(l []float64, method FreedomMethod) (se, df float64, err error) {
	turned := c.turned(l)
	if method == Satterthwaite {
		return math.Sqrt(c.variance(turned)), c.satterthwaite(turned), nil
	}
	k, err := c.adjust()
	if err != nil {
		return 0, 0, err
	}
	v := c.variance(turned)
	g := mat.NewVecDense(len(c.best.moments.products), c.slopes(turned))
	return math.Sqrt(quadratic(k.adjusted, turned)), 2 * v * v / mat.Inner(g, k.w, g), nil
}

// FTest is an F test that several combinations of the coefficients are zero.
type FTest struct {
	Term    string
	F       float64
	DF, DF2 float64
	P       float64
	SS      float64 // F (before Kenward–Roger's scaling)·DF·σ²; NaN for repeated measures
}

// test tests Lβ = 0.
func (c *core) test(h regress.Hypothesis, method FreedomMethod) (FTest, error) {
	q := len(h.L)
	if q == 0 {
		return FTest{}, fmt.Errorf("%s: %w", h.Term, stats.ErrCollinear)
	}
	turned := make([][]float64, q)
	estimate := mat.NewVecDense(q, nil)
	for i, l := range h.L {
		turned[i] = c.turned(l)
		estimate.SetVec(i, dot(l, c.beta))
	}
	if method == KenwardRoger {
		return c.kenwardTest(h.Term, turned, estimate)
	}
	v := between(c.best.point.phi, turned)
	var eigen mat.EigenSym
	if !eigen.Factorize(v, true) {
		return FTest{}, fmt.Errorf("%s: %w", h.Term, stats.ErrCollinear)
	}
	values := eigen.Values(nil)
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	var df []float64
	f := 0.0
	for k := q - 1; k >= 0; k-- {
		if !(values[k] > 1.5e-8*values[q-1]) {
			return FTest{}, fmt.Errorf("%s: %w", h.Term, stats.ErrCollinear)
		}
		direction := make([]float64, c.data.p)
		for i, t := range turned {
			subtractRow(direction, t, -vectors.At(i, k))
		}
		b := mat.Dot(vectors.ColView(k), estimate)
		f += b * b / values[k] / float64(q)
		df = append(df, c.satterthwaite(direction))
	}
	out := FTest{Term: h.Term, F: f, DF: float64(q), DF2: combine(df), SS: f * float64(q)}
	out.P = dist.FSF(f, out.DF, out.DF2)
	return out, nil
}

// combine returns the denominator degrees of freedom of an F that averages
// squared t statistics on df degrees of freedom each, by matching the mean:
// 2E/(E − q) with E = Σ df/(df − 2). Fai & Cornelius 1996.
func combine(df []float64) float64 {
	equal, e := true, 0.0
	for i, v := range df {
		equal = equal && (i == 0 || math.Abs(v-df[i-1]) < 1e-8)
		e += v / (v - 2)
	}
	if equal {
		return df[0]
	}
	for _, v := range df {
		if v <= 2 {
			return 2
		}
	}
	return 2 * e / (e - float64(len(df)))
}

// between returns LΦL' for turned rows.
func between(phi []float64, turned [][]float64) *mat.SymDense {
	q, p := len(turned), len(turned[0])
	out := mat.NewSymDense(q, nil)
	for i := range q {
		for j := i; j < q; j++ {
			s := 0.0
			for a := range p {
				s += turned[i][a] * dot(phi[a*p:(a+1)*p], turned[j])
			}
			out.SetSym(i, j, s)
		}
	}
	return out
}

// kenwardTest is the scaled F test of Kenward & Roger 1997, section 3.
func (c *core) kenwardTest(term string, turned [][]float64, estimate *mat.VecDense) (FTest, error) {
	k, err := c.adjust()
	if err != nil {
		return FTest{}, err
	}
	q, p, m := len(turned), c.data.p, c.data.p+1
	var plain, widened mat.Cholesky
	if !plain.Factorize(between(c.best.point.phi, turned)) || !widened.Factorize(between(k.adjusted, turned)) {
		return FTest{}, fmt.Errorf("%s: %w", term, stats.ErrCollinear)
	}
	l := mat.NewDense(q, p, nil)
	for i, t := range turned {
		l.SetRow(i, t)
	}
	var half, theta mat.Dense
	if err := plain.SolveTo(&half, l); err != nil {
		return FTest{}, fmt.Errorf("%s: %w", term, stats.ErrCollinear)
	}
	theta.Mul(l.T(), &half)
	phi := mat.NewDense(p, p, c.best.point.phi)
	var u []*mat.Dense
	for _, a := range c.best.moments.products {
		var x mat.Dense
		x.Product(&theta, phi, cornerOf(a, p, m), phi)
		u = append(u, &x)
	}
	a1, a2 := 0.0, 0.0
	for i := range u {
		for j := range u {
			a1 += k.w.At(i, j) * mat.Trace(u[i]) * mat.Trace(u[j])
			a2 += k.w.At(i, j) * traceOf(u[i], u[j])
		}
	}
	df, scale := kenwardScale(a1, a2, float64(q))
	var solved mat.VecDense
	if err := widened.SolveVecTo(&solved, estimate); err != nil {
		return FTest{}, fmt.Errorf("%s: %w", term, stats.ErrCollinear)
	}
	f := mat.Dot(estimate, &solved) / float64(q)
	out := FTest{Term: term, F: f * scale, DF: float64(q), DF2: df, SS: f * float64(q)}
	out.P = dist.FSF(out.F, out.DF, df)
	return out, nil
}

// kenwardScale matches the first two moments of the Wald F to a scaled F.
func kenwardScale(a1, a2, q float64) (df, scale float64) {
	b := (a1 + 6*a2) / (2 * q)
	g := ((q+1)*a1 - (q+4)*a2) / ((q + 2) * a2)
	divisor := 3*q + 2*(1-g)
	v0 := 1 + g/divisor*b
	v1 := 1 - (q-g)/divisor*b
	v2 := 1 - (q+2-g)/divisor*b
	if math.Abs(v0) < 1e-10 {
		v0 = 0
	}
	ratio := 1.0 // (1 − a2/q)/v1, which is 1 where both vanish
	if top := 1 - a2/q; math.Abs(top) > 1e-14 || math.Abs(v1) > 1e-14 {
		ratio = top / v1
	}
	rho := ratio * ratio * v0 / v2 / q
	df = 4 + (q+2)/(q*rho-1)
	scale = 1
	if math.Abs(df-2) >= 0.01 {
		scale = df * (1 - a2/q) / (df - 2)
	}
	return df, scale
}
