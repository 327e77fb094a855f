package intake

import (
	"slices"

	"keratally/registry"
)

// ledger is what is known of the patients of a file: what the registry holds
// of them and what the rows read so far have given.
type ledger struct {
	today     registry.Date
	centre    registry.ID
	ids       *registry.IDs
	patients  map[string]*registry.Part
	eyes      [][2]*registry.Part     // by Seq of the patient
	visits    [][]*registry.VisitPart // by Seq of the eye
	treated   [][]*registry.Part      // treatments by Seq of the eye
	index     map[partKey]*registry.Part
	latest    map[string]*registry.Part // protocols by code, of the highest version
	protocols map[string]*registry.Part // by identity
	seq       [registry.NumKinds]int32
	slab      []registry.VisitPart

	newParts, dirtyParts   []*registry.Part
	newVisits, dirtyVisits []*registry.VisitPart
	origin                 map[originKey]registry.Source // of refractions, while records are assembled
	intake                 registry.Intake               // counts
}

// partKey identifies a record: its parent and the columns that tell it apart.
type partKey struct {
	kind   registry.Kind
	parent *registry.Part
	visit  *registry.VisitPart
	keys   [2]registry.Value
}

type originKey struct {
	visit   *registry.VisitPart
	measure registry.Measure
}

func newLedger(today registry.Date, ids *registry.IDs) *ledger {
	return &ledger{
		today: today, ids: ids, patients: map[string]*registry.Part{}, index: map[partKey]*registry.Part{},
		latest: map[string]*registry.Part{}, protocols: map[string]*registry.Part{}, origin: map[originKey]registry.Source{},
	}
}

func keyOf(p *registry.Part) partKey {
	k := partKey{kind: p.Kind, parent: p.Parent, visit: p.Visit}
	copy(k.keys[:], p.Values[:p.Kind.Info().Keys])
	return k
}

// load takes in what the registry holds.
func (l *ledger) load(h *registry.Holdings) {
	for _, p := range h.Parts {
		p.Loaded, p.Stored = true, true
		l.register(p)
	}
	for _, v := range h.Visits {
		v.Loaded, v.Stored = true, true
		l.visits[v.Eye.Seq] = append(l.visits[v.Eye.Seq], v)
	}
}

// register makes a record findable and numbers it within its kind.
func (l *ledger) register(p *registry.Part) {
	p.Seq = l.seq[p.Kind]
	l.seq[p.Kind]++
	switch p.Kind {
	case registry.PatientRecord:
		l.patients[p.Values[0].Text] = p
		l.eyes = append(l.eyes, [2]*registry.Part{})
		return
	case registry.EyeRecord:
		l.eyes[p.Parent.Seq][p.Values[0].Num-1] = p
		l.visits = append(l.visits, nil)
		l.treated = append(l.treated, nil)
		return
	case registry.TreatmentRecord:
		l.treated[p.Parent.Seq] = append(l.treated[p.Parent.Seq], p)
	case registry.ProtocolRecord:
		l.protocols[p.ID.String()] = p
		if known := l.latest[p.Values[0].Text]; known == nil || known.Values[1].Num < p.Values[1].Num {
			l.latest[p.Values[0].Text] = p
		}
	}
	l.index[keyOf(p)] = p
}

// find returns the record with the key columns in values; nil if nothing is
// known of it.
func (l *ledger) find(kind registry.Kind, parent *registry.Part, visit *registry.VisitPart, values []registry.Value) *registry.Part {
	k := partKey{kind: kind, parent: parent, visit: visit}
	copy(k.keys[:], values[:kind.Info().Keys])
	return l.index[k]
}

// eye returns an eye of a patient; nil if nothing is known of it.
func (l *ledger) eye(patient *registry.Part, side int32) *registry.Part {
	if patient == nil || int(patient.Seq) >= len(l.eyes) || l.eyes == nil || l.patients[patient.Values[0].Text] != patient {
		return nil
	}
	return l.eyes[patient.Seq][side-1]
}

// visit returns the visit of a known eye on a day; nil if there is none.
func (l *ledger) visit(eye *registry.Part, on registry.Date) *registry.VisitPart {
	for _, v := range l.visits[eye.Seq] {
		if v.On == on {
			return v
		}
	}
	return nil
}

// addVisit keeps a new visit.
func (l *ledger) addVisit(v *registry.VisitPart) *registry.VisitPart {
	if len(l.slab) == cap(l.slab) {
		l.slab = make([]registry.VisitPart, 0, 4096)
	}
	l.slab = append(l.slab, *v)
	kept := &l.slab[len(l.slab)-1]
	kept.ID = l.ids.Next()
	l.visits[kept.Eye.Seq] = append(l.visits[kept.Eye.Seq], kept)
	l.newVisits = append(l.newVisits, kept)
	l.intake.RecordsNew[registry.VisitRecord]++
	return kept
}

// addPart keeps a new record.
func (l *ledger) addPart(p *registry.Part) {
	if p.ID == (registry.ID{}) {
		p.ID = l.ids.Next()
	}
	l.register(p)
	l.newParts = append(l.newParts, p)
	l.intake.RecordsNew[p.Kind]++
	switch p.Kind {
	case registry.ProtocolRecord:
		l.intake.NewProtocols = append(l.intake.NewProtocols, p.Values[0].Text)
	case registry.ClinicianRecord:
		l.intake.NewClinicians = append(l.intake.NewClinicians, p.Values[0].Text)
	}
}

