package proportion

import (
	"fmt"
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/root"
)

// Pairs counts matched pairs by the outcome under two conditions, such as
// before and after, or one eye and its fellow.
type Pairs struct {
	Both       int // event under both conditions
	FirstOnly  int // event under the first condition only
	SecondOnly int // event under the second condition only
	Neither    int
}

// N returns the number of pairs.
func (p Pairs) N() int { return p.Both + p.FirstOnly + p.SecondOnly + p.Neither }

// Discordant returns the number of pairs that differ.
func (p Pairs) Discordant() int { return p.FirstOnly + p.SecondOnly }

// First and Second return the marginal counts under either condition.
func (p Pairs) First() Count { return Count{p.Both + p.FirstOnly, p.N()} }

// Second returns the marginal count under the second condition.
func (p Pairs) Second() Count { return Count{p.Both + p.SecondOnly, p.N()} }

// Difference returns the first proportion less the second.
func (p Pairs) Difference() float64 { return float64(p.FirstOnly-p.SecondOnly) / float64(p.N()) }

func (p Pairs) check(method string) error {
	for _, c := range []int{p.Both, p.FirstOnly, p.SecondOnly, p.Neither} {
		if c < 0 {
			return fmt.Errorf("%s: %w", method, &stats.ArgumentError{Name: "number of pairs", Got: c, Want: "0 or more"})
		}
	}
	if p.N() == 0 {
		return &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	return nil
}

// McNemar tests whether the event is as frequent under both conditions, from
// the discordant pairs b and c alone: Stat = χ² = (b − c)²/(b + c) on one
// degree of freedom; with corrected, (max(0, |b − c| − 1))²/(b + c). Estimate
// and Interval are McNemarOddsRatio's at 95 %.
//
// The error is stats.ErrNoData without pairs, ErrNoDiscordant where no pair is
// discordant.
//
// McNemar, Psychometrika 1947;12:153–157; the correction of Edwards,
// Psychometrika 1948;13:185–187.
func McNemar(p Pairs, corrected bool) (stats.Result, error) {
	method := "McNemar test"
	if corrected {
		method += ", continuity-corrected"
	}
	r, err := mcnemar(method, p)
	if err != nil {
		return stats.Result{}, err
	}
	if p.Discordant() == 0 {
		return stats.Result{}, wrap(method, ErrNoDiscordant)
	}
	distance := math.Abs(float64(p.FirstOnly - p.SecondOnly))
	if corrected {
		distance = max(0, distance-1)
	}
	r.Stat, r.DF = distance*distance/float64(p.Discordant()), 1
	r.P = dist.ChiSquaredSF(r.Stat, 1)
	return r, nil
}

// McNemarExact is McNemar's test by the binomial distribution of b among the
// b + c discordant pairs, with probability ½ each. Without discordant pairs P
// is 1 and a note says why.
func McNemarExact(p Pairs) (stats.Result, error) {
	const method = "McNemar test, exact"
	r, err := mcnemar(method, p)
	if err != nil {
		return stats.Result{}, err
	}
	if p.Discordant() == 0 {
		r.P = 1
		r.Note("no pair is discordant, so there is nothing to test")
		return r, nil
	}
	r.P = binomialTwoSided(p.FirstOnly, p.Discordant(), 0.5)
	return r, nil
}

// McNemarMidP is McNemarExact with the observed table counted half: less
// conservative, and nearly as safe. For b = c it is 1 − P(b)/2. Without
// discordant pairs the error is ErrNoDiscordant.
//
// Fagerland, Lydersen & Laake, BMC Med Res Methodol 2013;13:91.
func McNemarMidP(p Pairs) (stats.Result, error) {
	const method = "McNemar test, mid-p"
	r, err := mcnemar(method, p)
	if err != nil {
		return stats.Result{}, err
	}
	n := p.Discordant()
	if n == 0 {
		return stats.Result{}, wrap(method, ErrNoDiscordant)
	}
	observed := dist.BinomialPMF(p.FirstOnly, n, 0.5)
	if p.FirstOnly == p.SecondOnly {
		r.P = 1 - observed/2
		return r, nil
	}
	k := min(p.FirstOnly, p.SecondOnly)
	r.P = 2*dist.BinomialCDF(k-1, n, 0.5) + observed
	return r, nil
}

// mcnemar begins a result with the odds ratio, where it exists.
func mcnemar(method string, p Pairs) (stats.Result, error) {
	if err := p.check(method); err != nil {
		return stats.Result{}, err
	}
	r := stats.NewResult(method, p.N())
	if p.Discordant() > 0 {
		iv, err := McNemarOddsRatio(p, 0.95)
		if err != nil {
			return stats.Result{}, err
		}
		r.Estimate, r.Interval = iv.Estimate, iv
	}
	return r, nil
}

// McNemarOddsRatio returns the conditional odds ratio b/c of matched pairs with
// exact limits, the Clopper–Pearson limits π of b among the discordant pairs
// turned into π/(1 − π). Lower is exactly 0 when b is 0, Upper +Inf when c is 0.
// The error is ErrNoDiscordant where no pair is discordant.
//
// Breslow & Day, Statistical Methods in Cancer Research I, 1980, section 5.2.
func McNemarOddsRatio(p Pairs, level float64) (stats.Interval, error) {
	const method = "odds ratio of matched pairs, exact"
	if err := p.check(method); err != nil {
		return stats.Interval{}, err
	}
	if p.Discordant() == 0 {
		return stats.Interval{}, wrap(method, ErrNoDiscordant)
	}
	iv, err := ClopperPearson(p.FirstOnly, p.Discordant(), level)
	if err != nil {
		return stats.Interval{}, err
	}
	odds := func(share float64) float64 { return share / (1 - share) }
	return stats.Interval{
		Estimate: float64(p.FirstOnly) / float64(p.SecondOnly),
		Lower:    odds(iv.Lower), Upper: odds(iv.Upper), Level: level, Method: method,
	}, nil
}

// PairedWald returns d ± z·√(b + c − (b − c)²/n)/n for the difference
// d = (b − c)/n of the two marginal proportions. It has no width without
// discordant pairs; it is here to be compared with published figures.
//
// Method 1 of Newcombe, Stat Med 1998;17:2635–2650.
func PairedWald(p Pairs, level float64) (stats.Interval, error) {
	const method = "paired difference, Wald"
	if err := checkPairs(method, p, level); err != nil {
		return stats.Interval{}, err
	}
	n, b, c := float64(p.N()), float64(p.FirstOnly), float64(p.SecondOnly)
	d := p.Difference()
	half := twoSidedZ(level) * math.Sqrt(b+c-(b-c)*(b-c)/n) / n
	return stats.Interval{Estimate: d, Lower: d - half, Upper: d + half, Level: level, Method: method}, nil
}

// PairedNewcombe returns Newcombe's hybrid score interval for the difference of
// the marginal proportions: the Wilson distances of either margin combined with
// their correlation φ, which is estimated with a continuity correction and
// taken as 0 where a margin is empty.
//
// The error is stats.ErrNoData without pairs; negative counts and a level
// outside (0, 1) are errors too.
//
// Method 10 of Newcombe, Stat Med 1998;17:2635–2650.
func PairedNewcombe(p Pairs, level float64) (stats.Interval, error) {
	const method = "paired difference, Newcombe hybrid score"
	if err := checkPairs(method, p, level); err != nil {
		return stats.Interval{}, err
	}
	first, err := Wilson(p.First().Events, p.N(), level)
	if err != nil {
		return stats.Interval{}, err
	}
	second, err := Wilson(p.Second().Events, p.N(), level)
	if err != nil {
		return stats.Interval{}, err
	}
	phi, d := PairedPhi(p), p.Difference()
	down1, up1 := first.Estimate-first.Lower, first.Upper-first.Estimate
	down2, up2 := second.Estimate-second.Lower, second.Upper-second.Estimate
	return stats.Interval{
		Estimate: d,
		Lower:    d - math.Sqrt(max(0, down1*down1-2*phi*down1*up2+up2*up2)),
		Upper:    d + math.Sqrt(max(0, up1*up1-2*phi*up1*down2+down2*down2)),
		Level:    level, Method: method,
	}, nil
}

// PairedPhi returns the correlation of the two outcomes as PairedNewcombe uses
// it: with A = ad − bc, and A > 0 lessened by n/2 though not below 0, it is A
// over the root of the product of the margins; 0 where a margin is empty.
func PairedPhi(p Pairs) float64 {
	n, a, b, c, d := float64(p.N()), float64(p.Both), float64(p.FirstOnly), float64(p.SecondOnly), float64(p.Neither)
	margins := (a + b) * (c + d) * (a + c) * (b + d)
	if margins == 0 {
		return 0
	}
	cross := a*d - b*c
	if cross > 0 {
		cross = max(0, cross-n/2)
	}
	return cross / math.Sqrt(margins)
}

// PairedTango returns Tango's score interval for the difference of the marginal
// proportions: the differences D that
//
//	(b − c − nD) / √(n(2q + D(1 − D)))
//
// does not reject, where q is the probability of a pair of the second kind that
// is likeliest under D. It exists, and has width, without discordant pairs.
//
// The errors are those of PairedNewcombe.
//
// Tango, Stat Med 1998;17:891–908.
func PairedTango(p Pairs, level float64) (stats.Interval, error) {
	const method = "paired difference, Tango score"
	if err := checkPairs(method, p, level); err != nil {
		return stats.Interval{}, err
	}
	n, b, c := float64(p.N()), float64(p.FirstOnly), float64(p.SecondOnly)
	score := func(D float64) float64 {
		// 2n·q² + linear·q + constant = 0, the larger root.
		linear, constant := (2*n-b+c)*D-b-c, -c*D*(1-D)
		discriminant := math.Sqrt(max(0, linear*linear-8*n*constant))
		q := 0.0
		switch {
		case linear <= 0:
			q = (discriminant - linear) / (4 * n)
		case constant != 0: // written without cancellation
			q = -2 * constant / (linear + discriminant)
		}
		return overRoot(b-c-n*D, n*(2*q+D*(1-D)))
	}
	z, d := twoSidedZ(level), p.Difference()
	iv := stats.Interval{Estimate: d, Lower: -1, Upper: 1, Level: level, Method: method}
	if d > -1 {
		iv.Lower = root.Bisect(func(D float64) float64 { return score(D) - z }, -1, d)
	}
	if d < 1 {
		iv.Upper = root.Bisect(func(D float64) float64 { return score(D) + z }, d, 1)
	}
	return iv, nil
}

func checkPairs(method string, p Pairs, level float64) error {
	if err := p.check(method); err != nil {
		return err
	}
	return checkLevel(method, level)
}
