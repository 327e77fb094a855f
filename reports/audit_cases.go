package reports

import (
	"fmt"
	"slices"
	"strings"

	"keratally/registry"
	"keratally/registry/snapshot"
)

// The sections that hold case rows.
const (
	episodesSheet = "Episodes"
	valuesSheet   = "Case values"
	eventsSheet   = "Events"
	checkSheet    = "Check"
)

// cases are the rows behind the figures: the episodes, their values at
// baseline and in each window, and the events.
func (a *Audit) cases() ([]Section, error) {
	events, err := a.eventRows()
	if err != nil {
		return nil, err
	}
	return []Section{a.episodeRows(), a.valueRows(), events}, nil
}

func (a *Audit) episodeRows() Section {
	s, o := a.Source, a.Source.Outcomes
	sec := Section{Name: episodesSheet, Title: "Case rows: episodes", Data: true, Empty: "No treated eye in the cohort yet."}
	t := &Table{Filter: true, Columns: []Column{{Key: "eye", Head: "eye"}, {Key: "patient", Head: "patient"}, {Key: "centre", Head: "centre"}, {Key: "surgeon", Head: "surgeon"},
		{Key: "protocol", Head: "protocol"}, {Key: "treated", Head: "treated", Format: DayForm}, {Key: "number", Head: "treatment of this eye", Format: Whole}, {Key: "age", Head: "age (years)", Format: Whole},
		{Key: "diagnosis", Head: "diagnosis"}, {Key: "days", Head: "days followed", Format: Whole}, {Key: "end", Head: "ended by"}}}
	snap := o.Snapshot
	t.Made, t.Make = len(o.Episodes), func(e int) Row {
		ep := &o.Episodes[e]
		age := Cell{}
		if years, ok := o.Age(e); ok {
			age = Count(years)
		}
		return Row{Key: s.eyeCode(ep.Eye), Cells: []Cell{Text(s.eyeCode(ep.Eye)), Text(snap.Patients.Code[ep.Patient]), Text(s.centreCode(ep.Eye)), Text(s.clinicianName(e)),
			Text(s.protocolCode(e)), Day(ep.Day0), Count(int(ep.Number)), age, Text(snap.Eyes.Diagnosis.At(ep.Eye)), Count(ep.Days()), Text(ep.End.String())}}
	}
	sec.Table = t
	return sec
}

func baselineKey(q registry.Quantity) string { return q.Info().Key + " baseline" }

func windowKey(q registry.Quantity, w registry.Window) string { return q.Info().Key + " " + w.Key }

// valuesOf refers to the case values of a quantity in a window.
func (a *Audit) valuesOf(q registry.Quantity, w registry.Window) *Cases {
	return &Cases{Section: valuesSheet, Columns: []string{windowKey(q, w)}, Last: -1}
}

