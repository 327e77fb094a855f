package registry

import (
	"bytes"
	"testing"

	"github.com/stretchr/testify/require"
)

func TestIDsGrowAndAreVersion7(t *testing.T) {
	g := NewIDs()
	last := g.Next()
	for range 100_000 {
		id := g.Next()
		if bytes.Compare(last[:], id[:]) >= 0 || id.Version() != 7 || id.Variant().String() != "RFC4122" {
			t.Fatalf("%s after %s: should be a greater UUIDv7", id, last)
		}
		last = id
	}
	g.low, g.high = 1<<62-1, 42<<16|7<<12|0xFFF
	id := g.Next()
	require.EqualValues(t, 7, id.Version(), "the carry goes into the clock, not into the version")
	require.Equal(t, []byte{0, 0, 0, 0, 0, 43}, id[:6])
}
