package main

import (
	"archive/zip"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry/pgtest"
)

// A restored registry has the identity of the one that was backed up, a whole
// history that goes on where it was, and a drill says that reports are the same.
func TestBackupRestoreAndDrill(t *testing.T) {
	url := smallRegistry(t)
	file := filepath.Join(t.TempDir(), "one.keratally")
	code, out, errs := typed(t, "--database", url, "backup", "--out", file)
	require.Zero(t, code, "%s\n%s", out, errs)
	info, err := os.Stat(file)
	require.NoError(t, err)
	require.Equal(t, os.FileMode(0o600), info.Mode().Perm())

	empty := pgtest.EmptyURL(t)
	code, out, errs = typed(t, "--database", empty, "restore", file)
	require.Zero(t, code, "%s\n%s", out, errs)
	require.Contains(t, out, "its history is whole")
	code, before, errs := typed(t, "--database", url, "history", "show", "P1 OD")
	require.Zero(t, code, errs)
	code, after, errs := typed(t, "--database", empty, "history", "show", "P1 OD")
	require.Zero(t, code, errs)
	require.Equal(t, before, after)

	dir := t.TempDir()
	sheet, mapping := filepath.Join(dir, "more.csv"), filepath.Join(dir, "more.toml")
	require.NoError(t, os.WriteFile(sheet, []byte(smallSheet+"P2,OS,2026-06-03,61\n"), 0o644))
	require.NoError(t, os.WriteFile(mapping, []byte(smallMapping), 0o644))
	code, out, errs = typed(t, "--database", empty, "intake", sheet, "--mapping", mapping)
	require.Zero(t, code, "%s\n%s", out, errs)
	code, out, errs = typed(t, "--database", empty, "history", "verify")
	require.Zero(t, code, "%s\n%s", out, errs)

	code, _, errs = typed(t, "--database", empty, "restore", file)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errs, "is restored into an empty database only")

	code, out, errs = typed(t, "--database", url, "drill")
	require.Zero(t, code, "%s\n%s", out, errs)
	require.Contains(t, out, "bytes from both")
	code, out, errs = typed(t, "--database", url, "drill", "--file", file)
	require.Zero(t, code, "%s\n%s", out, errs)
}

// Whatever byte of a backup is changed, and wherever it is cut, nothing is
// restored.
func TestDamagedBackupsAreRefused(t *testing.T) {
	url, dir := smallRegistry(t), t.TempDir()
	file := filepath.Join(dir, "one.keratally")
	code, out, errs := typed(t, "--database", url, "backup", "--out", file)
	require.Zero(t, code, "%s\n%s", out, errs)
	whole, err := os.ReadFile(file)
	require.NoError(t, err)
	empty := pgtest.EmptyURL(t)
	damaged := filepath.Join(dir, "damaged.keratally")
	refused := func(what string, text []byte) {
		require.NoError(t, os.WriteFile(damaged, text, 0o644))
		code, _, errs := typed(t, "--database", empty, "restore", damaged)
		require.Equal(t, exitFailed, code, what)
		require.Contains(t, errs, "backup: ", what)
	}
	refused("cut", whole[:len(whole)/2])
	refused("empty", nil)
	archive, err := zip.OpenReader(file)
	require.NoError(t, err)
	defer archive.Close()
	for _, f := range archive.File {
		at, err := f.DataOffset()
		require.NoError(t, err)
		if f.CompressedSize64 == 0 || strings.HasPrefix(f.Name, "tables/") && f.UncompressedSize64 == 0 {
			continue
		}
		text := append([]byte(nil), whole...)
		text[at+int64(f.CompressedSize64)/2] ^= 0x55
		refused(f.Name, text)
	}
	code, out, errs = typed(t, "--database", empty, "restore", file)
	require.Zero(t, code, "the undamaged one still is: %s\n%s", out, errs)
}
