package workbook_test

import (
	"bytes"
	"errors"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"keratally/registry"
	"keratally/reports"
	"keratally/reports/workbook"
)

func sample() *reports.Document {
	cases := &reports.Cases{Section: "Cases", Columns: []string{"kmax"}, First: 0, Last: -1}
	doc := &reports.Document{
		Name: "sample", Title: "Sample & report", Subtitle: "Treatments of 2026",
		Provenance: reports.Provenance{CutOff: registry.DateFromDays(20000), Snapshot: "abc", Cohort: "all eyes", Program: "test"},
		Sections: []reports.Section{
			{Name: "Summary", Title: "Summary", Lead: []string{"Kmax fell."}, Table: &reports.Table{
				Columns: []reports.Column{{Key: "what", Head: "figure"}, {Key: "n", Head: "n", Format: reports.Whole, Help: "eyes counted"},
					{Key: "mean", Head: "mean (D)", Format: reports.TwoDec}, {Key: "p", Head: "p", Format: reports.PValue}},
				Rows: []reports.Row{
					{Break: true, Cells: []reports.Cell{reports.Text("Kmax")}},
					{Cells: []reports.Cell{reports.Text(`=HYPERLINK("x")`), reports.Count(3).From(cases), reports.Number(-1.0247), reports.Number(0.00004)}},
					{Cells: []reports.Cell{reports.Text("ECD"), reports.Count(1), {}, reports.Reason(errors.New("there are too few observations"))}},
				}}, Notes: []string{"A note."},
				Figures: []reports.Figure{
					{Key: "line", Kind: reports.LineFigure, Title: "Kmax over time (3 eyes)", X: reports.Axis{Title: "days"}, Y: reports.Axis{Title: "Kmax change (D)"},
						Series: []reports.Series{{Name: "all", X: []float64{30, 183, 365}, Y: []float64{0.2, -0.5, -1}, Lower: []float64{0, -1, -1.5}, Upper: []float64{.4, 0, -.5}}}},
					{Key: "bars", Kind: reports.BarFigure, Title: "Lines (3 eyes)", X: reports.Axis{Title: "lines", Categories: []string{"lost", "same", "gained"}}, Y: reports.Axis{Title: "share", Percent: true},
						Series: []reports.Series{{Name: "all", Y: []float64{.1, .5, .4}}}},
				}},
			{Name: "Cases", Title: "Case rows", Table: &reports.Table{Filter: true,
				Columns: []reports.Column{{Key: "eye", Head: "eye"}, {Key: "day", Head: "treated", Format: reports.DayForm}, {Key: "kmax", Head: "Kmax change (D)", Format: reports.TwoDec}}}},
		},
	}
	for i := range 3 {
		doc.Sections[1].Table.Rows = append(doc.Sections[1].Table.Rows, reports.Row{Cells: []reports.Cell{
			reports.Text("-P1"), reports.Day(registry.DateFromDays(int32(19000 + i))), reports.Number(float64(-i))}})
	}
	return doc
}

// A document becomes a workbook whose cells hold full values, whose text is
// never a formula and whose counts lead to their case rows.
func TestWrite(t *testing.T) {
	var out bytes.Buffer
	require.NoError(t, workbook.Write(&out, sample()))
	f, err := excelize.OpenReader(bytes.NewReader(out.Bytes()), excelize.Options{RawCellValue: true})
	require.NoError(t, err)
	defer f.Close()
	require.Equal(t, []string{"Summary", "Cases", "Chart data"}, f.GetSheetList())
	get := func(sheet, at string) string {
		v, err := f.GetCellValue(sheet, at)
		require.NoError(t, err)
		return v
	}
	require.Equal(t, `=HYPERLINK("x")`, get("Summary", "A6"))
	formula, err := f.GetCellFormula("Summary", "A6")
	require.NoError(t, err)
	require.Empty(t, formula)
	require.Equal(t, "-1.0247", get("Summary", "C6"))
	require.Equal(t, "there are too few observations", get("Summary", "D7"))
	linked, target, err := f.GetCellHyperLink("Summary", "B6")
	require.NoError(t, err)
	require.True(t, linked)
	require.Equal(t, "'Cases'!C5:C7", target)
	require.Equal(t, "44569", get("Cases", "B5"), "1 Jan 1970 is 25569 in the 1900 date system")
}

// The same document is the same file, byte for byte.
func TestWriteSameBytes(t *testing.T) {
	var a, b bytes.Buffer
	require.NoError(t, workbook.Write(&a, sample()))
	require.NoError(t, workbook.Write(&b, sample()))
	require.True(t, bytes.Equal(a.Bytes(), b.Bytes()))
}
