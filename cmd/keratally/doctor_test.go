package main

import (
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"keratally/registry/pgstore"
)

// A registry whose server is in order but for fsync, which the throwaway server
// of tests leaves off, is told so; what else is looked at is well, and turns
// when it is broken.
func TestDoctor(t *testing.T) {
	url, backups := smallRegistry(t), t.TempDir()
	doctor := func() (code int, out string) {
		code, out, errs := typed(t, "--database", url, "doctor", "--backups", backups)
		require.Empty(t, errs)
		return code, out
	}
	code, out := doctor()
	require.Equal(t, exitFailed, code)
	for _, line := range []string{"well       schema: step", "well       clock: server and machine agree", "well       history: ", "wrong      backups: there is none in "} {
		require.Contains(t, out, line)
	}
	file := filepath.Join(backups, "one.keratally")
	code, _, errs := typed(t, "--database", url, "backup", "--out", file)
	require.Zero(t, code, errs)
	_, out = doctor()
	require.Contains(t, out, "well       backups: one.keratally is whole")
	require.NoError(t, os.Truncate(file, 1000))
	_, out = doctor()
	require.Contains(t, out, "wrong      backups: the newest")

	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	_, err = conn.Exec(t.Context(), "SET session_replication_role = replica; UPDATE visit SET kmax_e2 = 5000")
	require.NoError(t, err)
	code, out = doctor()
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, "wrong      history: does not agree with the registry in 2 places")

	code, out, _ = typed(t, "--database", "postgres://nobody@127.0.0.1:1/none", "doctor")
	require.Equal(t, exitFailed, code)
	require.Contains(t, out, "wrong      database: ")
}

func TestFindings(t *testing.T) {
	now := time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)
	require.Equal(t, well, clockFinding(&pgstore.Condition{Ahead: -30 * time.Second, LastEntry: now}, now).state)
	require.Equal(t, wrong, clockFinding(&pgstore.Condition{Ahead: 2 * time.Minute}, now).state)
	require.Equal(t, wrong, clockFinding(&pgstore.Condition{LastEntry: now.Add(time.Hour)}, now).state)
	require.Equal(t, wrong, schemaFinding(&pgstore.Condition{Step: 9, Newest: 8}).state)
	require.Equal(t, mind, schemaFinding(&pgstore.Condition{Step: 7, Newest: 8}).state)
	require.Equal(t, well, diskFinding(2<<30, 4<<30, 1<<20).state)
	require.Equal(t, mind, diskFinding(2<<30, 4<<30, 2<<30).state)
	require.Equal(t, wrong, diskFinding(1<<20, 4<<30, 1<<20).state)
	require.Equal(t, "1.5 GiB", bytesInWords(3<<29))

	dir := t.TempDir()
	require.NoError(t, os.Chmod(dir, 0o700))
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "cluster", "data"), 0o700))
	password := filepath.Join(dir, "cluster", "password")
	require.NoError(t, os.WriteFile(password, nil, 0o600))
	open, err := openToOthers(dir)
	require.NoError(t, err)
	require.Empty(t, open)
	require.NoError(t, os.Chmod(password, 0o644))
	open, err = openToOthers(dir)
	require.NoError(t, err)
	require.Equal(t, password, open)
}
