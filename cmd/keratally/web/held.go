package web

import (
	"cmp"
	"context"
	"slices"
	"strings"
	"sync"
	"time"

	"keratally/registry"
	"keratally/registry/pgstore"
	"keratally/registry/snapshot"
)

// holder keeps the snapshot that pages are read from, and reads the registry
// anew when it changed or a day began.
type holder struct {
	reading sync.Mutex // one reading at a time
	mu      sync.Mutex
	now     *held
	checked time.Time
}

// held is the registry as the pages show it.
type held struct {
	mark       int64
	Snapshot   *snapshot.Snapshot
	all        *snapshot.Outcomes
	Eyes       []eyeRow // one a treated eye, by patient code and side
	orders     map[string]func() []int32
	Protocols  []string
	Clinicians []snapshot.Clinician
	overview   *overviewPage
	Read       time.Time
}

// eyeRow is what the lists say of an eye: its last treatment and what became
// of it.
type eyeRow struct {
	eye, episode int32
	Key          string // as reports name it: "P-0001 OD"
	lower        string
	Treated      registry.Date
	Protocol     string
	Surgeon      string // name
	clinician    string // code
	LastVisit    registry.Date
	Progressed   string // "", confirmed, unconfirmed
	Overdue      int    // days
	Due          bool   // a window is open and the eye not seen in it
	Faults       int
	KmaxChange   snapshot.Value // at the primary window
	events       []eventAt
	treated      []registry.Date
}

type eventAt struct {
	kind string
	on   registry.Date
}

// checkEvery is how long the registry is taken to be unchanged.
const checkEvery = time.Second

// current returns the registry of now: what is held where nothing changed.
func (s *Server) current(ctx context.Context) (*held, error) {
	if h := s.held.fresh(); h != nil {
		return h, nil
	}
	s.held.reading.Lock()
	defer s.held.reading.Unlock()
	if h := s.held.fresh(); h != nil { // another request has just read it
		return h, nil
	}
	mark, err := s.Store.Mark(ctx)
	if err != nil {
		return nil, err
	}
	today := s.Today()
	s.held.mu.Lock()
	h := s.held.now
	s.held.mu.Unlock()
	if h == nil || h.mark != mark || h.Snapshot.CutOff != today {
		// A reader who goes away does not end the reading that others wait for.
		snap, err := s.Store.Snapshot(context.WithoutCancel(ctx), pgstore.Scope{CutOff: today})
		if err != nil {
			return nil, err
		}
		if h, err = newHeld(snap); err != nil {
			return nil, err
		}
		h.mark = mark
	}
	s.held.mu.Lock()
	s.held.now, s.held.checked = h, time.Now()
	s.held.mu.Unlock()
	return h, nil
}

func (x *holder) fresh() *held {
	x.mu.Lock()
	defer x.mu.Unlock()
	if x.now != nil && time.Since(x.checked) < checkEvery {
		return x.now
	}
	return nil
}

// newHeld works out what the lists and the overview show.
func newHeld(snap *snapshot.Snapshot) (*held, error) {
	all, err := snap.Outcomes(registry.DefaultDefinitions())
	if err != nil {
		return nil, err
	}
	h := &held{Snapshot: snap, all: all, Clinicians: snap.Clinicians, Read: time.Now()}
	at := make([]int32, snap.NumEyes()) // row of an eye, from 1
	for e := range all.Episodes {
		ep := &all.Episodes[e]
		if at[ep.Eye] == 0 {
			key := snap.PatientCode(ep.Eye) + " " + snap.Eyes.Side[ep.Eye].String()
			h.Eyes = append(h.Eyes, eyeRow{eye: ep.Eye, Key: key, lower: strings.ToLower(key)})
			at[ep.Eye] = int32(len(h.Eyes))
		}
		h.fill(&h.Eyes[at[ep.Eye]-1], int32(e))
	}
	courses, err := all.Progression(all.Definitions.Progression[0])
	if err != nil {
		return nil, err
	}
	for _, c := range courses {
		row := &h.Eyes[at[all.Episodes[c.Episode].Eye]-1]
		switch {
		case c.Status == snapshot.Confirmed:
			row.Progressed = "confirmed"
		case c.Status == snapshot.Unconfirmed && row.Progressed == "":
			row.Progressed = "unconfirmed"
		}
	}
	for _, r := range all.Recalls() {
		row := &h.Eyes[at[all.Episodes[r.Episode].Eye]-1]
		row.Overdue, row.Due = r.Overdue, r.Overdue == 0
	}
	for _, f := range all.Faults() {
		if at[f.Eye] > 0 {
			h.Eyes[at[f.Eye]-1].Faults++
		}
	}
	kinds, err := all.Complications()
	if err != nil {
		return nil, err
	}
	for _, k := range kinds {
		for e, event := range k.Event {
			if event != nil {
				ep := &all.Episodes[e]
				row := &h.Eyes[at[ep.Eye]-1]
				row.events = append(row.events, eventAt{k.Kind.Key, ep.Day0.Add(event.Day)})
			}
		}
	}
	names := map[string]bool{}
	for i := range h.Eyes {
		names[h.Eyes[i].Protocol] = true
	}
	delete(names, "")
	for n := range names {
		h.Protocols = append(h.Protocols, n)
	}
	slices.Sort(h.Protocols)
	h.arrange()
	h.overview, err = newOverview(h, kinds)
	return h, err
}

