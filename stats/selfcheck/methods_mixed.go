package selfcheck

import (
	"math"
	"slices"
	"sort"
	"strings"

	"keratally/stats/mixed"
	"keratally/stats/regress"
)

var mixedMethods = map[string]Method{
	"lmm_reml": mixedModel, "lmm_reml_satterthwaite": mixedModel, "lmm_reml_no_df": mixedModel, "lmm_ml": mixedModel,
	"lmm_random_intercept_analytic": randomIntercept,
	"lmm_anova_satterthwaite":       mixedAnova(mixed.Satterthwaite), "lmm_anova_kenward_roger": mixedAnova(mixed.KenwardRoger),
	"lmm_emmeans_kr":         mixedMeans,
	"mmrm_unstructured_reml": repeatedMeasures, "mmrm_gls_nlme": repeatedMeasures,
}

// fitMixed fits the formula of a case, with the arguments of lmer in its call.
func fitMixed(in *Input, method mixed.Method) (*mixed.Fit, *regress.Design, error) {
	formula, err := in.Text("formula")
	if err != nil {
		return nil, nil, err
	}
	if call, ok := findCall(in.CallText(), "lmer"); ok {
		call.Allow("data", "formula", "control")
		reml, err := call.BoolOr("REML", true)
		if err != nil {
			return nil, nil, err
		}
		if method = mixed.REML; !reml {
			method = mixed.ML
		}
		if err := call.Unread(); err != nil {
			return nil, nil, err
		}
	}
	level, err := in.NumberOr("conf_level", reportLevel)
	if err != nil {
		return nil, nil, err
	}
	design, err := preparedDesign(in, formula)
	if err != nil {
		return nil, nil, err
	}
	fit, err := mixed.Model(design, method, mixed.Satterthwaite, level)
	return fit, design, err
}

// components lists the variances as the reference does: groupings with more
// levels first, and for each the variances before the covariances.
func components(f *mixed.Fit, design *regress.Design) []Results {
	type block struct {
		name string
		size int
		rows []Results
	}
	var blocks []*block
	named := map[string]int{}
	next := 0
	for _, r := range design.Random {
		name := r.Group
		if k := named[r.Group]; k > 0 {
			name += "." + string(rune('0'+k))
		}
		named[r.Group]++
		b := &block{name: name, size: len(r.Labels)}
		for range len(r.Names) * (len(r.Names) + 1) / 2 {
			b.rows = append(b.rows, componentRow(name, f.Components[next]))
			next++
		}
		blocks = append(blocks, b)
	}
	sort.SliceStable(blocks, func(i, j int) bool { return blocks[i].size > blocks[j].size })
	var rows []Results
	for _, b := range blocks {
		rows = append(rows, b.rows...)
	}
	return append(rows, componentRow("Residual", f.Components[next]))
}

func componentRow(group string, c mixed.Component) Results {
	row := Results{"group": group, "var1": nil, "var2": nil, "vcov": c.Value, "sdcor": c.SD}
	if c.Name1 != "" {
		row["var1"] = c.Name1
	}
	if c.Name2 != "" {
		row["var2"] = c.Name2
	}
	return row
}

func mixedModel(in *Input) (Results, error) {
	f, design, err := fitMixed(in, mixed.REML)
	if err != nil {
		return nil, err
	}
	rows := make([]Results, len(f.Coefficients))
	for j, c := range f.Coefficients {
		rows[j] = Results{"term": c.Term, "estimate": c.Estimate, "se": c.SE, "t": c.T, "df_satterthwaite": c.DF, "p_satterthwaite": c.P}
		if f.Method == mixed.REML {
			l := make([]float64, len(f.Coefficients))
			l[j] = 1
			k, err := f.Estimate(c.Term, l, mixed.KenwardRoger)
			if err != nil {
				return nil, err
			}
			rows[j]["se_kr"], rows[j]["df_kr"], rows[j]["t_kr"], rows[j]["p_kr"] = k.SE, k.DF, k.T, k.P
		}
	}
	groups := Results{}
	for name, n := range f.Groups {
		groups[name] = n
	}
	return Results{
		"coefficients": rows, "variance_components": components(f, design), "reml_criterion": f.Criterion,
		"loglik_reml": f.LogLik, "criterion": f.Criterion, "loglik": f.LogLik, "aic": f.AIC, "bic": f.BIC,
		"n": f.N, "n_groups": groups, "vcov_beta": matrixRows(f.VCov),
	}, nil
}

