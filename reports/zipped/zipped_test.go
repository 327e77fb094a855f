package zipped_test

import (
	"archive/zip"
	"bytes"
	"io"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/reports/zipped"
)

func archive(t *testing.T, names ...string) []byte {
	var out bytes.Buffer
	w := zipped.NewWriter(&out)
	for _, name := range names {
		to, err := w.Create(name)
		require.NoError(t, err)
		_, err = io.WriteString(to, "content of "+name)
		require.NoError(t, err)
	}
	require.NoError(t, w.Close())
	return out.Bytes()
}

// The order of making does not matter, and any reader opens the file.
func TestOrderOfMakingDoesNotMatter(t *testing.T) {
	a, b := archive(t, "b.xml", "a.xml", "c/d.xml"), archive(t, "c/d.xml", "b.xml", "a.xml")
	require.Equal(t, a, b)
	z, err := zip.NewReader(bytes.NewReader(a), int64(len(a)))
	require.NoError(t, err)
	require.Len(t, z.File, 3)
	require.Equal(t, "a.xml", z.File[0].Name)
	f, err := z.File[2].Open()
	require.NoError(t, err)
	text, err := io.ReadAll(f) // which checks the sum as well
	require.NoError(t, err)
	require.Equal(t, "content of c/d.xml", string(text))
}

// An archive of nothing is an archive.
func TestEmpty(t *testing.T) {
	a := archive(t)
	_, err := zip.NewReader(bytes.NewReader(a), int64(len(a)))
	require.NoError(t, err)
}
