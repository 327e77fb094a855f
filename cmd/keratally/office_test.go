package main

import (
	"bytes"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
)

// recalculates makes the office program compute every formula on opening a
// workbook of another program, instead of believing the stored values.
const recalculates = `<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry" xmlns:xs="http://www.w3.org/2001/XMLSchema" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load"><prop oor:name="OOXMLRecalcMode" oor:op="fuse"><value>0</value></prop></item>
</oor:items>`

// needs returns the program, or leaves the test out where a machine lacks it,
// which fails under CI=true.
func needs(t *testing.T, names ...string) string {
	t.Helper()
	for _, name := range names {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("CI") == "true" {
		t.Fatalf("%s is not on this machine, and under CI=true nothing is left out", strings.Join(names, " or "))
	}
	t.Skipf("%s is not on this machine: what it would show is left out", strings.Join(names, " or "))
	return ""
}

// convert runs the office program headless on a file, with a profile of its own.
func convert(t *testing.T, office, file, to string) string {
	t.Helper()
	profile, out := t.TempDir(), t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(profile, "user"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(profile, "user", "registrymodifications.xcu"), []byte(recalculates), 0o644))
	cmd := exec.CommandContext(t.Context(), office, "-env:UserInstallation=file://"+profile, "--headless", "--convert-to", to, "--outdir", out, file)
	said, err := cmd.CombinedOutput()
	require.NoError(t, err, "%s", said)
	return filepath.Join(out, strings.TrimSuffix(filepath.Base(file), filepath.Ext(file))+"."+to)
}

// runDemo runs the demo on a private server of its own and returns its folder.
func runDemo(t *testing.T, args ...string) string {
	t.Helper()
	dir := t.TempDir()
	out := filepath.Join(dir, "demo")
	var stdout, stderr bytes.Buffer
	code := run(t.Context(), append([]string{"--data", serverFolder(t), "demo", "--out", out}, args...), nil, &stdout, &stderr)
	require.Zero(t, code, "%s\n%s", &stdout, &stderr)
	return out
}

// An office program that recalculates the audit finds no error in any cell,
// and every check row's difference is below 1e-9.
func TestOfficeRecalculatesTheAudit(t *testing.T) {
	office := needs(t, "soffice", "libreoffice")
	book := convert(t, office, filepath.Join(runDemo(t), "audit-2026Q3.xlsx"), "xlsx")
	f, err := excelize.OpenFile(book, excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	defer f.Close()
	for _, sheet := range f.GetSheetList() {
		rows, err := f.GetRows(sheet)
		require.NoError(t, err)
		for r, row := range rows {
			for c, cell := range row {
				at, err := excelize.CoordinatesToCellName(c+1, r+1)
				require.NoError(t, err)
				require.False(t, strings.HasPrefix(cell, "#") || cell == "NaN" || strings.HasPrefix(cell, "Err:"), "%s!%s holds %s", sheet, at, cell)
			}
		}
	}
	rows, err := f.GetRows("Check")
	require.NoError(t, err)
	checked, moved := 0, false
	for _, row := range rows[4:] {
		if len(row) < 4 {
			continue
		}
		difference, err := strconv.ParseFloat(row[3], 64)
		require.NoError(t, err, "%q", row)
		require.Less(t, math.Abs(difference), 1e-9, "%q", row)
		checked++
		moved = moved || difference != 0
	}
	require.Greater(t, checked, 200)
	require.True(t, moved, "not one figure differs in its last digit: the formulas were not computed anew")
}

// A Python reader opens the workbook and finds numbers where numbers are.
func TestPythonReadsTheAudit(t *testing.T) {
	python := ""
	for _, candidate := range []string{"/usr/bin/python3", "python3"} {
		if exec.Command(candidate, "-c", "import openpyxl").Run() == nil {
			python = candidate
			break
		}
	}
	if python == "" {
		python = needs(t, "a Python with openpyxl")
	}
	book := filepath.Join(runDemo(t, "--eyes", "60"), "audit-2026Q3.xlsx")
	script := `
import sys, openpyxl
book = openpyxl.load_workbook(sys.argv[1], data_only=True)
for sheet in book:
    for row in sheet.iter_rows():
        for cell in row:
            if cell.data_type == "e" or cell.value != cell.value:
                sys.exit(f"{sheet.title}!{cell.coordinate}: {cell.value}")
print(book["Summary"]["A1"].value, len(book.sheetnames), type(book["Kmax"]["B5"].value).__name__)
`
	said, err := exec.CommandContext(t.Context(), python, "-c", script, book).CombinedOutput()
	require.NoError(t, err, "%s", said)
	require.Contains(t, string(said), "Audit of corneal cross-linking")
	require.Contains(t, string(said), "int")
}
