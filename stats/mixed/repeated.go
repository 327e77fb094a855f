package mixed

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/regress"
)

// Covariance is the shape of the covariance of one subject's visits.
type Covariance int

// The shapes. Unstructured has a variance for each visit and a covariance for
// each pair; CompoundSymmetric one variance and one covariance (which may be
// negative); AR1 one variance and a correlation that decays as ρ to the number of
// planned visits between, whatever their distance in time.
const (
	Unstructured Covariance = iota + 1
	CompoundSymmetric
	AR1
)

// String returns the printable name.
func (c Covariance) String() string {
	switch c {
	case CompoundSymmetric:
		return "compound-symmetric"
	case AR1:
		return "first-order autoregressive"
	default:
		return "unstructured"
	}
}

// Repeated says how the rows of a model for repeated measures belong together.
type Repeated struct {
	Subjects []int    // of each row: the eye
	Visits   []int    // of each row: the visit, as a position in Labels
	Labels   []string // the planned visits, in order
	Clusters []int    // of each row: the patient; nil if every subject is independent
	Shape    Covariance
	Method   Method
	Freedom  FreedomMethod
}

// RepeatedFit is a fitted mixed model for repeated measures.
type RepeatedFit struct {
	Fit
	Shape           Covariance
	Labels          []string
	Subjects        int
	Clusters        int           // equal to Subjects where there is no clustering
	Covariance      *mat.SymDense // of one subject over the planned visits, the shared intercept included
	ClusterVariance float64       // covariance of two subjects of one cluster; 0 without clustering
}

// MMRM fits a linear model whose rows are correlated within a subject by visit,
//
//	y = Xβ + e,  Var e = Σ over the visits of one subject
//
// by REML or maximum likelihood, without imputing: a subject contributes the
// visits that it has, which is unbiased if a visit is missing for reasons that
// the observed values explain. Where Clusters has patients with two eyes, they
// share a random intercept besides.
//
// The errors are those of Model; *stats.ArgumentError if a subject has two
// rows for one visit; stats.ErrTooFew if the shape is unstructured and some
// two visits never occur in one subject, so that nothing tells their
// covariance.
//
// Mallinckrodt et al., Drug Inf J 2008;42:303–319.
func MMRM(d *regress.Design, by Repeated, level float64) (*RepeatedFit, error) {
	if err := stats.CheckLevel(level); err != nil {
		return nil, err
	}
	if err := by.check(len(d.Rows)); err != nil {
		return nil, err
	}
	thin, err := d.Thin()
	if err != nil {
		return nil, err
	}
	dt, w, err := reduce(thin, len(d.Rows), by.Method)
	if err != nil {
		return nil, err
	}
	clusters := by.clustered()
	s := newVisits(w, dt.p+1, by.Subjects, by.Visits, clusters, len(by.Labels), by.Shape)
	f := &RepeatedFit{
		Fit:   Fit{Method: by.Method, Freedom: by.Freedom, N: dt.n, Level: level, design: d},
		Shape: by.Shape, Labels: by.Labels, Subjects: countDistinct(by.Subjects),
	}
	f.Clusters = f.Subjects
	if by.Clusters != nil {
		f.Clusters = countDistinct(by.Clusters)
	}
	f.core = core{data: dt, structure: s}
	mp, start := by.start(w, dt.p+1, clusters != nil)
	if f.best, err = dt.minimise(s, mp, start); err != nil {
		return nil, fmt.Errorf("repeated measures, %s covariance (fewer parameters, such as compound symmetry, need fewer subjects with all visits): %w", by.Shape, err)
	}
	f.finish(thin.RInverse, thin.Coef)
	f.describe(s)
	return f, f.complete(d.Names)
}

// check refuses what no covariance over visits can describe.
func (by Repeated) check(n int) error {
	if len(by.Subjects) != n || len(by.Visits) != n || by.Clusters != nil && len(by.Clusters) != n {
		return fmt.Errorf("subjects, visits and clusters of the rows: %w", stats.ErrLengths)
	}
	if by.Shape < Unstructured || by.Shape > AR1 {
		return &stats.ArgumentError{Name: "covariance of the visits", Got: int(by.Shape), Want: "Unstructured, CompoundSymmetric or AR1"}
	}
	t := len(by.Labels)
	seen := map[[2]int]bool{}
	own := map[int][]int{}
	for i, s := range by.Subjects {
		v := by.Visits[i]
		if v < 0 || v >= t {
			return &stats.ArgumentError{Name: "visit", Got: v, Want: fmt.Sprintf("a position in the %d planned visits", t)}
		}
		if seen[[2]int{s, v}] {
			return &stats.ArgumentError{Name: "visit " + by.Labels[v], Got: "twice in one subject", Want: "at most one row for each subject and visit"}
		}
		seen[[2]int{s, v}] = true
		own[s] = append(own[s], v)
	}
	if len(own) < 2 {
		return fmt.Errorf("subjects: %w", stats.ErrOneGroup)
	}
	if by.Shape != Unstructured {
		return nil
	}
	together := make([]bool, t*t)
	for _, vs := range own {
		for _, a := range vs {
			for _, b := range vs {
				together[a*t+b] = true
			}
		}
	}
	for a := range t {
		for b := range t {
			if !together[a*t+b] {
				return fmt.Errorf("no subject has both %s and %s, so their covariance is unknown: %w", by.Labels[b], by.Labels[a], stats.ErrTooFew)
			}
		}
	}
	return nil
}