// change keeps new values of a record that is known.
func (l *ledger) change(p *registry.Part, values []registry.Value) {
	if p.Stored && !p.Dirty {
		p.Dirty = true
		l.dirtyParts = append(l.dirtyParts, p)
		if p.Loaded && !p.Changed {
			p.Changed = true
			l.intake.RecordsChanged[p.Kind]++
		}
	}
	copy(p.Values, values)
}

// changeVisit keeps new values of a visit that is known.
func (l *ledger) changeVisit(v, now *registry.VisitPart) {
	if v.Stored && !v.Dirty {
		v.Dirty = true
		l.dirtyVisits = append(l.dirtyVisits, v)
		if v.Loaded && !v.Changed {
			v.Changed = true
			l.intake.RecordsChanged[registry.VisitRecord]++
		}
	}
	v.Values, v.OffChart, v.LensFreeDays, v.Texts = now.Values, now.OffChart, now.LensFreeDays, now.Texts
}

// delivery returns what has not been written yet, with its doubts as queries.
func (l *ledger) delivery() *registry.Delivery {
	d := &registry.Delivery{
		NewParts: parentsFirst(l.newParts), ChangedParts: parentsFirst(l.dirtyParts), NewVisits: l.newVisits, ChangedVisits: l.dirtyVisits,
	}
	var doubts []registry.Doubt
	for _, list := range [][]*registry.Part{d.NewParts, d.ChangedParts} {
		for _, p := range list {
			if doubts = p.Doubts(p.Given, l.plan(p), doubts[:0]); len(doubts) > 0 {
				l.ask(d, p.Kind.Info().Table, eyeOf(p), recordID(p), doubts)
			}
		}
	}
	for _, list := range [][]*registry.VisitPart{d.NewVisits, d.ChangedVisits} {
		for _, v := range list {
			if doubts = v.Doubts(v.Given, doubts[:0]); len(doubts) > 0 {
				l.ask(d, "visit", v.Eye, v.ID, doubts)
			}
			if v.Given&(1<<registry.Kmax) != 0 {
				l.compareVisits(d, v)
			}
		}
	}
	return d
}

// plan returns the protocol of the treatment that a record is or belongs to;
// nil where there is none.
func (l *ledger) plan(p *registry.Part) *registry.Part {
	for ; p != nil; p = p.Parent {
		if p.Kind == registry.TreatmentRecord {
			return l.protocols[p.Get("protocol").Text]
		}
	}
	return nil
}

// delivered marks everything as written.
func (l *ledger) delivered(d *registry.Delivery) {
	for _, list := range [][]*registry.VisitPart{d.NewVisits, d.ChangedVisits} {
		for _, v := range list {
			v.Stored, v.Dirty = true, false
		}
	}
	for _, list := range [][]*registry.Part{d.NewParts, d.ChangedParts} {
		for _, p := range list {
			p.Stored, p.Dirty = true, false
		}
	}
	l.newParts, l.dirtyParts, l.newVisits, l.dirtyVisits = nil, nil, nil, nil
}

func parentsFirst(list []*registry.Part) []*registry.Part {
	return slices.SortedStableFunc(slices.Values(list), func(a, b *registry.Part) int { return int(a.Kind) - int(b.Kind) })
}

// compareVisits asks about jumps between a visit and the others of its eye;
// each pair is met once, when the second of them is delivered.
func (l *ledger) compareVisits(d *registry.Delivery, v *registry.VisitPart) {
	var doubts []registry.Doubt
	for _, w := range l.visits[v.Eye.Seq] {
		switch {
		case w.On < v.On:
			if doubts = registry.DoubtsBetween(w, v, doubts[:0]); len(doubts) > 0 {
				l.ask(d, "visit", v.Eye, v.ID, doubts)
			}
		case w.On > v.On && w.Stored && !w.Dirty:
			if doubts = registry.DoubtsBetween(v, w, doubts[:0]); len(doubts) > 0 {
				l.ask(d, "visit", w.Eye, w.ID, doubts)
			}
		}
	}
}

func (l *ledger) ask(d *registry.Delivery, record string, eye *registry.Part, id registry.ID, doubts []registry.Doubt) {
	if eye == nil {
		return // a protocol is planned by people who know; only records of eyes are asked about
	}
	for _, q := range doubts {
		d.Queries = append(d.Queries, registry.Query{
			ID: l.ids.Next(), CentreID: l.centre, EyeID: eye.ID, Record: record, RecordID: id,
			Field: q.Field, Value: q.Value, Message: q.Message, State: "open",
		})
	}
}

func eyeOf(p *registry.Part) *registry.Part {
	for ; p != nil; p = p.Parent {
		if p.Kind == registry.EyeRecord {
			return p
		}
		if p.Visit != nil {
			return p.Visit.Eye
		}
	}
	return nil
}

// recordID is the identity under which a record is asked about: that of its
// parent for a part of it.
func recordID(p *registry.Part) registry.ID {
	switch {
	case p.Visit != nil:
		return p.Visit.ID
	case p.Kind.Info().Owned:
		return p.Parent.ID
	}
	return p.ID
}
