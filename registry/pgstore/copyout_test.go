package pgstore

import (
	"encoding/binary"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

// stream returns a binary copy of rows, by its published form: signature,
// flags, length of extension, extension, rows, −1. A nil field is NULL.
func stream(extension int, rows ...[][]byte) []byte {
	b := append([]byte("PGCOPY\n\xff\r\n\x00"), 0, 0, 0, 0)
	b = binary.BigEndian.AppendUint32(b, uint32(extension))
	b = append(b, make([]byte, extension)...)
	for _, row := range rows {
		b = binary.BigEndian.AppendUint16(b, uint16(len(row)))
		for _, field := range row {
			if field == nil {
				b = append(b, 0xff, 0xff, 0xff, 0xff)
				continue
			}
			b = binary.BigEndian.AppendUint32(b, uint32(len(field)))
			b = append(b, field...)
		}
	}
	return append(b, 0xff, 0xff)
}

// However the stream is cut into messages, the columns are the same.
func TestDecoderKnowsNoMessages(t *testing.T) {
	one, two := registry.NewID(), registry.NewID()
	// 2020-02-03 is 7338 days after 2000-01-01: 20 years of 365, 5 leap days (2000 to 2016), 31 + 2 days.
	all := stream(5,
		[][]byte{one[:], {0, 0, 0x15, 0x31}, {0, 0, 0x1c, 0xaa}, []byte("first"), []byte("yes")},
		[][]byte{two[:], nil, nil, nil, nil},
		[][]byte{one[:], {0xff, 0xfe}, {0, 0, 0x1c, 0xab}, []byte("first"), []byte("unknown")})
	require.Equal(t, 5425, 0x1531)
	require.Equal(t, 7338, 0x1caa)
	rapid.Check(t, func(rt *rapid.T) {
		var eye []int32
		var kmax []measure.Steps
		var on []registry.Date
		var chart snapshot.Words
		var atopy []registry.Trilean
		k := newKey(2)
		k.add(one)
		k.add(two)
		d := decoder{fields: []field{refer(k, &eye), steps(&kmax), day{&on}, wordsTo(&chart), trilean{&atopy}}}
		for rest := all; len(rest) > 0; {
			n := rapid.IntRange(1, len(rest)).Draw(rt, "bytes")
			require.NoError(rt, d.decode(rest[:n]))
			rest = rest[n:]
		}
		require.True(rt, d.ended)
		assert.Equal(rt, []int32{0, 1, 0}, eye)
		assert.Equal(rt, []measure.Steps{5425, measure.None, -2}, kmax)
		assert.Equal(rt, []string{"2020-02-03", "", "2020-02-04"}, []string{on[0].String(), on[1].String(), on[2].String()})
		assert.Equal(rt, "first", chart.At(0)+chart.At(1))
		assert.Equal(rt, []registry.Trilean{registry.Yes, 0, registry.Unknown}, atopy)
	})
}

func TestDecoderRefuses(t *testing.T) {
	var n []measure.Steps
	for want, b := range map[string][]byte{
		"signature":                    append([]byte("PGCOPX\n\xff\r\n\x00"), make([]byte, 8)...),
		"a row of 2 columns":           stream(0, [][]byte{{0, 0}, {0, 0}}),
		"column 1: 3 bytes: should be": stream(0, [][]byte{{0, 0, 0}}),
	} {
		d := decoder{fields: []field{steps(&n)}}
		require.ErrorContains(t, d.decode(b), want)
	}
	d := decoder{fields: []field{refer(newKey(0), new([]int32))}}
	id := registry.NewID()
	require.ErrorContains(t, d.decode(stream(0, [][]byte{id[:]})), "should be that of a row read before")
}

// places is a map: whatever identities come, random ones and ones that count
// up, each has the place of its first coming.
func TestPlaces(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p, want := newPlaces(0), map[registry.ID]int32{}
		for range rapid.IntRange(0, 200).Draw(rt, "n") {
			var id registry.ID
			id[15], id[0] = rapid.Byte().Draw(rt, "low"), rapid.ByteRange(0, 1).Draw(rt, "high")
			if _, ok := want[id]; !ok {
				want[id] = int32(len(want))
			}
			p.add(id)
		}
		for id, at := range want {
			got, ok := p.find(id)
			require.True(rt, ok)
			require.Equal(rt, at, got)
		}
		_, ok := p.find(registry.ID{1: 9})
		require.False(rt, ok)
	})
}
