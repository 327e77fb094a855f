package selfcheck

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The embedded cases are those of reference/README.md, with their sources.
func TestEmbeddedCasesAgree(t *testing.T) {
	var out bytes.Buffer
	summary, err := Run(Options{}, &out)
	require.NoError(t, err)
	requireNoDifference(t, summary, out.String())
	lines := strings.Split(strings.TrimSpace(out.String()), "\n")
	require.Equal(t, summary.String(), lines[len(lines)-1])
	require.Greater(t, summary.Cases(), 700)
}

// The whole reference set holds data of GPL-licensed packages beside the
// embedded ones, so it lies outside the module, in ../shared.
func TestReferenceFolderAgrees(t *testing.T) {
	dir := filepath.Join("..", "..", "..", "shared", "reference", "stats")
	if _, err := os.Stat(filepath.Join(dir, "expected")); err != nil {
		if os.Getenv("CI") == "true" {
			t.Logf("WARNING: the reference folder %s is absent under CI: only the embedded cases were compared", dir)
			return
		}
		t.Skipf("the reference folder %s is absent: only the embedded cases were compared", dir)
	}
	var out bytes.Buffer
	summary, err := Run(Options{Dir: dir}, &out)
	require.NoError(t, err)
	requireNoDifference(t, summary, out.String())
	require.Positive(t, summary.Agree)
}

func requireNoDifference(t *testing.T, summary Summary, out string) {
	t.Helper()
	if summary.Differ > 0 {
		for _, line := range strings.Split(out, "\n") {
			if strings.HasPrefix(line, "differs") || strings.HasPrefix(line, "             differs") {
				t.Log(line)
			}
		}
	}
	t.Log(summary)
	require.Zero(t, summary.Differ)
}
