package intake

import (
	"bytes"
	"io"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"pgregory.net/rapid"

	"keratally/registry"
	"keratally/registry/measure"
)

func readAll(t testing.TB, file []byte, name string, o FileOptions) (*Workbook, [][]string) {
	t.Helper()
	book, err := Read(bytes.NewReader(file), int64(len(file)), name, o)
	require.NoError(t, err)
	rows, err := book.Sheets[0].Open()
	require.NoError(t, err)
	defer rows.Close()
	var all [][]string
	for {
		row, err := rows.Next()
		if err == io.EOF {
			return book, all
		}
		require.NoError(t, err)
		line := []string{}
		for _, c := range row.Cells {
			line = append(line, string(c.Text))
		}
		all = append(all, line)
	}
}

func TestTextFilesOfEveryKind(t *testing.T) {
	const text = "Patient;Größe;µm\r\nP1;\"a;b\";468\r\nP2;\"say \"\"so\"\"\";470\r\nP3;\"two\r\nlines\";471"
	want := [][]string{{"Patient", "Größe", "µm"}, {"P1", "a;b", "468"}, {"P2", `say "so"`, "470"}, {"P3", "two\r\nlines", "471"}}
	encode := func(e interface{ Bytes([]byte) ([]byte, error) }) []byte {
		b, err := e.Bytes([]byte(text))
		require.NoError(t, err)
		return b
	}
	for name, file := range map[string][]byte{
		"UTF-8":                   []byte(text),
		"UTF-8 with a mark":       []byte("\xEF\xBB\xBF" + text),
		"UTF-16, low byte first":  encode(unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder()),
		"UTF-16, high byte first": encode(unicode.UTF16(unicode.BigEndian, unicode.UseBOM).NewEncoder()),
		"UTF-16 without a mark":   encode(unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewEncoder()),
		"windows-1252":            encode(charmap.Windows1252.NewEncoder()),
	} {
		t.Run(name, func(t *testing.T) {
			book, rows := readAll(t, file, "visits.csv", FileOptions{})
			require.Equal(t, want, rows)
			require.Equal(t, "visits", book.Sheets[0].Name)
		})
	}
	for delimiter, name := range map[string]string{",": "comma", "\t": "tab", "|": "bar"} {
		t.Run(name, func(t *testing.T) {
			_, rows := readAll(t, []byte(strings.ReplaceAll("a;b;c\n1;2;3\n4;5;6\n", ";", delimiter)), "x.csv", FileOptions{})
			require.Equal(t, [][]string{{"a", "b", "c"}, {"1", "2", "3"}, {"4", "5", "6"}}, rows)
		})
	}
}

func TestDetectedEncodingIsSaid(t *testing.T) {
	book, _ := readAll(t, []byte("a,b\nGr\xf6\xdfe,1\n"), "x.csv", FileOptions{})
	require.Equal(t, []string{"encoding taken as windows-1252: declare it in the mapping if letters with accents look wrong"}, book.Notices)
}

// What encoding/csv would write is read back as it was, whatever the cells.
func TestCellsOfTextFilesSurvive(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		cell := rapid.StringMatching(`[a-z0-9",;\n]{0,6}[a-z0-9]`)
		rows := rapid.SliceOfN(rapid.SliceOfN(cell, 2, 4), 1, 8).Draw(rt, "rows")
		var b strings.Builder
		for _, row := range rows {
			for i, c := range row {
				if i > 0 {
					b.WriteByte(';')
				}
				b.WriteString(`"` + strings.ReplaceAll(c, `"`, `""`) + `"`)
			}
			b.WriteByte('\n')
		}
		_, got := readAll(t, []byte(b.String()), "x.csv", FileOptions{Delimiter: ';'})
		require.Equal(rt, rows, got)
	})
}

