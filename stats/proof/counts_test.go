package proof

import (
	"slices"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/monitor"
	"keratally/stats/power"
	"keratally/stats/proportion"
	"keratally/stats/rate"
)

func (s *dataSet) counts() (a, b proportion.Count) {
	return proportion.Count{Events: s.whole("a"), N: s.whole("n1")}, proportion.Count{Events: s.whole("b"), N: s.whole("n2")}
}

func (s *dataSet) table() (t proportion.Table, rows []proportion.Count, first []int) {
	x := s.ints("table")
	for i := 0; i < len(x); i += 3 {
		t = append(t, x[i:i+3])
		rows = append(rows, proportion.Count{Events: x[i], N: x[i] + x[i+1] + x[i+2]})
		first = append(first, x[i])
	}
	return t, rows, first
}

func (s *dataSet) pairCounts() proportion.Pairs {
	x := s.ints("pairs")
	return proportion.Pairs{Both: x[0], FirstOnly: x[1], SecondOnly: x[2], Neither: x[3]}
}

func (s *dataSet) strata() (all []proportion.Stratum) {
	x := s.ints("strata")
	for i := 0; i < len(x); i += 4 {
		all = append(all, proportion.Stratum{
			A: proportion.Count{Events: x[i], N: x[i] + x[i+2]}, B: proportion.Count{Events: x[i+1], N: x[i+1] + x[i+3]},
		})
	}
	return all
}

func ofOne(digits float64, f func(events, n int, level float64) (stats.Interval, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		iv, err := f(s.whole("a"), s.whole("n1"), level)
		return nums(err, iv.Lower, iv.Upper)
	}}
}

func ofCounts(digits float64, f func(a, b proportion.Count, s *dataSet) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) {
		a, b := s.counts()
		return f(a, b, s)
	}}
}

func effectLimits(f func(a, b proportion.Count, level float64) (stats.Interval, error)) method {
	return ofCounts(tail, func(a, b proportion.Count, _ *dataSet) ([]float64, error) {
		iv, err := f(a, b, level)
		return nums(err, limits(iv)...)
	})
}

func ofTable(digits float64, f func(t proportion.Table, rows []proportion.Count, first []int) ([]float64, error)) method {
	return method{digits: digits, ours: func(s *dataSet) ([]float64, error) { return f(s.table()) }}
}

func tested(r stats.Result, err error) ([]float64, error) { return nums(err, r.Stat, r.P) }
func testedOn(r stats.Result, err error) ([]float64, error) {
	return nums(err, r.Stat, r.DF, r.P)
}

func withLimits(r stats.Result, err error) ([]float64, error) {
	return nums(err, r.P, r.Interval.Lower, r.Interval.Upper)
}

