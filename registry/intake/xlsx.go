package intake

import (
	"archive/zip"
	"io"
	"path"
	"strconv"
	"strings"
)

// What a part of a workbook may unfold to. A real sheet shrinks to between a
// fifth and a sixtieth; a part that shrank far more holds nothing worth reading.
const (
	maxSheetBytes  = 4 << 30
	maxStringBytes = 512 << 20 // shared strings are held in memory
	maxSmallBytes  = 16 << 20
	smallEnough    = 16 << 20 // below this size the ratio does not matter
	maxRatio       = 150
)

type xlsxBook struct {
	book    *Workbook
	files   map[string]*zip.File
	strings []string
	dates   []bool // by cell style: shown as a date
}

func (b *Workbook) readXLSX(r io.ReaderAt, size int64) error {
	z, err := zip.NewReader(r, size)
	if err != nil {
		return b.fault("is cut off or damaged: copy it again from where it came")
	}
	x := &xlsxBook{book: b, files: make(map[string]*zip.File, len(z.File))}
	for _, f := range z.File {
		if f.UncompressedSize64 > smallEnough && f.UncompressedSize64 > maxRatio*max(f.CompressedSize64, 1) {
			return b.fault("would unfold from %d kB to %d MB in %q: no honest sheet does, so it is not opened", f.CompressedSize64>>10, f.UncompressedSize64>>20, f.Name)
		}
		x.files[strings.ToLower(strings.TrimPrefix(f.Name, "/"))] = f
	}
	if x.files["xl/workbook.xml"] == nil {
		return b.fault("is a zip archive but not a workbook: should be .xlsx or .csv")
	}
	targets, err := x.relations()
	if err != nil {
		return err
	}
	if err := x.readSheetList(targets); err != nil {
		return err
	}
	if err := x.readStyles(); err != nil {
		return err
	}
	return x.readStrings()
}

// part opens a part of the workbook as XML; nil when there is none.
func (x *xlsxBook) part(name string, limit int64) (*xmlScanner, error) {
	f := x.files[strings.ToLower(name)]
	if f == nil {
		return nil, nil
	}
	if int64(f.UncompressedSize64) > limit {
		return nil, x.book.fault("holds %d MB in %q: at most %d MB are read", f.UncompressedSize64>>20, f.Name, limit>>20)
	}
	r, err := f.Open()
	if err != nil {
		return nil, x.damaged(name)
	}
	return newXMLScanner(io.LimitReader(r, limit), r), nil
}

func (x *xlsxBook) damaged(name string) error {
	return x.book.fault("is damaged in %q: open it in a spreadsheet program and save it again", name)
}

// each calls f for every element of a part.
func (x *xlsxBook) each(name string, limit int64, f func(*xmlScanner) error) error {
	s, err := x.part(name, limit)
	if err != nil || s == nil {
		return err
	}
	defer s.close()
	for {
		ok, err := s.next()
		if err != nil {
			return x.damaged(name)
		}
		if !ok {
			return nil
		}
		if err := f(s); err != nil {
			return err
		}
	}
}

func (x *xlsxBook) relations() (map[string]string, error) {
	targets := map[string]string{}
	err := x.each("xl/_rels/workbook.xml.rels", maxSmallBytes, func(s *xmlScanner) error {
		if s.kind == xmlStart && s.name == "Relationship" {
			t := s.attr("Target")
			if strings.HasPrefix(t, "/") {
				t = t[1:]
			} else {
				t = path.Join("xl", t)
			}
			targets[s.attr("Id")] = t
		}
		return nil
	})
	return targets, err
}

