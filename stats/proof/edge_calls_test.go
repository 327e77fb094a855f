package proof

import (
	"go/ast"
	"go/parser"
	"go/token"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/agreement"
	"keratally/stats/cluster"
	"keratally/stats/correlation"
	"keratally/stats/describe"
	"keratally/stats/design"
	"keratally/stats/effect"
	"keratally/stats/glm"
	"keratally/stats/groups"
	"keratally/stats/mixed"
	"keratally/stats/monitor"
	"keratally/stats/multiplicity"
	"keratally/stats/paired"
	"keratally/stats/pool"
	"keratally/stats/power"
	"keratally/stats/propensity"
	"keratally/stats/proportion"
	"keratally/stats/rate"
	"keratally/stats/regress"
	"keratally/stats/resample"
	"keratally/stats/survival"
)

// allowedNaN are numbers that may not exist although no note says why, as the
// documentation of the result does.
var allowedNaN = []struct{ method, path, why string }{
	{"paired.HodgesLehmann", "Achieved", "normal limits have no exact coverage"},
	{"groups.HodgesLehmann", "Achieved", "normal limits have no exact coverage"},
	{"effect.OfDifferences", "J", "two differences have no factor"},
	{"effect.OfDifferences", "GZ", "two differences have no factor"},
	{"pool.Studies", "DF", "a z test has no degrees of freedom"},
	{"correlation.Spearman", "DF", "a permutation test has no degrees of freedom"},
	{"survival.KaplanMeier", "Lower", "no limits on the log–log scale where survival is 0"},
	{"survival.KaplanMeier", "Upper", "no limits on the log–log scale where survival is 0"},
	{"cluster.SolveGEE", "AlphaSE", "for an exchangeable correlation only"},
	{"groups.Student", "Variance", "one value has no variance, and needs none beside another sample"},
	{"design.NotInferior", "DF", "NaN stands for the normal distribution, in the argument"},
	{"design.Equivalent", "DF", "NaN stands for the normal distribution, in the argument"},
	{"groups.Split", "Values", "it sorts values and computes nothing"},
}

// numerics are packages below the methods, whose callers check what they are
// given; checked in their own tests.
var numerics = map[string]bool{"dist": true, "rank": true, "sum": true, "root": true, "wald": true, "orderstat": true, "definite": true,
	"internal": true, "selfcheck": true, "proof": true}

// exported returns "package.Function" of every exported function of the
// methods' packages.
func exported(t testing.TB) (names []string) {
	t.Helper()
	files, err := filepath.Glob("../*/*.go")
	require.NoError(t, err)
	for _, path := range files {
		p := filepath.Base(filepath.Dir(path))
		if numerics[p] || strings.HasSuffix(path, "_test.go") {
			continue
		}
		content, err := os.ReadFile(path)
		require.NoError(t, err)
		file, err := parser.ParseFile(token.NewFileSet(), path, content, parser.SkipObjectResolution)
		require.NoError(t, err)
		for _, d := range file.Decls {
			if f, ok := d.(*ast.FuncDecl); ok && f.Recv == nil && f.Name.IsExported() {
				names = append(names, p+"."+f.Name.Name)
			}
		}
	}
	return names
}

// No exported function is left out of the edges.
func TestEveryMethodHasEdges(t *testing.T) {
	calls := ordinaryCalls(t)
	for _, name := range exported(t) {
		if _, ok := calls[name]; !ok && !noEdges[name] {
			t.Errorf("%s has no ordinary call in edge_calls_test.go", name)
		}
	}
}

// noEdges read text, or make a value without computing anything.
var noEdges = map[string]bool{"regress.NewFrame": true, "regress.ParseFormula": true, "regress.SumContrasts": true, "regress.Sandwich": true,
	"regress.NewCoefficient": true, "paired.Shifted": true, "proportion.TwoByTwo": true}

