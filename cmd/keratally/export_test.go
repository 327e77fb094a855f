package main

import (
	"bytes"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/registry/democlinic"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
)

// demoRegistry takes the invented clinic's spreadsheets into a fresh database.
func demoRegistry(t *testing.T, eyes int) (url string, store *pgstore.Store) {
	t.Helper()
	url = pgtest.URL(t)
	store, err := pgstore.Open(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(store.Close)
	files, err := democlinic.New(democlinic.Options{Eyes: eyes, Seed: 2026, Last: demoLast}).WriteFiles(t.TempDir())
	require.NoError(t, err)
	a := &app{ctx: t.Context(), today: demoLast}
	for _, f := range files {
		_, err := takeFile(a, store, f.Path, f.Mapping, takeOptions{person: "demo"})
		require.NoError(t, err)
	}
	return url, store
}

// typed runs the program as a person does and returns what it said.
func typed(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(t.Context(), args, nil, &out, &errs)
	return code, out.String(), errs.String()
}

// folder returns every file of a folder by name.
func folder(t *testing.T, dir string) map[string]string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	files := map[string]string{}
	for _, e := range entries {
		content, err := os.ReadFile(filepath.Join(dir, e.Name()))
		require.NoError(t, err)
		files[e.Name()] = string(content)
	}
	return files
}

var exportID = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[0-9a-f]{4}-[0-9a-f]{12}`)

// An export of the demo stands in the log and comes again byte for byte, also
// after the registry has changed; the same command gives the same bytes, another
// purpose other numbers; and no code of the registry is in any file.
func TestExportAndAgain(t *testing.T) {
	url, store := demoRegistry(t, 60)
	for _, format := range []string{"csv", "xlsx", "parquet"} {
		dir := t.TempDir()
		args := func(purpose, out string) []string {
			return []string{"--database", url, "export", "--purpose", purpose, "--person", "A. Fellow", "--format", format, "--cut-off", "2026-09-30",
				"--accept-small-cells", "a test", "--out", filepath.Join(dir, out)}
		}
		code, said, errs := typed(t, args("thesis", "first")...)
		require.Zero(t, code, errs)
		id := exportID.FindString(said)
		require.NotEmpty(t, id, said)
		first := folder(t, filepath.Join(dir, "first"))

		code, _, errs = typed(t, args("thesis", "second")...)
		require.Zero(t, code, errs)
		require.Equal(t, first, folder(t, filepath.Join(dir, "second")))
		code, _, errs = typed(t, args("another", "third")...)
		require.Zero(t, code, errs)
		third := folder(t, filepath.Join(dir, "third"))
		require.Equal(t, first["README.txt"], third["README.txt"])
		require.NotEqual(t, first["datapackage.json"], third["datapackage.json"])

		_, err := store.Pool().Exec(t.Context(), "UPDATE visit SET thinnest_um = thinnest_um - 1 WHERE thinnest_um > 300")
		require.NoError(t, err)
		code, said, errs = typed(t, "--database", url, "export", "--again", id, "--out", filepath.Join(dir, "again"))
		require.Zero(t, code, errs)
		require.Contains(t, said, "every byte as it was")
		require.Equal(t, first, folder(t, filepath.Join(dir, "again")))

		snap, err := store.Snapshot(t.Context(), wholeRegistry(demoLast))
		require.NoError(t, err)
		var marks []string
		marks = append(marks, snap.Patients.Code...)
		for _, c := range snap.Clinicians {
			marks = append(marks, c.Name)
		}
		for _, c := range snap.Centres {
			marks = append(marks, c.Name)
		}
		for _, d := range snap.Treatments.On {
			marks = append(marks, d.String(), d.Long())
		}
		if format != "csv" { // the others are compressed; that they hold the same is tested beside the writers
			continue
		}
		for name, content := range first {
			for _, mark := range marks {
				require.False(t, len(mark) > 2 && strings.Contains(content, mark), "%s has %q", name, mark)
			}
		}
	}
	code, said, errs := typed(t, "--database", url, "export", "--log")
	require.Zero(t, code, errs)
	require.Len(t, exportID.FindAllString(said, -1), 9)
	require.Contains(t, said, "for A. Fellow: thesis")
	require.Contains(t, said, "small groups released: a test")

	entries, err := store.Exports(t.Context())
	require.NoError(t, err)
	require.Equal(t, "2026-09-30", entries[0].CutOff.String())
	require.Contains(t, entries[0].Cohort, "everyone")
	_, err = store.Pool().Exec(t.Context(), "DELETE FROM export_log")
	require.ErrorContains(t, err, "added to, never changed")
}

// A cohort with small cells is refused with the smallest listed, and nothing is
// written or logged; without a purpose or a person likewise.
func TestExportRefuses(t *testing.T) {
	url, store := demoRegistry(t, 40)
	out := filepath.Join(t.TempDir(), "out")
	full := []string{"--database", url, "export", "--purpose", "thesis", "--person", "A. Fellow", "--cut-off", "2026-09-30", "--out", out}
	code, _, errs := typed(t, full...)
	require.Equal(t, exitFailed, code)
	require.Contains(t, errs, "groups of patients alike in sex, age, diagnosis and protocol have fewer than 5 patients, the smallest:\n  1 patient (1 episodes): ")
	require.NoDirExists(t, out)

	for args, want := range map[string]string{
		"--person x":  "--purpose: should say what the export is for",
		"--purpose x": "--person: should say to whom it is released",
		"--again 7":   `--again "7": should be the identity of an export`,
		"--again 01890000-0000-7000-8000-000000000000":          "not found",
		"--purpose x --person y --windows wide":                 `--windows "wide": should be default or strict`,
		"--purpose x --person y --cut-off 30.9.2026":            "--cut-off",
		"--purpose x --person y --accept-small-cells z --out .": "should be a new folder, an empty one",
		"--purpose x --person y --small-cells=-2":               "should be 1 or more patients",
	} {
		code, _, errs := typed(t, append([]string{"--database", url, "export"}, strings.Fields(args)...)...)
		require.Equal(t, exitFailed, code, args)
		require.Contains(t, errs, want)
	}
	entries, err := store.Exports(t.Context())
	require.NoError(t, err)
	require.Empty(t, entries)
	code, said, _ := typed(t, "--database", url, "export", "--log")
	require.Zero(t, code)
	require.Contains(t, said, "Nothing was exported yet.")
}

// With ages in bands and what is rare left out, an export goes out without
// anything being accepted, from a kept snapshot too.
func TestExportSuppresses(t *testing.T) {
	url, store := demoRegistry(t, 120)
	dir := t.TempDir()
	code, _, errs := typed(t, "--database", url, "snapshot", "--cut-off", "2026-09-30", "--out", filepath.Join(dir, "registry.snapshot"))
	require.Zero(t, code, errs)
	code, said, errs := typed(t, "--database", url, "export", "--purpose", "thesis", "--person", "A. Fellow", "--snapshot", filepath.Join(dir, "registry.snapshot"),
		"--suppress", "--small-cells", "3", "--out", filepath.Join(dir, "out"))
	require.Zero(t, code, "%s\n%s", said, errs)
	require.Contains(t, said, "withheld: ")
	require.Contains(t, said, "left out: ")
	entries, err := store.Exports(t.Context())
	require.NoError(t, err)
	require.Len(t, entries, 1)
	require.Zero(t, entries[0].SmallCells)
	require.GreaterOrEqual(t, entries[0].SmallestCell, 3)
}
