package selfcheck

import (
	"math"
	"strings"

	"keratally/stats/cluster"
	"keratally/stats/glm"
	"keratally/stats/regress"
)

var clusterMethods = map[string]Method{
	"cluster_robust": clusterRobust, "cluster_mean": clusterMean, "cluster_proportion": clusterProportion,
	"clustered_signed_rank": clusteredSignedRank, "clustered_signed_rank_exact": clusteredSignedRankExact,
	"gee_independence_geepack": geeMethod(cluster.Independence, cluster.Plain), "gee_independence_equations": geeMethod(cluster.Independence, cluster.Plain),
	"gee_exchangeable_geepack": geeMethod(cluster.Exchangeable, cluster.Plain), "gee_exchangeable_equations": geeMethod(cluster.Exchangeable, cluster.Plain),
	"gee_ar1_geepack": geeMethod(cluster.AR1, cluster.Plain), "gee_exchangeable_equations_dfcorrected": geeMethod(cluster.Exchangeable, cluster.Corrected),
	"gee_independence_equations_dfcorrected": geeMethod(cluster.Independence, cluster.Corrected),
	"gee_independence_mancl_derouen":         biasReduced(cluster.Independence), "gee_exchangeable_mancl_derouen": biasReduced(cluster.Exchangeable),
}

// families of R's family objects and statsmodels' classes.
var families = map[string]cluster.Family{
	"gaussian": cluster.Gaussian, "binomial": cluster.Binomial, "poisson": cluster.Poisson,
}

func familyOf(text string) (cluster.Family, error) {
	name := strings.ToLower(strings.TrimSuffix(strings.TrimSpace(text), "()"))
	if f, ok := families[name]; ok {
		return f, nil
	}
	return 0, NotCovered("family %q is not known", text)
}

func clusterVectors(in *Input, name string) ([]float64, []int, error) {
	values, err := in.Vector(name)
	if err != nil {
		return nil, nil, err
	}
	ids, _, err := in.Factor("id")
	return values, ids, err
}

func clusterMean(in *Input) (Results, error) {
	y, id, err := clusterVectors(in, "y")
	if err != nil {
		return nil, err
	}
	m, err := cluster.Mean(y, id, reportLevel)
	if err != nil {
		return nil, err
	}
	return Results{
		"n": m.N, "n_clusters": m.Clusters, "mean_eyes": m.Estimate, "se_cluster_cr1": m.SE,
		"ci_low_t": m.Interval.Lower, "ci_high_t": m.Interval.Upper, "mean_of_patient_means": m.ClusterMean,
		"se_patient_means": m.ClusterMeanSE, "anova_icc": m.ICC.Estimate, "n0": m.ICC.Size, "design_effect_kish": m.DesignEffect,
	}, nil
}

func clusterProportion(in *Input) (Results, error) {
	y, id, err := clusterVectors(in, "y")
	if err != nil {
		return nil, err
	}
	events := make([]bool, len(y))
	for i, v := range y {
		if v != 0 && v != 1 {
			return nil, NotCovered("an event is %v, neither 0 nor 1", v)
		}
		events[i] = v == 1
	}
	p, err := cluster.Proportion(events, id, reportLevel)
	if err != nil {
		return nil, err
	}
	return Results{
		"n": p.N, "n_clusters": p.Clusters, "proportion": p.Estimate, "se_cluster": p.SE, "se_naive": p.SENaive,
		"design_effect": p.DesignEffect, "effective_n": p.EffectiveN,
		"wald_z":             Results{"low": p.WaldZ.Lower, "high": p.WaldZ.Upper},
		"wald_t":             Results{"low": p.WaldT.Lower, "high": p.WaldT.Upper},
		"wilson_effective_n": Results{"low": p.WilsonUnguarded.Lower, "high": p.WilsonUnguarded.Upper},
	}, nil
}

func clusteredSignedRank(in *Input) (Results, error) {
	z, id, err := clusterVectors(in, "z")
	if err != nil {
		return nil, err
	}
	t, err := cluster.SignedRank(z, id)
	if err != nil {
		return nil, err
	}
	return Results{"statistic": t.Sum, "variance": t.Variance, "z": t.Stat, "p_value": t.P, "n_clusters": t.Clusters, "n_used": t.Used}, nil
}

func clusteredSignedRankExact(in *Input) (Results, error) {
	z, id, err := clusterVectors(in, "z")
	if err != nil {
		return nil, err
	}
	t, err := cluster.SignedRankExact(z, id)
	if err != nil {
		return nil, err
	}
	return Results{"statistic": t.Sum, "p_value": t.P, "n_clusters": t.Clusters}, nil
}

func geeMethod(working cluster.Working, convention cluster.Convention) Method {
	return func(in *Input) (Results, error) {
		family, err := in.TextOr("family", "gaussian()")
		if err != nil {
			return nil, err
		}
		if _, err := in.TextOr("corstr", ""); err != nil { // the method's name says it too
			return nil, err
		}
		g, err := solveGEE(in, family, cluster.Equations{Working: working, Convention: convention})
		if err != nil {
			return nil, err
		}
		rows := make([]Results, len(g.Coefficients))
		for i, c := range g.Coefficients {
			rows[i] = Results{"term": c.Term, "estimate": c.Estimate, "robust_se": c.SE, "z": c.T, "wald_chisq": c.T * c.T, "p": c.P, "ci_low": c.Lower, "ci_high": c.Upper}
		}
		out := Results{
			"coefficients": rows, "robust_vcov": matrixRows(g.VCov), "model_based_vcov": matrixRows(g.ModelVCov),
			"scale": g.Scale, "n": g.N, "n_clusters": g.Clusters, "max_cluster": g.Largest, "alpha": g.Alpha,
		}
		if !math.IsNaN(g.AlphaSEComparison) {
			out["alpha_se"] = g.AlphaSEComparison
		}
		return out, nil
	}
}

