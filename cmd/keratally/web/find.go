package web

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"keratally/registry"
	"keratally/reports"
)

// search is what the address bar asks of the list of eyes.
type search struct {
	Code, Protocol, Surgeon, State, Event, Sort string
	From, To                                    registry.Date
	Back                                        bool // the order turned round
	Page                                        int  // from 1
}

const perPage = 50

// eyeStates are the states that a list can be cut to, each with its words.
var eyeStates = []struct{ Key, Words string }{{"progressed", "progressed"}, {"due", "due"}, {"overdue", "overdue"}, {"incomplete", "record incomplete"}}

// parseSearch reads the address; what cannot be is a *formError.
func parseSearch(q url.Values) (search, error) {
	x := search{Code: strings.ToLower(strings.TrimSpace(q.Get("code"))), Protocol: q.Get("protocol"), Surgeon: q.Get("surgeon"), State: q.Get("state"), Event: q.Get("event"),
		Sort: q.Get("sort"), Back: q.Get("back") == "1", Page: 1}
	for name, to := range map[string]*registry.Date{"from": &x.From, "to": &x.To} {
		if text := q.Get(name); text != "" {
			d, err := registry.ParseISODate(text)
			if err != nil {
				return x, &formError{"The day " + name + ": " + err.Error()}
			}
			*to = d
		}
	}
	if x.From != 0 && x.To != 0 && x.To < x.From {
		return x, &formError{fmt.Sprintf("The last day, %s, should be on or after the first, %s.", x.To.Long(), x.From.Long())}
	}
	if x.State != "" && !slices.ContainsFunc(eyeStates, func(s struct{ Key, Words string }) bool { return s.Key == x.State }) {
		return x, &formError{fmt.Sprintf("State %q: should be progressed, due, overdue or incomplete.", x.State)}
	}
	if text := q.Get("page"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 1 || n > 1_000_000 {
			return x, &formError{fmt.Sprintf("Page %q: should be a number from 1.", text)}
		}
		x.Page = n
	}
	return x, nil
}

// values is the inverse of parseSearch, with some keys set otherwise.
func (x search) values(set ...string) string {
	q := url.Values{}
	put := func(k, v string) {
		if v != "" {
			q.Set(k, v)
		}
	}
	put("code", x.Code)
	put("protocol", x.Protocol)
	put("surgeon", x.Surgeon)
	put("state", x.State)
	put("event", x.Event)
	put("sort", x.Sort)
	put("from", x.From.String())
	put("to", x.To.String())
	if x.Back {
		q.Set("back", "1")
	}
	for i := 0; i+1 < len(set); i += 2 {
		q.Del(set[i])
		put(set[i], set[i+1])
	}
	if len(q) == 0 {
		return "/eyes"
	}
	return "/eyes?" + q.Encode()
}

func (x *search) keeps(r *eyeRow) bool {
	switch {
	case x.Code != "" && !strings.Contains(r.lower, x.Code),
		x.Protocol != "" && r.Protocol != x.Protocol,
		x.Surgeon != "" && r.clinician != x.Surgeon,
		x.State == "progressed" && r.Progressed == "",
		x.State == "due" && !r.Due,
		x.State == "overdue" && r.Overdue == 0,
		x.State == "incomplete" && r.Faults == 0:
		return false
	}
	if x.Event != "" {
		return slices.ContainsFunc(r.events, func(e eventAt) bool {
			return e.kind == x.Event && (x.From == 0 || e.on >= x.From) && (x.To == 0 || e.on <= x.To)
		})
	}
	return x.From == 0 && x.To == 0 || r.treatedIn(x.From, x.To)
}

type findPage struct {
	Search     search
	Rows       []*eyeRow
	Found      int
	First      int
	Heads      []sortHead
	Before     string
	After      string
	Whole      string // the search without the event, to leave it
	EventName  string
	Protocols  []string
	Clinicians []choice
	States     []choice
	Registry   int // eyes that the visitor may read
	CutOff     registry.Date
	Window     string
}

