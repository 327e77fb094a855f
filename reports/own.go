package reports

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"keratally/registry/cohort"
	"keratally/stats/monitor"
	"keratally/stats/proportion"
)

// Own is a surgeon's own results: outcomes of their eyes by protocol and
// window, beside peers without names.
type Own struct {
	*Audit
	clinician string // as the registry names them
	all       *Source
}

// fewestPeers is the number of other surgeons below which none is shown,
// because one of two could be told by elimination.
const fewestPeers = 3

// NewOwn builds the report of the clinician with the code or name, out of a
// source that holds the eyes of all.
func NewOwn(all *Source, clinician string) (*Own, error) {
	var own []int32
	names := map[string]bool{}
	full := ""
	for e := range all.Outcomes.Episodes {
		c := all.Outcomes.ClinicianOf(e)
		if c == nil {
			continue
		}
		names[c.Code] = true
		if strings.EqualFold(c.Code, clinician) || strings.EqualFold(c.Name, clinician) {
			own = append(own, int32(e))
			full = all.clinicianName(e)
		}
	}
	if len(own) == 0 {
		var list []string
		for n := range names {
			list = append(list, n)
		}
		slices.Sort(list)
		if len(list) == 0 {
			return nil, errors.New("no treatment of this cohort names its surgeon")
		}
		return nil, fmt.Errorf("no eye of the cohort was treated by %q: should be one of %s", clinician, strings.Join(list, ", "))
	}
	kept := all.Outcomes.Only(own)
	mine := *all
	mine.Outcomes = kept
	mine.Flow = append(slices.Clone(all.Flow), cohort.Step{Words: "treated by " + full, Episodes: len(own), Eyes: kept.Eyes(), Patients: kept.Patients()})
	mine.Cohort = all.Cohort + ", treated by " + full
	audit, err := NewAudit(&mine)
	if err != nil {
		return nil, err
	}
	return &Own{Audit: audit, clinician: full, all: all}, nil
}

// Document lays the report out: the audit of the own eyes, then the peers, the
// cumulative sum and the own eyes to look at.
func (o *Own) Document() (*Document, error) {
	doc, err := o.Audit.Document()
	if err != nil {
		return nil, err
	}
	doc.Name, doc.Title = "own-results", "Own results: "+o.clinician
	doc.Sections[0].Title = doc.Title
	for _, build := range []func() (Section, error){o.peers, o.cusum, o.eyesToLookAt} {
		sec, err := build()
		if err != nil {
			return nil, err
		}
		doc.Sections = slices.Insert(doc.Sections, len(doc.Sections)-4, sec)
	}
	return doc, nil
}

// tally counts eyes with any early complication, or any derived late one, by
// surgeon.
func tally(s *Source, own string) (mine proportion.Count, peers []proportion.Count, err error) {
	kinds, err := s.Outcomes.Complications()
	if err != nil {
		return mine, nil, err
	}
	for _, g := range s.groups(s.clinicianName) {
		if g.name == notRecorded {
			continue
		}
		c := proportion.Count{}
		for _, e := range g.episodes {
			c.N++
			for i := range kinds {
				if kinds[i].Kind.Early && kinds[i].Event[e] != nil {
					c.Events++
					break
				}
			}
		}
		if g.name == own {
			mine = c
		} else {
			peers = append(peers, c)
		}
	}
	return mine, peers, nil
}

