package intake

import (
	"archive/zip"
	"bytes"
	"compress/flate"
	"io"
	"os"
	"runtime"
	"strings"
	"testing"

	"github.com/pelletier/go-toml/v2"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"
	"golang.org/x/text/encoding/unicode"
)

const smallMapping = `
[[sheet]]
name = "visits"
shape = "visit"
[sheet.columns]
"Patient" = "patient.code"
"Eye" = "eye.side"
"Date" = "visit.on"
"Kmax" = "visit.kmax"
`

const smallCSV = "Patient,Eye,Date,Kmax\nP1,OD,2026-03-02,53.20\nP2,OD,2026-03-02,53.20\nP3,OD,2026-03-02,53.20\n"

// smallBook builds the workbook of smallCSV, changed by the caller.
func smallBook(t *testing.T, change func(f *excelize.File)) []byte {
	t.Helper()
	f := excelize.NewFile()
	defer f.Close()
	require.NoError(t, f.SetSheetName("Sheet1", "visits"))
	for i, line := range strings.Split(strings.TrimSpace(smallCSV), "\n") {
		for j, text := range strings.Split(line, ",") {
			cell, err := excelize.CoordinatesToCellName(j+1, i+1)
			require.NoError(t, err)
			if i > 0 && j == 3 {
				require.NoError(t, f.SetCellFloat("visits", cell, 53.2, 2, 64))
				continue
			}
			require.NoError(t, f.SetCellStr("visits", cell, text))
		}
	}
	if change != nil {
		change(f)
	}
	var b bytes.Buffer
	require.NoError(t, f.Write(&b))
	return b.Bytes()
}

// rezip copies a workbook with one of its parts replaced.
func rezip(t *testing.T, book []byte, name string, write func(w io.Writer)) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	require.NoError(t, err)
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	w.RegisterCompressor(zip.Deflate, func(out io.Writer) (io.WriteCloser, error) { return flate.NewWriter(out, flate.BestCompression) })
	for _, f := range z.File {
		part, err := w.Create(f.Name)
		require.NoError(t, err)
		if f.Name == name {
			write(part)
			continue
		}
		r, err := f.Open()
		require.NoError(t, err)
		_, err = io.Copy(part, r)
		require.NoError(t, err)
	}
	require.NoError(t, w.Close())
	return b.Bytes()
}

const sheetPart = "xl/worksheets/sheet1.xml"

