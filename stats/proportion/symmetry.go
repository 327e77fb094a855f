package proportion

import (
	"gonum.org/v1/gonum/mat"

	"keratally/stats"
	"keratally/stats/dist"
)

// Bowker tests the symmetry of a square table of matched gradings, cell by
// cell: Stat = Σ (nᵢⱼ − nⱼᵢ)²/(nᵢⱼ + nⱼᵢ) over the pairs of categories i < j,
// on as many degrees of freedom as there are pairs with an observation, which a
// note says when some have none. For two categories it is McNemar's test
// without correction.
//
// The error is stats.ErrNoData for an empty table, ErrNoDiscordant when all
// observations are on the diagonal.
//
// Bowker, J Am Stat Assoc 1948;43:572–574.
func Bowker(t Table) (stats.Result, error) {
	const method = "Bowker test of symmetry"
	k, total, err := t.square(method)
	if err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, total)
	r.Stat = 0
	pairs := 0
	for i := range k {
		for j := i + 1; j < k; j++ {
			both := float64(t[i][j] + t[j][i])
			if both == 0 {
				continue
			}
			d := float64(t[i][j] - t[j][i])
			r.Stat += d * d / both
			pairs++
		}
	}
	if pairs == 0 {
		return stats.Result{}, wrap(method, ErrNoDiscordant)
	}
	if all := k * (k - 1) / 2; pairs < all {
		r.Note("%d of %d pairs of categories have no observation and no degree of freedom", all-pairs, all)
	}
	r.DF = float64(pairs)
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}

// StuartMaxwell tests whether the row and column totals of a square table of
// matched gradings agree: Stat = d′S⁻¹d, where d is the difference of the totals
// without the last category, Sᵢᵢ = nᵢ· + n·ᵢ − 2nᵢᵢ and Sᵢⱼ = −(nᵢⱼ + nⱼᵢ), on
// one degree of freedom fewer than categories. Categories in which no pair is
// discordant are left out, with a note.
//
// The error is stats.ErrNoData for an empty table, ErrNoDiscordant when all
// observations are on the diagonal, stats.ErrCollinear when the discordant
// pairs fall into groups of categories that do not meet.
//
// Stuart, Biometrika 1955;42:412–416; Maxwell, Br J Psychiatry
// 1970;116:651–655.
func StuartMaxwell(t Table) (stats.Result, error) {
	const method = "Stuart–Maxwell test of marginal homogeneity"
	k, total, err := t.square(method)
	if err != nil {
		return stats.Result{}, err
	}
	var kept []int
	for i := range k {
		off := -2 * t[i][i]
		for j := range k {
			off += t[i][j] + t[j][i]
		}
		if off > 0 {
			kept = append(kept, i)
		}
	}
	if len(kept) == 0 {
		return stats.Result{}, wrap(method, ErrNoDiscordant)
	}
	r := stats.NewResult(method, total)
	if len(kept) < k {
		r.Note("%d of %d categories have no discordant pair and no degree of freedom", k-len(kept), k)
	}
	m := len(kept) - 1
	d, s := mat.NewVecDense(m, nil), mat.NewSymDense(m, nil)
	for a := range m {
		i := kept[a]
		diagonal := 0.0
		for j := range k {
			d.SetVec(a, d.AtVec(a)+float64(t[i][j]-t[j][i]))
			if j != i {
				diagonal += float64(t[i][j] + t[j][i])
			}
		}
		s.SetSym(a, a, diagonal)
		for b := a + 1; b < m; b++ {
			s.SetSym(a, b, -float64(t[i][kept[b]]+t[kept[b]][i]))
		}
	}
	var chol mat.Cholesky
	if !chol.Factorize(s) || chol.Cond() > 1e12 {
		return stats.Result{}, wrap(method, stats.ErrCollinear)
	}
	var x mat.VecDense
	if err := chol.SolveVecTo(&x, d); err != nil {
		return stats.Result{}, wrap(method, stats.ErrCollinear)
	}
	r.Stat, r.DF = mat.Dot(d, &x), float64(m)
	r.P = dist.ChiSquaredSF(r.Stat, r.DF)
	return r, nil
}
