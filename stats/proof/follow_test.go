package proof

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"keratally/stats/glm"
	"keratally/stats/survival"
)

// data is the follow-up of a set, by what the method reads.
func (s *dataSet) data(clustered, stratified bool) survival.Data {
	d := survival.Data{Time: s.column["time"], Event: s.bools("event")}
	if clustered {
		d.Cluster = s.ints("patient")
	}
	if stratified {
		d.Strata = s.ints("stratum")
	}
	return d
}

func (s *dataSet) competing() survival.CompetingData {
	return survival.CompetingData{Time: s.column["time"], Cause: s.ints("cause")}
}

// covariates is the design of group and x, after the given columns.
func (s *dataSet) covariates(before ...[]float64) *mat.Dense {
	columns := append(before, s.column["group"], s.column["x"])
	x := mat.NewDense(len(columns[0]), len(columns), nil)
	for j, c := range columns {
		x.SetCol(j, c)
	}
	return x
}

var covariateTerms = []string{"group", "x"}

// points are the times at which curves are compared, as far as they go.
func (s *dataSet) points() (at []float64) {
	last := slices.Max(s.column["time"])
	for _, t := range []float64{3, 12, 24} {
		if t <= last {
			at = append(at, t)
		}
	}
	return at
}

func curve(l survival.Limits, clustered bool) method {
	return method{digits: tail, ours: func(s *dataSet) ([]float64, error) {
		c, err := survival.KaplanMeier(s.data(clustered, false), l, level)
		if err != nil {
			return nil, err
		}
		var risk, surv, se, lower, upper []float64
		for _, t := range s.points() {
			p := c.At(t)
			risk, surv, se = append(risk, float64(c.AtRisk(t))), append(surv, p.Survival), append(se, p.SE)
			lower, upper = append(lower, p.Lower), append(upper, p.Upper)
		}
		return slices.Concat(risk, surv, se, lower, upper), nil
	}}
}

func ofCurve(digits float64, f func(c *survival.Curve, s *dataSet) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		c, err := survival.KaplanMeier(s.data(false, false), survival.LogLog, level)
		if err != nil {
			return nil, err
		}
		return f(c, s)
	}}
}

func logRank(rho float64, stratified bool) method {
	return method{digits: tail, ours: func(s *dataSet) ([]float64, error) {
		r, err := survival.LogRank(s.data(false, stratified), s.ints("group"), survival.LogRankOptions{Rho: rho})
		return nums(err, r.Stat, r.P)
	}}
}

func cox(ties survival.Ties, clustered, stratified bool, take func(f *survival.CoxFit) ([]float64, error)) method {
	return method{digits: iterative, ours: func(s *dataSet) ([]float64, error) {
		f, err := survival.Cox(s.data(clustered, stratified), s.covariates(), covariateTerms, survival.CoxOptions{Ties: ties, Level: level})
		if err != nil {
			return nil, err
		}
		return take(f)
	}}
}

func wholeCox(f *survival.CoxFit) (all []float64, err error) {
	for _, c := range f.Coefficients {
		all = append(all, c.Estimate, c.SE, c.Z, c.P)
	}
	all = append(all, f.LogLikNull, f.LogLik)
	for _, t := range []survival.Test{f.LikelihoodRatio, f.Score, f.Wald} {
		all = append(all, t.Stat, t.P)
	}
	return all, nil
}

