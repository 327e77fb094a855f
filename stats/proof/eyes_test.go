package proof

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/glm"
	"keratally/stats/mixed"
	"keratally/stats/propensity"
	"keratally/stats/regress"
)

// frame holds the columns of a set; arm and visit are factors.
func (s *dataSet) frame() *regress.Frame {
	rows := len(s.column["y"])
	f := regress.NewFrame(rows)
	for name, values := range s.column {
		if len(values) != rows {
			continue
		}
		var err error
		if name == "arm" || name == "visit" {
			text := make([]string, rows)
			for i, v := range values {
				text[i] = fmt.Sprint(v)
			}
			err = f.AddFactor(name, text)
		} else {
			err = f.AddNumbers(name, values)
		}
		if err != nil {
			panic(err)
		}
	}
	if visit, ok := s.column["visit"]; ok { // counted from 1, as a number
		v := make([]float64, rows)
		for i := range visit {
			v[i] = visit[i] + 1
		}
		if err := f.AddNumbers("v", v); err != nil {
			panic(err)
		}
	}
	return f
}

// complete returns the set without the rows in which the column is missing.
func (s *dataSet) complete(name string) *dataSet {
	out := &dataSet{id: s.id, family: s.family, step: s.step, column: map[string][]float64{}}
	for i, v := range s.column[name] {
		if !math.IsNaN(v) {
			for other, values := range s.column {
				out.column[other] = append(out.column[other], values[i])
			}
		}
	}
	return out
}

// design evaluates a formula on the complete rows of a set.
func (s *dataSet) design(formula string) (*regress.Design, error) {
	f, err := regress.ParseFormula(formula)
	if err != nil {
		return nil, err
	}
	return f.Design(s.frame())
}

func fitted(digits float64, formula string, f func(m *regress.Fit, d *regress.Design) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		d, err := s.design(formula)
		if err != nil {
			return nil, err
		}
		m, err := regress.OLS(d, level)
		if err != nil {
			return nil, err
		}
		return f(m, d)
	}}
}

func robust(t cluster.Type, formula string, withP bool) method {
	return fitted(tail, formula, func(m *regress.Fit, d *regress.Design) (all []float64, err error) {
		patients, _, err := d.Groups("patient")
		if err != nil {
			return nil, err
		}
		r, err := cluster.OLS(m, patients, t)
		if err != nil {
			return nil, err
		}
		for _, c := range r.Coefficients {
			all = append(all, c.Estimate, c.SE, c.DF)
			if withP {
				all = append(all, c.P)
			}
		}
		return all, nil
	})
}

// clustered is a method of one outcome by patient, on complete rows.
func clustered(digits float64, f func(d *regress.Design, patients []int, s *dataSet) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		d, err := s.design("y ~ arm + base + poor")
		if err != nil {
			return nil, err
		}
		patients, _, err := d.Groups("patient")
		if err != nil {
			return nil, err
		}
		return f(d, patients, s)
	}}
}

// kept returns a column on the rows of a design.
func kept(d *regress.Design, column []float64) []float64 {
	out := make([]float64, len(d.Rows))
	for i, row := range d.Rows {
		out[i] = column[row]
	}
	return out
}

func isOne(x []float64) []bool {
	out := make([]bool, len(x))
	for i, v := range x {
		out[i] = v == 1
	}
	return out
}

func gee(formula string, family cluster.Family) method {
	return method{digits: iterative, ours: func(s *dataSet) (all []float64, err error) {
		s = s.complete("y")
		d, err := s.design(formula)
		if err != nil {
			return nil, err
		}
		patients, _, err := d.Groups("patient")
		if err != nil {
			return nil, err
		}
		g, err := cluster.SolveGEE(d, patients, cluster.Equations{Family: family, Working: cluster.Exchangeable}, level)
		if err != nil {
			return nil, err
		}
		for _, c := range g.Coefficients {
			all = append(all, c.Estimate)
		}
		for _, c := range g.Coefficients {
			all = append(all, c.SE)
		}
		return append(all, g.Alpha, g.Scale), nil
	}}
}

func model(digits float64, formula string, how mixed.Method, freedom mixed.FreedomMethod, take func(f *mixed.Fit) []float64) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		d, err := s.design(formula)
		if err != nil {
			return nil, err
		}
		f, err := mixed.Model(d, how, freedom, level)
		if err != nil {
			return nil, err
		}
		return take(f), nil
	}}
}

func effects(f *mixed.Fit) (all []float64) {
	for _, c := range f.Coefficients {
		all = append(all, c.Estimate)
	}
	for _, c := range f.Coefficients {
		all = append(all, c.SE)
	}
	return all
}

func withComponents(f *mixed.Fit) []float64 {
	all := effects(f)
	for _, c := range f.Components {
		all = append(all, c.Value)
	}
	return append(all, f.LogLik)
}

