package export_test

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"github.com/parquet-go/parquet-go"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry"
	"keratally/registry/cohort"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
	"keratally/reports/export"
)

// hostile is what a clinic may have typed: a formula, quotes, a line break.
const hostile = "=HYPERLINK(\"x\"),\n@-+"

// clinic is an invented registry of about 90 eyes of 60 patients, drawn by lot
// from a fixed seed, with marks that must never come out: codes, names, free text.
func clinic(t testing.TB) *snapshot.Snapshot {
	t.Helper()
	rng := rand.New(rand.NewPCG(7, 11))
	b := snaptest.New(t, "2026-06-30")
	standard := b.Protocol("SECRETCENTRE", registry.Protocol{Code: "SECRETPROT1", Name: hostile, Version: 1, Epithelium: "off", Vehicle: "dextran", Pattern: "uniform",
		RiboflavinE2: 10, SoakE1: 300, Light: registry.Light{IrradianceE2: 300, ExposureS: 1800, PulseOnMs: measure.None, PulseOff: measure.None, FluenceE2: 540}})
	faster := b.Protocol("SECRETCENTRE", registry.Protocol{Code: "SECRETPROT2", Name: "SECRETNAME", Version: 1, Epithelium: "off", Vehicle: "hpmc", Pattern: "uniform",
		RiboflavinE2: 10, SoakE1: 100, Light: registry.Light{IrradianceE2: 900, ExposureS: 600, PulseOnMs: measure.None, PulseOff: measure.None, FluenceE2: 540}})
	elsewhere := b.Protocol("SECRETSITE", registry.Protocol{Code: "SECRETPROT2", Name: "SECRETNAME", Version: 2, Epithelium: "off", Vehicle: "hpmc", Pattern: "uniform",
		RiboflavinE2: 10, SoakE1: 100, Light: registry.Light{IrradianceE2: 900, ExposureS: 600, PulseOnMs: measure.None, PulseOff: measure.None, FluenceE2: 540}})
	surgeon := b.Clinician("SECRETCENTRE", "SECRETSURGEON")
	for p := range 60 {
		sex := [2]string{"female", "male"}[p%2]
		patient := b.Patient("SECRETCENTRE", registry.Patient{Code: fmt.Sprintf("SECRETPAT%03d", 997-13*p), Sex: sex, BirthYear: int16(1996 + p%4), Consent: "given"})
		own := rng.NormFloat64() * 0.8 // what the two eyes share
		for side := measure.Right; side <= measure.Left; side++ {
			if side == measure.Left && p%2 == 1 {
				continue
			}
			eye := b.Eye(patient, side, "keratoconus")
			day0 := snaptest.Day(t, "2022-03-01").Add(p*11 + int(side)*40)
			protocol := standard
			if rng.Float64() < 0.45 {
				protocol = faster
				if p%5 == 0 { // another version of it: one protocol, as the reports compare them
					protocol = elsewhere
				}
			}
			tr := b.Treat(eye, day0.String(), protocol, surgeon)
			b.S.Treatments.IrradianceE2[tr], b.S.Treatments.ExposureS[tr] = 300, 1800
			kmax := 50 + rng.NormFloat64()*4
			visit := func(day int, change float64) {
				b.Visit(eye, day0.Add(day).String(), snaptest.Values{registry.Kmax: measure.Steps(math.Round((kmax + change) * 100)), registry.CDVA: measure.Steps(200 + rng.IntN(20)*20),
					registry.K1: 4400, registry.K2: 4725}, func(v *registry.Visit) {
					v.Tomographer = "SECRETDEVICE"
					if day == 183 {
						v.Demarcations = []registry.Demarcation{{Zone: "central", Seen: "seen", DepthUm: 310, ThicknessUm: 470, Surface: "epithelium", Method: "as-oct", Observer: "SECRETOBSERVER"},
							{Zone: "SECRETZONE", Seen: "not-seen", DepthUm: measure.None, ThicknessUm: measure.None, Method: "SECRETMETHOD"}}
					}
					if day == 365 && p == 5 {
						v.Values[registry.CDVA], v.OffChart[registry.CDVA] = measure.None, measure.LightPerception
					}
				})
			}
			visit(-20, 0)
			drift := 0.0
			for _, day := range []int{33, 183, 365, 730} {
				if rng.Float64() < 0.15 {
					continue
				}
				if rng.Float64() < 0.09 {
					drift += 2.2
				}
				visit(day+rng.IntN(21)-10, own-0.6+drift+rng.NormFloat64()*0.5)
			}
			if rng.Float64() < 0.3 {
				b.Complication(eye, "delayed-healing", day0.Add(9).String(), "mild")
			}
			if p == 4 {
				b.Complication(eye, "SECRETKIND", day0.Add(12).String(), "severe")
			}
		}
	}
	return b.Freeze()
}

