// Package workbook renders a document as a spreadsheet workbook: one sheet a
// section, numbers as numbers, native charts, nothing computed. The same
// document gives the same bytes.
package workbook

import (
	"fmt"
	"io"
	"sort"
	"time"

	"github.com/xuri/excelize/v2"

	"keratally/reports"
	"keratally/reports/zipped"
)

// longSheet is the number of rows from which a sheet is streamed: beyond it
// the library's cell by cell interface costs twenty times the memory.
const longSheet = 2000

// Picture draws a figure as a PNG of 200 dots an inch.
type Picture func(w io.Writer, fig *reports.Figure) error

// Write renders the document into w as an .xlsx file. Figures of a kind that a
// spreadsheet cannot draw are left out: see WriteWith.
func Write(w io.Writer, doc *reports.Document) error { return WriteWith(w, doc, nil) }

// WriteWith is Write with pictures of the figures that are not native charts.
func WriteWith(w io.Writer, doc *reports.Document, picture Picture) error {
	f := excelize.NewFile()
	defer f.Close()
	b, err := newBook(f, doc)
	if err != nil {
		return err
	}
	b.picture = picture
	for i := range doc.Sections {
		if err := b.section(i); err != nil {
			return fmt.Errorf("sheet %s: %w", doc.Sections[i].Name, err)
		}
	}
	if err := b.finish(); err != nil {
		return err
	}
	f.SetZipWriter(func(w io.Writer) excelize.ZipWriter { return zipped.NewWriter(w) })
	return f.Write(w)
}

// book is a workbook being written.
type book struct {
	f       *excelize.File
	doc     *reports.Document
	styles  *styles
	picture Picture
	places  map[string]place // section name to where its table stands
	charts  int              // columns used on the chart data sheet
}

// place is where a section's table stands on its sheet, rows from 1.
type place struct {
	section  *reports.Section
	firstRow int // of data
	columns  map[string]int
}

func newBook(f *excelize.File, doc *reports.Document) (*book, error) {
	st, err := newStyles(f)
	if err != nil {
		return nil, err
	}
	b := &book{f: f, doc: doc, styles: st, places: map[string]place{}}
	for i := range doc.Sections {
		s := &doc.Sections[i]
		p := place{section: s, firstRow: headRow + 1, columns: map[string]int{}}
		if s.Table != nil {
			for c, col := range s.Table.Columns {
				p.columns[col.Key] = c + 1
			}
		}
		b.places[s.Name] = p
		if i == 0 {
			err = f.SetSheetName("Sheet1", s.Name)
		} else {
			_, err = f.NewSheet(s.Name)
		}
		if err != nil {
			return nil, fmt.Errorf("sheet %s: %w", s.Name, err)
		}
	}
	return b, nil
}

// section writes one sheet: title, cohort and cut-off, heading row 4, the
// table, notes and charts.
func (b *book) section(i int) error {
	s := &b.doc.Sections[i]
	long := s.Table != nil && (s.Table.Len() > longSheet || hasFormulas(s.Table))
	var out sheet
	if long { // what stands around the cells first: afterwards the library would read the whole sheet back
		if err := b.furnish(s, long); err != nil {
			return err
		}
		sw, err := b.f.NewStreamWriter(s.Name)
		if err != nil {
			return err
		}
		out = &streamSheet{w: sw}
	} else {
		out = &cellSheet{f: b.f, name: s.Name}
	}
	if err := b.fill(out, s); err != nil {
		return err
	}
	if err := out.flush(); err != nil {
		return err
	}
	if long {
		return nil
	}
	if err := b.furnish(s, long); err != nil {
		return err
	}
	return b.drawCharts(s)
}

func hasFormulas(t *reports.Table) bool {
	for _, row := range t.Rows { // formulas stand in rows that are held
		for _, c := range row.Cells {
			if c.Formula != "" {
				return true
			}
		}
	}
	return false
}

// finish sets what belongs to the whole file. The times are those of the
// cut-off, not of the clock: the same report is the same file.
func (b *book) finish() error {
	if types := b.f.ContentTypes; types != nil { // filled from a map, in another order each time
		sort.Slice(types.Defaults, func(i, j int) bool { return types.Defaults[i].Extension < types.Defaults[j].Extension })
	}
	stamp := b.doc.Provenance.CutOff.Time().Format(time.RFC3339)
	return b.f.SetDocProps(&excelize.DocProperties{
		Title:          b.doc.Title,
		Subject:        b.doc.Subtitle,
		Creator:        "Keratally " + b.doc.Provenance.Program,
		LastModifiedBy: "Keratally " + b.doc.Provenance.Program,
		Created:        stamp,
		Modified:       stamp,
		Description:    "Snapshot " + b.doc.Provenance.Snapshot,
		Language:       "en-GB",
	})
}
