package reports

import (
	"errors"
	"fmt"
	"strings"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/stats"
	"keratally/stats/cluster"
	"keratally/stats/describe"
	"keratally/stats/mixed"
	"keratally/stats/paired"
)

// Change is what became of one quantity in one window: everything of the
// analysis contract's section 5 for one row. A number that does not exist has
// its reason in the error beside it.
type Change struct {
	Quantity registry.Quantity
	Window   registry.Window
	Pairs    snapshot.Pairs
	Due      int // episodes due at the window
	With     int // of these with a value
	Patients int // with a pair

	Baseline, Follow describe.Summary // of the pairs
	Delta            describe.Summary // change

	Mean      stats.Result // mean change: mixed model where patients have two eyes, else the t test
	MeanErr   error
	PairedT   stats.Result // eye by eye
	TErr      error
	Signed    stats.Result // Wilcoxon signed-rank
	SignedErr error
	Ranks     stats.Result // clustered signed-rank: two eyes of one patient taken together
	RanksErr  error
	Shift     stats.Interval // Hodges–Lehmann
	ShiftErr  error
	Within    float64 // within-patient correlation of the change; NaN where no patient has two eyes
	Disagree  bool    // the two tests lie on different sides of 1 − level
}

// errFew says that a table of so few episodes shows values and no test.
var errFew = errors.New("too few eyes for a test")

// NewChange computes the row. level is that of the intervals.
func NewChange(o *snapshot.Outcomes, q registry.Quantity, w int) (Change, error) {
	c := Change{Quantity: q, Window: o.Windows()[w], Pairs: o.Pairs(q, w)}
	c.Due, c.With = o.Completeness(q, w)
	c.Patients = distinct(c.Pairs.Patient)
	if len(c.Pairs.Change) == 0 {
		c.fail(stats.ErrNoData)
		return c, nil
	}
	level := o.Definitions.Analysis.ConfidenceLevel
	var err error
	for _, part := range []struct {
		to     *describe.Summary
		values []float64
	}{{&c.Baseline, c.Pairs.Baseline}, {&c.Follow, c.Pairs.Follow}, {&c.Delta, c.Pairs.Change}} {
		if *part.to, err = describe.Summarise(part.values, level); err != nil {
			return c, fmt.Errorf("%s at %s: %w", q.Info().Label, c.Window.Label, err)
		}
	}
	if len(c.Pairs.Change) < o.Definitions.Analysis.MinEpisodes {
		c.fail(errFew)
		return c, nil
	}
	c.test(level)
	return c, nil
}

// fail gives every test the same reason for not being there.
func (c *Change) fail(err error) {
	c.MeanErr, c.TErr, c.SignedErr, c.RanksErr, c.ShiftErr = err, err, err, err, err
}

func (c *Change) test(level float64) {
	d := c.Pairs.Change
	c.PairedT, c.TErr = paired.T(d, 0, stats.TwoSided, level)
	signed, err := paired.SignedRank(d, paired.SignedRankOptions{})
	c.Signed, c.SignedErr = signed.Result, err
	ranks, err := cluster.SignedRank(d, clusters(c.Pairs.Patient))
	c.Ranks, c.RanksErr = ranks.Result, err
	shift, err := paired.HodgesLehmann(d, stats.TwoSided, level, paired.RankRule(0))
	c.Shift, c.ShiftErr = shift.Interval, err
	fit, err := mixed.RandomInterceptMean(d, clusters(c.Pairs.Patient), level)
	c.Mean, c.MeanErr, c.Within = fit.Result, err, fit.WithinCorrelation
	alpha := 1 - level
	c.Disagree = c.MeanErr == nil && c.RanksErr == nil && (c.Mean.P < alpha) != (c.Ranks.P < alpha)
}

// notes says in words what a reader of the row should know.
func (c *Change) notes() string {
	var notes []string
	add := func(n int, one, many string) {
		if n > 0 {
			notes = append(notes, plural(n, one, many))
		}
	}
	add(c.Pairs.StandIns, "value stands in for vision below the chart", "values stand in for vision below the chart")
	add(c.Pairs.LeftOut, "eye below the chart left out", "eyes below the chart left out")
	add(c.Pairs.NoBaseline, "eye without a baseline", "eyes without a baseline")
	add(c.Pairs.OtherInstrument, "pair by two instruments", "pairs by two instruments")
	if len(c.Pairs.Instruments) > 1 {
		notes = append(notes, "instruments: "+strings.Join(c.Pairs.Instruments, ", "))
	}
	if c.Disagree {
		notes = append(notes, "the mean and the ranks disagree: look at the distribution")
	}
	if c.MeanErr == nil {
		notes = append(notes, c.Mean.Notes...)
	}
	return strings.Join(notes, "; ")
}

// Sentence says the change as look.md asks: direction, size, interval, eyes.
func (c *Change) Sentence() string {
	info := c.Quantity.Info()
	name := upperFirst(info.Label)
	if len(c.Pairs.Change) == 0 {
		return fmt.Sprintf("%s at %s: no eye has both a baseline and a value yet (%s due).", name, c.Window.Label, eyes(c.Due))
	}
	missed := ""
	if c.Due > c.With {
		missed = fmt.Sprintf("; of %s whose window has closed, %s without a value", eyes(c.Due), thousands(c.Due-c.With))
	}
	mean := c.Delta.Mean.Estimate
	if c.MeanErr == nil {
		mean = c.Mean.Estimate
	}
	f := formatOf(c.Quantity)
	size := strings.TrimPrefix(f.Print(mean), "−")
	move := fmt.Sprintf("%s %s by %s %s on average", name, direction(info, mean), size, info.Unit.Symbol())
	if f.Print(mean) == f.Print(0) {
		move = name + " did not change on average"
	}
	if c.MeanErr != nil {
		return fmt.Sprintf("%s at %s (%s of %s; %s%s).", move, c.Window.Label, eyes(len(c.Pairs.Change)), patients(c.Patients), c.MeanErr, missed)
	}
	return fmt.Sprintf("%s at %s (%.0f %% CI of the change %s, p %s; %s of %s%s).", move, c.Window.Label, 100*c.Mean.Interval.Level,
		f.Range(c.Mean.Interval.Lower, c.Mean.Interval.Upper), withEquals(PValue.Print(c.Mean.P)),
		eyes(len(c.Pairs.Change)), patients(c.Patients), missed)
}

func withEquals(p string) string {
	if strings.HasPrefix(p, "<") {
		return p
	}
	return "= " + p
}

// direction is the word for a change: curvature flattens or steepens, acuity
// in logMAR improves or worsens, the rest rises or falls.
func direction(info registry.QuantityInfo, change float64) string {
	up, down := "rose", "fell"
	if info.Acuity {
		up, down = "worsened", "improved"
	}
	if change > 0 {
		return up
	}
	return down
}

func upperFirst(s string) string {
	if s == "" {
		return s
	}
	if s[0] >= 'a' && s[0] <= 'z' {
		return string(s[0]-'a'+'A') + s[1:]
	}
	return s
}

// clusters widens patient indexes to what the statistics take.
func clusters(p []int32) []int {
	out := make([]int, len(p))
	for i, v := range p {
		out[i] = int(v)
	}
	return out
}

func distinct(p []int32) int {
	seen := make(map[int32]struct{}, len(p))
	for _, v := range p {
		seen[v] = struct{}{}
	}
	return len(seen)
}
