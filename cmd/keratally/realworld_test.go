package main

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry/pgtest"
)

// The open data set of Fasler et al., BMJ Open 2019;9:e027441 (Dryad,
// doi:10.5061/dryad.97r9289, CC0): 3,357 eyes of 3,357 patients, 61 % female,
// mean change of acuity at one year +5.5 letters, 95 % CI 5.0 to 6.0. Taken in
// through a mapping like any clinic's file and audited with the window of 365
// ± 60 days, the registry must say the same.
func TestOpenDataSetReadsAsPublished(t *testing.T) {
	file := filepath.Join("..", "..", "..", "shared", "reference", "realworld", "amd-acuity-visits.csv")
	if _, err := os.Stat(file); errors.Is(err, os.ErrNotExist) {
		t.Skip("the open data set is not beside this checkout: its published figures are not compared")
	}
	url, dir := pgtest.URL(t), t.TempDir()
	copied := filepath.Join(dir, "visits.csv") // the refused rows are written beside the input
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(copied, text, 0o644))
	var out, errs bytes.Buffer
	code := run(t.Context(), []string{"--database", url, "intake", copied, "--mapping", filepath.Join("..", "..", "testdata", "mappings", "amd-acuity-visits.toml")}, nil, &out, &errs)
	require.Zero(t, code, "%s\n%s", &out, &errs)

	book := filepath.Join(dir, "audit.xlsx")
	code = run(t.Context(), []string{"--database", url, "audit", "--from", "2010-01-01", "--to", "2018-12-31", "--windows", "strict", "--out", book}, nil, &out, &errs)
	require.Zero(t, code, "%s\n%s", &out, &errs)
	f, err := excelize.OpenFile(book, excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	defer f.Close()
	rows, err := f.GetRows("CDVA")
	require.NoError(t, err)
	head := rows[3]
	column := func(name string, after string) int {
		from := 0
		for i, h := range head {
			if h == after {
				from = i
			}
		}
		for i := from; i < len(head); i++ {
			if head[i] == name {
				return i
			}
		}
		t.Fatalf("no column %q after %q in %q", name, after, head)
		return -1
	}
	for _, row := range rows[4:] {
		if row[0] != "month 12" {
			continue
		}
		at := func(i int) float64 {
			x, err := strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
			return x
		}
		const printed = 0.05 // the paper prints one decimal
		require.InDelta(t, 5.5, at(column("change in letters", "")), printed)
		require.InDelta(t, 5.0, at(column("95 % CI from", "change in letters")), printed)
		require.InDelta(t, 6.0, at(column("to", "change in letters")), printed)
		require.InDelta(t, 3357, at(column("n eyes", "")), 2, "3,355 eyes have a visit in the window, counted once by hand")
		return
	}
	t.Fatal("the audit has no row for month 12")
}
