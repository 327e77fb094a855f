package proof

import (
	"errors"
	"fmt"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/correlation"
	"keratally/stats/describe"
	"keratally/stats/glm"
	"keratally/stats/groups"
	"keratally/stats/mixed"
	"keratally/stats/multiplicity"
	"keratally/stats/paired"
	"keratally/stats/pool"
	"keratally/stats/power"
	"keratally/stats/proportion"
	"keratally/stats/rate"
	"keratally/stats/regress"
	"keratally/stats/resample"
	"keratally/stats/survival"
)

type timed struct {
	name string
	run  func() error
}

func failed[T any](_ T, err error) error { return err }

func truths(x []int) []bool {
	out := make([]bool, len(x))
	for i, v := range x {
		out[i] = v == 1
	}
	return out
}

// frame holds the first rows of the clustered data, as R's data frame does
// before its clock starts.
func (d *speedData) frame(rows int) *regress.Frame {
	f := regress.NewFrame(rows)
	arm, patient, poor := make([]string, rows), make([]float64, rows), make([]float64, rows)
	for i := range rows {
		arm[i], patient[i] = fmt.Sprint(d.MArm[i]), float64(d.MPatient[i])
		if d.MY[i] > 0 {
			poor[i] = 1
		}
	}
	err := f.AddFactor("arm", arm)
	for name, x := range map[string][]float64{"y": d.MY[:rows], "base": d.MBase[:rows], "patient": patient, "poor": poor} {
		err = errors.Join(err, f.AddNumbers(name, x))
	}
	if err != nil {
		panic(err)
	}
	return f
}

func designOf(f *regress.Frame, formula string) (*regress.Design, error) {
	p, err := regress.ParseFormula(formula)
	if err != nil {
		return nil, err
	}
	return p.Design(f)
}

// visits evaluates a formula on the repeated measurements.
func (d *speedData) visits(formula string) (*regress.Design, error) {
	f := regress.NewFrame(len(d.VY))
	visit, v, patient := make([]string, len(d.VY)), make([]float64, len(d.VY)), make([]float64, len(d.VY))
	for i := range d.VY {
		visit[i], v[i], patient[i] = fmt.Sprint(d.VVisit[i]), float64(d.VVisit[i]), float64(d.VPatient[i])
	}
	for name, x := range map[string][]float64{"y": d.VY, "v": v, "patient": patient} {
		if err := f.AddNumbers(name, x); err != nil {
			return nil, err
		}
	}
	if err := f.AddFactor("visit", visit); err != nil {
		return nil, err
	}
	return designOf(f, formula)
}

func (d *speedData) samples() []groups.Group {
	all := make([]groups.Group, 4)
	for i, v := range d.Values {
		all[d.Group[i]].Name = fmt.Sprint(d.Group[i])
		all[d.Group[i]].Values = append(all[d.Group[i]].Values, v)
	}
	return all
}

// onDesign times a method from its formula on, as R's call does.
func onDesign(d *speedData, formula string, rows int, f func(*regress.Design) error) func() error {
	frame := d.frame(rows)
	return func() error {
		design, err := designOf(frame, formula)
		if err != nil {
			return err
		}
		return f(design)
	}
}

