package main

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry/pgtest"
)

const smallSheet = "Patient,Eye,Date,Kmax\nP1,OD,2026-03-02,54.25\nP1,OD,2026-06-02,54.00\n"

const smallMapping = `
name = "small"
centre = "north"
[[sheet]]
shape = "visit"
[sheet.columns]
"Patient" = "patient.code"
"Eye" = "eye.side"
"Date" = "visit.on"
"Kmax" = "visit.kmax"
`

// smallRegistry takes a small sheet into a fresh database.
func smallRegistry(t *testing.T) (url string) {
	t.Helper()
	url, dir := pgtest.URL(t), t.TempDir()
	sheet, mapping := filepath.Join(dir, "small.csv"), filepath.Join(dir, "small.toml")
	require.NoError(t, os.WriteFile(sheet, []byte(smallSheet), 0o644))
	require.NoError(t, os.WriteFile(mapping, []byte(smallMapping), 0o644))
	code, out, errs := typed(t, "--database", url, "intake", sheet, "--mapping", mapping, "--person", "a nurse")
	require.Zero(t, code, "%s\n%s", out, errs)
	return url
}

func TestHistoryCommands(t *testing.T) {
	url := smallRegistry(t)
	code, out, errs := typed(t, "--database", url, "history", "verify")
	require.Zero(t, code, "%s\n%s", out, errs)
	require.Contains(t, out, "The history is whole")

	code, out, errs = typed(t, "--database", url, "history", "show", "P1 OD")
	require.Zero(t, code, "%s\n%s", out, errs)
	require.Contains(t, out, "visit of 2026-06-02 entered by a nurse (intake of small.csv)")
	code, _, errs = typed(t, "--database", url, "history", "show", "P9")
	require.Equal(t, exitFailed, code)
	require.Contains(t, errs, `the history knows nothing of "P9"`)

	code, out, errs = typed(t, "--database", url, "history", "seal", "--day", "2020-01-01")
	require.Zero(t, code, errs)
	require.Contains(t, out, "Nothing was recorded up to the end of 2020-01-01")
	code, out, _ = typed(t, "--database", url, "history", "verify", "--seal", "00ff")
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, "seal: no entry has the hash 00ff")
}
