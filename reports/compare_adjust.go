package reports

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/mixed"
	"keratally/stats/propensity"
	"keratally/stats/regress"
)

// modelRows is the eyes of some groups as a model reads them: one row an eye
// that has the change and every covariate.
type modelRows struct {
	frame    *regress.Frame
	names    []string // labels of the groups in the frame, in the order of index
	index    []int    // group of Comparison.Groups by label
	present  []int    // of index, those with a row
	change   []float64
	group    []int
	patient  []int
	episode  []int32
	x        [][]float64 // covariates by row
	twoEyes  bool
	terms    []string // of the covariates in a formula
	complete int
	level    float64
}

// rows gathers the eyes of the groups. The groups are called g0, g1, … in the
// frame: a name may hold anything.
func (c *Comparison) rows(m *MeasureComparison, in []int, covariates []Covariate) (*modelRows, error) {
	r := &modelRows{index: in, level: c.level()}
	for i := range in {
		r.names = append(r.names, "g"+strconv.Itoa(i))
	}
	var labels, who []string
	columns := make([][]float64, len(covariates))
	seen := map[int]bool{}
	for i, g := range in {
		p := &m.Groups[g].Pairs
		found := false
		for k, change := range p.Change {
			row := make([]float64, len(covariates))
			missing := false
			for v, cov := range covariates {
				row[v] = cov.value(c.Source.Outcomes, int(p.Episode[k]))
				missing = missing || math.IsNaN(row[v])
			}
			if missing {
				continue
			}
			found = true
			r.change = append(r.change, change)
			r.group = append(r.group, g)
			r.patient = append(r.patient, int(p.Patient[k]))
			r.episode = append(r.episode, p.Episode[k])
			r.x = append(r.x, row)
			labels = append(labels, r.names[i])
			who = append(who, strconv.Itoa(int(p.Patient[k])))
			for v := range covariates {
				columns[v] = append(columns[v], row[v])
			}
			r.twoEyes = r.twoEyes || seen[int(p.Patient[k])]
			seen[int(p.Patient[k])] = true
		}
		if found {
			r.present = append(r.present, g)
		}
	}
	r.complete = len(r.change)
	r.frame = regress.NewFrame(len(r.change))
	if err := r.frame.AddNumbers("change", r.change); err != nil {
		return nil, err
	}
	if err := r.frame.AddFactorLevels("group", labels, r.names); err != nil {
		return nil, err
	}
	if err := r.frame.AddFactor("patient", who); err != nil {
		return nil, err
	}
	for v := range covariates {
		name := "x" + strconv.Itoa(v)
		r.terms = append(r.terms, name)
		if err := r.frame.AddNumbers(name, columns[v]); err != nil {
			return nil, err
		}
	}
	return r, nil
}

func (r *modelRows) design(formula string) (*regress.Design, error) {
	f, err := regress.ParseFormula(formula)
	if err != nil {
		return nil, err
	}
	return f.Design(r.frame)
}

func (r *modelRows) mixed(formula string, level float64) (*mixed.Fit, error) {
	d, err := r.design(formula)
	if err != nil {
		return nil, err
	}
	return mixed.Model(d, mixed.REML, mixed.Satterthwaite, level)
}

// contrasts hands the pairwise comparisons of a model, which are the first
// group less the second, to the contrasts, which are the other way round.
func (r *modelRows) contrasts(m *MeasureComparison, pairs []regress.Margin, to func(k *Contrast, result stats.Result)) {
	at := 0
	for i := range r.present {
		for j := i + 1; j < len(r.present); j++ {
			p := pairs[at]
			at++
			k := m.contrast(r.present[i], r.present[j])
			out := stats.NewResult("", r.complete)
			out.Clusters = len(sortedUnique(r.patient))
			out.Estimate, out.SE, out.DF, out.Stat, out.P = -p.Estimate, p.SE, p.DF, -p.T, p.P
			out.Interval = stats.Interval{Estimate: -p.Estimate, Lower: -p.Upper, Upper: -p.Lower, Level: r.level}
			to(k, out)
		}
	}
}

func sortedUnique(x []int) []int {
	y := slices.Clone(x)
	slices.Sort(y)
	return slices.Compact(y)
}

func (m *MeasureComparison) contrast(first, second int) *Contrast {
	for i := range m.Contrasts {
		if m.Contrasts[i].First == first && m.Contrasts[i].Second == second {
			return &m.Contrasts[i]
		}
	}
	return nil
}

