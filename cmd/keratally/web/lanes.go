package web

import (
	"fmt"
	"html/template"
	"math"
	"strings"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/reports"
)

// The size of the time axis of an eye, in its own units.
const (
	lanesWidth = 600
	laneHeight = 92
	laneTop    = 22 // room for the lane's name
	laneLeft   = 46
	laneRight  = 14
	axisHeight = 40
)

var laneQuantities = []registry.Quantity{registry.Kmax.Quantity(), registry.CDVA.Quantity(), registry.Thinnest.Quantity(), registry.ECD.Quantity(), registry.Haze.Quantity()}

// lanes draws the story of an eye: one lane a measure over one axis of time,
// scaled in days, with the treatments, the visit windows after the last of
// them, its baseline and what counts as progression. Colours come from the
// style sheet by class.
func (h *held) lanes(eye int32, episodes []int32) template.HTML {
	d := laneDrawing{h: h, eye: eye, episodes: episodes}
	d.first, d.next = h.Snapshot.Visits.First[eye], h.Snapshot.Visits.First[eye+1]
	if d.first == d.next {
		return ""
	}
	if !d.span() {
		return ""
	}
	height := axisHeight + laneHeight*len(d.shown)
	side := h.Snapshot.Eyes.Side[eye].String()
	fmt.Fprintf(&d.b, `<svg class="lanes" viewBox="0 0 %d %d" role="img" aria-labelledby="lanes-%s-t lanes-%s-d"><title id="lanes-%s-t">Course of the %s eye</title><desc id="lanes-%s-d">%s</desc>`,
		lanesWidth, height, side, side, side, side, side, esc(d.describe()))
	d.bands(height)
	for i, q := range d.shown {
		d.lane(q, i*laneHeight)
	}
	d.axis(height)
	d.b.WriteString("</svg>")
	return template.HTML(d.b.String()) // every text in it is escaped
}

type laneDrawing struct {
	b           strings.Builder
	h           *held
	eye         int32
	episodes    []int32
	first, next int32
	day0        registry.Date // the last treatment, or the first visit
	from, to    int           // days from day0
	shown       []registry.Quantity
}

func esc(s string) string { return template.HTMLEscapeString(s) }

// span finds the days and the measures that are drawn; false if there is none.
func (d *laneDrawing) span() bool {
	visits := &d.h.Snapshot.Visits
	d.day0 = visits.On[d.first]
	if n := len(d.episodes); n > 0 {
		d.day0 = d.h.all.Episodes[d.episodes[n-1]].Day0
	}
	d.from, d.to = visits.On[d.first].Sub(d.day0), max(30, visits.On[d.next-1].Sub(d.day0))
	for _, e := range d.episodes {
		d.from = min(d.from, d.h.all.Episodes[e].Day0.Sub(d.day0))
	}
	for _, q := range laneQuantities {
		for v := d.first; v < d.next; v++ {
			if d.h.all.ValueAt(v, q).IsValid() {
				d.shown = append(d.shown, q)
				break
			}
		}
	}
	return len(d.shown) > 0
}

func (d *laneDrawing) x(day int) float64 {
	return laneLeft + 8 + float64(day-d.from)/float64(max(1, d.to-d.from))*(lanesWidth-laneLeft-laneRight-16)
}

func (d *laneDrawing) describe() string {
	var names []string
	for _, q := range d.shown {
		names = append(names, q.Info().Label)
	}
	return fmt.Sprintf("%s over time at %s, from %s to %s, with %s. The same values stand in the table of visits.", strings.Join(names, ", "), counted(int(d.next-d.first), "visit"),
		d.day0.Add(d.from).Long(), d.day0.Add(d.to).Long(), counted(len(d.episodes), "treatment"))
}

// bands draws alternate visit windows after the last treatment, faintly.
func (d *laneDrawing) bands(height int) {
	if len(d.episodes) == 0 {
		return
	}
	for i, w := range d.h.all.Windows() {
		if i%2 == 1 || w.From > d.to {
			continue
		}
		left, right := d.x(w.From), d.x(min(w.To, d.to))
		fmt.Fprintf(&d.b, `<rect class="lane-window" x="%.1f" y="0" width="%.1f" height="%d"><title>%s</title></rect>`, left, max(0.5, right-left), height-axisHeight, esc(w.Label))
	}
}

func (d *laneDrawing) axis(height int) {
	y := height - axisHeight
	for i, e := range d.episodes {
		x := d.x(d.h.all.Episodes[e].Day0.Sub(d.day0))
		fmt.Fprintf(&d.b, `<line class="lane-treated" x1="%.1f" y1="0" x2="%.1f" y2="%d"/><path class="lane-mark" d="M%.1f %dl5 8h-10z"/>`, x, x, y+4, x, y+3)
		if i == len(d.episodes)-1 {
			fmt.Fprintf(&d.b, `<text class="lane-tick" x="%.1f" y="%d" text-anchor="%s">treated</text>`, x, y+34, anchorAt(x))
		}
	}
	last := math.Inf(-1)
	tick := func(day int, label string) {
		x := d.x(day)
		if x-last < 54 || day > d.to {
			return
		}
		last = x
		fmt.Fprintf(&d.b, `<text class="lane-tick" x="%.1f" y="%d" text-anchor="%s">%s</text>`, x, y+22, anchorAt(x), esc(label))
	}
	if d.from < -20 {
		tick(d.from, reports.Whole.Print(float64(d.from))+" days")
	}
	if len(d.episodes) == 0 {
		tick(0, "first visit")
		tick(d.to, fmt.Sprintf("day %d", d.to))
		return
	}
	if d.x(0)-last >= 54 {
		last = d.x(0) - 20 // the mark of the treatment stands there
	}
	for _, w := range d.h.all.Windows() {
		tick(w.Target, w.Label)
	}
}

