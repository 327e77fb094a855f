package reports

import (
	"fmt"
	"slices"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/stats/describe"
	"keratally/stats/rate"
)

// daysPerYear converts days at risk into eye-years.
const daysPerYear = 365.25

// complications counts events by kind with their intervals, then by group.
func (a *Audit) complications() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	kinds := a.kinds
	level := o.Definitions.Analysis.ConfidenceLevel
	sec := Section{Name: "Complications", Title: "Complications", Empty: "No treated eye in the cohort yet."}
	t := &Table{Columns: []Column{
		{Key: "kind", Head: "complication", Wide: true}, {Key: "horizon", Head: "onset up to day", Format: Whole},
		{Key: "events", Head: "eyes with event", Format: Whole},
		{Key: "at_risk", Head: "treated, at risk", Format: Whole, Help: "Treated eyes; for what is derived from visits, eyes with a baseline and a visit that can tell."},
		{Key: "rate", Head: "rate", Format: Share}, {Key: "lower", Head: "95 % CI from", Format: Share, Pair: true, Help: "Clopper–Pearson, exact."}, {Key: "upper", Head: "to", Format: Share},
		{Key: "followed", Head: "followed to the horizon", Format: Whole}, {Key: "rate_followed", Head: "rate of those", Format: Share},
		{Key: "years", Head: "eye-years at risk", Format: OneDec}, {Key: "per100", Head: "per 100 eye-years", Format: TwoDec},
		{Key: "per100_lower", Head: "95 % CI from", Format: TwoDec, Pair: true, Help: "Exact Poisson limits."}, {Key: "per100_upper", Head: "to", Format: TwoDec},
		{Key: "mild", Head: "mild", Format: Whole}, {Key: "moderate", Head: "moderate", Format: Whole}, {Key: "severe", Head: "severe", Format: Whole},
		{Key: "words", Head: "in words", Wide: true}}}
	for i := range kinds {
		if len(o.Episodes) > 0 {
			t.Rows = append(t.Rows, a.complicationRow(&kinds[i], level))
		}
	}
	sec.Table = t
	sec.Notes = []string{"Rate: eyes with at least one event of the kind and onset inside the horizon, of the eyes at risk. Signals are words for review by a licensed clinician, not verdicts.",
		"Kinds marked as derived are found in the visits and need no one to enter them."}

	by := Section{Name: "Complications by group", Title: "Complications by protocol, surgeon and year", Empty: "No treated eye in the cohort yet."}
	bt := &Table{Filter: true, Columns: []Column{{Key: "by", Head: "by"}, {Key: "group", Head: "group"}, {Key: "kind", Head: "complication", Wide: true}, {Key: "events", Head: "eyes with event", Format: Whole}, {Key: "at_risk", Head: "at risk", Format: Whole},
		{Key: "rate", Head: "rate", Format: Share}, {Key: "lower", Head: "95 % CI from", Format: Share, Pair: true}, {Key: "upper", Head: "to", Format: Share}}}
	for _, dim := range []struct {
		name string
		key  func(e int) string
	}{{"protocol", s.protocolCode}, {"surgeon", s.clinicianName}, {"year", func(e int) string { return o.Episodes[e].Day0.Time().Format("2006") }}} {
		for _, g := range s.groups(dim.key) {
			in := map[int32]bool{}
			for _, e := range g.episodes {
				in[e] = true
			}
			for i := range kinds {
				k := &kinds[i]
				events, risk := 0, 0
				for _, e := range g.episodes {
					if k.AtRisk[e] {
						risk++
						if k.Event[e] != nil {
							events++
						}
					}
				}
				if all, _, _, _ := k.Counts(); risk == 0 || all == 0 {
					continue
				}
				share := exact(events, risk, level)
				bt.Rows = append(bt.Rows, Row{Cells: append([]Cell{Text(dim.name), Text(g.name), Text(k.Kind.Label)}, share.cells()...)})
			}
		}
	}
	by.Table = bt
	by.Notes = []string{"Kinds without any event in the cohort are left out here; they stand on the sheet Complications with their upper limits."}
	return []Section{sec, by}, nil
}