// fill takes an episode into its eye's row; episodes come in the order of time.
func (h *held) fill(row *eyeRow, e int32) {
	o, snap := h.all, h.Snapshot
	ep := &o.Episodes[e]
	row.episode, row.Treated, row.Protocol, row.Surgeon, row.clinician = e, ep.Day0, "", "", ""
	row.treated = append(row.treated, ep.Day0)
	if p := o.ProtocolOf(int(e)); p != nil {
		row.Protocol = p.Code
	}
	if c := o.ClinicianOf(int(e)); c != nil {
		row.Surgeon, row.clinician = cmp.Or(c.Name, c.Code), c.Code
	}
	if first, next := snap.Visits.First[ep.Eye], snap.Visits.First[ep.Eye+1]; next > first {
		row.LastVisit = snap.Visits.On[next-1]
	}
	row.KmaxChange = snapshot.Value{Visit: snapshot.Absent}
	if w, ok := o.Definitions.Windows.Find(o.Definitions.Analysis.PrimaryWindow); ok {
		base, then := o.Baseline(int(e), registry.Kmax.Quantity()), o.At(int(e), w, registry.Kmax.Quantity())
		if base.IsValid() && then.IsValid() {
			row.KmaxChange = snapshot.Value{Number: snapshot.ChangeOf(registry.Kmax.Quantity(), base.Number, then.Number), Visit: then.Visit}
		}
	}
}

// HasKmax reports whether the eye has a change of Kmax at the primary window.
func (r *eyeRow) HasKmax() bool { return r.KmaxChange.Visit != snapshot.Absent }

// arrange prepares the orders in which eyes are listed; each is made when it
// is first asked for. Rows that have no value come last.
func (h *held) arrange() {
	by := map[string]func(a, b *eyeRow) int{
		"treated":  func(a, b *eyeRow) int { return cmp.Compare(b.Treated, a.Treated) },
		"protocol": func(a, b *eyeRow) int { return blankLast(a.Protocol, b.Protocol) },
		"surgeon":  func(a, b *eyeRow) int { return blankLast(a.Surgeon, b.Surgeon) },
		"seen":     func(a, b *eyeRow) int { return cmp.Compare(b.LastVisit, a.LastVisit) },
		"overdue":  func(a, b *eyeRow) int { return cmp.Compare(b.Overdue, a.Overdue) },
		"records":  func(a, b *eyeRow) int { return cmp.Compare(b.Faults, a.Faults) },
		"kmax": func(a, b *eyeRow) int {
			switch {
			case a.HasKmax() && b.HasKmax():
				return cmp.Compare(b.KmaxChange.Number, a.KmaxChange.Number)
			case a.HasKmax():
				return -1
			case b.HasKmax():
				return 1
			}
			return 0
		},
	}
	plain := make([]int32, len(h.Eyes))
	for i := range plain {
		plain[i] = int32(i)
	}
	h.orders = map[string]func() []int32{"code": func() []int32 { return plain }}
	for name, compare := range by {
		h.orders[name] = sync.OnceValue(func() []int32 {
			order := slices.Clone(plain)
			slices.SortStableFunc(order, func(a, b int32) int { return compare(&h.Eyes[a], &h.Eyes[b]) })
			return order
		})
	}
}

func blankLast(a, b string) int {
	if (a == "") != (b == "") {
		if a == "" {
			return 1
		}
		return -1
	}
	return cmp.Compare(a, b)
}
