package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
	"keratally/stats/dist"
)

// Ties says how events at one time share the partial likelihood.
type Ties int

// The approximations. The zero value is the project's default.
const (
	Efron   Ties = iota // each of d tied events sees the others leave by k/d
	Breslow             // each of d tied events sees all the others at risk
)

// String returns "Efron ties" or "Breslow ties".
func (t Ties) String() string {
	if t == Breslow {
		return "Breslow ties"
	}
	return "Efron ties"
}

// CoxOptions are the choices of Cox; the zero value is the project's default
// apart from Level.
type CoxOptions struct {
	Ties  Ties
	Level float64 // of the limits of the hazard ratios
}

// Coefficient is one term of a proportional hazards model.
type Coefficient struct {
	Term        string
	Estimate    float64        // log hazard ratio
	ModelSE     float64        // from the information matrix
	SE          float64        // the one used: clustered if there are clusters, else ModelSE
	Z, P        float64        // Wald test with SE, two-sided
	HazardRatio stats.Interval // exp(Estimate ± z·SE)
}

// Test is a χ² test of a hypothesis about a fitted model.
type Test struct {
	Name    string
	Stat    float64
	DF      float64
	P       float64
	Columns []int // of the design, that the hypothesis sets to nothing; nil for all
}

// CoxFit is a fitted proportional hazards model.
type CoxFit struct {
	Method          string
	N, Events       int
	Clusters        int
	Level           float64
	Coefficients    []Coefficient
	Covariance      *mat.SymDense // of the estimates: clustered if there are clusters
	ModelCovariance *mat.SymDense // inverse of the information matrix
	LogLikNull      float64       // partial log likelihood with every coefficient 0
	LogLik          float64       // and at the estimates
	LikelihoodRatio Test          // of every coefficient being 0
	Wald            Test          // the same, with Covariance
	Score           Test          // the same, from the model alone
	RobustScore     Test          // the same, clustered; Name is "" without clusters
	Concordance     stats.Interval
	ConcordanceSE   float64
	Iterations      int

	data   Data
	model  *coxModel
	center []float64 // subtracted from the columns of the design
	beta   []float64
}

// Cox fits the proportional hazards model: the hazard of a row is exp(x·β)
// times a baseline hazard that is left free, one for each stratum of d.Strata.
// x has a row for each row of d and a column, without intercept, for each of
// terms. The partial likelihood is maximised by Newton's method with step
// halving until no row's x·β moves by more than 1e-10.
//
// If d.Cluster is given, standard errors come from the grouped jackknife
// (Lin–Wei) sandwich, without small-sample factor. Concordance is the share of
// comparable pairs, within strata, in which the one with the higher hazard had
// the event first, tied x·β counting one half.
//
// It assumes that hazards are proportional (see ProportionalHazards) and that
// censoring says nothing of the event to come. Errors: those of KaplanMeier;
// stats.ErrNoEvents; stats.ErrCollinear, naming the term, if the terms
// determine one another (or one has no variation among rows at risk at any
// event); stats.ErrSeparation if the likelihood keeps rising as a coefficient
// runs to infinity; stats.ErrNotConverged.
//
// Each iteration costs n·p² for p terms, after one sort.
//
// Cox, J R Stat Soc B 1972;34:187–220. Efron, J Am Stat Assoc 1977;72:557–565.
// Breslow, Biometrics 1974;30:89–99. Lin & Wei, J Am Stat Assoc
// 1989;84:1074–1078.
func Cox(d Data, x *mat.Dense, terms []string, o CoxOptions) (*CoxFit, error) {
	fit := &CoxFit{Method: coxName(d, o.Ties), N: len(d.Time), Level: o.Level, data: d}
	fail := func(err error) (*CoxFit, error) { return nil, fmt.Errorf("%s: %w", fit.Method, err) }
	if err := stats.CheckLevel(o.Level); err != nil {
		return fail(err)
	}
	if err := d.check(fit.Method); err != nil {
		return nil, err
	}
	if err := checkDesign(x, terms, fit.N); err != nil {
		return fail(err)
	}
	if fit.Events, fit.Clusters = d.events(), d.clusters(); fit.Events == 0 {
		return fail(stats.ErrNoEvents)
	}
	fit.model, fit.center = newCoxModel(d, x, o.Ties)
	if err := fit.maximise(terms); err != nil {
		return fail(err)
	}
	fit.inference(terms)
	return fit, nil
}

