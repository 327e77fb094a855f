package registry

import (
	crand "crypto/rand"
	"encoding/binary"
	"math/rand/v2"
	"time"
)

// IDs makes many identities cheaply: UUIDv7, each greater than the one before
// (RFC 9562, 6.2, method 2: a random number that grows by random steps). It
// is for one goroutine.
type IDs struct {
	high, low uint64
	random    *rand.PCG
}

// NewIDs returns a maker of identities that begins now.
func NewIDs() *IDs {
	var seed [16]byte
	crand.Read(seed[:]) // never fails: it aborts the program instead
	g := &IDs{random: rand.NewPCG(binary.BigEndian.Uint64(seed[:8]), binary.BigEndian.Uint64(seed[8:]))}
	g.high = uint64(time.Now().UnixMilli())<<16 | 7<<12 | g.random.Uint64()&0x7FF
	g.low = g.random.Uint64() >> 3
	return g
}

// Next returns an identity greater than every one before.
func (g *IDs) Next() ID {
	g.low += 1 + g.random.Uint64()&0xFFFFFFFF
	if g.low >= 1<<62 {
		g.low &= 1<<62 - 1
		if g.high&0xFFF == 0xFFF {
			g.high = (g.high>>16+1)<<16 | 7<<12
		} else {
			g.high++
		}
	}
	var id ID
	binary.BigEndian.PutUint64(id[:8], g.high)
	binary.BigEndian.PutUint64(id[8:], g.low|1<<63)
	return id
}
