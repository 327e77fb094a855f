package survival

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/definite"
)

// Transform is the scale of time on which ProportionalHazards looks for a
// change of the log hazard ratio.
type Transform int

// The scales. The zero value is the project's default.
const (
	KaplanMeierTime Transform = iota // 1 − S(t−), S pooled over strata: outliers in time count little
	IdentityTime                     // t
	LogTime                          // log t
)

// String returns "Kaplan–Meier", "identity" or "log".
func (t Transform) String() string {
	switch t {
	case IdentityTime:
		return "identity"
	case LogTime:
		return "log"
	default:
		return "Kaplan–Meier"
	}
}

// TermColumns names the columns of the design that belong to one term: a
// factor of k levels has k − 1.
type TermColumns struct {
	Name    string
	Columns []int
}

// ProportionalHazards tests, for each term and for all together (the last
// test, "GLOBAL"), that its log hazard ratio does not change with time: the
// score test of γ = 0 in β(t) = β + γ·g(t), g the chosen transform less its
// mean over events. With d tied events the information is Efron's or
// Breslow's, as in the fit.
//
// Errors: *stats.ArgumentError if the log transform meets a time of 0 or a
// column is outside the design; stats.ErrNoVariance if a test's information is
// singular, as with events at one time only.
//
// Grambsch & Therneau, Biometrika 1994;81:515–526, in the score form.
func (f *CoxFit) ProportionalHazards(transform Transform, terms []TermColumns) ([]Test, error) {
	fail := func(err error) ([]Test, error) {
		return nil, fmt.Errorf("test of proportional hazards, %s transform: %w", transform, err)
	}
	m, p := f.model, f.model.p
	scale, err := f.timeScale(transform)
	if err != nil {
		return fail(err)
	}
	var mean float64
	for i, e := range f.data.Event {
		if e {
			mean += scale[i] / float64(f.Events)
		}
	}
	gtime := func(g, k int) float64 { return scale[m.strata[g].rows[m.strata[g].start(k)]] - mean }
	score, info := make([]float64, 2*p), mat.NewSymDense(2*p, nil)
	m.walk(m.eta(f.beta), func(g, k int, x []float64, _ float64) {
		for j, v := range x {
			score[p+j] += gtime(g, k) * v
		}
	}, func(g, k int, _, s0 float64, mean []float64, s2 func(a, b int) float64) {
		t := gtime(g, k)
		for a := range p {
			score[p+a] -= t * mean[a]
			for b := 0; b <= a; b++ {
				v := s2(a, b)/s0 - mean[a]*mean[b]
				info.SetSym(b, a, info.At(b, a)+v)
				info.SetSym(b, p+a, info.At(b, p+a)+t*v)
				if a != b {
					info.SetSym(a, p+b, info.At(a, p+b)+t*v)
				}
				info.SetSym(p+b, p+a, info.At(p+b, p+a)+t*t*v)
			}
		}
	})
	all := TermColumns{Name: "GLOBAL"}
	for j := range p {
		all.Columns = append(all.Columns, j)
	}
	var tests []Test
	for _, term := range append(terms[:len(terms):len(terms)], all) {
		keep := append([]int(nil), all.Columns...)
		for _, j := range term.Columns {
			if j < 0 || j >= p {
				return fail(&stats.ArgumentError{Name: "column of " + term.Name, Got: j, Want: fmt.Sprintf("0 to %d", p-1)})
			}
			keep = append(keep, p+j)
		}
		stat, ok := definite.Wald(info, score, keep)
		if !ok {
			return fail(fmt.Errorf("term %s: %w", term.Name, stats.ErrNoVariance))
		}
		test := chiSquaredTest(term.Name, stat, len(term.Columns))
		test.Columns = term.Columns
		tests = append(tests, test)
	}
	return tests, nil
}

// timeScale returns g of each row's time, before centring.
func (f *CoxFit) timeScale(transform Transform) ([]float64, error) {
	scale := make([]float64, f.N)
	order := timeOrder(f.data.Time)
	times, ends := distinctTimes(f.data.Time, order)
	surv, start := 1.0, 0
	for k, end := range ends {
		value := times[k]
		switch transform {
		case IdentityTime:
		case LogTime:
			if value <= 0 {
				return nil, &stats.ArgumentError{Name: "follow-up time", Got: value, Want: "greater than 0 for a log transform"}
			}
			value = math.Log(value)
		default:
			value = 1 - surv
		}
		dead := 0
		for _, i := range order[start:end] {
			scale[i] = value
			if f.data.Event[i] {
				dead++
			}
		}
		n := float64(f.N - start)
		surv *= (n - float64(dead)) / n
		start = end
	}
	return scale, nil
}

// Hazard is a cumulative baseline hazard just after one time.
type Hazard struct {
	Stratum    int // index of the stratum, in ascending order of its code
	Time       float64
	Cumulative float64
}

// BaselineHazard returns the cumulative hazard of a row whose every column of
// the design is 0, at each distinct time of each stratum: Breslow's estimate
// Σ d/Σr, or with Efron's ties its counterpart Σ over k of 1/(Σr − k/d·Σr of
// the tied events).
func (f *CoxFit) BaselineHazard() []Hazard {
	m := f.model
	jumps := make([][]float64, len(m.strata))
	for g := range jumps {
		jumps[g] = make([]float64, len(m.strata[g].times))
	}
	atZero := -dot(f.center, f.beta)
	m.walk(m.eta(f.beta), func(int, int, []float64, float64) {},
		func(g, k int, s0log, _ float64, _ []float64, _ func(a, b int) float64) {
			jumps[g][k] += math.Exp(atZero - s0log)
		})
	var out []Hazard
	for g := range jumps {
		total := 0.0
		for k, t := range m.strata[g].times {
			total += jumps[g][k]
			out = append(out, Hazard{Stratum: g, Time: t, Cumulative: total})
		}
	}
	return out
}