func anchorAt(x float64) string {
	switch {
	case x < laneLeft+40:
		return "start"
	case x > lanesWidth-50:
		return "end"
	}
	return "middle"
}

type lanePoint struct {
	day   int
	value float64
}

// lane draws one measure.
func (d *laneDrawing) lane(q registry.Quantity, top int) {
	var points []lanePoint
	low, high := math.Inf(1), math.Inf(-1)
	for v := d.first; v < d.next; v++ {
		if one := d.h.all.ValueAt(v, q); one.IsValid() {
			points = append(points, lanePoint{d.h.Snapshot.Visits.On[v].Sub(d.day0), one.Number})
			low, high = math.Min(low, one.Number), math.Max(high, one.Number)
		}
	}
	var base snapshot.Value
	limit := math.NaN()
	if n := len(d.episodes); n > 0 {
		if base = d.h.all.Baseline(int(d.episodes[n-1]), q); base.IsValid() {
			low, high = math.Min(low, base.Number), math.Max(high, base.Number)
			if limit = d.h.limitOf(q, base.Number); !math.IsNaN(limit) {
				low, high = math.Min(low, limit), math.Max(high, limit)
			}
		}
	}
	if q == registry.Haze.Quantity() {
		low, high = 0, math.Max(high, 2)
	}
	room := math.Max(high-low, smallestRange(q))
	low, high = (low+high-room)/2-room*0.08, (low+high+room)/2+room*0.08
	y := func(v float64) float64 {
		return float64(top+laneHeight-8) - (v-low)/(high-low)*float64(laneHeight-laneTop-12)
	}
	print := func(v float64) string { return shownText(q, v) }

	fmt.Fprintf(&d.b, `<line class="lane-rule" x1="0" y1="%d" x2="%d" y2="%d"/><text class="lane-name" x="0" y="%d">%s</text>`, top, lanesWidth, top, top+15, esc(laneName(q)))
	if base.IsValid() {
		fmt.Fprintf(&d.b, `<line class="lane-base" x1="%.1f" y1="%.1f" x2="%d" y2="%.1f"><title>baseline %s</title></line>`, d.x(0), y(base.Number), lanesWidth-laneRight, y(base.Number), print(base.Number))
		fmt.Fprintf(&d.b, `<text class="lane-scale" x="0" y="%.1f">%s</text>`, y(base.Number)+4, print(base.Number))
	}
	if !math.IsNaN(limit) {
		fmt.Fprintf(&d.b, `<line class="lane-limit" x1="%.1f" y1="%.1f" x2="%d" y2="%.1f"/><text class="lane-scale" x="%d" y="%.1f" text-anchor="end">progression from %s</text>`,
			d.x(0), y(limit), lanesWidth-laneRight, y(limit), lanesWidth-laneRight, y(limit)-4, print(limit))
	}
	var path strings.Builder
	for i, p := range points {
		fmt.Fprintf(&path, "%c%.1f %.1f", "ML"[min(i, 1)], d.x(p.day), y(p.value))
	}
	fmt.Fprintf(&d.b, `<path class="lane-line" d="%s"/>`, path.String())
	for _, p := range points {
		fmt.Fprintf(&d.b, `<circle class="lane-dot" cx="%.1f" cy="%.1f" r="3.2"><title>%s, day %d: %s</title></circle>`, d.x(p.day), y(p.value), d.day0.Add(p.day).Long(), p.day, print(p.value))
	}
	if n := len(points); n > 0 {
		fmt.Fprintf(&d.b, `<text class="lane-value" x="%d" y="%d" text-anchor="end">last %s</text>`, lanesWidth-laneRight, top+15, print(points[n-1].value))
	}
}

func laneName(q registry.Quantity) string {
	info := q.Info()
	name := info.Label
	if u := info.Unit.Symbol(); u != "" && u != "grade" {
		name += " (" + u + ")"
	}
	if info.Acuity {
		name += ", lower is better"
	}
	return name
}

// smallestRange keeps noise from looking like change: the least that a lane
// spans, in the unit of the measure.
func smallestRange(q registry.Quantity) float64 {
	switch q {
	case registry.Kmax.Quantity():
		return 4
	case registry.CDVA.Quantity():
		return 0.4
	case registry.Thinnest.Quantity():
		return 60
	case registry.ECD.Quantity():
		return 600
	}
	return 2
}

func shownText(q registry.Quantity, v float64) string {
	switch q.Info().Unit.Shown() {
	case 0:
		return reports.Whole.Print(v)
	case 1:
		return reports.OneDec.Print(v)
	}
	return reports.TwoDec.Print(v)
}

// limitOf returns the value from which the headline rule speaks of
// progression, given the baseline; NaN where the rule does not look at q.
func (h *held) limitOf(q registry.Quantity, base float64) float64 {
	limit := math.NaN()
	var look func(c registry.Condition)
	look = func(c registry.Condition) {
		if t := c.Term; t != nil && t.Quantity == q.Info().Key && !t.Percent && math.IsNaN(limit) {
			switch t.Direction {
			case registry.Rises:
				limit = base + t.By
			case registry.Falls:
				limit = base - t.By
			}
		}
		for _, list := range [][]registry.Condition{c.All, c.Any, c.Of} {
			for _, one := range list {
				look(one)
			}
		}
	}
	look(h.all.Definitions.Progression[0].Condition)
	return limit
}
