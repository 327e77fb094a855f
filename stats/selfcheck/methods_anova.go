package selfcheck

import (
	"errors"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/groups"
	"keratally/stats/multiplicity"
	"keratally/stats/regress"
)

// anovaMethods are about several groups, or treatments within blocks.
var anovaMethods = map[string]Method{
	"one_way_anova":                oneWayAnova,
	"welch_anova":                  overGroups("oneway.test", groups.WelchAnova),
	"kruskal_wallis":               overGroups("kruskal.test", groups.KruskalWallis),
	"bartlett":                     overGroups("bartlett.test", groups.Bartlett),
	"fligner_killeen":              overGroups("fligner.test", groups.FlignerKilleen),
	"levene_mean":                  levene("mean", groups.Levene),
	"brown_forsythe_median":        levene("median", groups.BrownForsythe),
	"tukey_hsd":                    tukeyHSD,
	"games_howell":                 gamesHowell,
	"dunn_holm":                    dunnHolm,
	"pairwise_t_holm_pooled":       pairwiseT,
	"pairwise_t_holm_welch":        pairwiseT,
	"pairwise_t_bonferroni_pooled": pairwiseT,
	"pairwise_wilcoxon_holm":       pairwiseWilcoxon,
	"friedman":                     friedman,
	"two_way_anova":                anovaTable(regress.Sequential),
	"repeated_measures_anova":      blockAnova,
	"alexander_govern":             alexanderGovern,
	"tukey_hsd_scipy":              tukeyPython,
}

// caseGroups returns the values y by the factor g, or the columns y and group
// of the data set where the case names none.
func caseGroups(in *Input) ([]groups.Group, error) {
	if !in.Has("y") && !in.Has("g") {
		return datasetGroups(in)
	}
	values, err := in.Vector("y")
	if err != nil {
		return nil, err
	}
	codes, names, err := in.Factor("g")
	if err != nil {
		return nil, err
	}
	return groups.Split(values, codes, names)
}

// datasetGroups returns the groups of a data set that has one measurement and
// one label: the columns y and group, or one numeric and one text column.
func datasetGroups(in *Input) ([]groups.Group, error) {
	frame, err := in.Frame()
	if err != nil {
		return nil, err
	}
	value, label := "y", "group"
	if !frame.Has(value) || !frame.Has(label) {
		names := frame.Names()
		if len(names) != 2 || frame.IsNumeric(names[0]) == frame.IsNumeric(names[1]) {
			return nil, NotCovered("the data set does not say which column is the measurement and which the group")
		}
		value, label = names[0], names[1]
		if !frame.IsNumeric(value) {
			value, label = label, value
		}
	}
	if frame, err = frame.Complete(value, label); err != nil {
		return nil, err
	}
	values, err := frame.Numbers(value)
	if err != nil {
		return nil, err
	}
	codes, names, err := frame.Factor(label)
	if err != nil {
		return nil, err
	}
	return groups.Split(values, codes, names)
}

func oneWayAnova(in *Input) (Results, error) {
	g, err := caseGroups(in)
	if err != nil {
		return nil, err
	}
	a, err := groups.OneWay(g)
	if err != nil {
		if a.N == 0 {
			return nil, err
		}
		return Results{
			"df_between": a.DF, "df_within": a.DF2, "ss_between": a.BetweenSS, "ss_within": a.WithinSS,
			"ms_between": a.BetweenSS / a.DF, "ms_within": 0, "residual_sd": 0,
		}, err
	}
	return Results{
		"df_between": a.DF, "df_within": a.DF2, "ss_between": a.BetweenSS, "ss_within": a.WithinSS,
		"ms_between": a.BetweenMS, "ms_within": a.WithinMS, "f": a.Stat, "p_value": a.P,
		"r_squared": a.EtaSquared, "residual_sd": a.ResidualSD, "eta_squared": a.EtaSquared, "omega_squared": a.OmegaSquared,
	}, nil
}

