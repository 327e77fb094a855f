package reports_test

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
	"keratally/reports"
	"keratally/reports/figure"
	"keratally/reports/workbook"
)

// few draws a small clinic: eyes with a baseline, month 6 and month 12, one
// protocol and one surgeon of the given names.
func few(t *testing.T, eyes int, protocol, surgeon string) *snaptest.Builder {
	b := snaptest.New(t, "2026-09-30")
	p := b.Protocol("N", registry.Protocol{Code: protocol, Version: 1, Name: protocol})
	c := b.Clinician("N", surgeon)
	var patient int32
	for i := range eyes {
		if i%2 == 0 {
			patient = b.Patient("N", registry.Patient{Code: fmt.Sprintf("P%d", i/2), Sex: "female", BirthYear: 2000})
		}
		eye := b.Eye(patient, measure.Side(i%2+1), "keratoconus")
		b.Treat(eye, "2025-01-10", p, c)
		for d, on := range []string{"2025-01-02", "2025-07-12", "2026-01-10"} {
			b.Visit(eye, on, snaptest.Values{registry.Kmax: measure.Steps(5500 + 35*i - 60*d), registry.CDVA: measure.Steps(300 - 20*d), registry.Thinnest: measure.Steps(450 + i)}, nil)
		}
	}
	return b
}

func documentOf(t *testing.T, b *snaptest.Builder) *reports.Document {
	audit, err := reports.NewAudit(source(t, b.Freeze()))
	require.NoError(t, err)
	doc, err := audit.Document()
	require.NoError(t, err)
	return doc
}

func bookOf(t *testing.T, doc *reports.Document) *excelize.File {
	var out bytes.Buffer
	require.NoError(t, workbook.WriteWith(&out, doc, figure.PNG))
	f, err := excelize.OpenReader(bytes.NewReader(out.Bytes()), excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	t.Cleanup(func() { f.Close() })
	return f
}

// Whatever the cohort, every sheet is written, none holds NaN or an error
// value, and a sheet without rows says what will appear on it.
func TestAuditOfAnyCohort(t *testing.T) {
	for _, eyes := range []int{0, 1, 2, 3, 5, 12} {
		t.Run(fmt.Sprint(eyes, " eyes"), func(t *testing.T) {
			doc := documentOf(t, few(t, eyes, "STD", "S"))
			f := bookOf(t, doc)
			for _, s := range doc.Sections {
				require.LessOrEqual(t, len([]rune(s.Name)), 25, s.Name)
				if s.Table != nil && s.Table.Len() == 0 {
					require.NotEmpty(t, s.Empty, "sheet %s without rows should say so", s.Name)
				}
				rows, err := f.GetRows(s.Name)
				require.NoError(t, err)
				for _, row := range rows {
					for _, cell := range row {
						require.NotContains(t, cell, "NaN", "sheet %s", s.Name)
						require.False(t, strings.HasPrefix(cell, "#"), "sheet %s holds %s", s.Name, cell)
					}
				}
			}
			if eyes == 0 {
				require.Equal(t, []string{"The cohort holds no eye."}, doc.Sections[0].Lead)
			}
			if eyes > 0 && eyes < 5 { // values, and in place of a test the reason
				requireCell(t, doc, "Kmax", "month 12", "p", "too few eyes for a test")
			}
		})
	}
}

func requireCell(t *testing.T, doc *reports.Document, section, row, column, want string) {
	t.Helper()
	for _, s := range doc.Sections {
		if s.Name != section {
			continue
		}
		for i := range s.Table.Len() {
			r := s.Table.Row(i)
			if r.Cells[0].Text != row {
				continue
			}
			for c, col := range s.Table.Columns {
				if col.Key == column {
					require.Equal(t, want, r.Cells[c].Text)
					return
				}
			}
		}
	}
	t.Fatalf("no cell %s of %s on %s", column, row, section)
}

// Names are text whatever they look like, and survive whole.
func TestOddNamesStayText(t *testing.T) {
	long := strings.Repeat("Ångström-Ñandú ", 5) + "שמות"
	f := bookOf(t, documentOf(t, few(t, 6, `=HYPERLINK("x")`, long)))
	found := map[string]bool{}
	for _, sheet := range f.GetSheetList() {
		rows, err := f.GetRows(sheet)
		require.NoError(t, err)
		for r, row := range rows {
			for c, cell := range row {
				at, err := excelize.CoordinatesToCellName(c+1, r+1)
				require.NoError(t, err)
				formula, err := f.GetCellFormula(sheet, at)
				require.NoError(t, err)
				require.NotContains(t, formula, "HYPERLINK", "%s!%s", sheet, at)
				found[cell] = true
			}
		}
	}
	require.True(t, found[`=HYPERLINK("x")`])
	require.True(t, found["Clinician "+long])
}

// The same source is the same workbook, byte for byte, however many cores and
// whether sheets are held or streamed.
func TestAuditSameBytes(t *testing.T) {
	for _, s := range []*snapshot.Snapshot{few(t, 12, "STD", "S").Freeze(), manyEyes(t, 2500)} {
		write := func() []byte {
			audit, err := reports.NewAudit(source(t, s))
			require.NoError(t, err)
			doc, err := audit.Document()
			require.NoError(t, err)
			var out bytes.Buffer
			require.NoError(t, workbook.WriteWith(&out, doc, figure.PNG))
			return out.Bytes()
		}
		first := write()
		for range 4 {
			require.True(t, bytes.Equal(first, write()))
		}
	}
}

// Hand arithmetic: twelve eyes whose Kmax falls by 0.60 D at month 6 and 1.20
// D at month 12, all alike: the change has no variance, which is said in words.
func TestConstantChangeSaysWhyThereIsNoTest(t *testing.T) {
	audit, err := reports.NewAudit(source(t, few(t, 12, "STD", "S").Freeze()))
	require.NoError(t, err)
	doc, err := audit.Document()
	require.NoError(t, err)
	requireCell(t, doc, "Kmax", "month 12", "p", "mean of clustered values: all values are equal, so there is no variation to test against")
}

// One surgeon's report shows no peer where fewer than three others could be
// told apart.
func TestOwnResultsHideFewPeers(t *testing.T) {
	own, err := reports.NewOwn(source(t, few(t, 12, "STD", "S").Freeze()), "s")
	require.NoError(t, err)
	doc, err := own.Document()
	require.NoError(t, err)
	for _, s := range doc.Sections {
		if s.Name == "Peers" {
			require.Empty(t, s.Figures)
			require.Len(t, s.Table.Rows, 1)
			return
		}
	}
	t.Fatal("no sheet Peers")
}

// A name that treated nobody is refused with the names that did.
func TestOwnResultsOfNobody(t *testing.T) {
	_, err := reports.NewOwn(source(t, few(t, 3, "STD", "S").Freeze()), "X")
	require.ErrorContains(t, err, "should be one of S")
}