var key = []byte("0123456789abcdef0123456789abcdef")

func options(format string) export.Options {
	return export.Options{Format: format, Ages: export.Bands, SmallCells: 3, Accept: true, Program: "9.9.9", Key: key}
}

func outcomes(t testing.TB) (*snapshot.Outcomes, cohort.Flow) {
	t.Helper()
	all, err := clinic(t).Outcomes(registry.DefaultDefinitions())
	require.NoError(t, err)
	kept, flow, err := cohort.Everyone().Apply(all)
	require.NoError(t, err)
	return kept, flow
}

func filesOf(t testing.TB, o export.Options) map[string][]byte {
	t.Helper()
	kept, flow := outcomes(t)
	return written(t, kept, flow, o)
}

// written returns the files of an export by name.
func written(t testing.TB, kept *snapshot.Outcomes, flow cohort.Flow, o export.Options) map[string][]byte {
	t.Helper()
	e, err := export.New(kept, cohort.Everyone(), flow, o)
	require.NoError(t, err)
	require.NoError(t, e.Releasable())
	files, err := e.Files()
	require.NoError(t, err)
	byName := map[string][]byte{}
	for _, f := range files {
		byName[f.Name] = f.Content
		require.Equal(t, export.Hash(f.Content), f.SHA256)
	}
	return byName
}

func rowsOf(t testing.TB, text []byte) [][]string {
	t.Helper()
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	require.NoError(t, err)
	return rows
}

var tables = []string{"episodes", "measurements", "demarcation", "complications"}

// Every format gives the same bytes twice, and another key other numbers.
func TestSameBytes(t *testing.T) {
	for _, format := range []string{export.CSV, export.XLSX, export.Parquet} {
		first := filesOf(t, options(format))
		for range 4 { // the order of a map is seldom the same four times
			second := filesOf(t, options(format))
			for name, content := range first {
				require.True(t, bytes.Equal(content, second[name]), "%s of %s", name, format)
			}
			require.Len(t, second, len(first))
		}
	}
	other := options(export.CSV)
	other.Key = []byte("another key of another export")
	require.NotEqual(t, filesOf(t, options(export.CSV))["episodes.csv"], filesOf(t, other)["episodes.csv"])
}

