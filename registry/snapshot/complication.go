package snapshot

import (
	"fmt"
	"math"
	"slices"

	"keratally/registry"
	"keratally/registry/measure"
)

// Event is the first complication of one kind in an episode.
type Event struct {
	Day   int    // of onset, after treatment; of the visit that shows a derived one
	Grade string // as entered; "unconfirmed" for progression at a last visit
	Row   int32  // of Snapshot.Complications; Absent for a derived one
}

// Complications is one kind of complication in the episodes of a set, up to a
// horizon. All slices have one row an episode.
type Complications struct {
	Kind    registry.ComplicationKind
	Horizon int // last day that counts
	Event   []*Event
	// AtRisk: treated, for a recorded kind; with what it takes to tell, for a
	// derived one (a baseline and a visit that measures it).
	AtRisk []bool
	// Followed: at risk, and with an event or seen on or after the first day of
	// the window in which the horizon lies.
	Followed []bool
	// DaysAtRisk: to the event, the horizon or the last contact, whichever is
	// first; 0 for episodes not at risk.
	DaysAtRisk []int32
}

// Counts returns the episodes with an event, those at risk and those followed
// to the horizon, and the days at risk of all.
func (c *Complications) Counts() (events, atRisk, followed int, days int64) {
	for e := range c.AtRisk {
		if c.Event[e] != nil {
			events++
		}
		if c.AtRisk[e] {
			atRisk++
		}
		if c.Followed[e] {
			followed++
		}
		days += int64(c.DaysAtRisk[e])
	}
	return events, atRisk, followed, days
}

// Complications returns every kind of the definitions, in their order, then
// kinds that were entered and are not in the list, in bytewise order; a derived
// kind that was entered all the same stands there apart, "as entered". Recorded
// kinds count to the early or late horizon. Derived kinds are found at visits,
// so they count to the last day of the window that holds the late horizon.
func (o *Outcomes) Complications() ([]Complications, error) {
	kinds := slices.Clone(o.Definitions.Complications.Kinds)
	for code, key := range o.Snapshot.Complications.Kind.List {
		listed, ok := o.Definitions.Complications.Find(key)
		switch {
		case code == 0:
		case !ok:
			kinds = append(kinds, registry.ComplicationKind{Key: key, Label: key})
		case listed.Derived:
			kinds = append(kinds, registry.ComplicationKind{Key: key, Label: listed.Label + ", as entered", Early: listed.Early})
		}
	}
	lastContact := make([]int32, len(o.Episodes))
	for e := range o.Episodes {
		lastContact[e] = o.lastContact(e)
	}
	all := make([]Complications, 0, len(kinds))
	for _, kind := range kinds {
		c := o.newComplications(kind)
		if kind.Derived {
			if err := o.deriveComplication(&c); err != nil {
				return nil, fmt.Errorf("complication %s: %w", kind.Key, err)
			}
		} else {
			o.recorded(&c)
		}
		o.follow(&c, lastContact)
		all = append(all, c)
	}
	return all, nil
}

func (o *Outcomes) newComplications(kind registry.ComplicationKind) Complications {
	a, n := &o.Definitions.Analysis, len(o.Episodes)
	c := Complications{Kind: kind, Horizon: a.LateHorizon, Event: make([]*Event, n), AtRisk: make([]bool, n), Followed: make([]bool, n), DaysAtRisk: make([]int32, n)}
	if kind.Early {
		c.Horizon = a.EarlyHorizon
	}
	if w := o.Definitions.Windows.Of(c.Horizon); kind.Derived && w >= 0 {
		c.Horizon = o.Windows()[w].To
	}
	return c
}

// recorded finds the events that were entered. An event on the day of the
// next cross-linking belongs to the next episode.
func (o *Outcomes) recorded(c *Complications) {
	rows := &o.Snapshot.Complications
	for e := range o.Episodes {
		one := &o.Episodes[e]
		c.AtRisk[e] = true
		for i := rows.First[one.Eye]; i < rows.First[one.Eye+1]; i++ {
			on := rows.Onset[i]
			if on < one.Day0 || on > one.Last || on == one.Last && one.End == ByTreatment || rows.Kind.At(i) != c.Kind.Key {
				continue
			}
			if day := on.Sub(one.Day0); day <= c.Horizon {
				c.Event[e] = &Event{Day: day, Grade: rows.Grade.At(i), Row: i}
			}
			break
		}
	}
}

// lastContact returns the last day after treatment on which something is
// known of the episode: a visit, a complication, or an end other than the
// cut-off.
func (o *Outcomes) lastContact(e int) int32 {
	one := &o.Episodes[e]
	last := one.Day0
	if one.after > one.before {
		last = o.Snapshot.Visits.On[one.after-1]
	}
	if one.End != ByCutOff {
		last = one.Last
	}
	rows := &o.Snapshot.Complications
	for i := rows.First[one.Eye]; i < rows.First[one.Eye+1]; i++ {
		if on := rows.Onset[i]; on <= one.Last {
			last = max(last, on)
		}
	}
	return int32(last.Sub(one.Day0))
}

