package proof

import (
	"fmt"
	"maps"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// proofs says by exported method which comparisons with R cover it.
func proofs() map[string][]string {
	by := map[string][]string{}
	for name, m := range methods {
		covered := m.covers
		if len(covered) == 0 {
			covered = []string{strings.Fields(name)[0]}
		}
		for _, c := range covered {
			by[c] = append(by[c], name)
		}
	}
	return by
}

// sources returns the test files of a method's package that name it, and what
// published source or R version they give.
func sources(t testing.TB, name string) (files []string) {
	t.Helper()
	p, function, _ := strings.Cut(name, ".")
	paths, err := filepath.Glob("../" + p + "/*_test.go")
	require.NoError(t, err)
	selfcheck, err := filepath.Glob("../selfcheck/methods_*.go")
	require.NoError(t, err)
	called := regexp.MustCompile(`\b` + function + `\(|\b` + p + `\.` + function + `\b|\b` + function + `\b[,}]`)
	qualified := regexp.MustCompile(`\b` + p + `\.` + function + `\b`)
	for _, path := range paths {
		content, err := os.ReadFile(path)
		require.NoError(t, err)
		if called.Match(content) {
			files = append(files, filepath.Base(path))
		}
	}
	for _, path := range selfcheck {
		content, err := os.ReadFile(path)
		require.NoError(t, err)
		if qualified.Match(content) {
			files = append(files, "selfcheck ("+strings.TrimSuffix(strings.TrimPrefix(filepath.Base(path), "methods_"), ".go")+")")
		}
	}
	return files
}

// writeMethods writes METHODS.md from what the comparison with live R found.
func writeMethods(t *testing.T, header string, found map[string]*tally) {
	t.Helper()
	var b strings.Builder
	_, comparisons, numbers, _ := summary(found)
	fmt.Fprintf(&b, `# What each method was checked against

Written by

    go test ./stats/proof -run LiveR -update

from %d seeded data sets, %d comparisons of a method on one, %d numbers, with
%s.

The digits are the fewest significant digits of agreement over all numbers that
are not nought beside the rest of the answer. Where they are few, the reference
is the limit, and the test beside the method says how. The last column names
the tests of the package that call the method, with their published sources,
and the families of the self-check that cover it.

| method | R: comparisons | data sets | digits | other tests |
|---|---|---|---|---|
`, len(seededSets()), comparisons, numbers, header)
	by := proofs()
	names := map[string]bool{}
	for _, name := range exported(t) {
		names[name] = !noEdges[name]
	}
	for name := range by {
		names[name] = true
	}
	for _, name := range slices.Sorted(maps.Keys(names)) {
		if !names[name] {
			continue
		}
		comparison, sets, digits := []string{}, 0, math.Inf(1)
		for _, c := range by[name] {
			comparison = append(comparison, c)
			sets += found[c].sets
			digits = min(digits, found[c].worst)
		}
		slices.Sort(comparison)
		agreed := ""
		if len(comparison) > 0 {
			agreed = fmt.Sprintf("%.1f", digits)
		}
		fmt.Fprintf(&b, "| %s | %s | %d | %s | %s |\n", name, strings.Join(comparison, ", "), sets, agreed, strings.Join(sources(t, name), ", "))
	}
	require.NoError(t, os.WriteFile("METHODS.md", []byte(b.String()), 0o644))
}

// Every exported method is compared with R here, or tested in its own package
// or by the self-check, and METHODS.md lists it.
func TestEveryMethodIsProven(t *testing.T) {
	page, err := os.ReadFile("METHODS.md")
	require.NoError(t, err)
	by := proofs()
	for _, name := range exported(t) {
		if noEdges[name] {
			continue
		}
		if len(by[name]) == 0 && len(sources(t, name)) == 0 {
			t.Errorf("%s is compared with nothing", name)
		}
		if !strings.Contains(string(page), "| "+name+" |") {
			t.Errorf("METHODS.md does not list %s: go test ./stats/proof -run LiveR -update", name)
		}
	}
}