// peers is the funnel of early complications: own point marked, the others
// without names, and nobody where fewer than three others could be told apart.
func (o *Own) peers() (Section, error) {
	sec := Section{Name: "Peers", Title: "Early complications beside peers without names"}
	mine, others, err := tally(o.all, o.clinician)
	if err != nil {
		return sec, err
	}
	t := &Table{Columns: append([]Column{{Key: "who", Head: "who"}}, shareColumns("early", "any early complication")...)}
	own := exact(mine.Events, mine.N, o.all.Outcomes.Definitions.Analysis.ConfidenceLevel)
	t.Rows = append(t.Rows, Row{Cells: append([]Cell{Text("own")}, own.cells()...)})
	sec.Table = t
	sec.Notes = []string{"Exact binomial limits (Spiegelhalter 2005): with the common rate, 95 % of surgeons lie within the inner and 99.8 % within the outer pair. A point outside asks for a look at case mix and records; it is no verdict."}
	if len(others) < fewestPeers {
		sec.Notes = append(sec.Notes, fmt.Sprintf("Fewer than %d other surgeons treated eyes of this cohort: none is shown, because one could be told by elimination.", fewestPeers))
		return sec, nil
	}
	all := proportion.Count{Events: mine.Events, N: mine.N}
	for _, c := range others {
		all.Events, all.N = all.Events+c.Events, all.N+c.N
	}
	rest := exact(all.Events-mine.Events, all.N-mine.N, o.all.Outcomes.Definitions.Analysis.ConfidenceLevel)
	t.Rows = append(t.Rows, Row{Cells: append([]Cell{Text(fmt.Sprintf("%d peers together", len(others)))}, rest.cells()...)})
	if all.Events == 0 || all.Events == all.N {
		sec.Notes = append(sec.Notes, "No early complication was recorded by anyone: a funnel has no limits to draw.")
		return sec, nil
	}
	fig, err := funnel(mine, others, all)
	if err != nil {
		return sec, err
	}
	sec.Figures = []Figure{fig}
	return sec, nil
}

func funnel(mine proportion.Count, others []proportion.Count, all proportion.Count) (Figure, error) {
	target := all.Proportion()
	fig := Figure{Key: "funnel", Kind: FunnelFigure, Title: fmt.Sprintf("Early complications by surgeon (%s, %d surgeons)", eyes(all.N), len(others)+1),
		Desc: "Points of the rate of each surgeon against the number of eyes, with exact limits about the common rate; the own point is marked.",
		X:    Axis{Title: "eyes treated"}, Y: Axis{Title: "eyes with an early complication", Percent: true}, Lines: []RefLine{{Name: "common rate", At: target}}}
	most := mine.N
	for _, c := range others {
		most = max(most, c.N)
	}
	for _, level := range []float64{0.95, 0.998} {
		s := Series{Name: fmt.Sprintf("%g %% limits", level*100)}
		for n := 5; n <= most+most/10+5; n += max(1, most/60) {
			lower, upper, err := monitor.Band(n, target, level)
			if err != nil {
				return fig, err
			}
			s.X, s.Y = append(s.X, float64(n)), append(s.Y, target)
			s.Lower, s.Upper = append(s.Lower, lower.Value), append(s.Upper, upper.Value)
		}
		fig.Series = append(fig.Series, s)
	}
	peers := Series{Name: "peers"}
	for _, c := range others {
		peers.X, peers.Y = append(peers.X, float64(c.N)), append(peers.Y, c.Proportion())
	}
	fig.Series = append(fig.Series, peers, Series{Name: "own", X: []float64{float64(mine.N)}, Y: []float64{mine.Proportion()}, Marked: true})
	return fig, nil
}

// runLength is the number of eyes after which the chart signals by chance, on
// average, while the accepted rate holds.
const runLength = 500