// ordinaryCalls are each method with ordinary arguments.
func ordinaryCalls(t testing.TB) map[string][]any {
	t.Helper()
	const two, l = stats.TwoSided, level
	x := []float64{47.25, 48, 46.5, 49.75, 50.5, 47, 48.25, 51, 46.75, 49}
	y := []float64{46.5, 47.5, 46.75, 48.5, 49.75, 46.25, 48, 49.5, 47, 48}
	d := []float64{0.75, 0.5, -0.25, 1.25, 0.75, 0.75, 0.25, 1.5, -0.25, 1}
	v := []float64{0.1, 0.2, 0.15, 0.3, 0.12, 0.2, 0.22, 0.18, 0.25, 0.11}
	p := []float64{0.01, 0.2, 0.03, 0.5, 0.04}
	who := []int{1, 1, 2, 2, 3, 4, 4, 5, 5, 6}
	arm := []int{0, 0, 1, 1, 0, 1, 1, 0, 0, 1}
	yes := []bool{true, false, true, false, false, true, true, false, true, false}
	first := truths(arm)
	g := []groups.Group{{Name: "a", Values: x[:4]}, {Name: "b", Values: y[3:7]}, {Name: "c", Values: x[5:]}}
	blocks := [][]float64{{47, 46.5, 46}, {48, 47.75, 48}, {50, 49, 48.5}, {46.5, 47, 46.25}}
	a, b := proportion.Count{Events: 7, N: 20}, proportion.Count{Events: 4, N: 25}
	table := proportion.Table{{7, 3, 4}, {2, 9, 5}, {6, 1, 8}}
	pairs := proportion.Pairs{Both: 12, FirstOnly: 7, SecondOnly: 3, Neither: 20}
	strata := []proportion.Stratum{{A: a, B: b}, {A: proportion.Count{Events: 5, N: 12}, B: proportion.Count{Events: 6, N: 15}}}
	counts := []proportion.Count{a, b, {Events: 9, N: 18}}
	e1, e2 := rate.Exposure{Events: 7, Time: 100}, rate.Exposure{Events: 3, Time: 120}
	follow := survival.Data{Time: []float64{3, 6, 6, 9, 12, 12, 15, 18, 24, 24}, Event: yes}
	competing := survival.CompetingData{Time: follow.Time, Cause: []int{1, 0, 1, 2, 0, 1, 2, 0, 1, 0}}
	z := mat.NewDense(10, 1, v)
	zz := mat.NewDense(10, 2, []float64{1, .1, 1, .4, 1, .15, 1, .3, 1, .9, 1, .2, 1, .6, 1, .18, 1, .25, 1, .11})
	terms := []string{"(Intercept)", "z"}
	binary := glm.Data{Y: []float64{1, 0, 1, 0, 0, 1, 1, 0, 1, 0}, X: zz, Terms: terms}
	logistic, err := glm.Logistic(binary, l)
	require.NoError(t, err)
	fixed, random := edgeDesign(t, x, v, who, "y ~ z"), edgeDesign(t, x, v, who, "y ~ z + (1 | who)")
	fit, err := regress.OLS(fixed, l)
	require.NoError(t, err)
	settings := resample.Settings{Resamples: 200, Seed: 1, Level: l}
	tested := stats.Result{Method: "t", N: 10, Estimate: 0.3, SE: 0.1, DF: 9}
	table2 := [][]int{{12, 3}, {2, 13}}
	by := mixed.Repeated{Subjects: who, Visits: []int{0, 1, 0, 1, 0, 0, 1, 0, 1, 1}, Labels: []string{"3", "6"}, Shape: mixed.CompoundSymmetric, Method: mixed.REML, Freedom: mixed.Satterthwaite}
	calls := map[string][]any{
		"paired.Differences": {paired.Differences, x, y}, "paired.T": {paired.T, d, 0.0, two, l}, "paired.Sign": {paired.Sign, d, two, l},
		"paired.SignedRank": {paired.SignedRank, d, paired.SignedRankOptions{}}, "paired.HodgesLehmann": {paired.HodgesLehmann, d, two, l, paired.ExactRanks},
		"paired.InvertSignedRank": {paired.InvertSignedRank, d, two, l, true, 1e-6},
		"describe.Mean":           {describe.Mean, x, l}, "describe.Median": {describe.Median, x}, "describe.Quantile": {describe.Quantile, x, 0.3},
		"describe.Quantiles": {func(x []float64, q describe.QuantileType, p float64) ([]float64, error) {
			return describe.Quantiles(x, q, p)
		}, x, describe.Type7, 0.3},
		"describe.ShapiroWilk": {describe.ShapiroWilk, x}, "describe.Summarise": {describe.Summarise, x, l}, "describe.MedianCI": {describe.MedianCI, x, l},
		"describe.GeometricMean": {describe.GeometricMean, x, l}, "describe.Autocorrelation": {describe.Autocorrelation, x},
		"correlation.Pearson": {correlation.Pearson, x, y, two, l}, "correlation.Spearman": {correlation.Spearman, x, y, two, l, correlation.StudentT},
		"correlation.Kendall":         {correlation.Kendall, x, y, two, l, correlation.NormalKendall},
		"agreement.NewBlandAltman":    {agreement.NewBlandAltman, x, y, l},
		"agreement.NewConcordance":    {agreement.NewConcordance, x, y, l},
		"agreement.NewICC":            {agreement.NewICC, blocks, l},
		"agreement.NewKappa":          {agreement.NewKappa, table2, agreement.Linear, l},
		"agreement.NewRepeated":       {agreement.NewRepeated, x, y, who, l},
		"agreement.FleissKappa":       {agreement.FleissKappa, [][]int{{2, 1}, {0, 3}, {3, 0}, {1, 2}}},
		"agreement.CarkeetFactors":    {agreement.CarkeetFactors, 20, l},
		"agreement.CrossedComponents": {agreement.CrossedComponents, blocks}, "agreement.NewRepeatability": {agreement.NewRepeatability, x, y},
		"cluster.DesignEffect": {cluster.DesignEffect, arm, 2, 0.5}, "cluster.ICC": {cluster.ICC, x, who, l}, "cluster.Mean": {cluster.Mean, x, who, l},
		"cluster.Proportion": {cluster.Proportion, yes, who, l}, "cluster.RankSum": {cluster.RankSum, x, first, who},
		"cluster.SignedRank": {cluster.SignedRank, d, who}, "cluster.SignedRankExact": {cluster.SignedRankExact, d, who},
		"cluster.SolveGEE": {cluster.SolveGEE, fixed, who, cluster.Equations{Family: cluster.Gaussian, Working: cluster.Exchangeable}, l},
		"cluster.OLS":      {cluster.OLS, fit, who, cluster.CR2}, "cluster.GLM": {cluster.GLM, logistic, binary, who, cluster.CR1},
		"design.EquivalencePaired": {design.EquivalencePaired, x, y, -1.0, 1.0, 0.05}, "design.EquivalenceStudent": {design.EquivalenceStudent, x, y, -1.0, 1.0, 0.05},
		"design.EquivalenceWelch": {design.EquivalenceWelch, x, y, -1.0, 1.0, 0.05}, "design.Equivalent": {design.Equivalent, tested, -1.0, 1.0, 0.05},
		"design.NotInferior":   {design.NotInferior, tested, -1.0, stats.Greater, 0.025},
		"effect.OfDifferences": {effect.OfDifferences, d}, "effect.OfSamples": {effect.OfSamples, x, y}, "effect.HedgesFactor": {effect.HedgesFactor, 9.0},
		"glm.Logistic": {glm.Logistic, binary, l}, "glm.PoissonRegression": {glm.PoissonRegression, glm.Data{Y: []float64{1, 0, 2, 0, 3, 1, 1, 0, 1, 0}, X: zz, Terms: terms}, l},
		"groups.AlexanderGovern": {groups.AlexanderGovern, g}, "groups.Bartlett": {groups.Bartlett, g}, "groups.BrownForsythe": {groups.BrownForsythe, g},
		"groups.FlignerKilleen": {groups.FlignerKilleen, g}, "groups.Friedman": {groups.Friedman, blocks}, "groups.KruskalWallis": {groups.KruskalWallis, g},
		"groups.InvertMannWhitney": {groups.InvertMannWhitney, x, y, two, l, true, 1e-6}, "groups.Levene": {groups.Levene, g},
		"groups.VarianceRatio": {groups.VarianceRatio, x, y, two, l}, "groups.WelchAnova": {groups.WelchAnova, g}, "groups.OneWay": {groups.OneWay, g},
		"groups.BrunnerMunzel": {groups.BrunnerMunzel, x, y, two, l}, "groups.Split": {groups.Split, x, arm, []string{"a", "b"}},
		"groups.MannWhitney": {groups.MannWhitney, x, y, groups.MannWhitneyOptions{}}, "groups.Dunn": {groups.Dunn, g, groups.Adjustment(multiplicity.Holm)},
		"groups.GamesHowell": {groups.GamesHowell, g, l}, "groups.Tukey": {groups.Tukey, g, l}, "groups.PairwiseT": {groups.PairwiseT, g, groups.Adjustment(multiplicity.Holm)},
		"groups.PairwiseWelch":         {groups.PairwiseWelch, g, groups.Adjustment(multiplicity.Holm)},
		"groups.PairwiseMannWhitney":   {groups.PairwiseMannWhitney, g, groups.Automatic, groups.Adjustment(multiplicity.Holm)},
		"groups.RepeatedMeasuresAnova": {groups.RepeatedMeasuresAnova, blocks}, "groups.HodgesLehmann": {groups.HodgesLehmann, x, y, two, l, groups.ExactRanks},
		"groups.Summarise": {groups.Summarise, x}, "groups.Student": {groups.Student, x, y, 0.0, two, l}, "groups.Welch": {groups.Welch, x, y, 0.0, two, l},
		"groups.StudentFromSummary": {groups.StudentFromSummary, groups.Summarise(x), groups.Summarise(y), 0.0, two, l},
		"groups.WelchFromSummary":   {groups.WelchFromSummary, groups.Summarise(x), groups.Summarise(y), 0.0, two, l},
		"mixed.Model":               {mixed.Model, random, mixed.REML, mixed.KenwardRoger, l}, "mixed.RandomInterceptMean": {mixed.RandomInterceptMean, x, who, l},
		"mixed.MMRM": {mixed.MMRM, fixed, by, l}, "mixed.VisitMeans": {mixed.VisitMeans, x, by, l},
		"monitor.ByOddsRatio": {monitor.ByOddsRatio, 0.1, 2.0}, "monitor.Median": {monitor.Median, x}, "monitor.Pooled": {monitor.Pooled, counts},
		"monitor.RunLimits": {monitor.RunLimits, 9, 11}, "monitor.NewCUSUM": {monitor.NewCUSUM, 0.05, 0.1},
		"monitor.RunAdjusted": {monitor.RunAdjusted, v, 2.0, yes, 3.0}, "monitor.Band": {monitor.Band, 40, 0.1, l}, "monitor.FunnelLimit": {monitor.FunnelLimit, 40, 0.1, 0.975},
		"monitor.NewRunChart": {monitor.NewRunChart, x, 48.0}, "monitor.NewUnits": {monitor.NewUnits, counts, 0.3},
		"pool.LogRiskRatio": {pool.LogRiskRatio, 5.0, 20.0, 3.0, 22.0}, "pool.SDFromCI": {pool.SDFromCI, 20, 1.0, 2.0, l},
		"pool.Student": {pool.Student, published(x), published(y), two, l}, "pool.Welch": {pool.Welch, published(x), published(y), two, l},
		"pool.Rubin": {pool.Rubin, x, v, 40.0, l}, "pool.Studies": {pool.Studies, d, v, pool.REML, true, l},
		"power.DesignEffect": {power.DesignEffect, []int{1, 2, 2}, 0.5}, "power.Whole": {power.Whole, 12.3},
		"propensity.Effect": {propensity.Effect, yes, x, v, who, l}, "propensity.EffectiveSize": {propensity.EffectiveSize, yes, v},
		"propensity.BalanceOf": {propensity.BalanceOf, yes, z, []string{"z"}, v}, "propensity.Fit": {propensity.Fit, yes, zz, terms},
		"rate.PerTime": {rate.PerTime, stats.Interval{Estimate: 1, Lower: 0.5, Upper: 2, Level: l}, 100.0}, "rate.NewNought": {rate.NewNought, 40, l},
		"rate.Test": {rate.Test, e1, 0.05, two, l}, "rate.Ratio": {rate.Ratio, e1, e2, two, l}, "rate.RatioWald": {rate.RatioWald, e1, e2, l}, "rate.DifferenceWald": {rate.DifferenceWald, e1, e2, l},
		"regress.OLS":       {regress.OLS, fixed, l},
		"resample.Clusters": {resample.Clusters, [][]int{{0, 1}, {2, 3}, {4}, {5, 6}, {7, 8}, {9}}, meanOf(x), settings}, "resample.Mean": {resample.Mean, x, settings},
		"resample.Rows": {resample.Rows, 10, meanOf(x), settings}, "resample.Values": {resample.Values, x, meanValue, settings}, "resample.Jackknife": {resample.Jackknife, x, meanValue},
		"survival.KaplanMeier": {survival.KaplanMeier, follow, survival.LogLog, l}, "survival.LogRank": {survival.LogRank, follow, arm, survival.LogRankOptions{}},
		"survival.LogRankTrend": {survival.LogRankTrend, follow, arm, []float64{1, 2}, survival.LogRankOptions{}},
		"survival.Cox":          {survival.Cox, follow, z, []string{"z"}, survival.CoxOptions{Level: l}}, "survival.FineGray": {survival.FineGray, competing, 1, z, []string{"z"}, l},
		"survival.GrayTest": {survival.GrayTest, competing, arm, 0.0}, "survival.CumulativeIncidence": {survival.CumulativeIncidence, competing, survival.LogLog, l},
		"survival.Turnbull":            {survival.Turnbull, []survival.Interval{{Left: 0, Right: 3}, {Left: 3, Right: 6}, {Left: 2, Right: 12}, {Left: 6, Right: 24}}},
		"power.TTest.Power":            {power.TTest.Power, power.TTest{Design: power.Paired, SD: 1, Alpha: 0.05}, 20.0, 0.5},
		"power.TTest.SampleSize":       {power.TTest.SampleSize, power.TTest{Design: power.Paired, SD: 1, Alpha: 0.05}, 0.8, 0.5},
		"power.TTest.Detectable":       {power.TTest.Detectable, power.TTest{Design: power.Paired, SD: 1, Alpha: 0.05}, 20.0, 0.8},
		"power.ANOVA.Power":            {power.ANOVA.Power, power.ANOVA{Groups: 3, Between: 1, Within: 4, Alpha: 0.05}, 20.0},
		"power.Proportions.Power":      {power.Proportions.Power, power.Proportions{Alpha: 0.05}, 50.0, 0.1, 0.3},
		"power.Proportions.SampleSize": {power.Proportions.SampleSize, power.Proportions{Alpha: 0.05}, 0.8, 0.1, 0.3},
	}
	addCountCalls(calls, a, b, table, pairs, strata, counts)
	for name, f := range map[string]any{"Byar": rate.Byar, "Exact": rate.Exact, "ExactLower": rate.ExactLower, "ExactUpper": rate.ExactUpper, "Wald": rate.Wald} {
		calls["rate."+name] = []any{f, e1, l}
	}
	for name, f := range map[string]any{"BenjaminiHochberg": multiplicity.BenjaminiHochberg, "BenjaminiYekutieli": multiplicity.BenjaminiYekutieli, "Bonferroni": multiplicity.Bonferroni,
		"Hochberg": multiplicity.Hochberg, "Holm": multiplicity.Holm, "HolmSidak": multiplicity.HolmSidak, "Hommel": multiplicity.Hommel, "Sidak": multiplicity.Sidak} {
		calls["multiplicity."+name] = []any{f, p}
	}
	calls["multiplicity.TwoStageBH"] = []any{multiplicity.TwoStageBH, p, 0.05}
	return calls
}

