package export

import (
	"fmt"
	"strconv"
	"strings"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

// long begins a table of many rows an episode.
func long(name, title string, key ...string) *Table {
	t := &Table{Name: name, Title: title, Key: key}
	t.add(Column{Name: "episode", Label: "episode", Type: Integer, Definition: "as in the table episodes"})
	t.add(Column{Name: "patient", Label: "patient", Type: Integer, Definition: "as in the table episodes"})
	t.add(Column{Name: "study_day", Label: "study day", Unit: "days", Type: Integer, Definition: "days after treatment; 0 is the day of treatment, less is before it"})
	return t
}

// begin adds the first cells of a row.
func (b *builder) begin(t *Table, e, day int) {
	t.Columns[0].number(float64(b.number[e]))
	t.Columns[1].number(float64(b.patients[b.o.Episodes[e].Patient]))
	t.Columns[2].number(float64(day))
	t.rows++
}

// measurements is the table of one row a measurement: everything measured from
// the oldest visit that may be a baseline to the last of the episode.
func (b *builder) measurements() *Table {
	o, s := b.o, b.o.Snapshot
	t := long("measurements", "One row a measurement", "episode", "study_day", "measure")
	var measures []Code
	for q := range registry.Quantity(registry.NumQuantities) {
		measures = append(measures, Code{q.Info().Key, q.Info().Long})
	}
	windows := []Code{{"baseline", "on or before day 0"}}
	for _, w := range o.Windows() {
		windows = append(windows, Code{w.Key, fmt.Sprintf("days %d to %d, aimed at day %d", w.From, w.To, w.Target)})
	}
	what := t.add(Column{Name: "measure", Label: "measure", Type: Text, Codes: measures})
	value := t.add(Column{Name: "value", Label: "value", Type: Number, Definition: "in the unit beside it; for vision below the chart the stand-in of the definitions, or missing where they have none"})
	unit := t.add(Column{Name: "unit", Label: "unit", Type: Text, Definition: "missing for a count"})
	finding := t.add(Column{Name: "finding", Label: "finding below the chart", Type: Text, Codes: findings})
	window := t.add(Column{Name: "window", Label: "window", Type: Text, Codes: windows, Definition: "in which the study day lies; missing between windows"})
	used := t.add(Column{Name: "used", Label: "used in the table episodes", Type: Integer, Codes: flagCodes, Definition: "1 where it is the value of its measure for the window or the baseline"})
	instrument := t.add(Column{Name: "instrument", Label: "instrument, chart or scale", Type: Integer, Definition: "equal numbers within a measure are one instrument, chart or scale; missing where none was recorded; " + madeHere})
	var named *Column
	if b.opts.WithText {
		named = t.add(Column{Name: "instrument_name", Label: "instrument, chart or scale", Type: Text, Definition: "as entered"})
	}
	for _, e := range b.order {
		one := &o.Episodes[e]
		chosen := b.chosen(e)
		after, to := one.Visits()
		for v := s.Visits.First[one.Eye]; v < to; v++ {
			day := s.Visits.On[v].Sub(one.Day0)
			if v < after && day < -o.Definitions.Analysis.BaselineMaxAge {
				continue
			}
			name := "baseline"
			if v >= after {
				name = ""
				if w := o.Definitions.Windows.Of(day); w >= 0 {
					name = o.Windows()[w].Key
				}
			}
			for q := range registry.Quantity(registry.NumQuantities) {
				x := o.ValueAt(v, q)
				if !x.Measured() {
					continue
				}
				b.begin(t, e, day)
				what.text(q.Info().Key)
				value.number(x.Number)
				unit.text(q.Info().Unit.Symbol())
				finding.text(x.OffChart.String())
				window.text(name)
				used.number(flag(chosen[q][v]))
				number, text := b.instrument(q, v)
				instrument.number(orMissing(number))
				if named != nil {
					named.text(text)
				}
			}
		}
	}
	return t
}

// chosen returns for each quantity the visits whose values stand in the table
// of episodes.
func (b *builder) chosen(e int) [registry.NumQuantities]map[int32]bool {
	var chosen [registry.NumQuantities]map[int32]bool
	for q := range registry.Quantity(registry.NumQuantities) {
		chosen[q] = map[int32]bool{b.o.Baseline(e, q).Visit: true}
		for w := range b.o.Windows() {
			chosen[q][b.o.At(e, w, q).Visit] = true
		}
	}
	return chosen
}

// instrument returns what a quantity was measured with, under its number.
func (b *builder) instrument(q registry.Quantity, visit int32) (number int, text string) {
	v := &b.o.Snapshot.Visits
	var w *snapshot.Words
	switch {
	case q == registry.ECD.Quantity() || q == registry.CellCV.Quantity() || q == registry.Hexagonality.Quantity():
		w = &v.Camera
	case q == registry.Haze.Quantity():
		w = &v.HazeScale
	case q.Info().Acuity:
		w = &v.AcuityChart
	case q >= registry.K1.Quantity() && q <= registry.ApexThickness.Quantity() || q == registry.Densitometry.Quantity() ||
		q == registry.KMean || q == registry.CornealAstigmatism:
		w = &v.Tomographer
	default:
		return 0, ""
	}
	return b.words("instrument", w)[w.Code[visit]], w.At(visit)
}

// places are the words that a zone of the cornea may be named by; anything
// else is text of the clinic.
var places = map[string]bool{"central": true, "paracentral": true, "peripheral": true, "nasal": true, "temporal": true, "superior": true, "inferior": true,
	"superonasal": true, "superotemporal": true, "inferonasal": true, "inferotemporal": true}

// zoneWord returns the zone where it is made of standard words or an order
// from 1 to 20.
func zoneWord(zone string) string {
	if n, err := strconv.Atoi(zone); err == nil && n >= 1 && n <= 20 && strconv.Itoa(n) == zone {
		return zone
	}
	for _, part := range strings.Split(zone, "-") {
		if !places[part] {
			return ""
		}
	}
	return zone
}

var methods = []Code{{"as-oct", "optical coherence tomography of the anterior segment"}, {"confocal", "confocal microscopy"}, {"slit-lamp", ""}, {"scheimpflug", ""}, {"other", ""}}

func methodWord(method string) string {
	for _, m := range methods {
		if m.Value == method {
			return method
		}
	}
	if method == "" {
		return ""
	}
	return "other"
}

// demarcation is the table of one row a finding of the demarcation line.
func (b *builder) demarcation() *Table {
	o, s := b.o, b.o.Snapshot
	d := &s.Demarcations
	t := long("demarcation", "One row a finding of the demarcation line: not seen is a finding", "episode", "study_day", "zone", "observer")
	zone := t.add(Column{Name: "zone", Label: "zone", Type: Text, Definition: "place on the cornea, or the order of a zone of the treatment; zone-1, zone-2, … for a zone that the clinic names otherwise"})
	seen := t.add(Column{Name: "seen", Label: "finding", Type: Text, Codes: []Code{{"seen", ""}, {"not-seen", "looked for and not seen: neither nought nor missing"}, {"not-imaged", "not looked for"}}})
	depth := t.add(Column{Name: "depth", Label: "depth", Unit: measure.MicrometreUnit.Symbol(), Type: Integer, Definition: "of the line, from the surface named"})
	thickness := t.add(Column{Name: "thickness", Label: "thickness of the cornea there", Unit: measure.MicrometreUnit.Symbol(), Type: Integer})
	surface := t.add(Column{Name: "surface", Label: "surface that depth is measured from", Type: Text, Codes: []Code{{"epithelium", ""}, {"stroma", ""}}})
	method := t.add(Column{Name: "method", Label: "method", Type: Text, Codes: methods})
	observer := t.add(Column{Name: "observer", Label: "observer", Type: Integer, Definition: "missing where none was recorded; " + madeHere})
	if b.opts.WithText {
		zone.Definition, method.Definition, method.Codes = "as entered", "as entered", nil
	}
	for _, e := range b.order {
		one := &o.Episodes[e]
		from, to := one.Visits()
		for v := from; v < to; v++ {
			first, last := s.DemarcationsOf(v)
			for i := int32(first); i < int32(last); i++ {
				b.begin(t, e, s.Visits.On[v].Sub(one.Day0))
				z, m := d.Zone.At(i), d.Method.At(i)
				if !b.opts.WithText {
					if m = methodWord(m); zoneWord(z) == "" && z != "" {
						z = fmt.Sprintf("zone-%d", b.words("zone", &d.Zone)[d.Zone.Code[i]])
					}
				}
				zone.text(z)
				seen.text(d.Seen.At(i))
				depth.number(d.DepthUm[i].Float(measure.MicrometreUnit))
				thickness.number(d.ThicknessUm[i].Float(measure.MicrometreUnit))
				surface.text(d.Surface.At(i))
				method.text(m)
				observer.number(orMissing(b.words("observer", &d.Observer)[d.Observer.Code[i]]))
			}
		}
	}
	return t
}

// complications is the table of one row a kind of complication that an
// episode had, at its first onset.
func (b *builder) complications(kinds []snapshot.Complications) *Table {
	rows := &b.o.Snapshot.Complications
	t := long("complications", "One row a kind of complication in an episode, its first onset")
	var codes []Code
	for _, k := range b.o.Definitions.Complications.Kinds {
		codes = append(codes, Code{k.Key, k.Label})
	}
	codes = append(codes, Code{"not-listed", "a kind that is not on the list of the definitions"})
	kind := t.add(Column{Name: "kind", Label: "complication", Type: Text, Codes: codes, Definition: "onset on or before the last day that counts for the kind"})
	found := t.add(Column{Name: "derived", Label: "found in the visits", Type: Integer, Codes: flagCodes, Definition: "0 where it was entered"})
	grade := t.add(Column{Name: "grade", Label: "grade", Type: Text, Codes: []Code{{"mild", ""}, {"moderate", ""}, {"severe", ""}, {"unconfirmed", "progression at the last visit"}}})
	var texts [3]*Column
	if b.opts.WithText {
		for i, c := range [3][2]string{{"kind_text", "kind"}, {"action", "action taken"}, {"outcome", "outcome"}} {
			texts[i] = t.add(Column{Name: c[0], Label: c[1], Type: Text, Definition: "as entered"})
		}
	}
	for _, e := range b.order {
		for i := range kinds {
			k := &kinds[i]
			ev := k.Event[e]
			if ev == nil {
				continue
			}
			b.begin(t, e, ev.Day)
			key := k.Kind.Key
			if _, listed := b.o.Definitions.Complications.Find(key); !listed {
				key = "not-listed"
			}
			kind.text(key)
			found.number(flag(ev.Row == snapshot.Absent))
			grade.text(ev.Grade)
			if texts[0] == nil {
				continue
			}
			said := [3]string{k.Kind.Key, "", ""}
			if ev.Row != snapshot.Absent {
				said[1], said[2] = rows.Action.At(ev.Row), rows.Outcome.At(ev.Row)
			}
			for j, c := range texts {
				c.text(said[j])
			}
		}
	}
	return t
}