type choice struct {
	Key, Words string
	Chosen     bool
}

type sortHead struct {
	Words, Href string
	Sorted      string // ascending, descending, none: for a screen reader
	Number      bool
}

var sortWords = []struct {
	key, words string
	number     bool
}{{"code", "eye", false}, {"treated", "last treated", false}, {"protocol", "protocol", false}, {"surgeon", "surgeon", false}, {"seen", "last visit", false},
	{"kmax", "change of Kmax (D)", true}, {"overdue", "days overdue", true}, {"records", "records to complete", true}}

// find lists eyes.
func (s *Server) find(w http.ResponseWriter, r *http.Request, v *visitor) error {
	x, err := parseSearch(r.URL.Query())
	if err != nil {
		return err
	}
	h, err := s.current(r.Context())
	if err != nil {
		return err
	}
	order, ok := h.orders[x.Sort]
	if !ok {
		x.Sort = "code"
		order = h.orders["code"]
	}
	p := findPage{Search: x, Protocols: h.Protocols, CutOff: h.Snapshot.CutOff, Window: h.primaryLabel()}
	list := order()
	skip := (x.Page - 1) * perPage
	for i := range list {
		row := &h.Eyes[list[i]]
		if x.Back {
			row = &h.Eyes[list[len(list)-1-i]]
		}
		if !v.mayRead(row.clinician) {
			continue
		}
		p.Registry++
		if !x.keeps(row) {
			continue
		}
		if p.Found >= skip && len(p.Rows) < perPage {
			p.Rows = append(p.Rows, row)
		}
		p.Found++
	}
	p.First = min(skip+1, p.Found)
	if x.Page > 1 {
		p.Before = x.values("page", strconv.Itoa(x.Page-1))
	}
	if p.Found > skip+perPage {
		p.After = x.values("page", strconv.Itoa(x.Page+1))
	}
	p.choices(h, v)
	return s.draw(w, r, v, http.StatusOK, "find.html", "Eyes", p)
}

func (p *findPage) choices(h *held, v *visitor) {
	x := p.Search
	for _, c := range h.Clinicians {
		if v.mayRead(c.Code) {
			p.Clinicians = append(p.Clinicians, choice{c.Code, c.Name, c.Code == x.Surgeon})
		}
	}
	for _, s := range eyeStates {
		p.States = append(p.States, choice{s.Key, s.Words, s.Key == x.State})
	}
	for _, k := range sortWords {
		head := sortHead{Words: k.words, Sorted: "none", Number: k.number, Href: x.values("sort", k.key, "back", "")}
		if k.key == x.Sort {
			head.Sorted = "ascending"
			if x.Back {
				head.Sorted = "descending"
			} else {
				head.Href = x.values("sort", k.key, "back", "1")
			}
		}
		p.Heads = append(p.Heads, head)
	}
	if x.Event != "" {
		p.EventName = x.Event
		if k, ok := h.all.Definitions.Complications.Find(x.Event); ok {
			p.EventName = k.Label
		}
		p.Whole = x.values("event", "")
	}
}

func (h *held) primaryLabel() string {
	if w, ok := h.all.Definitions.Windows.Find(h.all.Definitions.Analysis.PrimaryWindow); ok {
		return h.all.Windows()[w].Label
	}
	return ""
}

// Kmax prints the change of Kmax with its sign.
func (r *eyeRow) Kmax() string {
	if !r.HasKmax() {
		return ""
	}
	return reports.TwoDec.Signed(r.KmaxChange.Number)
}

// State says the eye's state in words.
func (r *eyeRow) State() string {
	var words []string
	if r.Progressed != "" {
		words = append(words, "progressed ("+r.Progressed+")")
	}
	switch {
	case r.Overdue > 0:
		words = append(words, "overdue")
	case r.Due:
		words = append(words, "due")
	}
	return strings.Join(words, ", ")
}
