package main

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// rooms are the packages of the project in layers, lowest first: an import may
// only go to a lower layer, or to a neighbour of the same topic.
var rooms = []struct {
	layer  int
	prefix string
}{
	{0, "keratally/registry/measure"},
	{0, "keratally/migrations"},
	{0, "keratally/stats"},
	{2, "keratally/registry/snapshot"},
	{2, "keratally/registry/intake"},
	{2, "keratally/registry/democlinic"},
	{3, "keratally/registry/cohort"},
	{3, "keratally/registry/pglocal"},
	{4, "keratally/registry/pgstore"},
	{5, "keratally/registry/pgtest"},
	{1, "keratally/registry"},
	{7, "keratally/reports/workbook"},
	{7, "keratally/reports/figure"},
	{7, "keratally/reports/export"},
	{7, "keratally/reports/machine"},
	{8, "keratally/reports/page"},
	{6, "keratally/reports"},
	{9, "keratally/cmd/keratally/web"},
	{10, "keratally/cmd/keratally"},
}

func layerOf(path string) (layer int, prefix string) {
	for _, r := range rooms {
		if path == r.prefix || strings.HasPrefix(path, r.prefix+"/") {
			return r.layer, r.prefix
		}
	}
	return -1, ""
}

// Imports only go down, statistics know nothing of the registry, the registry
// nothing of reports, and reports nothing of SQL.
func TestImportsGoDown(t *testing.T) {
	out, err := exec.Command("go", "list", "-json=ImportPath,Imports", "keratally/...").Output()
	require.NoError(t, err)
	dec := json.NewDecoder(strings.NewReader(string(out)))
	n := 0
	for {
		var p struct {
			ImportPath string
			Imports    []string
		}
		if err := dec.Decode(&p); errors.Is(err, io.EOF) {
			break
		} else {
			require.NoError(t, err)
		}
		n++
		from, room := layerOf(p.ImportPath)
		require.GreaterOrEqual(t, from, 0, "%s has no room: give it one", p.ImportPath)
		for _, imp := range p.Imports {
			if !strings.HasPrefix(imp, "keratally/") {
				if strings.Contains(imp, "jackc/pgx") {
					require.Contains(t, []string{"keratally/registry/pgstore", "keratally/registry/pglocal", "keratally/registry/pgtest"}, room, "%s speaks SQL", p.ImportPath)
				}
				continue
			}
			to, target := layerOf(imp)
			if target == room {
				continue
			}
			require.Less(t, to, from, "%s imports %s, which is not below it", p.ImportPath, imp)
			if strings.HasPrefix(p.ImportPath, "keratally/registry") {
				require.False(t, strings.HasPrefix(imp, "keratally/stats") || strings.HasPrefix(imp, "keratally/reports"), "%s imports %s", p.ImportPath, imp)
			}
			if strings.HasPrefix(p.ImportPath, "keratally/stats") {
				require.True(t, strings.HasPrefix(imp, "keratally/stats"), "%s imports %s", p.ImportPath, imp)
			}
			if strings.HasPrefix(p.ImportPath, "keratally/reports") {
				require.NotEqual(t, "keratally/registry/pgstore", target, "%s imports the store", p.ImportPath)
			}
		}
	}
	require.Greater(t, n, 20)
}