func (x *xlsxBook) readSheetList(targets map[string]string) error {
	date04 := false
	err := x.each("xl/workbook.xml", maxSmallBytes, func(s *xmlScanner) error {
		if s.kind != xmlStart {
			return nil
		}
		switch s.name {
		case "workbookPr":
			v := s.attr("date1904")
			date04 = v == "1" || v == "true"
		case "sheet":
			part := targets[s.attr("id")]
			if x.files[strings.ToLower(part)] == nil {
				return x.book.fault("names sheet %q but does not hold it: open it in a spreadsheet program and save it again", s.attr("name"))
			}
			if strings.Contains(part, "chartsheets/") {
				return nil
			}
			x.book.Sheets = append(x.book.Sheets, Sheet{
				Name: s.attr("name"), Hidden: s.attr("state") == "hidden" || s.attr("state") == "veryHidden", Date04: date04,
				open:   func() (Rows, error) { return x.openSheet(part) },
				merged: func() ([]area, error) { return x.mergedIn(part) },
			})
		}
		return nil
	})
	if err == nil && len(x.book.Sheets) == 0 {
		return x.book.fault("has no sheet")
	}
	return err
}

// readStyles finds which cell styles show a number as a date: the built-in
// formats 14–22 and 45–47 (ECMA-376 part 1, 18.8.30) and formats of one's own
// that name a day, month or year.
func (x *xlsxBook) readStyles() error {
	own := map[int]bool{}
	inCells := false
	return x.each("xl/styles.xml", maxSmallBytes, func(s *xmlScanner) error {
		switch {
		case s.kind == xmlStart && s.name == "numFmt":
			id, _ := strconv.Atoi(s.attr("numFmtId"))
			own[id] = namesDay(s.attr("formatCode"))
		case s.name == "cellXfs":
			inCells = s.kind == xmlStart && !s.empty
		case s.kind == xmlStart && s.name == "xf" && inCells:
			id, _ := strconv.Atoi(s.attr("numFmtId"))
			x.dates = append(x.dates, own[id] || id >= 14 && id <= 22 || id >= 45 && id <= 47)
		}
		return nil
	})
}

// namesDay reports whether a number format shows days, months or years
// outside quoted text and brackets.
func namesDay(format string) bool {
	quoted, bracket := false, false
	for i := 0; i < len(format); i++ {
		switch c := format[i]; {
		case c == '"':
			quoted = !quoted
		case quoted:
		case c == '\\':
			i++
		case c == '[':
			bracket = true
		case c == ']':
			bracket = false
		case bracket:
		case strings.IndexByte("dDyY", c) >= 0:
			return true
		}
	}
	return false
}

func (x *xlsxBook) readStrings() error {
	var text strings.Builder
	inItem, phonetic := false, false
	return x.each("xl/sharedStrings.xml", maxStringBytes, func(s *xmlScanner) error {
		switch {
		case s.kind == xmlStart && s.name == "si":
			inItem = true
			text.Reset()
		case s.kind == xmlEnd && s.name == "si":
			inItem = false
			x.strings = append(x.strings, text.String())
		case s.name == "rPh":
			phonetic = s.kind == xmlStart
		case s.kind == xmlStart && s.name == "t" && inItem && !phonetic && !s.empty:
			t, err := s.textOf()
			if err != nil {
				return x.damaged("xl/sharedStrings.xml")
			}
			text.Write(t)
		}
		return nil
	})
}

// mergedIn returns the merged blocks of a sheet, which its part lists after
// the rows.
func (x *xlsxBook) mergedIn(part string) ([]area, error) {
	areas := []area{}
	err := x.each(part, maxSheetBytes, func(s *xmlScanner) error {
		if s.kind == xmlStart && s.name == "mergeCell" {
			from, to, _ := strings.Cut(s.attr("ref"), ":")
			left, top, ok1 := cellAt(from)
			right, bottom, ok2 := cellAt(to)
			if ok1 && ok2 {
				areas = append(areas, area{left, top, right, bottom})
			}
		}
		return nil
	})
	return areas, err
}

// cellAt reads "F17" as column 5, row 17.
func cellAt(ref string) (column, row int, ok bool) {
	n := 0
	for n < len(ref) && ref[n] >= 'A' && ref[n] <= 'Z' {
		n++
	}
	column = columnAt(ref[:n])
	row, err := strconv.Atoi(ref[n:])
	return column, row, n > 0 && err == nil && column >= 0 && column < maxColumns && row > 0 && row <= maxRows
}