func (o *Outcomes) follow(c *Complications, lastContact []int32) {
	seenFrom := c.Horizon
	if w := o.Definitions.Windows.Of(c.Horizon); w >= 0 {
		seenFrom = o.Windows()[w].From
	}
	for e := range o.Episodes {
		if !c.AtRisk[e] {
			continue
		}
		one := &o.Episodes[e]
		event := c.Event[e]
		seen := one.after > one.before && o.Snapshot.Visits.On[one.after-1].Sub(one.Day0) >= seenFrom
		c.Followed[e] = event != nil || seen
		c.DaysAtRisk[e] = min(lastContact[e], int32(c.Horizon))
		if event != nil {
			c.DaysAtRisk[e] = int32(event.Day)
		}
	}
}

// deriveComplication finds the events that visits show.
func (o *Outcomes) deriveComplication(c *Complications) error {
	a := &o.Definitions.Analysis
	switch c.Kind.Key {
	case registry.AcuityLoss:
		o.firstVisit(c, registry.CDVA.Quantity(), a.AcuityLossFromDay, func(base, now Value) bool {
			change := steps(ChangeOf(registry.CDVA.Quantity(), base.Number, now.Number), registry.CDVA)
			return a.LinesGained(change) <= -a.AcuityLossLines
		})
	case registry.EndothelialLoss:
		camera := &o.Snapshot.Visits.Camera
		o.firstVisitIf(c, registry.ECD.Quantity(), a.ECDLossFromDay, func(base, now Value) bool {
			return camera.Code[base.Visit] == camera.Code[now.Visit]
		}, func(base, now Value) bool {
			return base.Number-now.Number > base.Number*a.ECDLossPercent/100+limitTolerance
		})
	case registry.OverFlattening:
		o.firstVisit(c, registry.Kmax.Quantity(), a.OverFlatFromDay, func(base, now Value) bool {
			change := steps(ChangeOf(registry.Kmax.Quantity(), base.Number, now.Number), registry.Kmax)
			return int32(-change) >= a.OverFlatteningE2
		})
	case registry.HazeAtYear:
		return o.hazeAt(c)
	case registry.Progressed:
		return o.progressed(c)
	default:
		return fmt.Errorf("%q is said to be derived: should be one of %s, %s, %s, %s, %s", c.Kind.Key,
			registry.AcuityLoss, registry.HazeAtYear, registry.EndothelialLoss, registry.Progressed, registry.OverFlattening)
	}
	return nil
}

// firstVisit finds the first visit, from a day to the horizon, at which the
// quantity compared with its baseline shows the event.
func (o *Outcomes) firstVisit(c *Complications, q registry.Quantity, fromDay int, shows func(base, now Value) bool) {
	o.firstVisitIf(c, q, fromDay, func(_, _ Value) bool { return true }, shows)
}

// firstVisitIf is firstVisit over the visits that can be compared with the
// baseline.
func (o *Outcomes) firstVisitIf(c *Complications, q registry.Quantity, fromDay int, comparable, shows func(base, now Value) bool) {
	for e := range o.Episodes {
		base := o.Baseline(e, q)
		if !base.IsValid() {
			continue
		}
		one := &o.Episodes[e]
		for v := one.before; v < one.after; v++ {
			day := o.Snapshot.Visits.On[v].Sub(one.Day0)
			if day < fromDay || day > c.Horizon {
				continue
			}
			now := o.ValueAt(v, q)
			if !now.IsValid() || !comparable(base, now) {
				continue
			}
			c.AtRisk[e] = true
			if shows(base, now) {
				c.Event[e] = &Event{Day: day, Row: Absent}
				break
			}
		}
	}
}

func (o *Outcomes) hazeAt(c *Complications) error {
	w, ok := o.Definitions.Windows.Find(o.Definitions.Analysis.HazeWindow)
	if !ok {
		return nil // the set of windows has none: nobody is at risk, and the count says so
	}
	for e := range o.Episodes {
		haze := o.At(e, w, registry.Haze.Quantity())
		if !haze.IsValid() {
			continue
		}
		c.AtRisk[e] = true
		if int32(steps(haze.Number, registry.Haze)) >= o.Definitions.Analysis.HazeLimitE1 {
			c.Event[e] = &Event{Day: haze.Day, Row: Absent}
		}
	}
	return nil
}

func (o *Outcomes) progressed(c *Complications) error {
	if len(o.Definitions.Progression) == 0 {
		return fmt.Errorf("the definitions should have a progression rule")
	}
	courses, err := o.Progression(o.Definitions.Progression[0])
	if err != nil {
		return err
	}
	for e, course := range courses {
		c.AtRisk[e] = course.Assessed()
		if course.Progressed() && int(course.Day) <= c.Horizon {
			c.Event[e] = &Event{Day: int(course.Day), Row: Absent}
			if course.Status == Unconfirmed {
				c.Event[e].Grade = "unconfirmed"
			}
		}
	}
	return nil
}

// steps returns a number of units in whole steps of the measure.
func steps(x float64, m registry.Measure) measure.Steps {
	return measure.Steps(math.Round(x * float64(m.Info().Unit.Scale())))
}
