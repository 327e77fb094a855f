package proportion

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/sum"
)

// Barnard tests p₁ = p₂ exactly without conditioning on the number of events:
// P is the largest probability, over every common proportion π, of tables
// whose statistic is at least as extreme as that observed. Stat is the
// difference over its pooled standard error, 0 where all or none have the
// event. The largest probability is found on a grid in arcsin √π, fine enough
// for the peaks of a polynomial of degree n₁ + n₂, and refined at each peak.
//
// The error is stats.ErrNoData if a group is empty; events outside [0, n] are
// an error too. The cost grows with n₁·n₂.
//
// Barnard, Biometrika 1947;34:123–138; the statistic of Suissa & Shuster, J R
// Stat Soc A 1985;148:317–327.
func Barnard(a, b Count, alt stats.Alternative) (stats.Result, error) {
	// Statistics that are equal in exact arithmetic differ by a rounding; none
	// that are not come this close.
	return barnard("Barnard unconditional exact test, pooled z", a, b, alt, 1e-10)
}

// BarnardRounded is Barnard with the statistics compared as the doubles that
// they are computed as, so that a table exactly tied with the observed one
// counts or not as its rounding falls: P may be too small by such a table. It
// is what scipy's barnard_exact returns, and is here to be compared with it;
// report Barnard.
func BarnardRounded(a, b Count, alt stats.Alternative) (stats.Result, error) {
	return barnard("Barnard unconditional exact test, pooled z, ties as rounded", a, b, alt, 0)
}

func barnard(method string, a, b Count, alt stats.Alternative, fuzz float64) (stats.Result, error) {
	if err := checkTwo(method, a, b, 0.95); err != nil {
		return stats.Result{}, err
	}
	z := func(x, y int) float64 {
		n, m := float64(a.N), float64(b.N)
		pooled := float64(x+y) / (n + m)
		if x*b.N == y*a.N {
			return 0
		}
		return (float64(x)/n - float64(y)/m) / math.Sqrt(pooled*(1-pooled)*(1/n+1/m))
	}
	observed := z(a.Events, b.Events)
	extreme := func(x, y int) bool {
		switch v := z(x, y); alt {
		case stats.Less:
			return v <= observed+fuzz
		case stats.Greater:
			return v >= observed-fuzz
		default:
			return math.Abs(v) >= math.Abs(observed)-fuzz
		}
	}
	r := stats.NewResult(method, a.N+b.N)
	r.Alt, r.Stat, r.Estimate = alt, observed, a.Proportion()-b.Proportion()
	r.P = worstNuisance(a.N, b.N, extreme)
	return r, nil
}

// Boschloo is Barnard's test with Fisher's one-sided p as the statistic, so it
// is never less powerful than Fisher's test. The two-sided P doubles the
// smaller one-sided P, and Stat is then the Fisher p of that side.
//
// Boschloo, Stat Neerl 1970;24:1–35.
func Boschloo(a, b Count, alt stats.Alternative) (stats.Result, error) {
	const method = "Boschloo unconditional exact test"
	if err := checkTwo(method, a, b, 0.95); err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, a.N+b.N)
	r.Alt, r.Estimate = alt, a.Proportion()-b.Proportion()
	switch alt {
	case stats.Less:
		r.Stat, r.P = boschlooOneSided(a, b)
	case stats.Greater:
		r.Stat, r.P = boschlooOneSided(a.Complement(), b.Complement())
	default:
		r.Stat, r.P = boschlooOneSided(a, b)
		stat, p := boschlooOneSided(a.Complement(), b.Complement())
		if p < r.P {
			r.Stat, r.P = stat, p
		}
		r.P = min(1, 2*r.P)
	}
	return r, nil
}

// boschlooOneSided returns Fisher's p and Boschloo's against p₁ < p₂.
func boschlooOneSided(a, b Count) (statistic, p float64) {
	fisher := make([][]float64, a.N+1) // by x, y
	for x := range fisher {
		fisher[x] = make([]float64, b.N+1)
	}
	for t := 0; t <= a.N+b.N; t++ {
		f := newHypergeometric(a.N, b.N, t)
		tail := 0.0
		for i, q := range f.at(0) {
			tail = min(1, tail+q)
			fisher[f.lo+i][t-f.lo-i] = tail
		}
	}
	statistic = fisher[a.Events][b.Events]
	limit := statistic * (1 + 1e-12)
	return statistic, worstNuisance(a.N, b.N, func(x, y int) bool { return fisher[x][y] <= limit })
}

// worstNuisance returns the largest probability over π in [0, 1] that
// independent binomials (n, π) and (m, π) fall where extreme says so.
func worstNuisance(n, m int, extreme func(x, y int) bool) float64 {
	type run struct{ from, to int } // columns from ≤ y < to of one row
	rows := make([][]run, n+1)
	size := 0
	for x := range rows {
		for y := 0; y <= m; y++ {
			if !extreme(x, y) {
				continue
			}
			size++
			if k := len(rows[x]); k > 0 && rows[x][k-1].to == y {
				rows[x][k-1].to = y + 1
			} else {
				rows[x] = append(rows[x], run{y, y + 1})
			}
		}
	}
	if size == (n+1)*(m+1) {
		return 1
	}
	below, above := make([]float64, m+2), make([]float64, m+2) // P(Y < y), P(Y ≥ y)
	between := func(r run) float64 {
		if r.to == m+1 { // the upper tail itself, not one minus the lower
			return above[r.from]
		}
		return below[r.to] - below[r.from]
	}
	probability := func(angle float64) float64 {
		s := math.Sin(angle)
		p := s * s
		for y := 0; y <= m; y++ {
			above[y] = dist.BinomialPMF(y, m, p)
			below[y+1] = below[y] + above[y]
		}
		for y := m - 1; y >= 0; y-- {
			above[y] += above[y+1]
		}
		terms := make([]float64, 0, n+1)
		for x, runs := range rows {
			if len(runs) == 0 {
				continue
			}
			column := 0.0
			for _, r := range runs {
				column += between(r)
			}
			terms = append(terms, dist.BinomialPMF(x, n, p)*column)
		}
		return sum.Sum(terms)
	}
	steps := 200 + int(40*math.Sqrt(float64(n+m)))
	step := math.Pi / 2 / float64(steps)
	grid := make([]float64, steps+1)
	best := 0.0
	for i := range grid {
		grid[i] = probability(float64(i) * step)
		best = max(best, grid[i])
	}
	for i := 1; i < steps; i++ {
		// A peak whose neighbours are far below the best so far cannot pass it.
		if grid[i] < grid[i-1] || grid[i] < grid[i+1] || grid[i] < 0.9*best {
			continue
		}
		best = max(best, peak(probability, float64(i-1)*step, float64(i+1)*step))
	}
	return min(1, best)
}

// peak returns the largest value of f between lo and hi, where it has one
// maximum, by golden section. The value at a maximum is flat, so half the
// digits of its place give all those of its height.
func peak(f func(float64) float64, lo, hi float64) float64 {
	const golden = 0.6180339887498949
	a, b := hi-golden*(hi-lo), lo+golden*(hi-lo)
	fa, fb := f(a), f(b)
	for hi-lo > 1e-9 {
		if fa < fb {
			lo, a, fa = a, b, fb
			b = lo + golden*(hi-lo)
			fb = f(b)
		} else {
			hi, b, fb = b, a, fa
			a = hi - golden*(hi-lo)
			fa = f(a)
		}
	}
	return max(fa, fb)
}