func (a *Audit) complicationRow(k *snapshot.Complications, level float64) Row {
	events, atRisk, followed, days := k.Counts()
	name := k.Kind.Label
	if k.Kind.Derived {
		name += " (derived)"
	}
	cells := []Cell{Text(name), Count(k.Horizon)}
	share := exact(events, atRisk, level)
	cells = append(cells, share.cells()...)
	cells[2] = cells[2].From(&Cases{Section: "Events", Columns: []string{k.Kind.Key}, Last: -1})
	cells = append(cells, Count(followed))
	if followed > 0 {
		cells = append(cells, Number(float64(events)/float64(followed)))
	} else {
		cells = append(cells, Cell{})
	}
	years := float64(days) / daysPerYear
	cells = append(cells, Number(years))
	if years > 0 {
		if iv, err := rate.Exact(rate.Exposure{Events: events, Time: years}, level); err == nil {
			per := rate.PerTime(iv, 100)
			lower, upper := interval(per)
			cells = append(cells, Number(per.Estimate), lower, upper)
		} else {
			cells = append(cells, Reason(err), Cell{}, Cell{})
		}
	} else {
		cells = append(cells, Cell{}, Cell{}, Cell{})
	}
	for _, grade := range []string{"mild", "moderate", "severe"} {
		n := 0
		for _, ev := range k.Event {
			if ev != nil && ev.Grade == grade {
				n++
			}
		}
		cells = append(cells, Count(n))
	}
	words := ""
	if events == 0 && atRisk > 0 {
		if n, err := rate.NewNought(atRisk, level); err == nil {
			words = n.String()
		}
	}
	return Row{Cells: append(cells, Text(words)), Key: k.Kind.Key}
}

// haze is ordinal: medians, quartiles and shares at or above a grade.
func (a *Audit) haze() ([]Section, error) {
	o := a.Source.Outcomes
	level := o.Definitions.Analysis.ConfidenceLevel
	q := registry.Haze.Quantity()
	sec := Section{Name: "Haze", Title: "Corneal haze by window", Empty: "No haze grade after a treatment yet."}
	t := &Table{Columns: []Column{{Key: "window", Head: "window"}, {Key: "n", Head: "n eyes", Format: Whole}, {Key: "patients", Head: "n patients", Format: Whole},
		{Key: "due", Head: "due", Format: Whole}, {Key: "missing", Head: "due, no grade", Format: Whole},
		{Key: "median", Head: "median", Format: OneDec}, {Key: "q1", Head: "quartile 1", Format: OneDec, Pair: true}, {Key: "q3", Head: "quartile 3", Format: OneDec}}}
	for _, grade := range []string{"1", "2"} {
		t.Columns = append(t.Columns, Column{Key: "at" + grade, Head: "grade " + grade + " or more, eyes", Format: Whole}, Column{Key: "share" + grade, Head: "share", Format: Share},
			Column{Key: "lower" + grade, Head: "95 % CI from", Format: Share, Pair: true}, Column{Key: "upper" + grade, Head: "to", Format: Share})
	}
	fig := Figure{Key: "haze", Kind: StackedBarFigure, Desc: "Stacked bars of the share of eyes by haze grade at each window.", X: Axis{Title: "window"}, Y: Axis{Title: "share of eyes", Percent: true},
		Series: []Series{{Name: "0"}, {Name: "0.5"}, {Name: "1 to 1.5"}, {Name: "2 or more"}}}
	most := 0
	for _, w := range a.windows {
		sample := o.Follow(q, w)
		if len(sample.Value) == 0 {
			continue
		}
		d, err := describe.Summarise(sample.Value, level)
		if err != nil {
			return nil, err
		}
		due, with := o.Completeness(q, w)
		row := []Cell{Text(o.Windows()[w].Label), Count(len(sample.Value)).From(a.valuesOf(q, o.Windows()[w])), Count(distinct(sample.Patient)), Count(due), Count(due - with), Number(d.Median), Number(d.Q25), Number(d.Q75)}
		for _, grade := range []float64{1, 2} {
			share := newShare(atLeast(sample.Value, grade), sample.Patient, level)
			cells := share.cells()
			row = append(row, cells[0], cells[2], cells[3], cells[4])
		}
		t.Rows = append(t.Rows, Row{Cells: row})
		var parts [4]float64
		for _, v := range sample.Value {
			switch {
			case v >= 2:
				parts[3]++
			case v >= 1:
				parts[2]++
			case v > 0:
				parts[1]++
			default:
				parts[0]++
			}
		}
		most = max(most, len(sample.Value))
		fig.X.Categories = append(fig.X.Categories, fmt.Sprintf("%s (%d)", o.Windows()[w].Label, len(sample.Value)))
		for i := range parts {
			fig.Series[i].Y = append(fig.Series[i].Y, parts[i]/float64(len(sample.Value)))
		}
	}
	sec.Table = t
	fig.Title = "Haze grades over time (up to " + eyes(most) + ")"
	if len(t.Rows) > 0 {
		sec.Figures = []Figure{fig}
	}
	sec.Notes = []string{"Haze is ordinal: a mean of grades would mean nothing. Haze within three months is an expected finding; it is a complication where it persists or costs sight (common practice)."}
	return []Section{sec}, nil
}

func atLeast(x []float64, limit float64) []bool {
	out := make([]bool, len(x))
	for i, v := range x {
		out[i] = v >= limit
	}
	return out
}

