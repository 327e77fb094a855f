package main

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// serverFolder returns a folder for a private server that any account can
// reach, which a test's own folder under root is not.
func serverFolder(t *testing.T) string {
	t.Helper()
	dir, err := os.MkdirTemp("", "keratally-demo-")
	require.NoError(t, err)
	require.NoError(t, os.Remove(dir)) // the server makes it, for the account that it runs under
	t.Cleanup(func() { require.NoError(t, os.RemoveAll(dir)) })
	return dir
}

// program builds the binary once a test and returns its path.
func program(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "keratally")
	said, err := exec.CommandContext(t.Context(), "go", "build", "-o", path, ".").CombinedOutput()
	require.NoError(t, err, "%s", said)
	return path
}

// The demo writes the same workbook each time: the same seed, the same clinic,
// the same snapshot, the same bytes.
func TestDemoTwiceSameBytes(t *testing.T) {
	read := func() []byte {
		b, err := os.ReadFile(filepath.Join(runDemo(t, "--eyes", "80"), "audit-2026Q3.xlsx"))
		require.NoError(t, err)
		return b
	}
	require.True(t, bytes.Equal(read(), read()))
}

// Killed with -9 in the middle, at several moments, and run again, the demo
// works: a cluster that was cut off recovers, and nothing half stands in the way.
func TestDemoAfterKill(t *testing.T) {
	exe, folder := program(t), serverFolder(t)
	out := filepath.Join(t.TempDir(), "demo")
	start := func() *exec.Cmd {
		cmd := exec.Command(exe, "--data", folder, "demo", "--out", out, "--eyes", "120")
		require.NoError(t, cmd.Start())
		return cmd
	}
	for _, wait := range []time.Duration{150, 700, 1500, 2500} {
		cmd := start()
		time.Sleep(wait * time.Millisecond)
		_ = cmd.Process.Kill() // it may have ended by itself
		_ = cmd.Wait()
	}
	var said bytes.Buffer
	cmd := exec.Command(exe, "--data", folder, "demo", "--out", out, "--eyes", "120")
	cmd.Stdout, cmd.Stderr = &said, &said
	require.NoError(t, cmd.Run(), "%s", &said)
	require.FileExists(t, filepath.Join(out, "audit-2026Q3.xlsx"))
	entries, err := filepath.Glob(filepath.Join(out, ".keratally-*"))
	require.NoError(t, err)
	for _, e := range entries { // a killed write leaves its neighbour, never a half file under the name
		require.NoError(t, os.Remove(e))
	}
}

// A clinic without an eye gets a report that says so.
func TestDemoOfNoEye(t *testing.T) {
	var stdout, stderr bytes.Buffer
	out := filepath.Join(t.TempDir(), "demo")
	code := run(t.Context(), []string{"--data", serverFolder(t), "demo", "--out", out, "--eyes", "0"}, nil, &stdout, &stderr)
	require.Zero(t, code, "%s\n%s", &stdout, &stderr)
	require.Contains(t, stdout.String(), "The cohort holds no eye.")
}

// What a person types wrongly is answered in words with code 2.
func TestUsageErrors(t *testing.T) {
	for _, args := range [][]string{{"audit", "--quarter"}, {"nonsense"}, {"audit", "--out"}} {
		var stdout, stderr bytes.Buffer
		require.Equal(t, exitUsage, run(t.Context(), args, nil, &stdout, &stderr))
		require.NotEmpty(t, stderr.String())
	}
}