// overGroups runs a test of groups that an R function makes without options.
func overGroups(function string, test func([]groups.Group) (stats.Result, error)) Method {
	return func(in *Input) (Results, error) {
		c, err := countCall(in, function)
		if err != nil {
			return nil, err
		}
		if c.Has("var.equal") {
			if equal, err := c.BoolOr("var.equal", false); err != nil || equal {
				return nil, NotCovered("the call %q takes the variances to be equal", in.CallText())
			}
		}
		if err := c.Unread(); err != nil {
			return nil, err
		}
		g, err := caseGroups(in)
		if err != nil {
			return nil, err
		}
		r, err := test(g)
		if errors.Is(err, stats.ErrNoVariance) { // what does not need a variance
			return Results{"df": len(g) - 1, "df1": len(g) - 1}, err
		}
		return htestMethod(r, err)
	}
}

func levene(centre string, test func([]groups.Group) (stats.Result, error)) Method {
	return func(in *Input) (Results, error) {
		c, err := countCall(in, "leveneTest")
		if err != nil {
			return nil, err
		}
		if said := c.Expression("center"); said != centre && (said != "" || centre != "median") {
			return nil, NotCovered("distances from %q", said)
		}
		if err := c.Unread(); err != nil {
			return nil, err
		}
		g, err := caseGroups(in)
		if err != nil {
			return nil, err
		}
		r, err := test(g)
		if err != nil {
			return nil, err
		}
		return Results{"df1": r.DF, "df2": r.DF2, "f": r.Stat, "p_value": r.P}, nil
	}
}

func tukeyHSD(in *Input) (Results, error) {
	return comparePairs(in, "tuk", func(g []groups.Group) ([]groups.Pair, error) { return groups.Tukey(g, reportLevel) },
		func(p groups.Pair) Results {
			return Results{"diff": p.Difference, "ci_low": p.Interval.Lower, "ci_high": p.Interval.Upper, "p_adj": p.Adjusted}
		})
}

func gamesHowell(in *Input) (Results, error) {
	return comparePairs(in, "games_howell", func(g []groups.Group) ([]groups.Pair, error) { return groups.GamesHowell(g, reportLevel) },
		func(p groups.Pair) Results {
			return Results{
				"diff": p.Difference, "q": p.Stat, "df": p.DF, "p_adj": p.Adjusted,
				"ci_low": p.Interval.Lower, "ci_high": p.Interval.Upper,
			}
		})
}

func dunnHolm(in *Input) (Results, error) {
	return comparePairs(in, "dunn", func(g []groups.Group) ([]groups.Pair, error) { return groups.Dunn(g, multiplicity.Holm) },
		func(p groups.Pair) Results { return Results{"z": p.Stat, "p_raw": p.P, "p_holm": p.Adjusted} })
}

// comparePairs runs comparisons named "second-first", by a function that takes
// nothing but the values and the groups.
func comparePairs(in *Input, function string, compare func([]groups.Group) ([]groups.Pair, error), name func(groups.Pair) Results) (Results, error) {
	if err := withoutOptions(in, function); err != nil {
		return nil, err
	}
	g, err := caseGroups(in)
	if err != nil {
		return nil, err
	}
	pairs, err := compare(g)
	if err != nil {
		return nil, err
	}
	rows := make([]Results, len(pairs))
	for i, p := range pairs {
		rows[i] = name(p)
		rows[i]["pair"] = p.Second + "-" + p.First
	}
	return Results{"pairs": rows}, nil
}

// adjustmentOf returns the adjustment named in a call of R's pairwise tests.
func adjustmentOf(c *Call) (groups.Adjustment, error) {
	name, err := c.TextOr("p.adjust.method", "holm")
	if err != nil {
		return nil, err
	}
	adjustments := map[string]groups.Adjustment{
		"holm": multiplicity.Holm, "hochberg": multiplicity.Hochberg, "hommel": multiplicity.Hommel,
		"bonferroni": multiplicity.Bonferroni, "BH": multiplicity.BenjaminiHochberg, "fdr": multiplicity.BenjaminiHochberg,
		"BY": multiplicity.BenjaminiYekutieli, "none": nil,
	}
	adjustment, ok := adjustments[name]
	if !ok {
		return nil, NotCovered("the adjustment is %q", name)
	}
	return adjustment, nil
}