// randomIntercept is a random-intercept model given as fixed formula and group.
func randomIntercept(in *Input) (Results, error) {
	fixed, err := in.Text("formula")
	if err != nil {
		return nil, err
	}
	group, err := in.Text("group")
	if err != nil {
		return nil, err
	}
	design, err := preparedDesign(in, fixed+" + (1 | "+group+")")
	if err != nil {
		return nil, err
	}
	f, err := mixed.Model(design, mixed.REML, mixed.Satterthwaite, reportLevel)
	if err != nil {
		return nil, err
	}
	predicted, err := f.Predicted()
	if err != nil {
		return nil, err
	}
	codes, labels, err := labelledGroups(design, group)
	if err != nil {
		return nil, err
	}
	effects := make([]float64, len(labels))
	for i, g := range design.Random[0].Groups {
		effects[codes[i]] = predicted[g]
	}
	first := min(5, len(labels))
	return Results{
		"coefficients":  coefficientRows(f.Coefficients, map[string]string{"term": "term", "estimate": "estimate", "se": "se"}),
		"var_intercept": f.Variance(group), "var_residual": f.Sigma * f.Sigma, "icc": f.ICC(group), "reml_criterion": f.Criterion,
		"n": f.N, "n_groups": len(labels), "vcov_beta": matrixRows(f.VCov),
		"blup_first": Results{"group": labels[:first], "value": effects[:first]},
	}, nil
}

func mixedAnova(freedom mixed.FreedomMethod) Method {
	return func(in *Input) (Results, error) {
		call, err := in.Call("anova")
		if err != nil {
			return nil, err
		}
		call.Allow("ddf")
		kind, err := call.NumberOr("type", 3)
		if err != nil {
			return nil, err
		}
		if err := call.Unread(); err != nil {
			return nil, err
		}
		if kind != 3 {
			return nil, NotCovered("analysis of variance of type %v for mixed models is not known", kind)
		}
		f, _, err := fitMixed(in, mixed.REML)
		if err != nil {
			return nil, err
		}
		tests, err := f.Anova(freedom)
		if err != nil {
			return nil, err
		}
		rows := make([]Results, len(tests))
		for i, t := range tests {
			rows[i] = Results{"term": t.Term, "ss": t.SS, "num_df": t.DF, "den_df": t.DF2, "f": t.F, "p": t.P}
		}
		return Results{"terms": rows}, nil
	}
}

func mixedMeans(in *Input) (Results, error) {
	specification, err := marginSpecification(in)
	if err != nil {
		return nil, err
	}
	f, _, err := fitMixed(in, mixed.REML)
	if err != nil {
		return nil, err
	}
	means, err := f.Means(specification, mixed.KenwardRoger)
	return marginRows(means), err
}

var shapes = map[string]mixed.Covariance{
	"unstructured": mixed.Unstructured, "compound_symmetric": mixed.CompoundSymmetric, "compound-symmetric": mixed.CompoundSymmetric, "ar1": mixed.AR1,
}

func repeatedMeasures(in *Input) (Results, error) {
	formula, err := in.Text("formula")
	if err != nil {
		return nil, err
	}
	subject, err := in.Text("subject")
	if err != nil {
		return nil, err
	}
	visit, err := in.Text("visit")
	if err != nil {
		return nil, err
	}
	covariance, err := in.TextOr("covariance", "unstructured")
	if err != nil {
		return nil, err
	}
	shape, ok := shapes[strings.ToLower(covariance)]
	if !ok {
		return nil, NotCovered("covariance %q is not known", covariance)
	}
	design, err := preparedDesign(in, formula)
	if err != nil {
		return nil, err
	}
	by := mixed.Repeated{Shape: shape, Method: mixed.REML, Freedom: mixed.Satterthwaite}
	if by.Subjects, _, err = labelledGroups(design, subject); err != nil {
		return nil, err
	}
	if by.Visits, by.Labels, err = labelledGroups(design, visit); err != nil {
		return nil, err
	}
	f, err := mixed.MMRM(design, by, reportLevel)
	if err != nil {
		return nil, err
	}
	t := len(by.Labels)
	correlation := make([][]float64, t)
	ratio := Results{}
	for i := range t {
		for j := range t {
			correlation[i] = append(correlation[i], f.Correlation(i, j))
		}
		ratio[string(rune('1'+i))] = math.Sqrt(f.Covariance.At(i, i) / f.Covariance.At(0, 0))
	}
	rows := coefficientRows(f.Coefficients, map[string]string{"term": "term", "estimate": "estimate", "se": "se",
		"df": "df_satterthwaite", "t": "t", "p": "p_satterthwaite", "ci_low": "ci_low", "ci_high": "ci_high"})
	for i, c := range f.Coefficients {
		rows[i]["p_resid_df"] = regress.NewCoefficient(c.Term, c.Estimate, c.SE, float64(f.N-len(f.Coefficients)), reportLevel).P
	}
	return Results{
		"coefficients": rows, "visits": slices.Clone(by.Labels), "covariance": matrixRows(f.Covariance),
		"reml_criterion": f.Criterion, "loglik_reml": f.LogLik, "n": f.N, "n_subjects": f.Subjects,
		"vcov_beta": matrixRows(f.VCov), "sigma": math.Sqrt(f.Covariance.At(0, 0)), "correlation": correlation, "sd_ratio": ratio,
	}, nil
}