func TestWorkbooksOfEveryKind(t *testing.T) {
	f := excelize.NewFile()
	defer f.Close()
	style, err := f.NewStyle(&excelize.Style{NumFmt: 14})
	require.NoError(t, err)
	own := `dd"d"/mm/yyyy`
	ownStyle, err := f.NewStyle(&excelize.Style{CustomNumFmt: &own})
	require.NoError(t, err)
	require.NoError(t, f.SetCellValue("Sheet1", "A1", "a < b & \"c\" é"))
	require.NoError(t, f.SetCellRichText("Sheet1", "C1", []excelize.RichTextRun{{Text: "rich "}, {Text: "text"}}))
	require.NoError(t, f.SetCellFloat("Sheet1", "A3", -2.25, -1, 64))
	zero := "0"
	whole, err := f.NewStyle(&excelize.Style{CustomNumFmt: &zero})
	require.NoError(t, err)
	require.NoError(t, f.SetCellStyle("Sheet1", "A3", "A3", whole))
	require.NoError(t, f.SetCellInt("Sheet1", "B3", 46083))
	require.NoError(t, f.SetCellStyle("Sheet1", "B3", "B3", style))
	require.NoError(t, f.SetCellInt("Sheet1", "C3", 46083))
	require.NoError(t, f.SetCellStyle("Sheet1", "C3", "C3", ownStyle))
	require.NoError(t, f.SetCellBool("Sheet1", "D3", true))
	var b bytes.Buffer
	require.NoError(t, f.Write(&b))
	book, err := Read(bytes.NewReader(b.Bytes()), int64(b.Len()), "x.xlsx", FileOptions{})
	require.NoError(t, err)
	rows, err := book.Sheets[0].Open()
	require.NoError(t, err)
	defer rows.Close()
	first, err := rows.Next()
	require.NoError(t, err)
	require.Equal(t, 1, first.Number)
	require.Equal(t, `a < b & "c" é`, string(first.Cells[0].Text))
	require.Equal(t, EmptyCell, first.Cells[1].Type)
	require.Equal(t, "rich text", string(first.Cells[2].Text))
	third, err := rows.Next()
	require.NoError(t, err)
	require.Equal(t, 3, third.Number, "rows keep the numbers that the sheet shows")
	require.Equal(t, Cell{NumberCell, []byte("-2.25")}, third.Cells[0], "the number itself, not what a format shows of it")
	require.Equal(t, DateCell, third.Cells[1].Type)
	require.Equal(t, DateCell, third.Cells[2].Type)
	require.Equal(t, BoolCell, third.Cells[3].Type)
}

// ECMA-376 part 1, 18.17.4.1: 1 March 2026 is 46082 days after 30 December
// 1899 and 44620 days after 1 January 1904 (1,462 fewer).
func TestSerialNumbersOfBothDateSystems(t *testing.T) {
	for _, tt := range []struct {
		number string
		date04 bool
		want   string
	}{{"46082", false, "2026-03-01"}, {"46082.75", false, "2026-03-01"}, {"44620", true, "2026-03-01"}, {"61", false, "1900-03-01"}} {
		d, err := serialDay(tt.number, tt.date04)
		require.NoError(t, err)
		require.Equal(t, tt.want, d.String())
	}
	for _, number := range []string{"60", "0", "-5", "20260302", "NaN", "x"} {
		_, err := serialDay(number, false)
		require.ErrorContains(t, err, "not the serial number of a day", number)
	}
}

func TestDatesAsPeopleWriteThem(t *testing.T) {
	for _, tt := range []struct {
		text string
		form dateForm
		want string
	}{
		{"2026-03-04", undeclaredDates, "2026-03-04"}, {"2026/3/4", undeclaredDates, "2026-03-04"}, {"4.3.2026", dayFirst, "2026-03-04"},
		{"04/03/2026", monthFirst, "2026-04-03"}, {"25/12/2025", undeclaredDates, "2025-12-25"}, {"12/25/2025", undeclaredDates, "2025-12-25"},
		{"5/5/2025", undeclaredDates, "2025-05-05"}, {"4 Mar 2026", isoDates, "2026-03-04"}, {"March 4, 2026", isoDates, "2026-03-04"},
		{"20260304", compactDates, "2026-03-04"}, {"2026-03-04T10:30:00", isoDates, "2026-03-04"}, {"2026-03-04 10:30", isoDates, "2026-03-04"},
		{"2024-02-29", isoDates, "2024-02-29"},
	} {
		d, err := dateText(tt.text, tt.form)
		require.NoError(t, err, tt.text)
		require.Equal(t, tt.want, d.String(), tt.text)
	}
	for text, says := range map[string]string{"03/04/2026": "may be 2026-04-03 or 2026-03-04", "3/4/26": "four digits", "2025-02-29": "2025 had no 29 February", "soon": "not a day"} {
		_, err := dateText(text, undeclaredDates)
		require.ErrorContains(t, err, says, text)
	}
}

// The quick ways must say what the careful ones say.
func TestQuickReadingAgreesWithCareful(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		d := registry.DateFromDays(rapid.Int32Range(-60000, 80000).Draw(rt, "day"))
		if quick, ok := fastISODay([]byte(d.String())); ok {
			require.Equal(rt, d, quick)
		}
		u := measure.Unit(rapid.IntRange(1, int(measure.ConcentrationUnit)).Draw(rt, "unit"))
		text := rapid.StringMatching(`-?[0-9]{0,5}\.?[0-9]{0,4}`).Draw(rt, "text")
		if quick, ok := fastSteps([]byte(text), '.', u); ok {
			x, err := measure.ParseNumber(text, '.')
			require.NoError(rt, err, text)
			careful, err := measure.FromFloat(x, u)
			require.NoError(rt, err)
			require.Equal(rt, careful, quick, text)
		}
	})
}

func TestColumnLetters(t *testing.T) {
	for at, letters := range map[int]string{0: "A", 25: "Z", 26: "AA", 27: "AB", 701: "ZZ", 702: "AAA"} {
		require.Equal(t, letters, Letters(at))
		require.Equal(t, at, columnAt(letters))
	}
}