// clustered returns the clusters if one of them has two subjects.
func (by Repeated) clustered() []int {
	first := map[int]int{}
	for i, c := range by.Clusters {
		if s, ok := first[c]; ok && s != by.Subjects[i] {
			return by.Clusters
		}
		first[c] = by.Subjects[i]
	}
	return nil
}

func countDistinct(x []int) int {
	seen := map[int]bool{}
	for _, v := range x {
		seen[v] = true
	}
	return len(seen)
}

// start begins at the residual variance of each visit with correlation one half.
func (by Repeated) start(w []float64, m int, clustered bool) (mapping, []float64) {
	var mp mapping
	var start []float64
	switch by.Shape {
	case CompoundSymmetric:
		mp, start = mapping{{logarithm, 1}, {identity, 1}}, []float64{math.Log(0.5), 0.4}
	case AR1:
		mp, start = mapping{{logarithm, 1}, {identity, 1}}, []float64{0, 0.5}
	default:
		t := len(by.Labels)
		square, count := make([]float64, t), make([]float64, t)
		for i, v := range by.Visits {
			r := w[i*m+m-1]
			square[v] += r * r
			count[v]++
		}
		s := mat.NewSymDense(t, nil)
		for i := range t {
			for j := i; j < t; j++ {
				v := math.Sqrt(math.Max(square[i]/count[i], 1e-3) * math.Max(square[j]/count[j], 1e-3))
				if i != j {
					v *= 0.5
				}
				s.SetSym(i, j, v)
			}
		}
		var chol mat.Cholesky
		chol.Factorize(s)
		var l mat.TriDense
		chol.LTo(&l)
		for i := range t {
			for j := range i + 1 {
				start = append(start, l.At(i, j))
			}
		}
		mp = mapping{{cholesky, t}}
	}
	if clustered {
		mp, start = append(mp, part{cholesky, 1}), append(start, 0.3)
	}
	return mp, start
}

// describe fills in the covariance in the units of the data.
func (f *RepeatedFit) describe(s *visits) {
	square := f.data.scale * f.data.scale
	t := len(f.Labels)
	s.prepare(f.best.psi)
	f.Covariance = mat.NewSymDense(t, nil)
	for i := range t {
		for j := i; j < t; j++ {
			f.Covariance.SetSym(i, j, square*s.covariance(cell{0, i}, cell{0, j}))
		}
	}
	if s.shared {
		v := f.best.psi[len(f.best.psi)-1]
		f.ClusterVariance = v * square
		if v < boundaryShare {
			f.ClusterVariance, f.Boundary = 0, true
			f.Notes = append(f.Notes, "the two subjects of a cluster vary no more alike than chance: their covariance is estimated as 0, on the boundary")
		}
	}
	f.Sigma = math.NaN()
}

// Correlation returns the correlation of two planned visits of one subject.
func (f *RepeatedFit) Correlation(i, j int) float64 {
	return f.Covariance.At(i, j) / math.Sqrt(f.Covariance.At(i, i)*f.Covariance.At(j, j))
}

// VisitMeans estimates the mean at each planned visit, such as the mean change
// from baseline, from all visits together: MMRM with a mean for each visit. It
// returns one result for each label, tested against 0, and the fit. A label
// without any row is an error, as its mean is unknown.
func VisitMeans(values []float64, by Repeated, level float64) ([]stats.Result, *RepeatedFit, error) {
	if err := stats.CheckSample("repeated measures", values, 2); err != nil {
		return nil, nil, err
	}
	if len(by.Visits) != len(values) {
		return nil, nil, fmt.Errorf("values and visits: %w", stats.ErrLengths)
	}
	counts := make([]int, len(by.Labels))
	texts := make([]string, len(values))
	for i, v := range by.Visits {
		if v < 0 || v >= len(by.Labels) {
			return nil, nil, &stats.ArgumentError{Name: "visit", Got: v, Want: "a position in the planned visits"}
		}
		counts[v]++
		texts[i] = fmt.Sprintf("%06d", v)
	}
	for v, c := range counts {
		if c == 0 {
			return nil, nil, fmt.Errorf("visit %s: %w", by.Labels[v], stats.ErrNoData)
		}
	}
	frame := regress.NewFrame(len(values))
	if err := frame.AddNumbers("y", values); err != nil {
		return nil, nil, err
	}
	if err := frame.AddFactor("visit", texts); err != nil {
		return nil, nil, err
	}
	formula, err := regress.ParseFormula("y ~ visit - 1")
	if err != nil {
		return nil, nil, err
	}
	design, err := formula.Design(frame)
	if err != nil {
		return nil, nil, err
	}
	f, err := MMRM(design, by, level)
	if err != nil {
		return nil, nil, err
	}
	method := fmt.Sprintf("mixed model for repeated measures, %s covariance, %s, %s", by.Shape, by.Method, by.Freedom)
	out := make([]stats.Result, len(by.Labels))
	for v, c := range f.Coefficients {
		out[v] = resultOf(c, method, counts[v], f.Clusters, level)
		out[v].Notes = f.Notes
	}
	return out, f, nil
}

// resultOf puts a coefficient into the shape of all results.
func resultOf(c regress.Coefficient, method string, n, clusters int, level float64) stats.Result {
	r := stats.NewResult(method, n)
	r.Clusters = clusters
	r.Estimate, r.SE, r.Stat, r.DF, r.P = c.Estimate, c.SE, c.T, c.DF, c.P
	r.Interval = stats.Interval{Estimate: c.Estimate, Lower: c.Lower, Upper: c.Upper, Level: level, Method: method}
	return r
}
