package pgstore

import (
	"encoding/binary"
	"math/bits"

	"keratally/registry"
)

// places finds the place of a row by its identity, in one look at memory for
// nearly every identity: half of the slots stay empty, and an identity stands in
// the first free one from where its hash points.
type places struct {
	slots []place
	n     int32
	shift int
}

// place is a slot; next is the place after the row's, 0 for a free slot.
type place struct {
	id   registry.ID
	next int32
}

func newPlaces(rows int) *places {
	p := &places{}
	p.room(max(rows, 8))
	return p
}

// room makes twice as many slots as rows, or more.
func (p *places) room(rows int) {
	width := bits.Len(uint(2*rows - 1))
	old := p.slots
	p.slots, p.shift = make([]place, 1<<width), 64-width
	for _, s := range old {
		if s.next != 0 {
			*p.slot(s.id) = s
		}
	}
}

// slot returns the slot of the identity, or the free one where it would stand.
func (p *places) slot(id registry.ID) *place {
	// UUIDs are random in at least one half; the odd constant, 2⁶⁴ over the
	// golden ratio, spreads those that only count up.
	mixed := (binary.LittleEndian.Uint64(id[:8]) ^ binary.BigEndian.Uint64(id[8:])) * 0x9E3779B97F4A7C15
	for at := mixed >> p.shift; ; at++ {
		s := &p.slots[at&uint64(len(p.slots)-1)]
		if s.next == 0 || s.id == id {
			return s
		}
	}
}

// add gives the identity the next place; one that has a place keeps it.
func (p *places) add(id registry.ID) {
	if 2*int(p.n) >= len(p.slots) {
		p.room(2 * int(p.n))
	}
	if s := p.slot(id); s.next == 0 {
		p.n++
		*s = place{id, p.n}
	}
}

// find returns the place of the identity; ok is false if it has none.
func (p *places) find(id registry.ID) (at int32, ok bool) {
	s := p.slot(id)
	return s.next - 1, s.next != 0
}
