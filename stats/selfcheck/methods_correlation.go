package selfcheck

import (
	"strconv"
	"strings"

	"keratally/stats/correlation"
)

// correlationMethods are about two columns going together.
var correlationMethods = map[string]Method{
	"pearson":            corTest,
	"spearman_t_approx":  corTest,
	"spearman_exact":     corTest,
	"spearman_edgeworth": corTest,
	"kendall_normal":     corTest,
	"kendall_exact":      corTest,
	"spearman_ci":        spearmanLimits,
	"kendall_detail":     kendallDetail,
}

// corTest follows R's cor.test: which method, and exact where it would be.
func corTest(in *Input) (Results, error) {
	c, err := countCall(in, "cor.test")
	if err != nil {
		return nil, err
	}
	alt, err := callAlternative(in, c)
	if err != nil {
		return nil, err
	}
	level, err := callConfidence(in, c)
	if err != nil {
		return nil, err
	}
	method, err := c.TextOr("method", "pearson")
	if err != nil {
		return nil, err
	}
	exactSaid := c.Has("exact")
	exact, err := c.BoolOr("exact", false)
	if err != nil {
		return nil, err
	}
	continuity, err := c.BoolOr("continuity", false)
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	x, y, err := correlated(in)
	if err != nil {
		return nil, err
	}
	switch method {
	case "pearson":
		return htestMethod(correlation.Pearson(x, y, alt, level))
	case "spearman":
		if continuity {
			return nil, NotCovered("Spearman's test with continuity correction")
		}
		return spearmanAsR(x, y, exact || !exactSaid, func(x, y []float64, m correlation.SpearmanMethod) (correlation.Rank, error) {
			return correlation.Spearman(x, y, alt, level, m)
		})
	case "kendall":
		k, err := correlation.Kendall(x, y, alt, level, correlation.NormalKendall)
		if err != nil {
			return nil, err
		}
		switch {
		case !k.Ties && (exact || !exactSaid && len(x) < 50):
			k, err = correlation.Kendall(x, y, alt, level, correlation.ExactKendall)
		case continuity:
			k, err = correlation.Kendall(x, y, alt, level, correlation.NormalKendallCC)
		}
		if err != nil {
			return nil, err
		}
		return withoutLimits(htest(k.Result)), nil
	}
	return nil, NotCovered("the correlation is %q", method)
}

// spearmanAsR is exact by permutations up to 9 rows without ties, by the
// Edgeworth series beyond, and by the t approximation else.
func spearmanAsR(x, y []float64, exact bool, spearman func(x, y []float64, m correlation.SpearmanMethod) (correlation.Rank, error)) (Results, error) {
	method := correlation.StudentT
	if exact && !hasTies(x) && !hasTies(y) && len(x) < 1290 {
		method = correlation.Edgeworth
		if len(x) <= 9 {
			method = correlation.Permutations
		}
	}
	r, err := spearman(x, y, method)
	if err != nil && r.N == 0 {
		return nil, err
	}
	out := withoutLimits(htest(r.Result))
	out["statistic"] = r.S
	delete(out, "df")
	return out, err
}

func hasTies(x []float64) bool {
	seen := make(map[float64]bool, len(x))
	for _, v := range x {
		if seen[v] {
			return true
		}
		seen[v] = true
	}
	return false
}

// withoutLimits leaves out what R's rank correlations do not report.
func withoutLimits(out Results) Results {
	for _, key := range []string{"ci_low", "ci_high", "conf_level", "stderr"} {
		delete(out, key)
	}
	return out
}

// correlated returns the vectors x and y, or two columns of the first rows of
// the data set: {"rows": "first 7", "x": "A", "y": "B"}.
func correlated(in *Input) (x, y []float64, err error) {
	if !in.Has("rows") {
		return twoVectors(in)
	}
	rows, err := in.Text("rows")
	if err != nil {
		return nil, nil, err
	}
	count, ok := strings.CutPrefix(rows, "first ")
	n, numberErr := strconv.Atoi(count)
	if !ok || numberErr != nil || n < 0 {
		return nil, nil, NotCovered("rows are %q", rows)
	}
	frame, err := in.Frame()
	if err != nil {
		return nil, nil, err
	}
	var columns [2][]float64
	for i, argument := range []string{"x", "y"} {
		name, err := in.Text(argument)
		if err != nil {
			return nil, nil, err
		}
		if columns[i], err = frame.Numbers(name); err != nil {
			return nil, nil, err
		}
		if n > len(columns[i]) {
			return nil, nil, NotCovered("the data set has fewer than %d rows", n)
		}
		columns[i] = columns[i][:n]
	}
	return columns[0], columns[1], nil
}

func spearmanLimits(in *Input) (Results, error) {
	x, y, level, err := twoMeasurements(in, "spearman_ci")
	if err != nil {
		return nil, err
	}
	method := correlation.StudentT
	if len(x) < 3 {
		method = correlation.Permutations // whose test a pair of rows allows
	}
	r, err := correlation.Spearman(x, y, 0, level, method)
	if err != nil {
		return nil, err
	}
	return Results{
		"rho": r.Estimate, "n": r.N,
		"fieller_ci_low": r.Fieller.Lower, "fieller_ci_high": r.Fieller.Upper,
		"bonett_wright_ci_low": r.Interval.Lower, "bonett_wright_ci_high": r.Interval.Upper,
	}, nil
}

func kendallDetail(in *Input) (Results, error) {
	x, y, err := vectorsOf(in, "kendall_detail")
	if err != nil {
		return nil, err
	}
	k, err := correlation.Kendall(x, y, 0, reportLevel, correlation.NormalKendall)
	if err != nil { // constant columns and single rows have counts, if only of 0
		out := Results{"concordant": k.Concordant, "discordant": k.Discordant}
		if k.N > 1 {
			out["tau_a"] = k.TauA
		}
		return out, err
	}
	return Results{"concordant": k.Concordant, "discordant": k.Discordant, "tau_a": k.TauA, "tau_b": k.Estimate}, nil
}