// addCountCalls adds the methods of package proportion, by what they take.
func addCountCalls(calls map[string][]any, a, b proportion.Count, table proportion.Table, pairs proportion.Pairs, strata []proportion.Stratum, counts []proportion.Count) {
	const two, l = stats.TwoSided, level
	add := func(args []any, all map[string]any) {
		for name, f := range all {
			calls["proportion."+name] = append([]any{f}, args...)
		}
	}
	add([]any{7, 20, l}, map[string]any{"AgrestiCoull": proportion.AgrestiCoull, "ClopperPearson": proportion.ClopperPearson, "ClopperPearsonLower": proportion.ClopperPearsonLower,
		"ClopperPearsonUpper": proportion.ClopperPearsonUpper, "Jeffreys": proportion.Jeffreys, "JeffreysUnmodified": proportion.JeffreysUnmodified, "MidP": proportion.MidP,
		"Wald": proportion.Wald, "Wilson": proportion.Wilson, "WilsonCorrected": proportion.WilsonCorrected})
	add([]any{7, 20, 12.5, l}, map[string]any{"WilsonEffective": proportion.WilsonEffective})
	add([]any{7, 20, 0.3, two, l}, map[string]any{"BinomialTest": proportion.BinomialTest})
	add([]any{7, 20, 0.3, two, l, true}, map[string]any{"ScoreTest": proportion.ScoreTest})
	add([]any{a, b, two}, map[string]any{"Barnard": proportion.Barnard, "BarnardRounded": proportion.BarnardRounded, "Boschloo": proportion.Boschloo})
	add([]any{a, b, l}, map[string]any{"DifferenceAgrestiCaffo": proportion.DifferenceAgrestiCaffo, "DifferenceMee": proportion.DifferenceMee,
		"DifferenceMiettinenNurminen": proportion.DifferenceMiettinenNurminen, "DifferenceNewcombe": proportion.DifferenceNewcombe,
		"DifferenceNewcombeCorrected": proportion.DifferenceNewcombeCorrected, "DifferenceWald": proportion.DifferenceWald, "DifferenceWaldCorrected": proportion.DifferenceWaldCorrected,
		"OddsRatioConditional": proportion.OddsRatioConditional, "OddsRatioHaldane": proportion.OddsRatioHaldane, "OddsRatioWoolf": proportion.OddsRatioWoolf,
		"RatioKatz": proportion.RatioKatz, "RatioKoopman": proportion.RatioKoopman, "RatioMiettinenNurminen": proportion.RatioMiettinenNurminen, "NewNumberNeeded": proportion.NewNumberNeeded})
	add([]any{a, b, two, l, true}, map[string]any{"DifferenceTest": proportion.DifferenceTest})
	add([]any{a, b, 0.1, l}, map[string]any{"NonInferiority": proportion.NonInferiority, "NonInferiorityWald": proportion.NonInferiorityWald})
	add([]any{table}, map[string]any{"Bowker": proportion.Bowker, "StuartMaxwell": proportion.StuartMaxwell, "GTest": proportion.GTest})
	add([]any{proportion.Table{{7, 3}, {2, 9}}}, map[string]any{"Phi": proportion.Phi})
	add([]any{table, two}, map[string]any{"FisherExact": proportion.FisherExact})
	add([]any{proportion.Table{{7, 3}, {2, 9}}, true}, map[string]any{"ChiSquared": proportion.ChiSquared})
	add([]any{[]int{7, 3, 9}, []float64{0.2, 0.3, 0.5}}, map[string]any{"GoodnessOfFit": proportion.GoodnessOfFit})
	add([]any{counts}, map[string]any{"EqualProportions": proportion.EqualProportions})
	add([]any{counts, []float64{1, 2, 3}}, map[string]any{"Trend": proportion.Trend})
	add([]any{[][]int{{1, 0, 1}, {1, 1, 0}, {0, 0, 1}, {1, 0, 0}}}, map[string]any{"CochranQ": proportion.CochranQ})
	add([]any{pairs}, map[string]any{"McNemarExact": proportion.McNemarExact, "McNemarMidP": proportion.McNemarMidP, "PairedPhi": proportion.PairedPhi})
	add([]any{pairs, true}, map[string]any{"McNemar": proportion.McNemar})
	add([]any{pairs, l}, map[string]any{"McNemarOddsRatio": proportion.McNemarOddsRatio, "PairedNewcombe": proportion.PairedNewcombe, "PairedTango": proportion.PairedTango, "PairedWald": proportion.PairedWald})
	add([]any{strata}, map[string]any{"WoolfHomogeneity": proportion.WoolfHomogeneity})
	add([]any{strata, true}, map[string]any{"BreslowDay": proportion.BreslowDay, "MantelHaenszel": proportion.MantelHaenszel})
	add([]any{strata, l}, map[string]any{"CommonOddsRatio": proportion.CommonOddsRatio, "CommonOddsRatioExact": proportion.CommonOddsRatioExact,
		"CommonRiskDifference": proportion.CommonRiskDifference, "CommonRiskRatio": proportion.CommonRiskRatio})
}

func edgeDesign(t testing.TB, y, z []float64, who []int, formula string) *regress.Design {
	t.Helper()
	f := regress.NewFrame(len(y))
	require.NoError(t, f.AddNumbers("y", y))
	require.NoError(t, f.AddNumbers("z", z))
	require.NoError(t, f.AddNumbers("who", reals(who)))
	parsed, err := regress.ParseFormula(formula)
	require.NoError(t, err)
	d, err := parsed.Design(f)
	require.NoError(t, err)
	return d
}

func meanValue(x []float64) float64 {
	total := 0.0
	for _, v := range x {
		total += v
	}
	return total / float64(len(x))
}

func meanOf(x []float64) func(rows []int) float64 {
	return func(rows []int) float64 {
		total := 0.0
		for _, i := range rows {
			total += x[(i%len(x)+len(x))%len(x)]
		}
		return total / float64(len(rows))
	}
}
