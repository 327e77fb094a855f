// Package proportion holds what is done with counts of yes and no: limits and
// tests of one share, comparisons of two by difference, ratio and odds ratio,
// contingency tables, matched pairs, and tables combined over strata.
//
// Every method assumes independent observations (pairs, for the matched ones).
// Two eyes of one patient are not independent: give one eye per patient, or
// use the cluster-adjusted limits of package cluster.
package proportion

import (
	"errors"
	"fmt"

	"keratally/stats"
	"keratally/stats/dist"
)

// Reasons why a number about counts does not exist.
var (
	ErrEmptyMargin  = errors.New("a row or a column of the table has no observations")
	ErrNoDiscordant = errors.New("no pair is discordant, so nothing tells the two conditions apart")
	ErrTooLarge     = errors.New("the table is too large to enumerate exactly")
)

// Count is how many of N independent observations had the event.
type Count struct{ Events, N int }

// Proportion returns Events/N, which is NaN for an empty group; the methods of
// this package refuse an empty group before they divide.
func (c Count) Proportion() float64 { return float64(c.Events) / float64(c.N) }

// String returns, for example, "3 of 50".
func (c Count) String() string { return fmt.Sprintf("%d of %d", c.Events, c.N) }

// Complement returns the observations without the event.
func (c Count) Complement() Count { return Count{c.N - c.Events, c.N} }

// check refuses an empty group and events outside [0, N].
func (c Count) check(method string) error {
	if c.N <= 0 {
		return &stats.TooFewError{Method: method, Got: 0, Need: 1}
	}
	if c.Events < 0 || c.Events > c.N {
		return fmt.Errorf("%s: %w", method, &stats.ArgumentError{
			Name: "events", Got: c.Events, Want: fmt.Sprintf("between 0 and n = %d", c.N),
		})
	}
	return nil
}

// checkOne refuses what no method for one proportion is defined for.
func checkOne(method string, events, n int, level float64) error {
	if err := (Count{events, n}).check(method); err != nil {
		return err
	}
	return checkLevel(method, level)
}

// checkTwo refuses what no method for two proportions is defined for.
func checkTwo(method string, a, b Count, level float64) error {
	if err := a.check(method); err != nil {
		return fmt.Errorf("first group: %w", err)
	}
	if err := b.check(method); err != nil {
		return fmt.Errorf("second group: %w", err)
	}
	return checkLevel(method, level)
}

func checkLevel(method string, level float64) error {
	if err := stats.CheckLevel(level); err != nil {
		return fmt.Errorf("%s: %w", method, err)
	}
	return nil
}

// twoSidedZ is the (1+level)/2 quantile of the standard normal, taken from the
// lower tail, where it keeps its digits.
func twoSidedZ(level float64) float64 { return -dist.NormalQuantile((1 - level) / 2) }

// clamp returns x held within [0, 1].
func clamp(x float64) float64 { return min(1, max(0, x)) }

// wrap names the method that an error comes from.
func wrap(method string, err error) error { return fmt.Errorf("%s: %w", method, err) }