// repeated compares coefficients, or the likelihood. R's gls stops where the
// likelihood is level to about 1e-9, which leaves it four digits of the
// coefficients or more.
func repeated(shape mixed.Covariance, how mixed.Method, likelihood bool) method {
	digits := 4.0
	if likelihood {
		digits = 8
	}
	return method{digits: digits, ours: func(s *dataSet) (all []float64, err error) {
		d, err := s.design("y ~ visit + arm")
		if err != nil {
			return nil, err
		}
		subjects, _, err := d.Groups("patient")
		if err != nil {
			return nil, err
		}
		visits := make([]int, len(d.Rows))
		for i, row := range d.Rows {
			visits[i] = int(s.column["visit"][row])
		}
		f, err := mixed.MMRM(d, mixed.Repeated{Subjects: subjects, Visits: visits, Labels: []string{"0", "1", "2", "3"},
			Shape: shape, Method: how, Freedom: mixed.Satterthwaite}, level)
		if err != nil {
			return nil, err
		}
		if likelihood {
			return []float64{f.LogLik}, nil
		}
		for _, c := range f.Coefficients {
			all = append(all, c.Estimate)
		}
		return all, nil
	}}
}

var hcTypes = []regress.HCType{regress.HC0, regress.HC1, regress.HC2, regress.HC3, regress.HC4}

