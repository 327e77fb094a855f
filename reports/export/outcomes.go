package export

import (
	"fmt"
	"math"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

var endCodes = []Code{{"surgery", "an operation that changes the outcome"}, {"treatment", "the next cross-linking of the eye"}, {"death", ""},
	{"withdrawal", "consent withdrawn"}, {"open", "still followed when the registry was frozen"}}

var endWords = map[snapshot.End]string{snapshot.BySurgery: "surgery", snapshot.ByTreatment: "treatment", snapshot.ByDeath: "death",
	snapshot.ByWithdrawal: "withdrawal", snapshot.ByCutOff: "open"}

// ends adds how the episode ended. The day of the cut-off is left out: with
// the date of the cut-off it would give the date of treatment.
func (b *builder) ends(t *Table) {
	o := b.o
	b.texts(t, Column{Name: "end", Label: "end of the episode", Codes: endCodes}, func(e int) string { return endWords[o.Episodes[e].End] })
	b.numbers(t, Column{Name: "end_day", Label: "study day of the end", Unit: "days", Type: Integer, Definition: "days after treatment; missing while still followed"}, func(e int) float64 {
		if o.Episodes[e].End == snapshot.ByCutOff {
			return math.NaN()
		}
		return float64(o.Episodes[e].Days())
	})
	b.numbers(t, Column{Name: "last_visit_day", Label: "study day of the last visit", Unit: "days", Type: Integer, Definition: "days after treatment; missing without a visit after day 0"}, func(e int) float64 {
		if from, to := o.Episodes[e].Visits(); to > from {
			return float64(o.Snapshot.Visits.On[to-1].Sub(o.Episodes[e].Day0))
		}
		return math.NaN()
	})
}

// changes reports whether the change of a quantity is a number that means
// something: not of an axis, a grade or a count of cells.
func changes(q registry.Quantity) bool {
	info := q.Info()
	return info.Unit != measure.DegreeUnit && info.Unit != measure.CountUnit && !info.Whole
}

var findings = []Code{{"CF", "counting fingers"}, {"HM", "hand movements"}, {"LP", "light perception"}, {"NLP", "no light perception"}}

// quantity adds baseline, and value and change of each window that has any.
func (b *builder) quantity(t *Table, q registry.Quantity) {
	o, info := b.o, q.Info()
	base := make([]snapshot.Value, len(b.order))
	any := false
	for i, e := range b.order {
		base[i] = o.Baseline(e, q)
		any = any || base[i].Measured()
	}
	at := make([][]snapshot.Value, len(o.Windows()))
	for w := range at {
		values := make([]snapshot.Value, len(b.order))
		found := false
		for i, e := range b.order {
			values[i] = o.At(e, w, q)
			found = found || values[i].Measured()
		}
		if found {
			at[w], any = values, true
		}
	}
	if !any {
		return
	}
	kind := typeOf(info.Unit)
	if q == registry.KMean || q == registry.SphericalEquivalent || q == registry.RefractiveJ0 || q == registry.RefractiveJ45 {
		kind = Number
	}
	column := func(name, label, definition string, values []snapshot.Value, change bool) {
		c := Column{Name: name, Label: label, Unit: info.Unit.Symbol(), Type: kind, Definition: definition, numbers: make([]float64, len(values))}
		for i, v := range values {
			c.numbers[i] = math.NaN()
			switch {
			case !v.IsValid():
			case !change:
				c.numbers[i] = v.Number
			case base[i].IsValid():
				c.numbers[i] = snapshot.ChangeOf(q, base[i].Number, v.Number)
			}
		}
		t.add(c)
	}
	below := func(name, label string, values []snapshot.Value) {
		if !info.Acuity {
			return
		}
		c := Column{Name: name, Label: label, Type: Text, Codes: findings, texts: make([]string, len(values)),
			Definition: "vision below the chart; the number beside it is the stand-in of the definitions, or missing where they have none"}
		for i, v := range values {
			c.texts[i] = v.OffChart.String()
		}
		t.add(c)
	}
	age := fmt.Sprintf("%s: last value on or before day 0 and no older than %d days", info.Long, o.Definitions.Analysis.BaselineMaxAge)
	column(info.Key+"_baseline", info.Label+" at baseline", age, base, false)
	below(info.Key+"_baseline_finding", info.Label+" at baseline, finding below the chart", base)
	for w, values := range at {
		if values == nil {
			continue
		}
		window := o.Windows()[w]
		name, label := info.Key+"_"+under(window.Key), info.Label+" at "+window.Label
		column(name, label, fmt.Sprintf("%s: the value closest to day %d of days %d to %d", info.Long, window.Target, window.From, window.To), values, false)
		below(name+"_finding", label+", finding below the chart", values)
		if changes(q) {
			column(name+"_change", label+", change", "value in the window less baseline", values, true)
		}
	}
}

// eventColumn names the column of a kind of complication.
func (b *builder) eventColumn(k *registry.ComplicationKind) string {
	listed, ok := b.o.Definitions.Complications.Find(k.Key)
	if !ok {
		return "complication_not_listed"
	}
	name := "complication_" + under(k.Key)
	if listed.Derived && !k.Derived {
		name += "_entered"
	}
	return name
}

// events adds each kind of complication as 0 or 1, missing where the episode
// is not at risk of it. Kinds that are not on the list, which are free text,
// share a column.
func (b *builder) events(t *Table, kinds []snapshot.Complications) {
	var unlisted *Column
	for i := range kinds {
		k := &kinds[i]
		name := b.eventColumn(&k.Kind)
		if name == "complication_not_listed" && unlisted != nil {
			for row, e := range b.order {
				if k.Event[e] != nil {
					unlisted.numbers[row] = 1
				}
			}
			continue
		}
		label, how := k.Kind.Label, "recorded"
		if k.Kind.Derived {
			how = "found in the visits; missing where they cannot tell"
		}
		if name == "complication_not_listed" {
			label = "complication of a kind that is not on the list"
		}
		b.numbers(t, Column{Name: name, Label: label, Type: Integer, Codes: flagCodes, Definition: fmt.Sprintf("at least one, onset on day 0 to %d; %s", k.Horizon, how)}, func(e int) float64 {
			if !k.AtRisk[e] {
				return math.NaN()
			}
			return flag(k.Event[e] != nil)
		})
		if name == "complication_not_listed" {
			unlisted = t.Columns[len(t.Columns)-1]
		}
	}
}

var courseCodes = []Code{{"stable", "never met the rule up to the last visit that could tell"}, {"confirmed", "met the rule, confirmed"},
	{"unconfirmed", "met the rule at the last visit, not yet confirmed"}, {"competing", "ended first by surgery that competes, such as keratoplasty"},
	{"no-baseline", "no baseline to compare with"}, {"no-follow-up", "no later visit that could tell"}}

// courses adds progression under each rule of the definitions.
func (b *builder) courses(t *Table) error {
	for r, rule := range b.o.Definitions.Progression {
		courses, err := b.o.Progression(rule)
		if err != nil {
			return err
		}
		name := "progression"
		if r > 0 {
			name = fmt.Sprintf("progression_%d", r+1)
		}
		said := "rule: " + rule.String()
		b.texts(t, Column{Name: name + "_status", Label: "progression", Codes: courseCodes, Definition: said}, func(e int) string { return courseCodes[courses[e].Status-1].Value })
		day := func(suffix, label, definition string, at func(c *snapshot.Course) (int32, bool)) {
			b.numbers(t, Column{Name: name + suffix, Label: label, Unit: "days", Type: Integer, Definition: definition}, func(e int) float64 {
				if d, ok := at(&courses[e]); ok && courses[e].Assessed() {
					return float64(d)
				}
				return math.NaN()
			})
		}
		day("_day", "study day of progression or of the last visit that could tell", "of progression, of competing surgery, or at which a stable eye is censored",
			func(c *snapshot.Course) (int32, bool) { return c.Day, true })
		day("_free_until", "last study day known to be free of progression", "the true day of progression lies after it", func(c *snapshot.Course) (int32, bool) { return c.Free, true })
		day("_known_by", "first study day known to have progressed", "missing where it never was", func(c *snapshot.Course) (int32, bool) { return c.Known, c.Known >= 0 })
	}
	return nil
}
