package snapshot

import (
	"math"

	"keratally/registry"
)

// CourseStatus is how an episode stands to a progression rule.
type CourseStatus uint8

// The statuses of a course.
const (
	Stable      CourseStatus = iota + 1 // never met the rule up to its last visit that could tell
	Confirmed                           // met the rule at as many visits running as it asks for
	Unconfirmed                         // met it at the last visits, fewer than the rule asks for
	Competing                           // ended first by surgery that competes, such as keratoplasty
	NoBaseline                          // no baseline of anything that the rule looks at
	NoFollowUp                          // no visit after day 0 that could tell
)

var courseWords = [...]string{"", "stable", "progressed, confirmed", "progressed, unconfirmed at the last visit",
	"ended by keratoplasty", "no baseline", "no follow-up"}

// String returns the status in words.
func (c CourseStatus) String() string { return courseWords[c] }

// Course is an episode under a progression rule, ready for an analysis of
// time to event.
type Course struct {
	Episode, Patient int32
	Status           CourseStatus
	// Day is that of progression for Confirmed and Unconfirmed, of the surgery
	// for Competing, and otherwise of the last visit that could tell, at which a
	// stable eye is censored.
	Day int32
	// The true day of progression lies after Free, the last day on which the
	// eye was known not to have progressed (0 if no visit says more), and on or
	// before Known, the first on which it was known to have; Known is −1 when it
	// never was.
	Free, Known int32
}

// Assessed reports whether the course belongs in an analysis: there was a
// baseline, and a visit or a competing event after it.
func (c *Course) Assessed() bool { return c.Status != NoBaseline && c.Status != NoFollowUp }

// Progressed reports whether the rule was met, confirmed or at the last visit.
func (c *Course) Progressed() bool { return c.Status == Confirmed || c.Status == Unconfirmed }

// limitTolerance is how near a change must come to a limit to be equal to it;
// changes are whole parts of a unit, so nothing lies between.
const limitTolerance = 1e-9

// truth is what a condition says of a visit.
type truth int8

const (
	unknown truth = iota
	isFalse
	isTrue
)

// Progression returns the course of every episode under the rule. Visits on
// which the condition cannot be told, because something was not measured, are
// passed over. Visits before the rule's first day can show that an eye was free
// of progression and never that it progressed.
func (o *Outcomes) Progression(rule registry.ProgressionRule) ([]Course, error) {
	if err := rule.Check(); err != nil {
		return nil, err
	}
	j := judge{o: o, rule: rule, terms: map[*registry.Term]registry.Quantity{}}
	j.collect(rule.Condition)
	j.baselines = make([]Value, registry.NumQuantities)
	courses := make([]Course, len(o.Episodes))
	for e := range o.Episodes {
		courses[e] = j.course(e)
	}
	return courses, nil
}

// judge applies one rule to one episode after another.
type judge struct {
	o         *Outcomes
	rule      registry.ProgressionRule
	terms     map[*registry.Term]registry.Quantity
	baselines []Value // of the present episode, by quantity, for the quantities of the terms
}

func (j *judge) collect(c registry.Condition) {
	if c.Term != nil {
		j.terms[c.Term], _ = registry.ParseQuantity(c.Term.Quantity)
	}
	for _, list := range [][]registry.Condition{c.All, c.Any, c.Of} {
		for _, one := range list {
			j.collect(one)
		}
	}
}

func (j *judge) course(e int) Course {
	one := &j.o.Episodes[e]
	c := Course{Episode: int32(e), Patient: one.Patient, Status: NoBaseline, Known: -1}
	any := false
	for _, q := range j.terms {
		j.baselines[q] = j.o.Baseline(e, q)
		any = any || j.baselines[q].IsValid()
	}
	if !any {
		return c
	}
	c.Status = NoFollowUp
	running, first := 0, int32(0) // visits running that meet the rule, and the day of the first
	for v := one.before; v < one.after; v++ {
		said := j.says(j.rule.Condition, v)
		if said == unknown {
			continue
		}
		day := int32(j.o.Snapshot.Visits.On[v].Sub(one.Day0))
		c.Status, c.Day = Stable, day
		switch {
		case said == isFalse:
			running, c.Free = 0, day
		case int(day) >= j.rule.FromDay:
			if running++; running == 1 {
				first = day
			}
			if running == j.rule.Visits {
				c.Status, c.Day, c.Known = Confirmed, first, first
				return c
			}
		}
	}
	switch {
	case running > 0:
		c.Status, c.Day, c.Known = Unconfirmed, first, first
	case j.o.competes(one):
		c.Status, c.Day = Competing, int32(one.Days())
	}
	return c
}

// says returns what the condition says of a visit: unknown only where what
// was not measured could turn it either way.
func (j *judge) says(c registry.Condition, visit int32) truth {
	switch {
	case c.Term != nil:
		return j.termSays(c.Term, visit)
	case len(c.All) > 0:
		return j.count(c.All, len(c.All), visit)
	case len(c.Any) > 0:
		return j.count(c.Any, 1, visit)
	}
	return j.count(c.Of, c.AtLeast, visit)
}

func (j *judge) count(list []registry.Condition, need int, visit int32) truth {
	yes, open := 0, 0
	for _, one := range list {
		switch j.says(one, visit) {
		case isTrue:
			yes++
		case unknown:
			open++
		}
	}
	switch {
	case yes >= need:
		return isTrue
	case yes+open < need:
		return isFalse
	}
	return unknown
}

func (j *judge) termSays(t *registry.Term, visit int32) truth {
	q := j.terms[t]
	base, now := j.baselines[q], j.o.ValueAt(visit, q)
	if !base.IsValid() || !now.IsValid() {
		return unknown
	}
	change := ChangeOf(q, base.Number, now.Number)
	if t.Percent {
		if base.Number == 0 {
			return unknown
		}
		change = 100 * change / math.Abs(base.Number)
	}
	switch t.Direction {
	case registry.Falls:
		change = -change
	case registry.Changes:
		change = math.Abs(change)
	}
	limit := t.By - t.Within
	if t.MoreThan && change > limit+limitTolerance || !t.MoreThan && change >= limit-limitTolerance {
		return isTrue
	}
	return isFalse
}