// badFiles makes the files of testdata/bad/files.toml. The second result is
// the name of the file, the third is added to the mapping.
var badFiles = map[string]func(t *testing.T) (file []byte, name, mapping string){
	"an empty file": func(*testing.T) ([]byte, string, string) { return nil, "visits.csv", "" },
	"a truncated zip": func(t *testing.T) ([]byte, string, string) {
		b := smallBook(t, nil)
		return b[:len(b)*2/3], "visits.xlsx", ""
	},
	"a bomb of 200 MB": func(t *testing.T) ([]byte, string, string) {
		return rezip(t, smallBook(t, nil), sheetPart, func(w io.Writer) {
			zeros := bytes.Repeat([]byte(" "), 1<<20)
			for range 200 {
				_, err := w.Write(zeros)
				require.NoError(t, err)
			}
		}), "visits.xlsx", ""
	},
	"a zip that is no workbook": func(t *testing.T) ([]byte, string, string) {
		var b bytes.Buffer
		w := zip.NewWriter(&b)
		_, err := w.Create("letter.txt")
		require.NoError(t, err)
		require.NoError(t, w.Close())
		return b.Bytes(), "visits.xlsx", ""
	},
	"a workbook of the old form": func(*testing.T) ([]byte, string, string) {
		return []byte("\xD0\xCF\x11\xE0\xA1\xB1\x1A\xE1 and so on"), "visits.xlsx", ""
	},
	"a text named as a workbook": func(*testing.T) ([]byte, string, string) { return []byte(smallCSV), "visits.xlsx", "" },
	"a PDF":                      func(*testing.T) ([]byte, string, string) { return []byte("%PDF-1.7\n"), "visits.csv", "" },
	"a picture": func(*testing.T) ([]byte, string, string) {
		return []byte("\x89PNG\r\n\x1a\n\x00\x00\x00\rIHDR and more bytes that say nothing here"), "visits.csv", ""
	},
	"another encoding than declared": func(*testing.T) ([]byte, string, string) {
		return []byte(strings.Replace(smallCSV, "P1", "P\xe91", 1)), "visits.csv", "[file]\nencoding = \"utf-8\"\n"
	},
	"a mark of another encoding than declared": func(t *testing.T) ([]byte, string, string) {
		b, err := unicode.UTF16(unicode.LittleEndian, unicode.UseBOM).NewEncoder().Bytes([]byte(smallCSV))
		require.NoError(t, err)
		return b, "visits.csv", "[file]\nencoding = \"utf-8\"\n"
	},
	"an empty sheet": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) {
			for range 4 {
				require.NoError(t, f.RemoveRow("visits", 1))
			}
		}), "visits.xlsx", ""
	},
	"merged headings read as one row": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) {
			require.NoError(t, f.InsertRows("visits", 1, 1))
			for cell, text := range map[string]string{"A1": "Patient", "B1": "Eye", "C1": "Date", "D1": "Tomography"} {
				require.NoError(t, f.SetCellStr("visits", cell, text))
			}
			require.NoError(t, f.MergeCell("visits", "D1", "E1"))
		}), "visits.xlsx", ""
	},
	"a heading twice": func(*testing.T) ([]byte, string, string) {
		return []byte("Patient,Eye,Date,Kmax,Kmax\nP1,OD,2026-03-02,53.20,53.30\n"), "visits.csv", ""
	},
	"a column nobody decided about": func(*testing.T) ([]byte, string, string) {
		return []byte("Patient,Eye,Date,Kmax,Remarks\nP1,OD,2026-03-02,53.20,none\n"), "visits.csv", ""
	},
	"a sheet of another name": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) { require.NoError(t, f.SetSheetName("visits", "Besuche")) }), "visits.xlsx", ""
	},
	"a quotation mark never closed": func(*testing.T) ([]byte, string, string) {
		return []byte(strings.Replace(smallCSV, "P2", "\"P2", 1)), "visits.csv", ""
	},
	"a damaged sheet": func(t *testing.T) ([]byte, string, string) {
		return rezip(t, smallBook(t, nil), sheetPart, func(w io.Writer) {
			_, err := io.WriteString(w, `<worksheet><sheetData><row r="1"><c r="A1"><v>1</v></c></row><row r="2"><c r="A2"`)
			require.NoError(t, err)
		}), "visits.xlsx", ""
	},
	"an error cell": func(t *testing.T) ([]byte, string, string) {
		plain := smallBook(t, nil)
		require.Contains(t, partOf(t, plain, sheetPart), `<c r="D3"><v>53.20</v></c>`)
		return rezip(t, plain, sheetPart, func(w io.Writer) {
			_, err := io.WriteString(w, strings.Replace(partOf(t, plain, sheetPart), `<c r="D3"><v>53.20</v></c>`, `<c r="D3" t="e"><f>1/0</f><v>#DIV/0!</v></c>`, 1))
			require.NoError(t, err)
		}), "visits.xlsx", ""
	},
	"a formula without a value": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) {
			require.NoError(t, f.SetCellFormula("visits", "D3", "50+3"))
			require.NoError(t, f.UpdateLinkedValue())
		}), "visits.xlsx", ""
	},
	"a number shown as a date": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) {
			style, err := f.NewStyle(&excelize.Style{NumFmt: 14})
			require.NoError(t, err)
			require.NoError(t, f.SetCellInt("visits", "D3", 53))
			require.NoError(t, f.SetCellStyle("visits", "D3", "D3", style))
		}), "visits.xlsx", ""
	},
	"a number for a date": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) { require.NoError(t, f.SetCellInt("visits", "C3", 20260302)) }), "visits.xlsx", ""
	},
	"a truth value for a number": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) { require.NoError(t, f.SetCellBool("visits", "D3", true)) }), "visits.xlsx", ""
	},
	"a decimal comma that split a cell": func(*testing.T) ([]byte, string, string) {
		return []byte(strings.Replace(smallCSV, "P2,OD,2026-03-02,53.20", "P2,OD,2026-03-02,53,20", 1)), "visits.csv", ""
	},
	"merged cells over the rows of a patient": func(t *testing.T) ([]byte, string, string) {
		return smallBook(t, func(f *excelize.File) {
			require.NoError(t, f.SetCellValue("visits", "A3", nil))
			require.NoError(t, f.MergeCell("visits", "A2", "A3"))
		}), "visits.xlsx", ""
	},
}

func partOf(t *testing.T, book []byte, name string) string {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	require.NoError(t, err)
	r, err := z.Open(name)
	require.NoError(t, err)
	defer r.Close()
	b, err := io.ReadAll(r)
	require.NoError(t, err)
	return string(b)
}

func TestBadFilesAreSaid(t *testing.T) {
	var table struct {
		Files []struct{ Name, Fault, Refused string } `toml:"file"`
	}
	text, err := os.ReadFile("../../testdata/bad/files.toml")
	require.NoError(t, err)
	require.NoError(t, toml.NewDecoder(bytes.NewReader(text)).DisallowUnknownFields().Decode(&table))
	require.Len(t, table.Files, len(badFiles), "every file of the table is made, and no other")
	for _, bad := range table.Files {
		t.Run(bad.Name, func(t *testing.T) {
			make := badFiles[bad.Name]
			require.NotNil(t, make, "nothing makes this file")
			file, name, mapping := make(t)
			session := &keeping{}
			result, err := tryText(t, session, name, file, parseMapping(t, mapping+smallMapping))
			if bad.Fault != "" {
				require.EqualError(t, err, bad.Fault)
				require.False(t, session.committed)
				return
			}
			require.NoError(t, err)
			require.Len(t, result.Refusals, 1)
			require.Equal(t, bad.Refused, result.Refusals[0].String())
			require.Len(t, session.visits, 2, "the rows around it are taken")
		})
	}
}

// A bomb is refused by what its directory says, before anything unfolds.
func TestBombIsRefusedBeforeMemoryGrows(t *testing.T) {
	file, name, _ := badFiles["a bomb of 200 MB"](t)
	require.Less(t, len(file), 1<<20)
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	_, err := Read(bytes.NewReader(file), int64(len(file)), name, FileOptions{})
	runtime.ReadMemStats(&after)
	require.ErrorContains(t, err, "no honest sheet does")
	require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(1<<20))
}