// lineFindings collects the demarcation findings of one protocol and zone:
// the first imaging between two weeks and six months of each episode.
type lineFindings struct {
	seen         []bool
	patient      []int32
	depth, share []float64
	days         []float64
	notImaged    int
}

// demarcation is the line by protocol and zone: visibility as a rate, depth in
// µm and as a share of the cornea there.
func (a *Audit) demarcation() ([]Section, error) {
	s, o := a.Source, a.Source.Outcomes
	level := o.Definitions.Analysis.ConfidenceLevel
	sec := Section{Name: "Demarcation line", Title: "Demarcation line by protocol and zone", Empty: "No demarcation line was looked for yet. It appears here with the first finding, seen or not seen."}
	t := &Table{Columns: []Column{{Key: "protocol", Head: "protocol"}, {Key: "zone", Head: "zone"}, {Key: "looked", Head: "looked for", Format: Whole}, {Key: "seen", Head: "seen", Format: Whole},
		{Key: "share", Head: "share seen", Format: Share}, {Key: "lower", Head: "95 % CI from", Format: Share, Pair: true}, {Key: "upper", Head: "to", Format: Share},
		{Key: "n", Head: "depths", Format: Whole}, {Key: "mean", Head: "mean depth (µm)", Format: Whole}, {Key: "sd", Head: "SD", Format: Whole}, {Key: "median", Head: "median", Format: Whole},
		{Key: "q1", Head: "quartile 1", Format: Whole, Pair: true}, {Key: "q3", Head: "quartile 3", Format: Whole},
		{Key: "of_cornea", Head: "mean share of thickness there", Format: Share}, {Key: "day", Head: "median day", Format: Whole}}}
	for _, g := range s.groups(s.protocolCode) {
		byZone, zones := a.linesOfGroup(g)
		for _, z := range zones {
			f := byZone[z]
			if len(f.seen) == 0 {
				continue
			}
			share := newShare(f.seen, f.patient, level)
			c := share.cells()
			row := []Cell{Text(g.name), Text(z), c[1], c[0], c[2], c[3], c[4], Count(len(f.depth))}
			if len(f.depth) > 0 {
				d, err := describe.Summarise(f.depth, level)
				if err != nil {
					return nil, err
				}
				row = append(row, Number(d.Mean.Estimate), Number(d.SD), Number(d.Median), Number(d.Q25), Number(d.Q75), meanCell(f.share), median(f.days))
			}
			t.Rows = append(t.Rows, Row{Cells: row})
		}
	}
	sec.Table = t
	sec.Notes = []string{"“Not seen” is a finding: it counts in the share and never as a depth of nought. One finding an eye and zone: the first imaging between day 14 and day 182.",
		"Depth is measured from the surface named with each finding; methods and observers differ in what they see."}
	return []Section{sec}, nil
}

// linesOfGroup returns the findings of a group of episodes by zone, and the
// zones in order.
func (a *Audit) linesOfGroup(g group) (byZone map[string]*lineFindings, zones []string) {
	byZone = map[string]*lineFindings{}
	for _, e := range g.episodes {
		a.collectLine(int(e), byZone, &zones)
	}
	slices.Sort(zones)
	return byZone, zones
}

func (a *Audit) collectLine(e int, byZone map[string]*lineFindings, zones *[]string) {
	o := a.Source.Outcomes
	snap := o.Snapshot
	ep := &o.Episodes[e]
	done := map[string]bool{}
	from, to := ep.Visits()
	for v := from; v < to; v++ {
		day := snap.Visits.On[v].Sub(ep.Day0)
		if day < 14 || day > 182 {
			continue
		}
		first, last := snap.DemarcationsOf(v)
		for d := first; d < last; d++ {
			zone := snap.Demarcations.Zone.At(int32(d))
			if done[zone] {
				continue
			}
			f := byZone[zone]
			if f == nil {
				f = &lineFindings{}
				byZone[zone] = f
				*zones = append(*zones, zone)
			}
			switch snap.Demarcations.Seen.At(int32(d)) {
			case "seen":
				f.seen = append(f.seen, true)
				if depth := snap.Demarcations.DepthUm[d]; depth.IsValid() {
					f.depth = append(f.depth, float64(depth))
					f.days = append(f.days, float64(day))
					if thick := snap.Demarcations.ThicknessUm[d]; thick != measure.None {
						f.share = append(f.share, float64(depth)/float64(thick))
					}
				}
			case "not-seen":
				f.seen = append(f.seen, false)
			default:
				f.notImaged++
				continue
			}
			f.patient = append(f.patient, ep.Patient)
			done[zone] = true
		}
	}
}

func meanCell(x []float64) Cell {
	if len(x) == 0 {
		return Cell{}
	}
	d, err := describe.Summarise(x, 0.95)
	return orReason(d.Mean.Estimate, err)
}
