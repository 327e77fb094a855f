package correlation

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/rank"
)

// SpearmanMethod says how Spearman finds its p value.
type SpearmanMethod int

const (
	Automatic    SpearmanMethod = iota // Permutations up to 9 rows, else StudentT
	StudentT                           // t approximation on n − 2 degrees of freedom
	Permutations                       // exact, over all n! orders of the ranks found, ties and all; up to 10 rows
	Edgeworth                          // Edgeworth series of algorithm AS 89, without ties
)

// Rank is the result of Spearman.
type Rank struct {
	stats.Result                // Estimate ρ; Stat t, or S where the method is not the t approximation
	S            float64        // (n³−n)(1−ρ)/6: the sum of squared rank differences when nothing ties
	Fieller      stats.Interval // limits with variance 1.06/(n−3) of atanh ρ; Interval has (1+ρ²/2)/(n−3)
}

// Spearman returns the correlation ρ of the midranks of x and y, −1 to 1, the
// test that the columns are independent, and limits from tanh(atanh ρ ± z·SE).
// Interval has Bonett and Wright's standard error √((1+ρ²/2)/(n−3)), close to
// right up to |ρ| = 0.95; Fieller's is √(1.06/(n−3)). Below n = 4 they
// are −1 and 1.
//
// Alternative is about ρ; a two-sided p is twice the smaller tail. Fewer than
// two rows (three for StudentT, which then still returns ρ and S) are
// ErrTooFew, a constant column ErrNoVariance; Permutations
// beyond 10 rows and Edgeworth with ties are *ArgumentErrors.
//
// Spearman, Am J Psychol 1904;15:72–101; Best & Roberts, Appl Stat
// 1975;24:377–379 (AS 89); Fieller, Hartley & Pearson, Biometrika
// 1957;44:470–481; Bonett & Wright, Psychometrika 2000;65:23–28.
func Spearman(x, y []float64, alt stats.Alternative, level float64, method SpearmanMethod) (Rank, error) {
	const name = "Spearman correlation"
	if err := stats.CheckPairs(name, x, y, 2); err != nil {
		return Rank{}, err
	}
	rx, tiedX := rank.Midranks(x)
	ry, tiedY := rank.Midranks(y)
	rho, err := coefficient(name, rx, ry, level, 2)
	if err != nil {
		return Rank{}, err
	}
	n := float64(len(x))
	ties := len(tiedX) < len(x) || len(tiedY) < len(y)
	if method == Automatic {
		method = StudentT
		if len(x) <= 9 {
			method = Permutations
		}
	}
	result := Rank{Result: withT(name+", t approximation", len(x), rho, alt), S: (n*n*n - n) * (1 - rho) / 6}
	switch method {
	case StudentT:
		if len(x) == 2 {
			result.P = math.NaN()
			return result, &stats.TooFewError{Method: name + ", t approximation", Got: 2, Need: 3}
		}
	case Permutations:
		if len(x) > mostPermuted {
			return Rank{}, &stats.ArgumentError{Name: "rows for an exact Spearman test", Got: len(x), Want: fmt.Sprintf("at most %d", mostPermuted)}
		}
		result.exact(name+", exact permutations", alt)
		less, greater := permutationTails(rx, ry)
		result.P = alt.P(less, greater)
	case Edgeworth:
		if ties {
			return Rank{}, &stats.ArgumentError{Name: "Edgeworth series of Spearman's test", Got: "with ties", Want: "used without ties"}
		}
		result.exact(name+", Edgeworth series", alt)
		s := math.Round(result.S)
		result.P = alt.P(edgeworth(s, n, false), edgeworth(s, n, true))
	default:
		return Rank{}, &stats.ArgumentError{Name: "method of the Spearman test", Got: int(method), Want: "one of the named methods"}
	}
	if len(x) > 3 {
		result.Interval = fisher(rho, math.Sqrt((1+rho*rho/2)/(n-3)), alt, level, "Bonett–Wright")
		result.Fieller = fisher(rho, math.Sqrt(1.06/(n-3)), alt, level, "Fieller")
	} else {
		result.Interval = stats.Interval{Estimate: rho, Lower: -1, Upper: 1, Level: level, Method: "Bonett–Wright"}
		result.Fieller = stats.Interval{Estimate: rho, Lower: -1, Upper: 1, Level: level, Method: "Fieller"}
		result.Note("fewer than four rows say nothing of ρ: its limits are −1 and 1")
	}
	return result, nil
}

// exact makes S the statistic, which has no degrees of freedom.
func (r *Rank) exact(method string, alt stats.Alternative) {
	r.Method, r.Stat, r.DF, r.Alt = method, r.S, math.NaN(), alt
}

// mostPermuted is the number of rows whose n! orders are still counted one by one.
const mostPermuted = 10

// permutationTails returns P(ρ ≤ ρ found) and P(ρ ≥ ρ found) over all orders of
// the second ranks. Twice the midranks are integers, so sums compare exactly.
func permutationTails(rx, ry []float64) (less, greater float64) {
	n := len(rx)
	a, b := make([]int, n), make([]int, n)
	observed := 0
	for i := range a {
		a[i], b[i] = int(2*rx[i]), int(2*ry[i])
		observed += a[i] * b[i]
	}
	var all, low, high int
	var permute func(i, products int)
	permute = func(i, products int) {
		if i == n {
			all++
			if products <= observed {
				low++
			}
			if products >= observed {
				high++
			}
			return
		}
		for j := i; j < n; j++ {
			b[i], b[j] = b[j], b[i]
			permute(i+1, products+a[i]*b[i])
			b[i], b[j] = b[j], b[i]
		}
	}
	permute(0, 0)
	return float64(low) / float64(all), float64(high) / float64(all)
}

// edgeworth is the series of AS 89 for the sum s of squared rank differences of
// n untied rows, which is even: P(S ≤ s) where below, else P(S ≥ s), corrected
// for continuity and cut to [0, 1].
func edgeworth(s, n float64, below bool) float64 {
	if below {
		s += 2
	}
	b := 1 / n
	x := (6*(s-1)*b/(n*n-1) - 1) * math.Sqrt(n-1)
	y := x * x
	u := x * b * (0.2274 + b*(0.2531+0.1745*b) +
		y*(-0.0758+b*(0.1033+0.3932*b)-
			y*b*(0.0879+0.0151*b-y*(0.0072-0.0831*b+y*b*(0.0131-4.6e-4*y)))))
	u /= math.Exp(y / 2)
	p := u + dist.NormalSF(x)
	if below {
		p = dist.NormalCDF(x) - u
	}
	return math.Max(0, math.Min(1, p))
}