// The workbook and the Parquet files read back equal the text files, cell by
// cell, with numbers as numbers and text as text.
func TestFormatsAgree(t *testing.T) {
	with := func(format string) map[string][]byte {
		o := options(format)
		o.WithText = true
		return filesOf(t, o)
	}
	text, sheets, columns := with(export.CSV), with(export.XLSX), with(export.Parquet)
	book, err := excelize.OpenReader(bytes.NewReader(sheets["export.xlsx"]), excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	defer book.Close()
	require.Equal(t, append(append([]string{}, tables...), "codebook"), book.GetSheetList())
	for _, name := range tables {
		want := rowsOf(t, text[name+".csv"])
		got, err := book.GetRows(name)
		require.NoError(t, err)
		for i := range got { // trailing empty cells are left out by the library
			for len(got[i]) < len(want[0]) {
				got[i] = append(got[i], "")
			}
		}
		require.Equal(t, want, got, name)
		require.Equal(t, want, parquetRows(t, columns[name+".parquet"]), name)
	}
	code := 1
	for i, head := range rowsOf(t, text["episodes.csv"])[0] {
		if head == "protocol_name" {
			code += i
		}
	}
	for row := 2; row <= 91; row++ {
		cell, err := excelize.CoordinatesToCellName(code, row)
		require.NoError(t, err)
		formula, err := book.GetCellFormula("episodes", cell)
		require.NoError(t, err)
		require.Empty(t, formula)
	}
	require.Contains(t, string(text["episodes.csv"]), `"=HYPERLINK(""x""),`)
	require.Contains(t, fmt.Sprint(parquetRows(t, columns["episodes.parquet"])), hostile)
}

func parquetRows(t testing.TB, content []byte) [][]string {
	t.Helper()
	f, err := parquet.OpenFile(bytes.NewReader(content), int64(len(content)))
	require.NoError(t, err)
	var head []string
	for _, field := range f.Schema().Fields() {
		head = append(head, field.Name())
	}
	all := [][]string{head}
	reader := parquet.NewReader(f)
	defer reader.Close()
	buffer := make([]parquet.Row, 1)
	for {
		n, err := reader.ReadRows(buffer)
		if n == 1 {
			row := make([]string, len(head))
			for _, v := range buffer[0] {
				switch {
				case v.IsNull():
				case v.Kind() == parquet.Int64:
					row[v.Column()] = strconv.FormatInt(v.Int64(), 10)
				case v.Kind() == parquet.Double:
					row[v.Column()] = strconv.FormatFloat(v.Double(), 'f', -1, 64)
				default:
					row[v.Column()] = string(v.ByteArray())
				}
			}
			all = append(all, row)
		}
		if err != nil {
			return all
		}
	}
}

// No code, name, free text or date of the registry is in any file; and with
// text asked for, the words come and the codes of patients still do not.
func TestNothingIdentifies(t *testing.T) {
	isoDate := regexp.MustCompile(`\b(19|20)\d\d-\d\d-\d\d\b`)
	longDate := regexp.MustCompile(`\b\d{1,2} (Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)[a-z]* 20\d\d\b`)
	unzipped := func(name string, content []byte) string {
		if !strings.HasSuffix(name, ".xlsx") {
			return string(content)
		}
		book, err := excelize.OpenReader(bytes.NewReader(content))
		require.NoError(t, err)
		defer book.Close()
		var all strings.Builder
		book.Pkg.Range(func(_, part any) bool { all.Write(part.([]byte)); return true })
		for _, sheet := range book.GetSheetList() {
			rows, err := book.GetRows(sheet)
			require.NoError(t, err)
			fmt.Fprintln(&all, rows)
		}
		return all.String()
	}
	for _, format := range []string{export.CSV, export.XLSX, export.Parquet} {
		for name, content := range filesOf(t, options(format)) {
			text := unzipped(name, content)
			if strings.HasSuffix(name, ".parquet") {
				text += fmt.Sprint(parquetRows(t, content))
			}
			for _, mark := range []string{"SECRET", "HYPERLINK"} {
				assert.NotContains(t, text, mark, name)
			}
			for _, found := range append(isoDate.FindAllString(text, -1), longDate.FindAllString(text, -1)...) {
				// The built-in definitions hold from 1990-01-01, and a workbook's own time is fixed.
				assert.Contains(t, []string{"1990-01-01", "2000-01-01"}, found, name)
			}
		}
	}
	o := options(export.CSV)
	o.WithText = true
	all := ""
	for _, content := range filesOf(t, o) {
		all += string(content)
	}
	for _, mark := range []string{"SECRETPROT1", "SECRETDEVICE", "SECRETZONE", "SECRETMETHOD", "SECRETKIND"} {
		assert.Contains(t, all, mark)
	}
	for _, mark := range []string{"SECRETPAT", "SECRETSURGEON", "SECRETCENTRE", "SECRETOBSERVER"} {
		assert.NotContains(t, all, mark)
	}
}

// The descriptor has the hash and size of each table, every column of it, and
// the codebook a row for each column, with its unit there and not in the cells.
func TestDescribed(t *testing.T) {
	files := filesOf(t, options(export.CSV))
	var p struct {
		Resources []struct {
			Name, Path, Hash string
			Bytes            int
			Schema           struct {
				Fields []struct {
					Name, Type, Unit string
					Constraints      struct{ Enum []any }
				}
				MissingValues []string
			}
		}
	}
	require.NoError(t, json.Unmarshal(files["datapackage.json"], &p))
	require.Len(t, p.Resources, 5)
	described := map[string][]string{}
	for _, row := range rowsOf(t, files["codebook.csv"])[1:] {
		described[row[0]] = append(described[row[0]], row[1])
		require.NotEmpty(t, row[2], "%s has a label", row[1])
	}
	for _, r := range p.Resources {
		require.Equal(t, "sha256:"+export.Hash(files[r.Path]), r.Hash)
		require.Equal(t, len(files[r.Path]), r.Bytes)
		require.Equal(t, []string{""}, r.Schema.MissingValues)
		rows := rowsOf(t, files[r.Path])
		var names []string
		for i, f := range r.Schema.Fields {
			names = append(names, f.Name)
			for _, row := range rows[1:] {
				cell := row[i]
				if cell == "" {
					continue
				}
				if f.Type != "string" {
					x, err := strconv.ParseFloat(cell, 64)
					require.NoError(t, err, "%s.%s", r.Name, f.Name)
					require.True(t, f.Type == "number" || x == math.Trunc(x), "%s.%s is a whole number", r.Name, f.Name)
				}
				if enum := f.Constraints.Enum; len(enum) > 0 {
					found := false
					for _, v := range enum {
						found = found || fmt.Sprint(v) == cell
					}
					require.True(t, found, "%s.%s: %q is none of %v", r.Name, f.Name, cell, enum)
				}
			}
		}
		require.Equal(t, rows[0], names)
		if r.Name != "codebook" {
			require.Equal(t, names, described[r.Name])
		}
	}
}

// Definitions read back as they were written.
func TestDefinitionsReadBack(t *testing.T) {
	text, err := export.EncodeDefinitions(registry.DefaultDefinitions())
	require.NoError(t, err)
	back, err := export.DecodeDefinitions(text)
	require.NoError(t, err)
	require.Equal(t, registry.DefaultDefinitions(), back)
	_, err = export.DecodeDefinitions([]byte(`[{"kind":"targets","name":"x","version":1,"valid_from":"1990-01-01","body":{}}]`))
	require.ErrorContains(t, err, "should be of a kind that an export uses")
}

// An empty cohort gives tables of no rows, in every format.
func TestNobody(t *testing.T) {
	all, err := snaptest.New(t, "2026-06-30").Freeze().Outcomes(registry.DefaultDefinitions())
	require.NoError(t, err)
	for _, format := range []string{export.CSV, export.XLSX, export.Parquet} {
		kept, flow, err := cohort.Everyone().Apply(all)
		require.NoError(t, err)
		o := options(format)
		o.Accept = false
		e, err := export.New(kept, cohort.Everyone(), flow, o)
		require.NoError(t, err)
		require.NoError(t, e.Releasable())
		_, err = e.Files()
		require.NoError(t, err)
		require.Zero(t, e.Table("episodes").Rows())
	}
}

// What is asked for wrongly is answered in words.
func TestOptionsRefused(t *testing.T) {
	kept, flow := outcomes(t)
	for want, change := range map[string]func(o *export.Options){
		"should be csv, xlsx or parquet": func(o *export.Options) { o.Format = "sas" },
		"should be bands or years":       func(o *export.Options) { o.Ages = "months" },
		"should be 1 or more patients":   func(o *export.Options) { o.SmallCells = -1 },
		"should have 16 or more":         func(o *export.Options) { o.Key = []byte("short") },
	} {
		o := options(export.CSV)
		change(&o)
		_, err := export.New(kept, cohort.Everyone(), flow, o)
		require.ErrorContains(t, err, want)
	}
}
