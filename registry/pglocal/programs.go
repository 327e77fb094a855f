package pglocal

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// OldestMajor is the oldest major version of PostgreSQL that is used.
const OldestMajor = 14

// BinVariable is the environment variable that names the folder of the
// PostgreSQL programs, and then the only one looked at.
const BinVariable = "KERATALLY_PG_BIN"

// Programs is an installed PostgreSQL.
type Programs struct {
	Dir     string // the folder of initdb, postgres and pg_ctl
	Major   int
	Version string // as the programs print it, "15.18"
}

// places are where distributions put the programs; most are not on PATH.
var places = []string{
	"/usr/lib/postgresql/*/bin", // Debian, Ubuntu
	"/usr/pgsql-*/bin",          // the project's own packages for Fedora and its kin
	"/usr/libexec/postgresql*",  // Alpine
	"/usr/lib/postgresql*/bin",  // SUSE
	"/usr/local/pgsql/bin",      // built from source
	"/opt/homebrew/opt/postgresql@*/bin",
	"/usr/local/opt/postgresql@*/bin",
	"/Library/PostgreSQL/*/bin",
	"/Applications/Postgres.app/Contents/Versions/*/bin",
	"/usr/bin", // Fedora, Arch
}

// FindPrograms returns the installed PostgreSQL programs, newest first. With only
// set, or else KERATALLY_PG_BIN, it looks in that one folder. The error is a
// *NotInstalledError if nothing usable is found.
func FindPrograms(ctx context.Context, only string) ([]Programs, error) {
	if only == "" {
		only = os.Getenv(BinVariable)
	}
	if only != "" {
		return findIn(ctx, []string{only})
	}
	looked := slices.Clone(places)
	for _, dir := range filepath.SplitList(os.Getenv("PATH")) {
		if filepath.IsAbs(dir) && !slices.Contains(looked, dir) {
			looked = append(looked, dir)
		}
	}
	return findIn(ctx, looked)
}

func findIn(ctx context.Context, patterns []string) ([]Programs, error) {
	var found []Programs
	missing := &NotInstalledError{Looked: patterns}
	seen := map[string]bool{}
	for _, pattern := range patterns {
		dirs, err := filepath.Glob(pattern)
		if err != nil || dirs == nil {
			dirs = []string{pattern}
		}
		for _, dir := range dirs {
			server, err := filepath.EvalSymlinks(filepath.Join(dir, "postgres"))
			if err != nil || seen[filepath.Dir(server)] {
				continue
			}
			// A link on PATH leads to one program; its neighbours and its
			// libraries are where it really is.
			dir = filepath.Dir(server)
			seen[dir] = true
			p, err := inspect(ctx, dir)
			if err != nil {
				missing.Found = append(missing.Found, err.Error())
				continue
			}
			found = append(found, p)
		}
	}
	if len(found) == 0 {
		return nil, missing
	}
	slices.SortStableFunc(found, func(a, b Programs) int { return b.Major - a.Major })
	return found, nil
}

var versionLine = regexp.MustCompile(`\(PostgreSQL\) ((\d+)\S*)`)

// inspect asks the programs of a folder for their version.
func inspect(ctx context.Context, dir string) (Programs, error) {
	for _, name := range []string{"initdb", "postgres", "pg_ctl"} {
		if info, err := os.Stat(filepath.Join(dir, name)); err != nil || info.Mode()&0o111 == 0 {
			return Programs{}, fmt.Errorf("%s: has no program %s", dir, name)
		}
	}
	out, err := exec.CommandContext(ctx, filepath.Join(dir, "postgres"), "--version").Output()
	if err != nil {
		return Programs{}, fmt.Errorf("%s: postgres --version: %w", dir, err)
	}
	m := versionLine.FindStringSubmatch(string(out))
	if m == nil {
		return Programs{}, fmt.Errorf("%s: postgres --version printed %q: a line such as \"postgres (PostgreSQL) 16.4\" was expected", dir, strings.TrimSpace(string(out)))
	}
	major, err := strconv.Atoi(m[2])
	if err != nil || major < OldestMajor {
		return Programs{}, fmt.Errorf("%s: version %s: %d or newer is needed", dir, m[1], OldestMajor)
	}
	return Programs{Dir: dir, Major: major, Version: m[1]}, nil
}

// forMajor returns the programs for a cluster of a major version as its file
// PG_VERSION has it, or the newest if there is no cluster yet.
func forMajor(found []Programs, cluster, data string) (Programs, error) {
	if cluster == "" {
		return found[0], nil
	}
	e := &VersionError{DataDir: data, Cluster: cluster}
	for _, p := range found {
		if strconv.Itoa(p.Major) == cluster {
			return p, nil
		}
		e.Installed = append(e.Installed, p.Version+" ("+p.Dir+")")
	}
	return Programs{}, e
}