func solveGEE(in *Input, family string, q cluster.Equations) (*cluster.GEE, error) {
	var err error
	if q.Family, err = familyOf(family); err != nil {
		return nil, err
	}
	formula, err := in.Text("formula")
	if err != nil {
		return nil, err
	}
	id, err := in.Text("id")
	if err != nil {
		return nil, err
	}
	design, err := fixedDesign(in, formula)
	if err != nil {
		return nil, err
	}
	groups, _, err := design.Groups(id)
	if err != nil {
		return nil, err
	}
	return cluster.SolveGEE(design, groups, q, reportLevel)
}

// biasReduced is statsmodels' form: its family is in the call, and its
// coefficients are ordered factors first.
func biasReduced(working cluster.Working) Method {
	return func(in *Input) (Results, error) {
		call, err := in.Call("smf.gee")
		if err != nil {
			return nil, err
		}
		call.Allow("cov_struct")
		family := call.Expression("family")
		if family == "" {
			family = "gaussian"
		}
		g, err := solveGEE(in, family, cluster.Equations{Working: working, Convention: cluster.Corrected, BiasReduced: true})
		if err != nil {
			return nil, err
		}
		rows := make([]Results, 0, len(g.Coefficients))
		for _, term := range expectedTerms(in) {
			for _, c := range g.Coefficients {
				if c.Term == term {
					rows = append(rows, Results{"term": c.Term, "estimate": c.Estimate, "bias_reduced_se": c.SE})
				}
			}
		}
		return Results{"coefficients": rows}, nil
	}
}

// expectedTerms is the order in which the reference lists its coefficients.
func expectedTerms(in *Input) []string {
	var terms []string
	list, _ := in.c.Results["coefficients"].([]any)
	for _, entry := range list {
		if row, ok := entry.(map[string]any); ok {
			if term, ok := row["term"].(string); ok {
				terms = append(terms, term)
			}
		}
	}
	return terms
}

var clusterTypes = []cluster.Type{cluster.CR0, cluster.CR1, cluster.CR1S, cluster.CR1P, cluster.CR2, cluster.CR3}

func clusterRobust(in *Input) (Results, error) {
	model, err := in.Text("model")
	if err != nil {
		return nil, err
	}
	id, err := in.Text("cluster")
	if err != nil {
		return nil, err
	}
	fit, err := robustModel(in, model, id)
	if err != nil {
		return nil, err
	}
	out := Results{}
	for _, kind := range clusterTypes {
		if !in.Expects(kind.String()) {
			continue
		}
		r, err := fit(kind)
		if err != nil {
			return nil, err
		}
		rows := make([]Results, len(r.Coefficients))
		naive := float64(r.Clusters - 1)
		for j, c := range r.Coefficients {
			rows[j] = Results{
				"term": c.Term, "estimate": c.Estimate, "se": c.SE, "t": c.T, "df_satterthwaite": c.DF, "p_satterthwaite": c.P,
				"df_naive_t": naive, "p_naive_t": r.Naive(j, naive), "p_z": r.Naive(j, math.Inf(1)), "ci_low_satt": c.Lower, "ci_high_satt": c.Upper,
			}
		}
		var vcov any = matrixRows(r.VCov)
		if len(rows) == 1 { // the reference drops the dimensions of a single variance
			vcov = r.VCov.At(0, 0)
		}
		out[kind.String()] = Results{"coefficients": rows, "vcov": vcov}
		out["n_clusters"] = r.Clusters
	}
	return out, nil
}

// robustModel reads lm(…) or glm(…) and returns the fit for each type of variance.
func robustModel(in *Input, model, id string) (func(cluster.Type) (*cluster.Robust, error), error) {
	if call, ok := findCall(model, "lm"); ok {
		call.Allow("data")
		if err := call.Unread(); err != nil {
			return nil, err
		}
		design, groups, err := groupedDesign(in, call, id)
		if err != nil {
			return nil, err
		}
		f, err := regress.OLS(design, reportLevel)
		if err != nil {
			return nil, err
		}
		return func(t cluster.Type) (*cluster.Robust, error) { return cluster.OLS(f, groups, t) }, nil
	}
	call, ok := findCall(model, "glm")
	if !ok {
		return nil, NotCovered("model %q is neither lm nor glm", model)
	}
	call.Allow("data", "control")
	family, err := familyOf(call.Expression("family"))
	if err != nil {
		return nil, err
	}
	if err := call.Unread(); err != nil {
		return nil, err
	}
	design, groups, err := groupedDesign(in, call, id)
	if err != nil {
		return nil, err
	}
	fit := glm.Logistic
	switch family {
	case cluster.Poisson:
		fit = glm.PoissonRegression
	case cluster.Gaussian:
		return nil, NotCovered("glm with a gaussian family is lm")
	}
	data := glm.Data{Y: design.Y, X: design.X, Terms: design.Names, Offset: design.Offset}
	f, err := fit(data, reportLevel)
	if err != nil {
		return nil, err
	}
	return func(t cluster.Type) (*cluster.Robust, error) { return cluster.GLM(f, data, groups, t) }, nil
}

func groupedDesign(in *Input, call *Call, id string) (*regress.Design, []int, error) {
	if len(call.Positional()) == 0 {
		return nil, nil, NotCovered("a model without a formula")
	}
	design, err := fixedDesign(in, call.Positional()[0])
	if err != nil {
		return nil, nil, err
	}
	groups, _, err := design.Groups(id)
	return design, groups, err
}
