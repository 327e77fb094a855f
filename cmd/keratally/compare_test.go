package main

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot/snaptest"
)

// keptSnapshot writes twelve eyes of two protocols to a file.
func keptSnapshot(t *testing.T) string {
	b := snaptest.New(t, "2026-09-30")
	for i := range 12 {
		code := string(rune('A' + i%2))
		p := b.Protocol("N", registry.Protocol{Code: code, Version: 1, Name: code})
		eye := b.Eye(b.Patient("N", registry.Patient{Code: string(rune('a' + i)), Sex: "male", BirthYear: int16(1990 + i)}), measure.Right, "keratoconus")
		b.Treat(eye, "2025-01-10", p, b.Clinician("N", "S"))
		b.Visit(eye, "2025-01-02", snaptest.Values{registry.Kmax: measure.Steps(5000 + 37*i), registry.Thinnest: measure.Steps(450 + i*i%7)}, nil)
		b.Visit(eye, "2026-01-10", snaptest.Values{registry.Kmax: measure.Steps(4950 + 31*i)}, nil)
	}
	path := filepath.Join(t.TempDir(), "kept")
	f, err := os.Create(path)
	require.NoError(t, err)
	require.NoError(t, b.Freeze().Write(f))
	require.NoError(t, f.Close())
	return path
}

// What a person types gives a workbook, pictures and sentences, without a
// database where a snapshot is named; a wrong question is told what is right.
func TestCompareCommand(t *testing.T) {
	kept := keptSnapshot(t)
	for name, tt := range map[string]struct {
		args []string
		code int
		says string
	}{
		"groups":       {[]string{"--by", "protocol", "--groups", "A,B", "--margin", "0.5"}, 0, "within 0.50 D"},
		"published":    {[]string{"--benchmark", "controlled-trials"}, 0, "wittig-silva-2014"},
		"list":         {[]string{"--benchmark", "list"}, 0, "from memory, not checked"},
		"neither":      {nil, exitFailed, "should have --by (groups of the clinic) or --benchmark"},
		"no measure":   {[]string{"--by", "protocol", "--measure", "height"}, exitFailed, "should be the key of a measure"},
		"a grade":      {[]string{"--by", "protocol", "--measure", "haze"}, exitFailed, "whose mean says little"},
		"no covariate": {[]string{"--by", "protocol", "--adjust", "height"}, exitFailed, "should be age or the key of a measure"},
		"no set":       {[]string{"--benchmark", "nowhere"}, exitFailed, "should be a file, or one of the sets"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			out := filepath.Join(dir, "c.xlsx")
			var stdout, stderr bytes.Buffer
			code := run(t.Context(), append([]string{"compare", "--snapshot", kept, "--out", out, "--pictures", dir}, tt.args...), nil, &stdout, &stderr)
			require.Equal(t, tt.code, code, stderr.String())
			require.Contains(t, stdout.String()+stderr.String(), tt.says)
			if code == 0 && name != "list" {
				info, err := os.Stat(out)
				require.NoError(t, err)
				require.Positive(t, info.Size())
			}
		})
	}
}