// valueRows has a row an episode, a column a quantity and window that any
// episode has a value in. The eye's name stands in front of its values.
func (a *Audit) valueRows() Section {
	s, o := a.Source, a.Source.Outcomes
	sec := Section{Name: valuesSheet, Title: "Case rows: values at baseline and in each window", Data: true, Empty: "No treated eye in the cohort yet."}
	t := &Table{Columns: []Column{{Key: "eye", Head: "eye"}, {Key: "patient", Head: "patient"}}}
	var fill []func(e int) snapshot.Value
	for _, q := range audited {
		t.Columns = append(t.Columns, Column{Key: baselineKey(q), Head: heading(q) + " baseline", Format: formatOf(q)})
		fill = append(fill, func(e int) snapshot.Value { return o.Baseline(e, q) })
		for i, w := range a.windows {
			if len(a.changes[q][i].Pairs.Change) == 0 {
				continue
			}
			t.Columns = append(t.Columns, Column{Key: windowKey(q, o.Windows()[w]), Head: q.Info().Label + " " + o.Windows()[w].Label, Format: formatOf(q)})
			fill = append(fill, func(e int) snapshot.Value { return o.At(e, w, q) })
		}
	}
	for _, q := range characteristics { // the others that the sheet Baseline describes
		if !slices.Contains(audited, q) {
			t.Columns = append(t.Columns, Column{Key: baselineKey(q), Head: heading(q) + " baseline", Format: formatOf(q)})
			fill = append(fill, func(e int) snapshot.Value { return o.Baseline(e, q) })
		}
	}
	haze := registry.Haze.Quantity()
	for _, w := range a.windows {
		if len(o.Follow(haze, w).Value) > 0 {
			t.Columns = append(t.Columns, Column{Key: windowKey(haze, o.Windows()[w]), Head: haze.Info().Label + " " + o.Windows()[w].Label, Format: OneDec})
			fill = append(fill, func(e int) snapshot.Value { return o.At(e, w, haze) })
		}
	}
	cells := make([]Cell, 0, len(fill)+2)
	t.Made, t.Make = len(o.Episodes), func(e int) Row {
		ep := &o.Episodes[e]
		cells = append(cells[:0], Text(s.eyeCode(ep.Eye)), Text(o.Snapshot.Patients.Code[ep.Patient]))
		for _, value := range fill {
			if v := value(e); v.IsValid() {
				cells = append(cells, Number(v.Number))
			} else {
				cells = append(cells, Cell{})
			}
		}
		return Row{Key: cells[0].Text, Cells: cells}
	}
	sec.Table = t
	return sec
}

// eventRows has a row an episode and a column a kind of complication: 1 with
// an event inside the horizon, 0 at risk without one, empty not at risk.
func (a *Audit) eventRows() (Section, error) {
	s, o := a.Source, a.Source.Outcomes
	sec := Section{Name: eventsSheet, Title: "Case rows: complications (1 event, 0 at risk without event, empty not at risk)", Data: true, Empty: "No treated eye in the cohort yet."}
	kinds := a.kinds
	t := &Table{Columns: []Column{{Key: "eye", Head: "eye"}, {Key: "protocol", Head: "protocol"}, {Key: "surgeon", Head: "surgeon"}}}
	for i := range kinds {
		t.Columns = append(t.Columns, Column{Key: kinds[i].Kind.Key, Head: kinds[i].Kind.Label, Format: Whole})
	}
	t.Made, t.Make = len(o.Episodes), func(e int) Row {
		code := s.eyeCode(o.Episodes[e].Eye)
		row := Row{Key: code, Cells: []Cell{Text(code), Text(s.protocolCode(e)), Text(s.clinicianName(e))}}
		for i := range kinds {
			switch {
			case !kinds[i].AtRisk[e]:
				row.Cells = append(row.Cells, Cell{})
			case kinds[i].Event[e] != nil:
				row.Cells = append(row.Cells, Count(1))
			default:
				row.Cells = append(row.Cells, Count(0))
			}
		}
		return row
	}
	sec.Table = t
	return sec, nil
}

