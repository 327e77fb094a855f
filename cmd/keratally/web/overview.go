package web

import (
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"time"

	"keratally/registry"
	"keratally/registry/snapshot"
	"keratally/reports"
	"keratally/reports/page"
)

// overviewPage is the state of the registry in sentences, each with the eyes
// behind it.
type overviewPage struct {
	CutOff     registry.Date
	Quarter    string
	Empty      bool
	Facts      []fact
	Signals    []fact
	Kmax       template.HTML
	KmaxWords  string
	KmaxHref   string
	Complete   template.HTML
	CompleteOf string
	Linked     bool // the visitor may open the lists
}

// fact is a number, what it counts, and where the rows behind it are.
type fact struct {
	Number, Words, Href, Mark string
}

// overview shows the first page.
func (s *Server) overview(w http.ResponseWriter, r *http.Request, v *visitor) error {
	h, err := s.current(r.Context())
	if err != nil {
		return err
	}
	p := *h.overview
	p.Linked = v.Role != Administrator
	return s.draw(w, r, v, http.StatusOK, "overview.html", "Overview", p)
}

// quarterOf returns the first day of the quarter that a day lies in, and its name.
func quarterOf(d registry.Date) (registry.Date, string) {
	t := d.Time()
	q := (int(t.Month()) - 1) / 3
	first := time.Date(t.Year(), time.Month(3*q+1), 1, 0, 0, 0, 0, time.UTC)
	return registry.DateOf(first), fmt.Sprintf("%s quarter of %d", [...]string{"first", "second", "third", "fourth"}[q], t.Year())
}

func newOverview(h *held, kinds []snapshot.Complications) (*overviewPage, error) {
	p := &overviewPage{CutOff: h.Snapshot.CutOff, Empty: len(h.Eyes) == 0}
	if p.Empty {
		return p, nil
	}
	from, name := quarterOf(p.CutOff)
	p.Quarter = name
	treated, due, overdue, progressed, unconfirmed, incomplete := 0, 0, 0, 0, 0, 0
	for i := range h.Eyes {
		row := &h.Eyes[i]
		treated += one(row.treatedIn(from, p.CutOff))
		due += one(row.Due)
		overdue += one(row.Overdue > 0)
		progressed += one(row.Progressed != "")
		unconfirmed += one(row.Progressed == "unconfirmed")
		incomplete += one(row.Faults > 0)
	}
	add := func(n int, words, query, mark string) {
		who := "eyes "
		if n == 1 {
			who = "eye "
		}
		p.Facts = append(p.Facts, fact{fmt.Sprint(n), who + words, "/eyes?" + query, mark})
	}
	period := "from=" + from.String() + "&to=" + p.CutOff.String()
	add(treated, "treated in the "+name, period+"&sort=treated", "")
	add(due, "due: a visit window is open without a visit in it", "state=due", "")
	add(overdue, "overdue: a window closed without a visit", "state=overdue&sort=overdue", "attention")
	add(progressed, fmt.Sprintf("progressed after treatment, %d of them at the last visit only (%s)", unconfirmed, h.all.Definitions.Progression[0].String()), "state=progressed", "")
	add(incomplete, "with a record to complete or a query to answer", "state=incomplete&sort=records", "attention")
	for i := range kinds {
		if s, ok := h.signal(&kinds[i], from); ok {
			p.Signals = append(p.Signals, s)
		}
	}
	return p, h.charts(p)
}

func one(b bool) int {
	if b {
		return 1
	}
	return 0
}

// signal says of one kind of complication how many eyes had it in the quarter
// and since the registry began; ok is false where none had it in the quarter.
func (h *held) signal(k *snapshot.Complications, from registry.Date) (fact, bool) {
	in := map[int32]bool{}
	for e, event := range k.Event {
		if event != nil && h.all.Episodes[e].Day0.Add(event.Day) >= from {
			in[h.all.Episodes[e].Eye] = true
		}
	}
	if len(in) == 0 {
		return fact{}, false
	}
	events, atRisk, _, _ := k.Counts()
	return fact{Number: fmt.Sprint(len(in)), Words: fmt.Sprintf("%s; since the beginning after %d of %d treatments, to day %d", k.Kind.Label, events, atRisk, k.Horizon),
		Href: "/eyes?event=" + url.QueryEscape(k.Kind.Key) + "&from=" + from.String() + "&to=" + h.Snapshot.CutOff.String()}, true
}