var followMethods = map[string]method{
	"survival.KaplanMeier log-log":   curve(survival.LogLog, false),
	"survival.KaplanMeier log":       curve(survival.Log, false),
	"survival.KaplanMeier plain":     curve(survival.Plain, false),
	"survival.KaplanMeier clustered": curve(survival.LogLog, true),
	"survival.Median": ofCurve(closed, func(c *survival.Curve, _ *dataSet) ([]float64, error) {
		return limits(c.Median()), nil
	}),
	"survival.RestrictedMean": ofCurve(closed, func(c *survival.Curve, s *dataSet) ([]float64, error) {
		r, err := c.RestrictedMean(0.8 * slices.Max(s.column["time"]))
		return nums(err, r.Estimate, r.SE)
	}),
	"survival.LogRank":            logRank(0, false),
	"survival.LogRank Peto":       logRank(1, false),
	"survival.LogRank stratified": logRank(0, true),
	"survival.LogRankTrend": {digits: tail, ours: func(s *dataSet) ([]float64, error) {
		groups := s.ints("group")
		var scores []float64
		for g := range slices.Max(groups) + 1 {
			if slices.Contains(groups, g) {
				scores = append(scores, float64(g))
			}
		}
		r, err := survival.LogRankTrend(s.data(false, false), groups, scores, survival.LogRankOptions{})
		return nums(err, r.Stat, r.P)
	}},
	"survival.Cox efron":   cox(survival.Efron, false, false, wholeCox),
	"survival.Cox breslow": cox(survival.Breslow, false, false, wholeCox),
	"survival.Cox concordance": cox(survival.Efron, false, false, func(f *survival.CoxFit) ([]float64, error) {
		return []float64{f.Concordance.Estimate, f.ConcordanceSE}, nil
	}),
	"survival.Cox clustered": cox(survival.Efron, true, false, func(f *survival.CoxFit) (all []float64, err error) {
		for _, c := range f.Coefficients {
			all = append(all, c.Estimate, c.SE, c.Z, c.P)
		}
		return all, nil
	}),
	"survival.Cox stratified": cox(survival.Efron, false, true, func(f *survival.CoxFit) (all []float64, err error) {
		for _, c := range f.Coefficients {
			all = append(all, c.Estimate, c.SE)
		}
		return all, nil
	}),
	"survival.ProportionalHazards": cox(survival.Efron, false, false, func(f *survival.CoxFit) (all []float64, err error) {
		terms := []survival.TermColumns{{Name: "group", Columns: []int{0}}, {Name: "x", Columns: []int{1}}}
		tests, err := f.ProportionalHazards(survival.KaplanMeierTime, terms)
		for _, t := range tests {
			all = append(all, t.Stat, t.DF, t.P)
		}
		return all, err
	}),
	"survival.GrayTest": {digits: tail, ours: func(s *dataSet) ([]float64, error) {
		r, err := survival.GrayTest(s.competing(), s.ints("group"), 0)
		if err != nil {
			return nil, err
		}
		return []float64{r[0].Stat, r[0].P}, nil
	}},
	"survival.CumulativeIncidence": {digits: closed, ours: func(s *dataSet) (all []float64, err error) {
		curves, err := survival.CumulativeIncidence(s.competing(), survival.LogLog, level)
		if err != nil {
			return nil, err
		}
		for _, t := range s.points() {
			all = append(all, curves[0].At(t).Incidence)
		}
		return all, nil
	}},
	"survival.FineGray": {digits: iterative, ours: func(s *dataSet) ([]float64, error) {
		f, err := survival.FineGray(s.competing(), 1, s.covariates(), covariateTerms, level)
		if err != nil {
			return nil, err
		}
		a, b := f.Coefficients[0], f.Coefficients[1]
		return []float64{a.Estimate, b.Estimate, a.SE, b.SE}, nil
	}},
	"glm.Poisson": {digits: iterative, covers: []string{"glm.PoissonRegression"}, ours: func(s *dataSet) ([]float64, error) {
		n := len(s.column["time"])
		ones, offset := slices.Repeat([]float64{1}, n), make([]float64, n)
		for i, t := range s.column["time"] {
			offset[i] = math.Log(t)
		}
		f, err := glm.PoissonRegression(glm.Data{Y: s.column["event"], X: s.covariates(ones), Terms: []string{"(Intercept)", "group", "x"}, Offset: offset}, level)
		return wholeGLM(f, err, false)
	}},
}

func wholeGLM(f *glm.Fit, err error, null bool) (all []float64, _ error) {
	if err != nil {
		return nil, err
	}
	for _, c := range f.Coefficients {
		all = append(all, c.Estimate)
	}
	for _, c := range f.Coefficients {
		all = append(all, c.SE)
	}
	all = append(all, f.Deviance)
	if null {
		all = append(all, f.NullDeviance)
	}
	return all, nil
}