// covariates is the declared set with the baseline of the measure in front,
// each once.
func (c *Comparison) covariates(m *MeasureComparison) []Covariate {
	out := []Covariate{{Quantity: m.Quantity}}
	for _, v := range c.Spec.Adjust {
		if !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return out
}

// adjust is the analysis of covariance: change on group, baseline and
// covariates by least squares, with standard errors that allow for two eyes of
// a patient (CR2, Satterthwaite); plain ones where no patient has two.
func (c *Comparison) adjust(m *MeasureComparison) {
	m.Covariates = c.covariates(m)
	fail := func(err error) {
		m.AdjustedErr = err
		for i := range m.Contrasts {
			if k := &m.Contrasts[i]; k.AdjustedErr == nil {
				k.AdjustedErr = err
			}
		}
	}
	in := c.eligible(m)
	if len(in) < 2 {
		fail(fmt.Errorf("not adjusted: fewer than two groups have %s with this measure", eyes(c.Source.Outcomes.Definitions.Analysis.MinEpisodes)))
		return
	}
	rows, err := c.rows(m, in, m.Covariates)
	if err != nil {
		fail(err)
		return
	}
	m.Complete = rows.complete
	if len(rows.present) < 2 {
		fail(fmt.Errorf("not adjusted: fewer than two groups have an eye with every covariate"))
		return
	}
	for _, g := range in {
		n := 0
		for _, in := range rows.group {
			if in == g {
				n++
			}
		}
		if n < c.Source.Outcomes.Definitions.Analysis.MinEpisodes {
			fail(fmt.Errorf("not adjusted: %s has %s with every covariate, fewer than %d", c.Groups[g].Name, eyes(n), c.Source.Outcomes.Definitions.Analysis.MinEpisodes))
			return
		}
	}
	formula := "change ~ group"
	for _, t := range rows.terms {
		formula += " + " + t
	}
	if err := c.ancova(m, rows, formula); err != nil {
		fail(err)
	}
}

func (c *Comparison) ancova(m *MeasureComparison, rows *modelRows, formula string) error {
	d, err := rows.design(formula)
	if err != nil {
		return err
	}
	fit, err := regress.OLS(d, c.level())
	if err != nil {
		return err
	}
	freedom, method := regress.Freedom(fit.Freedom), "analysis of covariance, least squares"
	if rows.twoEyes {
		robust, err := cluster.OLS(fit, rows.patient, cluster.CR2)
		if err != nil {
			return err
		}
		freedom, method = robust.Freedom, "analysis of covariance, clustered by patient (CR2, Satterthwaite)"
	}
	margins, err := d.Margins("~ group")
	if err != nil {
		return err
	}
	if m.Means, err = margins.Means(fit.Coef(), freedom, c.level()); err != nil {
		return err
	}
	m.MeansGroup = rows.present
	pairs, err := margins.Pairs(fit.Coef(), freedom, c.level(), regress.NoAdjustment)
	if err != nil {
		return err
	}
	rows.contrasts(m, pairs, func(k *Contrast, r stats.Result) {
		r.Method = method
		k.Adjusted = r
	})
	return nil
}

// weigh compares two groups as if their covariates were alike: weights from
// the probability of being in the second group, with the balance before and
// after.
func (c *Comparison) weigh(m *MeasureComparison, k *Contrast) {
	if k.WeightedErr != nil {
		return
	}
	rows, err := c.rows(m, []int{k.First, k.Second}, m.Covariates)
	if err != nil {
		k.WeightedErr, k.BalanceErr = err, err
		return
	}
	n, p := rows.complete, len(m.Covariates)
	if n == 0 {
		k.WeightedErr = fmt.Errorf("not weighted: no eye of the two groups has every covariate: %w", stats.ErrNoData)
		k.BalanceErr = k.WeightedErr
		return
	}
	treated := make([]bool, n)
	x, with := mat.NewDense(n, p, nil), mat.NewDense(n, p+1, nil)
	terms, names := []string{"(Intercept)"}, make([]string, p)
	for v, cov := range m.Covariates {
		names[v] = cov.label()
		terms = append(terms, names[v])
	}
	for i := range rows.change {
		treated[i] = rows.group[i] == k.Second
		with.Set(i, 0, 1)
		for v := range m.Covariates {
			x.Set(i, v, rows.x[i][v])
			with.Set(i, v+1, rows.x[i][v])
		}
	}
	k.Before, k.BalanceErr = propensity.BalanceOf(treated, x, names, nil)
	scores, err := propensity.Fit(treated, with, terms)
	if err != nil {
		k.WeightedErr = fmt.Errorf("not weighted: %w", err)
		return
	}
	weights, err := scores.Weights(c.Spec.Target)
	if err != nil {
		k.WeightedErr = err
		return
	}
	if k.BalanceErr == nil {
		k.After, k.BalanceErr = propensity.BalanceOf(treated, x, names, weights)
	}
	k.SecondSize, k.FirstSize = propensity.EffectiveSize(treated, weights)
	clusters := rows.patient
	if !rows.twoEyes {
		clusters = nil
	}
	k.Weighted, k.WeightedErr = propensity.Effect(treated, rows.change, weights, clusters, c.level())
	k.Weights = make(map[int32]float64, n)
	for i, e := range rows.episode {
		k.Weights[e] = weights[i]
	}
}