// charts draws the change of Kmax and the completeness of follow-up.
func (h *held) charts(p *overviewPage) error {
	o := h.all
	kmax := registry.Kmax.Quantity()
	means := reports.Series{Name: "mean", X: []float64{0}, Y: []float64{0}, Lower: []float64{0}, Upper: []float64{0}, N: []int{0}}
	fig := reports.Figure{Key: "overview-kmax", Kind: reports.LineFigure, X: reports.Axis{Title: "days after treatment"}, Y: reports.Axis{Title: "mean change of Kmax (D)"},
		Lines: []reports.RefLine{{Name: "no change", At: 0}}, Desc: "Line of the mean change of Kmax from baseline at each visit window, with its 95 % interval."}
	seen := reports.Figure{Key: "overview-seen", Kind: reports.BarFigure, X: reports.Axis{Title: "window (due treatments)"}, Y: reports.Axis{Title: "share seen", Percent: true, Max: 1},
		Desc: "Bars of the share of due treatments that were seen in each visit window.", Series: []reports.Series{{Name: "seen"}}}
	most, due12 := 0, 0
	for w, window := range o.Windows() {
		if window.Target < 28 {
			continue
		}
		if due, with := o.Attendance(w); due > 0 {
			seen.X.Categories = append(seen.X.Categories, fmt.Sprintf("%s (%d)", window.Label, due))
			seen.Series[0].Y = append(seen.Series[0].Y, float64(with)/float64(due))
			due12 = max(due12, due)
		}
		c, err := reports.NewChange(o, kmax, w)
		if err != nil {
			return err
		}
		if window.Key == o.Definitions.Analysis.PrimaryWindow {
			p.KmaxWords = c.Sentence()
		}
		if c.MeanErr != nil {
			continue
		}
		n := len(c.Pairs.Change)
		most = max(most, n)
		x := float64(window.Target)
		means.X, means.Y, means.N = append(means.X, x), append(means.Y, c.Mean.Estimate), append(means.N, n)
		means.Lower, means.Upper = append(means.Lower, c.Mean.Interval.Lower), append(means.Upper, c.Mean.Interval.Upper)
	}
	var err error
	if len(means.X) > 1 {
		means.N[0] = most
		fig.Title = fmt.Sprintf("Change of Kmax, mean with 95 %% CI (up to %d eyes)", most)
		fig.Series = []reports.Series{means}
		ticks(&fig, means)
		if p.Kmax, err = page.Figure(&fig); err != nil {
			return err
		}
		p.KmaxHref = "/eyes?sort=kmax"
	}
	if len(seen.X.Categories) > 0 {
		seen.Title = fmt.Sprintf("Follow-up seen when due (up to %d treatments)", due12)
		p.Complete, err = page.Figure(&seen)
	}
	return err
}

// ticks labels the days of the means, and the eyes under them, where the
// labels do not lie on one another.
func ticks(fig *reports.Figure, means reports.Series) {
	row := reports.RiskRow{Name: "eyes"}
	end := means.X[len(means.X)-1]
	for i, x := range means.X {
		if n := len(fig.X.Ticks); n > 0 && x-fig.X.Ticks[n-1].At < end*0.06 {
			continue
		}
		fig.X.Ticks = append(fig.X.Ticks, reports.Tick{At: x, Label: fmt.Sprintf("%.0f", x)})
		row.Numbers = append(row.Numbers, means.N[i])
	}
	fig.AtRisk = []reports.RiskRow{row}
}

func (r *eyeRow) treatedIn(from, to registry.Date) bool {
	for _, d := range r.treated {
		if (from == 0 || d >= from) && (to == 0 || d <= to) {
			return true
		}
	}
	return false
}
