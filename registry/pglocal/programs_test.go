package pglocal

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// script writes an executable shell script.
func script(t *testing.T, path, body string) {
	t.Helper()
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
	require.NoError(t, os.WriteFile(path, []byte("#!/bin/sh\n"+body+"\n"), 0o755))
}

// installation writes stand-ins for PostgreSQL's programs.
func installation(t *testing.T, dir, version string) {
	t.Helper()
	for _, name := range []string{"initdb", "postgres", "pg_ctl"} {
		script(t, filepath.Join(dir, name), fmt.Sprintf("echo '%s (PostgreSQL) %s'", name, version))
	}
}

func TestFindNewestFirst(t *testing.T) {
	base := t.TempDir()
	installation(t, filepath.Join(base, "14", "bin"), "14.19 (Debian 14.19-1)")
	installation(t, filepath.Join(base, "17", "bin"), "17.2")
	installation(t, filepath.Join(base, "9", "bin"), "9.6.24")
	require.NoError(t, os.MkdirAll(filepath.Join(base, "links"), 0o755))
	require.NoError(t, os.Symlink(filepath.Join(base, "17", "bin", "postgres"), filepath.Join(base, "links", "postgres")))

	found, err := findIn(t.Context(), []string{filepath.Join(base, "*", "bin"), filepath.Join(base, "links")})
	require.NoError(t, err)
	require.Equal(t, []Programs{
		{Dir: filepath.Join(base, "17", "bin"), Major: 17, Version: "17.2"},
		{Dir: filepath.Join(base, "14", "bin"), Major: 14, Version: "14.19"},
	}, found)

	p, err := forMajor(found, "", "data")
	require.NoError(t, err)
	require.Equal(t, 17, p.Major, "a new cluster takes the newest")
	p, err = forMajor(found, "14", "data")
	require.NoError(t, err)
	require.Equal(t, 14, p.Major, "an existing cluster takes its own")
	_, err = forMajor(found, "16", "data")
	var other *VersionError
	require.ErrorAs(t, err, &other)
}

func TestNothingUsableNamesTheThreeWaysOut(t *testing.T) {
	base := t.TempDir()
	installation(t, filepath.Join(base, "9", "bin"), "9.6.24")
	installation(t, filepath.Join(base, "broken", "bin"), "devel")
	script(t, filepath.Join(base, "half", "bin", "postgres"), "echo 'postgres (PostgreSQL) 16.1'")

	_, err := findIn(t.Context(), []string{filepath.Join(base, "*", "bin"), filepath.Join(base, "absent")})
	var missing *NotInstalledError
	require.ErrorAs(t, err, &missing)
	for _, want := range []string{
		filepath.Join(base, "absent"), "version 9.6.24: 14 or newer is needed", "has no program initdb", `printed "postgres (PostgreSQL) devel"`,
		"--install-postgres", "docker compose up", "KERATALLY_DATABASE_URL",
	} {
		require.ErrorContains(t, err, want)
	}
}

func TestVariableNamesTheOnlyPlace(t *testing.T) {
	base := t.TempDir()
	t.Setenv(BinVariable, base)
	_, err := FindPrograms(t.Context(), "")
	var missing *NotInstalledError
	require.ErrorAs(t, err, &missing)
	require.Equal(t, []string{base}, missing.Looked)

	installation(t, base, "16.4")
	found, err := FindPrograms(t.Context(), "")
	require.NoError(t, err)
	require.Len(t, found, 1)
	_, err = FindPrograms(t.Context(), filepath.Join(base, "other"))
	require.ErrorContains(t, err, filepath.Join(base, "other"), "an option comes before the variable")
}

// Stand-ins for the distribution's programs write down how they were called. Those of
// the shell too: nothing of this machine may change.
func TestInstallShowsEachCommandAndRunsIt(t *testing.T) {
	for _, tt := range []struct {
		program string
		shows   []string
	}{
		{"apt-get", []string{"createcluster.d", "apt-get -o DPkg::Lock::Timeout=300 update", "install -y --no-install-recommends postgresql"}},
		{"dnf", []string{"dnf install -y postgresql-server"}},
		{"apk", []string{"apk add postgresql"}},
		{"brew", []string{"brew install postgresql@17"}},
	} {
		t.Run(tt.program, func(t *testing.T) {
			bin := t.TempDir()
			for _, name := range []string{tt.program, "sh", "env"} {
				script(t, filepath.Join(bin, name), `echo "ran `+name+` $*"`)
			}
			script(t, filepath.Join(bin, "sudo"), `echo "ran sudo $*"`)
			t.Setenv("PATH", bin)
			var out bytes.Buffer
			require.NoError(t, Install(t.Context(), &out))
			rest := out.String()
			for _, want := range tt.shows {
				_, after, ok := strings.Cut(rest, want)
				require.True(t, ok, "%q, in this order, in\n%s", want, out.String())
				rest = after
			}
			require.Equal(t, strings.Count(out.String(), "+ "), strings.Count(out.String(), "ran "))
			require.True(t, strings.HasPrefix(out.String(), "+ "), "the command comes before its output")
		})
	}
}

func TestInstallThatCannotWork(t *testing.T) {
	bin := t.TempDir()
	t.Setenv("PATH", bin)
	var cannot *CannotInstallError
	require.ErrorAs(t, Install(t.Context(), &bytes.Buffer{}), &cannot)
	require.Contains(t, cannot.Error(), "none of apt-get, dnf, apk, brew is here")

	script(t, filepath.Join(bin, "apk"), "echo 'no such package' >&2; exit 3")
	script(t, filepath.Join(bin, "sudo"), `[ "$1" = -n ] && shift; [ "$1" = true ] && exit 0; exec "$@"`)
	var out bytes.Buffer
	require.ErrorAs(t, Install(t.Context(), &out), &cannot)
	require.Contains(t, cannot.Error(), "exit status 3")
	require.Contains(t, out.String(), "no such package")
}

func TestShellLine(t *testing.T) {
	require.Equal(t, `sh -c 'echo '\''a b'\'' > c'`, shellLine([]string{"sh", "-c", "echo 'a b' > c"}))
}
