package export

import (
	"cmp"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"maps"
	"slices"

	"keratally/registry/snapshot"
)

// numbering gives the numbers of this export: 1, 2, … in an order drawn by the
// key, so that they say nothing of the registry's order or of another export.
type numbering struct{ key []byte }

// of numbers the members of one kind, given by their index in the snapshot.
func (n numbering) of(kind string, members map[int32]bool) map[int32]int {
	type drawn struct {
		member int32
		lot    [sha256.Size]byte
	}
	list := make([]drawn, 0, len(members))
	for m := range members {
		h := hmac.New(sha256.New, n.key)
		fmt.Fprintf(h, "%s\n", kind)
		h.Write(binary.LittleEndian.AppendUint32(nil, uint32(m)))
		list = append(list, drawn{m, [sha256.Size]byte(h.Sum(nil))})
	}
	slices.SortFunc(list, func(a, b drawn) int {
		return cmp.Or(slices.Compare(a.lot[:], b.lot[:]), cmp.Compare(a.member, b.member))
	})
	numbers := make(map[int32]int, len(list))
	for i, d := range list {
		numbers[d.member] = i + 1
	}
	return numbers
}

// builder makes the tables of one export.
type builder struct {
	o     *snapshot.Outcomes
	opts  Options
	lots  numbering
	order []int // episodes in the order of the export: episode number less one to index

	patients, eyes, centres, clinicians, protocols map[int32]int
	number                                         []int // of episode e
	instruments                                    map[*int32]map[int32]int
}

func newBuilder(o *snapshot.Outcomes, opts Options) *builder {
	b := &builder{o: o, opts: opts, lots: numbering{opts.Key}, order: make([]int, len(o.Episodes)), number: make([]int, len(o.Episodes)),
		eyes: map[int32]int{}, instruments: map[*int32]map[int32]int{}}
	s := o.Snapshot
	patients, centres, clinicians, protocols := map[int32]bool{}, map[int32]bool{}, map[int32]bool{}, map[int32]bool{}
	for e := range o.Episodes {
		one := &o.Episodes[e]
		b.order[e] = e
		patients[one.Patient] = true
		centres[s.Patients.Centre[one.Patient]] = true
		clinicians[s.Treatments.Clinician[one.Treatment]] = true
		if p := b.protocolOf(e); p != snapshot.Absent {
			protocols[p] = true
		}
	}
	delete(clinicians, snapshot.Absent)
	b.patients = b.lots.of("patient", patients)
	b.centres, b.clinicians, b.protocols = b.lots.of("centre", centres), b.lots.of("clinician", clinicians), b.lots.of("protocol", protocols)
	slices.SortFunc(b.order, func(x, y int) int {
		p, q := &o.Episodes[x], &o.Episodes[y]
		return cmp.Or(cmp.Compare(b.patients[p.Patient], b.patients[q.Patient]), cmp.Compare(s.Eyes.Side[p.Eye], s.Eyes.Side[q.Eye]),
			cmp.Compare(p.Number, q.Number))
	})
	for i, e := range b.order {
		b.number[e] = i + 1
		if eye := o.Episodes[e].Eye; b.eyes[eye] == 0 {
			b.eyes[eye] = len(b.eyes) + 1
		}
	}
	return b
}

// protocolOf returns the first protocol with the code of the episode's, Absent
// without one: centres and versions share a protocol by its code, as in the reports.
func (b *builder) protocolOf(e int) int32 {
	p := b.o.ProtocolOf(e)
	if p == nil {
		return snapshot.Absent
	}
	return int32(slices.IndexFunc(b.o.Snapshot.Protocols, func(x snapshot.Protocol) bool { return x.Code == p.Code }))
}

// words numbers the texts of a column other than the empty one, for text that
// may name an instrument or a person.
func (b *builder) words(kind string, w *snapshot.Words) map[int32]int {
	if len(w.Code) == 0 {
		return nil
	}
	at := &w.Code[0]
	if b.instruments[at] == nil {
		codes := maps.Collect(func(yield func(int32, bool) bool) {
			for code := 1; code < len(w.List); code++ {
				if !yield(int32(code), true) {
					return
				}
			}
		})
		b.instruments[at] = b.lots.of(kind, codes)
	}
	return b.instruments[at]
}