var eyesMethods = map[string]method{
	"regress.OLS": fitted(tail, "y ~ arm + base", func(m *regress.Fit, _ *regress.Design) (all []float64, err error) {
		for _, c := range m.Coefficients {
			all = append(all, c.Estimate, c.SE, c.T, c.P)
		}
		return append(all, m.R2, m.Sigma, m.F, m.LogLik, m.AIC, m.BIC), nil
	}),
	"regress.OLS factor": {digits: tail, ours: func(s *dataSet) (all []float64, err error) {
		m, err := groupModel(s)
		if err != nil {
			return nil, err
		}
		for _, c := range m.Coefficients {
			all = append(all, c.Estimate)
		}
		for _, c := range m.Coefficients {
			all = append(all, c.SE)
		}
		for _, c := range m.Coefficients {
			all = append(all, c.T)
		}
		for _, c := range m.Coefficients {
			all = append(all, c.P)
		}
		return all, nil
	}},
	"regress.Pairs": {digits: tail, ours: func(s *dataSet) (all []float64, err error) {
		m, err := groupModel(s)
		if err != nil {
			return nil, err
		}
		pairs, err := m.Pairs("~ g", regress.Tukey)
		for _, p := range pairs {
			all = append(all, p.Estimate, p.SE, p.DF, p.P)
		}
		return all, err
	}, slack: 1e-13},
	"regress.Anova marginal": fitted(tail, "y ~ arm + base", func(m *regress.Fit, _ *regress.Design) ([]float64, error) {
		a, err := m.Anova(regress.Marginal)
		return nums(err, a[0].SS, a[1].SS, a[0].F, a[1].F, a[0].P, a[1].P)
	}),
	"regress.Anova sequential": fitted(tail, "y ~ arm + base", func(m *regress.Fit, _ *regress.Design) ([]float64, error) {
		a, err := m.Anova(regress.Sequential)
		return nums(err, a[0].SS, a[1].SS, a[0].F, a[1].F, a[0].P, a[1].P)
	}),
	"regress.HC": fitted(closed, "y ~ arm + base", func(m *regress.Fit, _ *regress.Design) (all []float64, err error) {
		for _, t := range hcTypes {
			v, err := m.HC(t)
			if err != nil {
				return nil, err
			}
			for j := range m.Coefficients {
				all = append(all, math.Sqrt(v.At(j, j)))
			}
		}
		return all, nil
	}),
	"regress.Influence": fitted(closed, "y ~ arm + base", func(m *regress.Fit, _ *regress.Design) (all []float64, err error) {
		i := m.Influence()
		for _, x := range [][]float64{i.Hat, i.Standardised, i.Studentised, i.Cook} {
			all = append(all, x[:4]...)
		}
		return all, nil
	}),
	"regress.Means": fitted(tail, "y ~ arm + base", func(m *regress.Fit, _ *regress.Design) (all []float64, err error) {
		means, err := m.Means("~ arm")
		for _, p := range means {
			all = append(all, p.Estimate, p.SE, p.DF, p.Lower, p.Upper)
		}
		return all, err
	}),
	"cluster.OLS CR0":    robust(cluster.CR0, "y ~ arm + base", true),
	"cluster.OLS CR1":    robust(cluster.CR1, "y ~ arm + base", true),
	"cluster.OLS CR2":    robust(cluster.CR2, "y ~ arm + base", true),
	"cluster.OLS CR3":    robust(cluster.CR3, "y ~ arm + base", true),
	"cluster.OLS visits": robust(cluster.CR2, "y ~ visit + arm", false),
	"cluster.Mean": clustered(tail, func(d *regress.Design, patients []int, _ *dataSet) ([]float64, error) {
		r, err := cluster.Mean(d.Y, patients, level)
		return nums(err, r.Estimate, r.SE, r.P)
	}),
	"cluster.Proportion": clustered(closed, func(d *regress.Design, patients []int, s *dataSet) ([]float64, error) {
		r, err := cluster.Proportion(isOne(kept(d, s.column["poor"])), patients, level)
		return nums(err, r.Estimate, r.SE)
	}),
	"cluster.ICC": clustered(closed, func(d *regress.Design, patients []int, _ *dataSet) ([]float64, error) {
		r, err := cluster.ICC(d.Y, patients, level)
		return nums(err, r.Estimate)
	}),
	"cluster.SignedRank": clustered(tail, func(d *regress.Design, patients []int, s *dataSet) ([]float64, error) {
		y := make([]float64, len(d.Y))
		for i, v := range d.Y {
			y[i] = v
			if s.step > 0 {
				y[i] = math.Round(v / s.step)
			}
		}
		r, err := cluster.SignedRank(y, patients)
		return nums(err, r.Stat, r.P)
	}),
	"cluster.SolveGEE gaussian": gee("y ~ arm + base", cluster.Gaussian),
	"cluster.SolveGEE binomial": gee("poor ~ base", cluster.Binomial),
	"glm.Logistic": clustered(iterative, func(d *regress.Design, _ []int, s *dataSet) ([]float64, error) {
		var x mat.Dense
		x.CloneFrom(d.X.Slice(0, len(d.Y), 0, 3))
		f, err := glm.Logistic(glm.Data{Y: kept(d, s.column["poor"]), X: &x, Terms: d.Names[:3]}, level)
		return wholeGLM(f, err, true)
	}),
	"propensity.Effect": {digits: iterative, covers: []string{"propensity.Fit", "propensity.Effect"}, ours: func(s *dataSet) ([]float64, error) {
		d, err := s.design("y ~ base")
		if err != nil {
			return nil, err
		}
		treated := isOne(kept(d, s.column["arm"]))
		scores, err := propensity.Fit(treated, d.X, d.Names)
		if err != nil {
			return nil, err
		}
		w, err := scores.Weights(propensity.Overlap)
		if err != nil {
			return nil, err
		}
		r, err := propensity.Effect(treated, d.Y, w, nil, level)
		return nums(err, r.Estimate, r.SE)
	}},
	"mixed.Model REML": model(iterative, "y ~ arm + base + (1 | patient)", mixed.REML, mixed.Satterthwaite, withComponents),
	"mixed.Model ML":   model(iterative, "y ~ arm + base + (1 | patient)", mixed.ML, mixed.Satterthwaite, withComponents),
	// lmerTest differentiates numerically, so that its degrees of freedom are
	// good to about four digits themselves.
	"mixed.Satterthwaite": {digits: 3.5, covers: []string{"mixed.Model"}, ours: model(0, "y ~ arm + base + (1 | patient)", mixed.REML, mixed.Satterthwaite, freedoms).ours},
	"mixed.KenwardRoger": {digits: iterative, covers: []string{"mixed.Model"}, ours: model(0, "y ~ arm + base + (1 | patient)", mixed.REML, mixed.KenwardRoger, func(f *mixed.Fit) (all []float64) {
		for _, c := range f.Coefficients {
			all = append(all, c.SE)
		}
		return append(all, freedoms(f)...)
	}).ours},
	"mixed.RandomInterceptMean": clustered(3.5, func(d *regress.Design, patients []int, _ *dataSet) ([]float64, error) {
		r, err := mixed.RandomInterceptMean(d.Y, patients, level)
		return nums(err, r.Estimate, r.SE, r.DF, r.BetweenSD, r.WithinSD)
	}),
	"mixed.Model slope":                  model(iterative, "y ~ v + arm + (1 + v | patient)", mixed.REML, mixed.Satterthwaite, func(f *mixed.Fit) []float64 { return append(effects(f), f.LogLik) }),
	"mixed.MMRM unstructured":            repeated(mixed.Unstructured, mixed.REML, false),
	"mixed.MMRM unstructured likelihood": repeated(mixed.Unstructured, mixed.REML, true),
	"mixed.MMRM compound":                repeated(mixed.CompoundSymmetric, mixed.REML, false),
	"mixed.MMRM compound likelihood":     repeated(mixed.CompoundSymmetric, mixed.REML, true),
	"mixed.MMRM AR1":                     repeated(mixed.AR1, mixed.ML, false),
	"mixed.MMRM AR1 likelihood":          repeated(mixed.AR1, mixed.ML, true),
}

func freedoms(f *mixed.Fit) (all []float64) {
	for _, c := range f.Coefficients {
		all = append(all, c.DF)
	}
	return all
}

// groupModel is the regression of a value on its group.
func groupModel(s *dataSet) (*regress.Fit, error) {
	values, _ := s.split()
	var v []float64
	var g []string
	for _, one := range values {
		for _, x := range one.Values {
			v, g = append(v, x), append(g, one.Name)
		}
	}
	if len(values) < 2 {
		return nil, stats.ErrOneGroup
	}
	f := regress.NewFrame(len(v))
	if err := f.AddNumbers("v", v); err != nil {
		return nil, err
	}
	if err := f.AddFactor("g", g); err != nil {
		return nil, err
	}
	formula, err := regress.ParseFormula("v ~ g")
	if err != nil {
		return nil, err
	}
	d, err := formula.Design(f)
	if err != nil {
		return nil, err
	}
	return regress.OLS(d, level)
}
