package reports

import (
	"math"

	"keratally/stats"
	"keratally/stats/dist"
	"keratally/stats/pool"
)

// publishedInterval is the t interval of a published mean change.
func publishedInterval(c *BenchmarkChange, level float64) (stats.Interval, error) {
	if !c.HasSD || c.N < 2 {
		return stats.Interval{}, stats.ErrTooFew
	}
	half := dist.TQuantile((1+level)/2, float64(c.N-1)) * c.SD / math.Sqrt(float64(c.N))
	return stats.Interval{Estimate: c.Published.Mean, Lower: c.Published.Mean - half, Upper: c.Published.Mean + half, Level: level, Method: "Student t"}, nil
}

// standardisedSummaries is the standardised difference of two summaries.
func standardisedSummaries(m *BenchmarkMix) Cell {
	sd := math.Sqrt((m.Own.Variance + m.Published.SD*m.Published.SD) / 2)
	if !(sd > 0) {
		return Cell{}
	}
	return Number((m.Own.Mean.Estimate - m.Published.Mean) / sd)
}

// poolModel is one way of pooling.
type poolModel struct {
	name string
	meta *pool.Meta
	tau  float64
}

func (p *BenchmarkPool) models() []poolModel {
	return []poolModel{{"fixed", &p.Fixed, math.NaN()}, {"random, DerSimonian–Laird", &p.DL, math.Sqrt(p.DL.Tau2)}, {"random, REML", &p.REML, math.Sqrt(p.REML.Tau2)}}
}

// reviews prints what reviews pooled.
func (b *Benchmark) reviews() Section {
	sec := Section{Name: "Reviews", Title: "What reviews pooled", Empty: "No review in the set."}
	t := &Table{Columns: []Column{{Key: "study", Head: "review"}, {Key: "question", Head: "question", Wide: true}, {Key: "result", Head: "result, as printed", Wide: true}, {Key: "seen", Head: "published figure", Wide: true}}}
	for i := range b.Studies {
		s := &b.Studies[i]
		for _, p := range s.Pooled {
			t.Rows = append(t.Rows, Row{Cells: []Cell{Text(s.Citation), Text(p.Question), Text(p.Result), Text(s.Seen.Words())}})
		}
	}
	sec.Table = t
	sec.Notes = []string{"Reviews do not agree with each other on accelerated against standard irradiation: none is a fact by itself. Differences between two groups have no counterpart in one cohort."}
	return sec
}

// sources lists every study with how its figures are known.
func (b *Benchmark) sources() Section {
	sec := Section{Name: "Sources", Title: "The studies and how their figures are known", Empty: noStudy}
	t := &Table{Columns: []Column{{Key: "study", Head: "study"}, {Key: "citation", Head: "citation", Wide: true}, {Key: "where", Head: "where seen", Wide: true}, {Key: "seen", Head: "how known", Wide: true}, {Key: "note", Head: "note", Wide: true}}}
	for i := range b.Studies {
		s := &b.Studies[i]
		t.Rows = append(t.Rows, Row{Cells: []Cell{Text(s.Name), Text(s.Citation), Text(s.Where), Text(s.Seen.Words()), Text(s.Note)}})
	}
	sec.Table = t
	sec.Notes = []string{"A full paper can hold more than its abstract. Check a figure at its source before you cite it, above all one from memory."}
	return sec
}

func (b *Benchmark) methods() Section {
	sec := Section{Name: "Methods", Title: "Methods and definitions used"}
	t := &Table{Columns: []Column{{Key: "what", Head: "what"}, {Key: "how", Head: "how", Wide: true}}}
	add := func(what, how string) { t.Rows = append(t.Rows, Row{Cells: []Cell{Text(what), Text(how)}}) }
	for _, line := range b.Source.provenance().Lines() {
		add(line[0], line[1])
	}
	add("mean change, here", "linear mixed model with a random patient intercept (REML, Satterthwaite); where no patient has two eyes, the one-sample t")
	add("spread, published", "the printed SD; else SE × √n; else from the width of the printed interval and t on n − 1; else none, and the difference stands without an interval")
	add("difference of changes", "here less published; standard error √(own SE² + SD²/n), t with Welch–Satterthwaite degrees of freedom; from published n, mean and SD this is Welch's test")
	add("difference of rates", "Newcombe's hybrid score limits; own limits on the eyes divided by the design effect where patients have two eyes")
	add("pooling", "inverse variance: fixed effect; random effects by DerSimonian & Laird (1986) and REML; I² after Higgins & Thompson (2002); only groups of one kind whose spread is known")
	add("no verdict", "published groups were not made alike with this cohort, so no p value and no word of better or worse is printed")
	sec.Table = t
	return sec
}

func ownKey(c *OwnChange) string { return c.Quantity.Info().Key + " " + c.Window.Key }

// cases are the own eyes behind the mean changes.
func (b *Benchmark) cases() Section {
	s, o := b.Source, b.Source.Outcomes
	sec := Section{Name: caseSection, Title: "Case rows: the cohort's eyes", Data: true, Empty: "The cohort holds no eye."}
	t := &Table{Filter: true, Columns: []Column{{Key: "eye", Head: "eye"}, {Key: "patient", Head: "patient"}, {Key: "treated", Head: "treated", Format: DayForm}}}
	var changes []map[int32]float64
	seen := map[string]bool{}
	for i := range b.Changes {
		own := b.Changes[i].Own
		if own == nil || seen[ownKey(own)] {
			continue
		}
		seen[ownKey(own)] = true
		t.Columns = append(t.Columns, Column{Key: ownKey(own), Head: "change of " + heading(own.Quantity) + ", " + own.Window.Label, Format: formatOf(own.Quantity)})
		of := map[int32]float64{}
		for k, e := range own.Pairs.Episode {
			of[e] = own.Pairs.Change[k]
		}
		changes = append(changes, of)
	}
	t.Made = len(o.Episodes)
	cells := make([]Cell, len(t.Columns))
	t.Make = func(i int) Row {
		ep := &o.Episodes[i]
		cells[0], cells[1], cells[2] = Text(s.eyeCode(ep.Eye)), Text(o.Snapshot.Patients.Code[ep.Patient]), Day(ep.Day0)
		for k, of := range changes {
			cells[3+k] = Cell{}
			if d, ok := of[int32(i)]; ok {
				cells[3+k] = Number(d)
			}
		}
		return Row{Key: s.eyeCode(ep.Eye), Cells: cells}
	}
	sec.Table = t
	return sec
}