func pairwiseT(in *Input) (Results, error) {
	c, err := countCall(in, "pairwise.t.test")
	if err != nil {
		return nil, err
	}
	pooled, err := c.BoolOr("pool.sd", true)
	if err != nil {
		return nil, err
	}
	test := groups.PairwiseT
	if !pooled {
		test = groups.PairwiseWelch
	}
	return adjustedPairs(in, c, test)
}

func pairwiseWilcoxon(in *Input) (Results, error) {
	c, err := countCall(in, "pairwise.wilcox.test")
	if err != nil {
		return nil, err
	}
	if exact, err := c.BoolOr("exact", true); err != nil || exact {
		return nil, NotCovered("the call %q leaves it to R whether the tests are exact", in.CallText())
	}
	return adjustedPairs(in, c, func(g []groups.Group, adjustment groups.Adjustment) ([]groups.Pair, error) {
		return groups.PairwiseMannWhitney(g, groups.NormalCorrected, adjustment)
	})
}

func adjustedPairs(in *Input, c *Call, test func([]groups.Group, groups.Adjustment) ([]groups.Pair, error)) (Results, error) {
	adjustment, err := adjustmentOf(c)
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	g, err := caseGroups(in)
	if err != nil {
		return nil, err
	}
	pairs, err := test(g, adjustment)
	if err != nil {
		return nil, err
	}
	rows := make([]Results, len(pairs))
	for i, p := range pairs {
		rows[i] = Results{"group1": p.First, "group2": p.Second, "p_adj": p.Adjusted}
	}
	return Results{"pairs": rows}, nil
}

// pythonGroups returns the groups of a scipy call on *groups.
func pythonGroups(in *Input, function string) ([]groups.Group, error) {
	c, err := pythonCall(in, "scipy.stats.", function)
	if err != nil {
		return nil, err
	}
	if err := c.Unread(); err != nil {
		return nil, err
	}
	return caseGroups(in)
}

func alexanderGovern(in *Input) (Results, error) {
	g, err := pythonGroups(in, "alexandergovern")
	if err != nil {
		return nil, err
	}
	return htestMethod(groups.AlexanderGovern(g))
}

func tukeyPython(in *Input) (Results, error) {
	g, err := pythonGroups(in, "tukey_hsd")
	if err != nil {
		return nil, err
	}
	pairs, err := groups.Tukey(g, reportLevel)
	if err != nil {
		return nil, err
	}
	k := len(g)
	square := func(diagonal float64) [][]float64 {
		rows := make([][]float64, k)
		for i := range rows {
			rows[i] = make([]float64, k)
			rows[i][i] = diagonal
		}
		return rows
	}
	a, err := groups.OneWay(g)
	if err != nil {
		return nil, err
	}
	difference, p, low, high := square(0), square(1), square(0), square(0)
	next := 0
	for i := range k {
		// scipy fills the diagonal as if a group were compared with its like.
		high[i][i] = dist.TukeyQuantile(reportLevel, k, a.DF2) * math.Sqrt(a.WithinMS/float64(len(g[i].Values)))
		low[i][i] = -high[i][i]
		for j := i + 1; j < k; j++ {
			pair := pairs[next]
			next++
			difference[j][i], difference[i][j] = pair.Difference, -pair.Difference
			p[i][j], p[j][i] = pair.Adjusted, pair.Adjusted
			low[j][i], high[j][i] = pair.Interval.Lower, pair.Interval.Upper
			low[i][j], high[i][j] = -pair.Interval.Upper, -pair.Interval.Lower
		}
	}
	return Results{"difference_row_minus_column": difference, "p_adj": p, "ci_low": low, "ci_high": high}, nil
}
