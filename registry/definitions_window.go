package registry

import (
	"fmt"
	"math"
)

// Window is a span of whole days after treatment, both ends included, that
// stands for one follow-up. Target is the day that was aimed at.
type Window struct {
	Key    string `json:"key"`   // in cohort files and exports: "month-12"
	Label  string `json:"label"` // as printed: "month 12"
	Target int    `json:"target"`
	From   int    `json:"from"`
	To     int    `json:"to"`
}

// Contains reports whether the day after treatment lies in the window.
func (w Window) Contains(day int) bool { return day >= w.From && day <= w.To }

// WindowSet is the windows that a report uses, earliest first, no two of
// which share a day.
type WindowSet struct {
	Stamp   `json:"-"`
	Title   string   `json:"title"`
	Windows []Window `json:"windows"`
}

// DefinitionKind returns WindowsKind.
func (WindowSet) DefinitionKind() DefinitionKind { return WindowsKind }

// Check returns an error where windows are empty, overlap, start before day 1,
// miss their target, are out of order or share a key.
func (s WindowSet) Check() error {
	if err := s.check(); err != nil {
		return err
	}
	if len(s.Windows) == 0 {
		return fmt.Errorf("a set of windows should have at least one")
	}
	keys := make(map[string]bool, len(s.Windows))
	before := 0
	for _, w := range s.Windows {
		switch {
		case w.Key == "" || keys[w.Key]:
			return fmt.Errorf("window %q: should have a key of its own", w.Key)
		case w.From <= before:
			return fmt.Errorf("window %q from day %d: should begin after day %d, where the one before it ends", w.Key, w.From, before)
		case w.Target < w.From || w.Target > w.To:
			return fmt.Errorf("window %q: target day %d should lie between %d and %d", w.Key, w.Target, w.From, w.To)
		}
		keys[w.Key], before = true, w.To
	}
	return nil
}

// Find returns the place of the window with the key; ok is false if there is none.
func (s WindowSet) Find(key string) (i int, ok bool) {
	for i := range s.Windows {
		if s.Windows[i].Key == key {
			return i, true
		}
	}
	return -1, false
}

// Of returns the place of the window that holds the day after treatment, −1
// where none does.
func (s WindowSet) Of(day int) int {
	for i := range s.Windows {
		if day <= s.Windows[i].To {
			if day >= s.Windows[i].From {
				return i
			}
			return -1
		}
	}
	return -1
}

// lastYear is the last yearly window of the default set: fifteen years.
const lastYear = 15

// DefaultWindows returns the contiguous set: day 1, week 1, months 1, 3, 6, 12,
// 24, 36, then yearly to fifteen years. A bound is the midpoint between two
// targets, the middle day itself in the later window. Common practice, as
// visit tolerances are seldom printed.
func DefaultWindows() WindowSet {
	s := WindowSet{
		Stamp: Stamp{Name: "default", Version: 1, ValidFrom: firstDay, Note: "contiguous, bounds at the midpoints between targets; common practice"},
		Title: "contiguous windows",
		Windows: []Window{
			{"day-1", "day 1", 1, 1, 3},
			{"week-1", "week 1", 7, 4, 18},
			{"month-1", "month 1", 30, 19, 60},
			{"month-3", "month 3", 91, 61, 136},
			{"month-6", "month 6", 183, 137, 273},
			{"month-12", "month 12", 365, 274, 547},
			{"month-24", "month 24", 730, 548, 912},
			{"month-36", "month 36", 1096, 913, 1278},
		},
	}
	for year := 4; year <= lastYear; year++ {
		s.Windows = append(s.Windows, Window{
			Key: fmt.Sprintf("month-%d", 12*year), Label: fmt.Sprintf("month %d", 12*year),
			Target: anniversary(year),
			From:   s.Windows[len(s.Windows)-1].To + 1,
			To:     (anniversary(year)+anniversary(year+1)+1)/2 - 1,
		})
	}
	return s
}

// anniversary returns the day nearest to so many years of 365.25 days, the
// earlier of two: 365, 730, 1096, 1461.
func anniversary(years int) int { return int(math.Ceil(365.25*float64(years) - 0.5)) }

// StrictWindows returns narrow windows with gaps between them: month 1 ± 14
// days, month 3 ± 21, month 6 ± 30, months 12 and 24 ± 60.
func StrictWindows() WindowSet {
	s := WindowSet{
		Stamp: Stamp{Name: "strict", Version: 1, ValidFrom: firstDay, Note: "narrow windows; common practice"},
		Title: "strict windows",
	}
	for _, w := range []struct{ months, target, tolerance int }{{1, 30, 14}, {3, 91, 21}, {6, 183, 30}, {12, 365, 60}, {24, 730, 60}} {
		s.Windows = append(s.Windows, Window{
			Key: fmt.Sprintf("month-%d", w.months), Label: fmt.Sprintf("month %d", w.months),
			Target: w.target, From: w.target - w.tolerance, To: w.target + w.tolerance,
		})
	}
	return s
}

// BuiltInWindows returns the sets that come with the program.
func BuiltInWindows() []WindowSet { return []WindowSet{DefaultWindows(), StrictWindows()} }