// cusum is the log-likelihood cumulative sum of early complications in order
// of treatment, against the common rate and twice its odds.
func (o *Own) cusum() (Section, error) {
	sec := Section{Name: "Cumulative sum", Title: "Early complications in order of treatment", Empty: "No early complication was recorded by anyone: there is no rate to hold the sum against."}
	t := &Table{Columns: []Column{{Key: "what", Head: "what", Wide: true}, {Key: "value", Head: "value", Format: TwoDec}}}
	sec.Table = t
	mine, others, err := tally(o.all, o.clinician)
	if err != nil {
		return sec, err
	}
	all := mine
	for _, c := range others {
		all.Events, all.N = all.Events+c.Events, all.N+c.N
	}
	if all.Events == 0 || all.Events == all.N {
		return sec, nil
	}
	accepted := all.Proportion()
	chart, err := monitor.NewCUSUM(accepted, monitor.ByOddsRatio(accepted, 2))
	if err != nil {
		return sec, err
	}
	limit, err := chart.LimitFor(runLength)
	if err != nil {
		return sec, err
	}
	kinds := o.kinds
	order := everyEpisode(o.Source.Outcomes)
	eps := o.Source.Outcomes.Episodes
	slices.SortStableFunc(order, func(a, b int32) int { return int(eps[a].Day0) - int(eps[b].Day0) })
	events := make([]bool, len(order))
	for i, e := range order {
		for k := range kinds {
			events[i] = events[i] || kinds[k].Kind.Early && kinds[k].Event[e] != nil
		}
	}
	run, err := chart.Run(events, limit.Limit)
	if err != nil {
		return sec, err
	}
	add := func(what string, v float64, f Format) {
		t.Rows = append(t.Rows, Row{Cells: []Cell{Text(what), Number(v).As(f)}})
	}
	add("accepted rate: that of all surgeons of the cohort together", accepted, Share)
	add("rate to be noticed: twice the odds", monitor.ByOddsRatio(accepted, 2), Share)
	add("limit of the sum", limit.Limit, TwoDec)
	add("eyes until a chance signal, on average, at the accepted rate", limit.InControl, Whole)
	add("eyes until a signal, on average, at the rate to be noticed", limit.OutOf, Whole)
	add("signals", float64(len(run.Signals)), Whole)
	s := Series{Name: "sum"}
	for i, v := range run.Path {
		s.X, s.Y = append(s.X, float64(i+1)), append(s.Y, v)
		s.Labels = append(s.Labels, o.Source.eyeCode(eps[order[i]].Eye))
	}
	sec.Figures = []Figure{{Key: "cusum", Kind: LineFigure, Title: fmt.Sprintf("Cumulative sum of early complications (%s)", eyes(len(order))),
		Desc: "Line of the cumulative sum after each eye in order of treatment, with the limit at which it signals.",
		X:    Axis{Title: "eyes in order of treatment"}, Y: Axis{Title: "cumulative sum", Min: 0, Max: math.Ceil(math.Max(limit.Limit, slices.Max(append(run.Path, 0)))*1.1 + 0.1)},
		Lines: []RefLine{{Name: "limit", At: limit.Limit}}, Series: []Series{s}}}
	sec.Notes = []string{"Log-likelihood CUSUM (Steiner, Cook, Farewell & Treasure 2000), its limit from an exact Markov chain. A signal asks for a look; it is no verdict, and late entries change the chart."}
	return sec, nil
}

// eyesToLookAt lists the own eyes that progressed or had a complication.
func (o *Own) eyesToLookAt() (Section, error) {
	src := o.Source
	sec := Section{Name: "Eyes to look at", Title: "Own eyes that progressed or had a complication", Empty: "No own eye progressed or had a complication."}
	t := &Table{Filter: true, Columns: []Column{{Key: "eye", Head: "eye"}, {Key: "protocol", Head: "protocol"}, {Key: "treated", Head: "treated", Format: DayForm}, {Key: "what", Head: "what", Wide: true},
		{Key: "day", Head: "day after treatment", Format: Whole}, {Key: "grade", Head: "grade"}}}
	kinds := o.kinds
	for e := range src.Outcomes.Episodes {
		ep := &src.Outcomes.Episodes[e]
		for i := range kinds {
			if ev := kinds[i].Event[e]; ev != nil {
				t.Rows = append(t.Rows, Row{Key: src.eyeCode(ep.Eye), Cells: []Cell{Text(src.eyeCode(ep.Eye)), Text(src.protocolCode(e)), Day(ep.Day0), Text(kinds[i].Kind.Label), Count(ev.Day), Text(ev.Grade)}})
			}
		}
	}
	sec.Table = t
	return sec, nil
}
