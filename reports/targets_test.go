package reports_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/reports"
)

func TestParseTargets(t *testing.T) {
	got, err := reports.ParseTargets([]byte("[[target]]\nfigure = \"seen\"\nat_least = 0.8\norigin = \"board, 2026\"\n"))
	require.NoError(t, err)
	require.Len(t, got, 1)
	for text, want := range map[string]string{
		"[[target]]\nfigure = \"x\"\nat_least = 1.0\norigin = \"o\"\n":                      "should be one of",
		"[[target]]\nfigure = \"seen\"\norigin = \"o\"\n":                                   "either at_least or at_most",
		"[[target]]\nfigure = \"seen\"\nat_least = 0.8\n":                                   "should say its origin",
		"[[target]]\nfigure = \"seen\"\nat_least = 0.8\norigin = \"o\"\ncolour = \"red\"\n": "unknown key",
	} {
		_, err := reports.ParseTargets([]byte(text))
		require.ErrorContains(t, err, want)
	}
}

// Hand arithmetic: twelve eyes, all seen at month 12 when it was due: 12 of
// 12, exact lower limit 0.025^(1/12) = 0.7354, which reaches across 0.8 and
// lies above 0.7.
func TestTargetsInWords(t *testing.T) {
	limit := func(x float64) *float64 { return &x }
	for _, tt := range []struct {
		target reports.Target
		want   string
	}{
		{reports.Target{Figure: "seen", AtLeast: limit(0.8), Origin: "o"}, "met by the estimate; the interval reaches across the target"},
		{reports.Target{Figure: "seen", AtLeast: limit(0.7), Origin: "o"}, "met, the whole interval included"},
		{reports.Target{Figure: "seen", AtMost: limit(0.7), Origin: "o"}, "not met, the whole interval included"},
	} {
		b := few(t, 12, "STD", "S")
		b.S.CutOff = b.S.CutOff.Add(365)
		src := source(t, b.Freeze())
		src.Targets = []reports.Target{tt.target}
		audit, err := reports.NewAudit(src)
		require.NoError(t, err)
		doc, err := audit.Document()
		require.NoError(t, err)
		requireCell(t, doc, "Targets", "due eyes seen at month 12", "words", tt.want)
	}
}