var countsMethods = map[string]method{
	"proportion.ClopperPearson":     ofOne(closed, proportion.ClopperPearson),
	"proportion.Wilson":             ofOne(closed, proportion.Wilson),
	"proportion.WilsonCorrected":    ofOne(closed, proportion.WilsonCorrected),
	"proportion.Wald":               ofOne(closed, proportion.Wald),
	"proportion.JeffreysUnmodified": ofOne(closed, proportion.JeffreysUnmodified),
	"proportion.BinomialTest": {digits: closed, ours: func(s *dataSet) ([]float64, error) {
		return withLimits(proportion.BinomialTest(s.whole("a"), s.whole("n1"), 0.3, s.alt(), level))
	}},
	"proportion.DifferenceTest":             differenceTest(true),
	"proportion.DifferenceTest uncorrected": differenceTest(false),
	"proportion.FisherExact": ofCounts(closed, func(a, b proportion.Count, s *dataSet) ([]float64, error) {
		r, err := proportion.FisherExact(proportion.TwoByTwo(a, b), s.alt())
		return nums(err, r.P)
	}),
	"proportion.OddsRatioConditional": effectLimits(proportion.OddsRatioConditional),
	"proportion.OddsRatioWoolf":       effectLimits(proportion.OddsRatioWoolf),
	"proportion.RatioKatz":            effectLimits(proportion.RatioKatz),
	"proportion.DifferenceWald":       effectLimits(proportion.DifferenceWald),
	"proportion.DifferenceNewcombe": ofCounts(closed, func(a, b proportion.Count, _ *dataSet) ([]float64, error) {
		iv, err := proportion.DifferenceNewcombe(a, b, level)
		return nums(err, iv.Lower, iv.Upper)
	}),
	"proportion.ChiSquared": ofCounts(tail, func(a, b proportion.Count, _ *dataSet) ([]float64, error) {
		r, err := proportion.ChiSquared(proportion.TwoByTwo(a, b), true)
		return tested(r.Result, err)
	}),
	"proportion.ChiSquared table": ofTable(tail, func(t proportion.Table, _ []proportion.Count, _ []int) ([]float64, error) {
		r, err := proportion.ChiSquared(t, false)
		if err != nil {
			return nil, err
		}
		return append([]float64{r.Stat, r.DF, r.P}, r.Expected[0]...), nil
	}),
	"proportion.FisherExact table": ofTable(closed, func(t proportion.Table, _ []proportion.Count, _ []int) ([]float64, error) {
		r, err := proportion.FisherExact(t, stats.TwoSided)
		return nums(err, r.P)
	}),
	"proportion.GoodnessOfFit": ofTable(tail, func(_ proportion.Table, _ []proportion.Count, first []int) ([]float64, error) {
		shares := slices.Repeat([]float64{1 / float64(len(first))}, len(first))
		return testedOn(proportion.GoodnessOfFit(first, shares))
	}),
	"proportion.Trend": ofTable(tail, func(_ proportion.Table, rows []proportion.Count, _ []int) ([]float64, error) {
		scores := make([]float64, len(rows))
		for i := range scores {
			scores[i] = float64(i + 1)
		}
		r, err := proportion.Trend(rows, scores)
		return nums(err, r.Stat, r.P)
	}),
	"proportion.EqualProportions": ofTable(tail, func(_ proportion.Table, rows []proportion.Count, _ []int) ([]float64, error) {
		return testedOn(proportion.EqualProportions(rows))
	}),
	"proportion.Bowker": ofTable(tail, func(t proportion.Table, _ []proportion.Count, _ []int) ([]float64, error) {
		return testedOn(proportion.Bowker(t[:3]))
	}),
	"proportion.McNemar": {digits: tail, ours: func(s *dataSet) ([]float64, error) {
		return tested(proportion.McNemar(s.pairCounts(), false))
	}},
	"proportion.McNemar corrected": {digits: tail, ours: func(s *dataSet) ([]float64, error) {
		return tested(proportion.McNemar(s.pairCounts(), true))
	}},
	"proportion.McNemarExact": {digits: closed, ours: func(s *dataSet) ([]float64, error) {
		r, err := proportion.McNemarExact(s.pairCounts())
		return nums(err, r.P)
	}},
	"proportion.MantelHaenszel": {digits: tail, ours: func(s *dataSet) ([]float64, error) {
		return tested(proportion.MantelHaenszel(s.strata(), true))
	}},
	"proportion.MantelHaenszel uncorrected": {digits: tail, ours: func(s *dataSet) ([]float64, error) {
		return tested(proportion.MantelHaenszel(s.strata(), false))
	}},
	"proportion.CommonOddsRatio": {digits: tail, ours: func(s *dataSet) ([]float64, error) {
		iv, err := proportion.CommonOddsRatio(s.strata(), level)
		return nums(err, limits(iv)...)
	}},
	"proportion.CommonOddsRatioExact": {digits: closed, ours: func(s *dataSet) ([]float64, error) {
		r, err := proportion.CommonOddsRatioExact(s.strata(), level)
		return nums(err, r.P)
	}},
	"rate.Exact": {digits: closed, ours: func(s *dataSet) ([]float64, error) {
		iv, err := rate.Exact(rate.Exposure{Events: s.whole("a"), Time: s.one("t1")}, level)
		return nums(err, limits(iv)...)
	}},
	"rate.ExactLower": {digits: closed, ours: func(s *dataSet) ([]float64, error) {
		iv, err := rate.ExactLower(rate.Exposure{Events: s.whole("a"), Time: s.one("t1")}, level)
		return nums(err, iv.Lower)
	}},
	"rate.Test": {digits: closed, ours: func(s *dataSet) ([]float64, error) {
		return withLimits(rate.Test(rate.Exposure{Events: s.whole("a"), Time: s.one("t1")}, 0.2, s.alt(), level))
	}},
	"rate.Ratio": {digits: closed, ours: func(s *dataSet) ([]float64, error) {
		r, err := rate.Ratio(rate.Exposure{Events: s.whole("a"), Time: s.one("t1")}, rate.Exposure{Events: s.whole("b"), Time: s.one("t2")}, s.alt(), level)
		return nums(err, r.Estimate, r.P, r.Interval.Lower, r.Interval.Upper)
	}},
	"monitor.Band": {digits: closed, covers: []string{"monitor.Band", "monitor.FunnelLimit"}, ours: func(s *dataSet) ([]float64, error) {
		low, high, err := monitor.Band(s.whole("n1"), s.one("target"), level)
		return nums(err, low.Value, high.Value)
	}},
	"power.TTest": ofCounts(tail, func(a, _ proportion.Count, _ *dataSet) ([]float64, error) {
		n, delta := float64(a.N+1), 0.2+a.Proportion()
		two := power.TTest{Design: power.TwoSample, SD: 1, Alpha: 0.05}
		one := power.TTest{Design: power.Paired, SD: 1, Alpha: 0.05}
		p2, err := two.Power(n, delta)
		if err != nil {
			return nil, err
		}
		p1, err := one.Power(n, delta)
		if err != nil {
			return nil, err
		}
		size, err := two.SampleSize(0.9, delta)
		return nums(err, p2, p1, size)
	}),
	"power.Proportions": ofCounts(tail, func(a, _ proportion.Count, _ *dataSet) ([]float64, error) {
		plan := power.Proportions{Alpha: 0.05}
		p, err := plan.Power(float64(a.N+1), 0.1, 0.15+0.5*a.Proportion())
		if err != nil {
			return nil, err
		}
		n, err := plan.SampleSize(0.8, 0.1, 0.2+0.5*a.Proportion())
		return nums(err, p, n)
	}),
	"dist": {digits: closed, covers: []string{"dist.TCDF", "dist.TSF", "dist.TQuantile", "dist.ChiSquaredSF", "dist.ChiSquaredCDF", "dist.ChiSquaredQuantile",
		"dist.FSF", "dist.FCDF", "dist.FQuantile", "dist.BetaCDF", "dist.BetaQuantile", "dist.NormalCDF", "dist.NormalSF", "dist.NormalQuantile"},
		ours: func(s *dataSet) ([]float64, error) {
			q, n1, n2 := s.one("t1"), s.one("n1"), s.one("n2")
			return []float64{dist.TCDF(-q/5, n1), dist.TQuantile(0.999, n1), dist.ChiSquaredSF(q, n1), dist.ChiSquaredQuantile(0.01, n1), dist.FSF(q/3, n1, n2),
				dist.FQuantile(0.975, n1, n2), dist.BetaCDF(0.3, n1, n2), dist.BetaQuantile(0.05, n1, n2), dist.NormalCDF(-q / 2), dist.NormalQuantile(1 / (q * 1e6))}, nil
		}},
	"dist counts": {digits: closed, covers: []string{"dist.BinomialPMF", "dist.BinomialCDF", "dist.PoissonPMF", "dist.PoissonSF", "dist.HypergeometricPMF", "dist.HypergeometricCDF"},
		ours: func(s *dataSet) ([]float64, error) {
			a, n1, b, n2, t := s.whole("a"), s.whole("n1"), s.whole("b"), s.whole("n2"), s.one("t1")
			return []float64{dist.BinomialPMF(a, n1, 0.3), dist.BinomialCDF(a, n1, 0.3), dist.PoissonPMF(a, t), dist.PoissonSF(a, t),
				dist.HypergeometricPMF(a, n1, n2, a+b), dist.HypergeometricCDF(a, n1, n2, a+b)}, nil
		}},
	"dist ranks": {digits: closed, covers: []string{"dist.SignedRankCDF", "dist.SignedRankPMF", "dist.RankSumCDF", "dist.SignedRankQuantile"},
		ours: func(s *dataSet) ([]float64, error) {
			a, n1, n2 := s.whole("a"), s.whole("n1"), s.whole("n2")
			all := []float64{dist.SignedRankCDF(a, n1)}
			pmf := dist.SignedRankPMF(n1)
			for v := range min(a, 20) + 1 {
				if v < len(pmf) {
					all = append(all, pmf[v])
				} else {
					all = append(all, 0)
				}
			}
			return append(all, dist.RankSumCDF(a, min(n1, 20), min(n2, 20)), float64(dist.SignedRankQuantile(0.1, n1))), nil
		}},
	"dist Tukey": {digits: closed, slack: 1e-13, covers: []string{"dist.TukeySF", "dist.TukeyCDF"}, ours: func(s *dataSet) ([]float64, error) {
		a, _ := s.counts()
		return []float64{dist.TukeySF(1+a.Proportion()*4, 3, float64(a.N+2)), dist.TukeyCDF(3.3, 5, float64(a.N+2))}, nil
	}},
	"dist noncentral": {digits: tail, covers: []string{"dist.NoncentralTCDF", "dist.NoncentralFCDF"}, ours: func(s *dataSet) ([]float64, error) {
		a, _ := s.counts()
		return []float64{dist.NoncentralTCDF(1.5, float64(a.N), 1+a.Proportion()), dist.NoncentralFCDF(2, 3, float64(a.N+2), 4*a.Proportion()+1)}, nil
	}},
}

func differenceTest(corrected bool) method {
	return ofCounts(tail, func(a, b proportion.Count, s *dataSet) ([]float64, error) {
		r, err := proportion.DifferenceTest(a, b, s.alt(), level, corrected)
		return nums(err, r.Stat*r.Stat, r.P)
	})
}
