package page_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"keratally/reports"
	"keratally/reports/page"
)

// Three numbers with two, one and no decimals are padded to the same place:
// 2 - 1 = 1 figure space, and 2 figure spaces and a point's width.
func TestNumbersStandByTheirPoint(t *testing.T) {
	table := &reports.Table{
		Columns: []reports.Column{{Head: "what"}, {Head: "value", Format: reports.TwoDec}, {Head: "95 % CI from", Format: reports.TwoDec, Pair: true}, {Head: "to", Format: reports.TwoDec}},
		Rows: []reports.Row{
			{Break: true, Cells: []reports.Cell{reports.Text("Kmax")}},
			{Key: "P-1 OD", Cells: []reports.Cell{reports.Text("a"), reports.Number(-1.25), reports.Number(-2), reports.Number(0.5)}},
			{Key: "P-1 OS", Cells: []reports.Cell{reports.Text("b"), reports.Number(3.5).As(reports.OneDec), {}, {}}},
			{Cells: []reports.Cell{reports.Text("<c>"), reports.Number(7).As(reports.Whole), reports.Reason(errors.New("too few eyes")), {}}},
		},
	}
	got, err := page.Table(table, "values", page.Options{Eye: func(key string) string { return "/eyes/" + key }})
	require.NoError(t, err)
	s := string(got)
	require.Contains(t, s, `<td class="n">−1.25</td><td class="n">−2.00 to 0.50</td>`)
	require.Contains(t, s, "<td class=\"n\">3.5\u2007</td>")
	require.Contains(t, s, "<td class=\"n\">7\u2007\u2007\u2008</td>")
	require.Contains(t, s, `<td class="reason">too few eyes</td>`)
	require.Contains(t, s, `<a href="/eyes/P-1%20OD">a</a>`)
	require.Contains(t, s, `<th scope="colgroup" colspan="3">Kmax</th>`)
	require.Contains(t, s, "&lt;c&gt;")
	require.Contains(t, s, `<th scope="col" class="n">95 % CI</th>`)
}

func TestDocument(t *testing.T) {
	rows := make([]reports.Row, 7)
	for i := range rows {
		rows[i].Cells = []reports.Cell{reports.Count(i)}
	}
	doc := &reports.Document{Title: "A report", Subtitle: "of nothing", Sections: []reports.Section{
		{Name: "First part", Title: "The first", Lead: []string{"One sentence."}, Notes: []string{"A note."}, Table: &reports.Table{Columns: []reports.Column{{Head: "n", Format: reports.Whole}}, Rows: rows},
			Figures: []reports.Figure{{Key: "f", Kind: reports.LineFigure, Title: "a line", Desc: "of two points", Series: []reports.Series{{Name: "s", X: []float64{0, 1}, Y: []float64{1, 2}}}}}},
		{Name: "Second", Title: "The second", Table: &reports.Table{Columns: []reports.Column{{Head: "n"}}}, Empty: "Treatments will appear here."},
		{Name: "Cases", Title: "Case rows", Data: true, Table: &reports.Table{Made: 12345, Make: func(int) reports.Row { panic("drawn") }}},
	}}
	var b bytes.Buffer
	require.NoError(t, page.Write(&b, doc, page.Options{MaxRows: 5}))
	s := b.String()
	for _, want := range []string{"<h1>A report</h1>", `href="#part-first-part"`, `id="part-first-part"`, "One sentence.", "A note.", "2 more rows are in the workbook.",
		"Treatments will appear here.", "Case rows: 12345 rows", "<svg ", "a line"} {
		require.Contains(t, s, want)
	}
	require.NotContains(t, s, "style=", "a strict policy forbids it")
	require.NotContains(t, s, "<script")
	require.Equal(t, 1, strings.Count(s, "<svg "))
}