func coxName(d Data, ties Ties) string {
	name := "proportional hazards regression, " + ties.String()
	if d.Strata != nil {
		name += ", stratified"
	}
	if d.Cluster != nil {
		name += ", variance clustered by patient"
	}
	return name
}

func checkDesign(x *mat.Dense, terms []string, n int) error {
	if len(terms) == 0 || x == nil {
		return &stats.ArgumentError{Name: "number of terms", Got: len(terms), Want: "at least 1"}
	}
	rows, cols := x.Dims()
	if rows != n {
		return fmt.Errorf("%d times but %d rows of the design: %w", n, rows, stats.ErrLengths)
	}
	if cols != len(terms) {
		return fmt.Errorf("%d terms but %d columns of the design: %w", len(terms), cols, stats.ErrLengths)
	}
	for i := range rows {
		for j, v := range x.RawRowView(i) {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return fmt.Errorf("%s of row %d: %w", terms[j], i+1, stats.ErrNotFinite)
			}
		}
	}
	return nil
}

// maximise finds the estimates, and the score test on the way.
func (f *CoxFit) maximise(terms []string) error {
	m := f.model
	state := m.at(make([]float64, m.p))
	f.LogLikNull = state.logLik
	if err := m.checkInformation(state.info, terms); err != nil {
		return err
	}
	stat, _ := definite.QuadraticForm(state.info, state.score)
	f.Score = chiSquaredTest("score", stat, m.p)
	beta, state, iterations, err := newton(m, m.at, state, terms)
	if err != nil {
		return err
	}
	factor, dependent := definite.Factorise(state.info)
	if dependent >= 0 {
		return fmt.Errorf("term %s: %w", terms[dependent], stats.ErrSeparation)
	}
	f.beta, f.LogLik, f.Iterations = beta, state.logLik, iterations
	f.ModelCovariance = factor.Inverse()
	return nil
}

// inference fills in tests, standard errors and concordance.
func (f *CoxFit) inference(terms []string) {
	m, p := f.model, f.model.p
	f.Covariance = f.ModelCovariance
	if f.data.Cluster != nil {
		f.Covariance, f.RobustScore = f.clusteredCovariance()
	}
	z := dist.NormalQuantile((1 + f.Level) / 2)
	f.Coefficients = make([]Coefficient, p)
	for j := range p {
		b, se := f.beta[j], math.Sqrt(f.Covariance.At(j, j))
		f.Coefficients[j] = Coefficient{
			Term: terms[j], Estimate: b, ModelSE: math.Sqrt(f.ModelCovariance.At(j, j)), SE: se,
			Z: b / se, P: dist.PZ(b/se, stats.TwoSided),
			HazardRatio: stats.Interval{
				Estimate: math.Exp(b), Lower: math.Exp(b - z*se), Upper: math.Exp(b + z*se),
				Level: f.Level, Method: "Wald on the log scale",
			},
		}
	}
	f.LikelihoodRatio = chiSquaredTest("likelihood ratio", 2*(f.LogLik-f.LogLikNull), p)
	// With fewer clusters than terms the clustered covariance is singular and
	// the joint Wald test does not exist.
	f.Wald = Test{Name: "Wald", Stat: math.NaN(), DF: float64(p), P: math.NaN()}
	if wald, ok := definite.QuadraticForm(f.Covariance, f.beta); ok {
		f.Wald = chiSquaredTest("Wald", wald, p)
	}
	f.Concordance, f.ConcordanceSE = concordance(m, f.data, f.LinearPredictor(), f.Level)
}

// LinearPredictor returns x·β of each row, less its value at the mean of the
// columns.
func (f *CoxFit) LinearPredictor() []float64 { return f.model.eta(f.beta) }

func chiSquaredTest(name string, stat float64, df int) Test {
	return Test{Name: name, Stat: stat, DF: float64(df), P: dist.ChiSquaredSF(max(stat, 0), float64(df))}
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}