// speedMethods are timed in the order of speed.R, the four large problems first.
func speedMethods(d *speedData) []timed {
	const two = stats.TwoSided
	whole := survival.Data{Time: d.Time, Event: truths(d.Event)}
	part := survival.Data{Time: d.Time[:3000], Event: truths(d.Event[:3000])}
	arm, armBase := mat.NewDense(3000, 1, nil), mat.NewDense(3000, 2, nil)
	for i := range 3000 {
		arm.Set(i, 0, float64(d.Arm[i]))
		armBase.SetRow(i, []float64{float64(d.Arm[i]), d.MBase[i]})
	}
	competing := survival.CompetingData{Time: d.Time[:1000], Cause: d.Cause[:1000]}
	g := d.samples()
	fixed := "y ~ arm + base"
	small, err := designOf(d.frame(2000), fixed)
	if err != nil {
		panic(err)
	}
	smallFit, err := regress.OLS(small, level)
	if err != nil {
		panic(err)
	}
	a, b := proportion.Count{Events: 12, N: 37}, proportion.Count{Events: 40, N: 70}
	return []timed{
		{"signed-rank, n = 100,000, tied", func() error { return failed(paired.SignedRank(d.Many, paired.SignedRankOptions{})) }},
		{"Kaplan-Meier and log-rank, n = 100,000", func() error {
			if _, err := survival.KaplanMeier(whole, survival.LogLog, level); err != nil {
				return err
			}
			return failed(survival.LogRank(whole, d.Arm, survival.LogRankOptions{}))
		}},
		{"BCa, 10,000 resamples", func() error {
			return failed(resample.Mean(d.Boot, resample.Settings{Resamples: 10_000, Seed: 1, Level: level}))
		}},
		{"random intercept, 100,000 rows in 25,000", onDesign(d, fixed+" + (1 | patient)", speedRows, func(x *regress.Design) error {
			return failed(mixed.Model(x, mixed.REML, mixed.Satterthwaite, level))
		})},
		{"paired t", func() error {
			diff, err := paired.Differences(d.X, d.Y)
			if err != nil {
				return err
			}
			return failed(paired.T(diff, 0, two, level))
		}},
		{"signed-rank exact, tied", func() error {
			return failed(paired.SignedRank(d.Steps, paired.SignedRankOptions{Distribution: paired.Exact}))
		}},
		{"sign test", func() error { return failed(paired.Sign(d.Steps, two, level)) }},
		{"Hodges-Lehmann", func() error { return failed(paired.HodgesLehmann(d.HL, two, level, paired.NormalRanks)) }},
		{"Welch t", func() error { return failed(groups.Welch(d.X, d.Y, 0, two, level)) }},
		{"Mann-Whitney, n = 20,000", func() error {
			return failed(groups.MannWhitney(d.Many[:10000], d.Many[10000:20000], groups.MannWhitneyOptions{}))
		}},
		{"Shapiro-Wilk", func() error { return failed(describe.ShapiroWilk(d.X)) }},
		{"quantiles, n = 100,000", func() error {
			return failed(describe.Quantiles(d.Many, describe.Type7, .05, .25, .5, .75, .95))
		}},
		{"Pearson", func() error { return failed(correlation.Pearson(d.X, d.Y, two, level)) }},
		{"Spearman, n = 20,000", func() error {
			return failed(correlation.Spearman(d.Many[:20000], d.Time[:20000], two, level, correlation.StudentT))
		}},
		{"Kendall, n = 2,000", func() error {
			return failed(correlation.Kendall(d.Many[:2000], d.Time[:2000], two, level, correlation.NormalKendall))
		}},
		{"analysis of variance", func() error { return failed(groups.OneWay(g)) }},
		{"Kruskal-Wallis", func() error { return failed(groups.KruskalWallis(g)) }},
		{"Brown-Forsythe", func() error { return failed(groups.BrownForsythe(g)) }},
		{"Fligner-Killeen", func() error { return failed(groups.FlignerKilleen(g)) }},
		{"Tukey", func() error { return failed(groups.Tukey(g, level)) }},
		{"Clopper-Pearson", func() error { return failed(proportion.ClopperPearson(137, 500, level)) }},
		{"Fisher exact", func() error {
			if _, err := proportion.FisherExact(proportion.TwoByTwo(a, b), two); err != nil {
				return err
			}
			return failed(proportion.OddsRatioConditional(a, b, level))
		}},
		{"Fisher exact, 4 x 3", func() error {
			return failed(proportion.FisherExact(proportion.Table{{12, 4, 10}, {9, 11, 5}, {7, 6, 8}, {8, 9, 7}}, two))
		}},
		{"chi-square", func() error { return failed(proportion.ChiSquared(proportion.TwoByTwo(a, b), true)) }},
		{"Mantel-Haenszel", func() error {
			strata := []proportion.Stratum{{A: a, B: b}, {A: proportion.Count{Events: 5, N: 14}, B: proportion.Count{Events: 20, N: 34}}}
			if _, err := proportion.MantelHaenszel(strata, true); err != nil {
				return err
			}
			return failed(proportion.CommonOddsRatio(strata, level))
		}},
		{"Poisson rate ratio", func() error {
			return failed(rate.Ratio(rate.Exposure{Events: 12, Time: 300}, rate.Exposure{Events: 25, Time: 400}, two, level))
		}},
		{"Cox, 3,000 rows", func() error {
			return failed(survival.Cox(part, armBase, []string{"arm", "base"}, survival.CoxOptions{Level: level}))
		}},
		{"competing risks and Gray's test", func() error {
			if _, err := survival.CumulativeIncidence(competing, survival.LogLog, level); err != nil {
				return err
			}
			return failed(survival.GrayTest(competing, d.Arm[:1000], 0))
		}},
		{"proportional hazards test", func() error {
			f, err := survival.Cox(part, arm, []string{"arm"}, survival.CoxOptions{Level: level})
			if err != nil {
				return err
			}
			return failed(f.ProportionalHazards(survival.KaplanMeierTime, []survival.TermColumns{{Name: "arm", Columns: []int{0}}}))
		}},
		{"least squares, 100,000 rows", onDesign(d, fixed, speedRows, func(x *regress.Design) error { return failed(regress.OLS(x, level)) })},
		{"logistic, 2,000 rows", onDesign(d, "poor ~ arm + base", 2000, func(x *regress.Design) error {
			return failed(glm.Logistic(glm.Data{Y: x.Y, X: x.X, Terms: x.Names}, level))
		})},
		{"HC3", func() error { return failed(smallFit.HC(regress.HC3)) }},
		{"CR2 with Satterthwaite, 500 patients", func() error { return failed(cluster.OLS(smallFit, d.MPatient[:2000], cluster.CR2)) }},
		{"GEE exchangeable, 2,000 rows", onDesign(d, fixed, 2000, func(x *regress.Design) error {
			return failed(cluster.SolveGEE(x, d.MPatient[:2000], cluster.Equations{Family: cluster.Gaussian, Working: cluster.Exchangeable}, level))
		})},
		{"marginal means and pairs", func() error {
			f, err := groupModel(&dataSet{column: map[string][]float64{"values": d.Values, "group": reals(d.Group)}})
			if err != nil {
				return err
			}
			return failed(f.Pairs("~ g", regress.Tukey))
		}},
		{"repeated measures, unstructured", func() error {
			x, err := d.visits("y ~ visit")
			if err != nil {
				return err
			}
			visit := make([]int, len(d.VVisit))
			for i, v := range d.VVisit {
				visit[i] = v - 1
			}
			return failed(mixed.MMRM(x, mixed.Repeated{Subjects: d.VPatient, Visits: visit, Labels: []string{"1", "2", "3", "4"},
				Shape: mixed.Unstructured, Method: mixed.REML, Freedom: mixed.Satterthwaite}, level))
		}},
		{"random slope", func() error {
			x, err := d.visits("y ~ v + (1 + v | patient)")
			if err != nil {
				return err
			}
			return failed(mixed.Model(x, mixed.REML, mixed.Satterthwaite, level))
		}},
		{"studies, REML", func() error { return failed(pool.Studies(d.Effects, d.Variance, pool.REML, false, level)) }},
		{"power of a t test", func() error {
			return failed(power.TTest{Design: power.TwoSample, SD: 1, Alpha: 0.05}.SampleSize(0.9, 0.4))
		}},
		{"Holm", func() error { return failed(multiplicity.Holm(d.P)) }},
	}
}

func reals(x []int) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		out[i] = float64(v)
	}
	return out
}