// check recomputes the key figures with live formulas over the case rows and
// shows how far they lie from the registry's own: a reader without this
// program can verify the report.
func (a *Audit) check(doc *Document) (Section, error) {
	sec := Section{Name: checkSheet, Title: "The figures recomputed from the case rows", Empty: "Nothing to recompute: the cohort holds no eye with a follow-up value."}
	t := &Table{Columns: []Column{{Key: "figure", Head: "figure", Wide: true}, {Key: "ours", Head: "registry", Format: ThreeDec}, {Key: "theirs", Head: "recomputed here", Format: ThreeDec, Help: "A live formula over the case rows."},
		{Key: "difference", Head: "relative difference", Format: Scientific, Help: "|registry − recomputed| ÷ the greater of both, or ÷ the SD of the change for a mean change near nought."}}}
	add := func(name string, ours float64, formula string, scale string) {
		row := headRowOfTables + len(t.Rows)
		diff := fmt.Sprintf("IF(B%d=C%d,0,ABS(B%d-C%d)/MAX(ABS(B%d),ABS(C%d)%s))", row, row, row, row, row, row, scale)
		form := General
		if strings.HasSuffix(name, ", n eyes") {
			form = Whole
		}
		t.Rows = append(t.Rows, Row{Cells: []Cell{Text(name), Number(ours).As(form), {Kind: NumberCell, Num: ours, Formula: formula, Format: form}, {Kind: NumberCell, Num: 0, Formula: diff}}})
	}
	for _, q := range audited {
		for i := range a.changes[q] {
			c := &a.changes[q][i]
			n := len(c.Pairs.Change)
			if n == 0 || c.Pairs.LeftOut > 0 {
				continue
			}
			b, ok1 := doc.columnRange(valuesSheet, baselineKey(q))
			v, ok2 := doc.columnRange(valuesSheet, windowKey(q, c.Window))
			if !ok1 || !ok2 {
				return sec, fmt.Errorf("check of %s: its case rows are not in the document", q)
			}
			name := q.Info().Label + " at " + c.Window.Label
			both := fmt.Sprintf("ISNUMBER(%s)*ISNUMBER(%s)", b, v)
			count := fmt.Sprintf("SUMPRODUCT(%s)", both)
			mean := fmt.Sprintf("SUMPRODUCT(%s*(%s-%s))/%s", both, v, b, count)
			add(name+", n eyes", float64(n), count, "")
			add(name+", mean at baseline", c.Baseline.Mean.Estimate, fmt.Sprintf("SUMPRODUCT(%s*%s)/%s", both, b, count), "")
			add(name+", mean", c.Follow.Mean.Estimate, fmt.Sprintf("SUMPRODUCT(%s*%s)/%s", both, v, count), "")
			sd := fmt.Sprintf("SQRT(SUMPRODUCT(%s*(%s-%s-(%s))^2)/(%s-1))", both, v, b, mean, count)
			scale := ""
			if n > 1 && c.Delta.SD > 0 {
				scale = "," + sd
			}
			add(name+", mean change per eye", c.Delta.Mean.Estimate, mean, scale)
			if n > 1 && c.Delta.SD > 0 {
				add(name+", SD of change", c.Delta.SD, sd, "")
				if c.TErr == nil {
					add(name+", paired t per eye", c.PairedT.Stat, fmt.Sprintf("%s/(%s/SQRT(%s))", mean, sd, count), ",1")
				}
			}
		}
	}
	kinds := a.kinds
	for i := range kinds {
		events, atRisk, _, _ := kinds[i].Counts()
		r, ok := doc.columnRange(eventsSheet, kinds[i].Kind.Key)
		if atRisk == 0 || !ok {
			continue
		}
		add("rate of "+kinds[i].Kind.Label, float64(events)/float64(atRisk), fmt.Sprintf("SUM(%s)/COUNT(%s)", r, r), "")
	}
	sec.Table = t
	sec.Notes = []string{"Mean changes here are per eye; the headline of a table with two eyes of one patient comes from a mixed model, which a spreadsheet formula cannot give."}
	return sec, nil
}

// headRowOfTables is the first data row of a table on a sheet, as the workbook
// lays sheets out: title, cohort, lead, headings, then data in row 5.
const headRowOfTables = 5

// columnRange returns the absolute address of a column of case rows.
func (d *Document) columnRange(section, key string) (string, bool) {
	for i := range d.Sections {
		s := &d.Sections[i]
		if s.Name != section || s.Table == nil || s.Table.Len() == 0 {
			continue
		}
		for c := range s.Table.Columns {
			if s.Table.Columns[c].Key == key {
				col := columnName(c)
				return fmt.Sprintf("'%s'!$%s$%d:$%s$%d", section, col, headRowOfTables, col, headRowOfTables+s.Table.Len()-1), true
			}
		}
	}
	return "", false
}

// columnName is the letters of a column, counted from 0: A, …, Z, AA.
func columnName(i int) string {
	name := ""
	for i++; i > 0; i = (i - 1) / 26 {
		name = string(rune('A'+(i-1)%26)) + name
	}
	return name
}
