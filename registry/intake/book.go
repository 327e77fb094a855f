package intake

import (
	"bytes"
	"fmt"
	"io"
	"path/filepath"
	"strings"
)

// CellType says what a cell holds.
type CellType uint8

// The types of a cell.
const (
	EmptyCell   CellType = iota
	TextCell             // Text as written
	NumberCell           // Text is the unformatted number, with a decimal point
	DateCell             // a number that the sheet shows as a date; Text is the serial number
	ErrorCell            // Text is the error, such as #DIV/0!
	BoolCell             // Text is 1 or 0
	BareFormula          // a formula without a stored value; Text is the formula
)

// Cell is one cell of a row. Text is valid until the next row is read.
type Cell struct {
	Type CellType
	Text []byte
}

// Row is one row of a sheet, numbered from 1 as the sheet shows it.
type Row struct {
	Number int
	Cells  []Cell
}

// Rows reads the rows of a sheet in order; Next returns io.EOF after the last.
// The row is valid until the next call.
type Rows interface {
	Next() (*Row, error)
	Close() error
}

// Sheet is one sheet of a workbook, or the whole of a text file.
type Sheet struct {
	Name   string
	Hidden bool
	Date04 bool // serial numbers count from 1904

	open   func() (Rows, error)
	merged func() ([]area, error)
}

// Open starts reading the sheet from its first row.
func (s *Sheet) Open() (Rows, error) { return s.open() }

// area is a block of merged cells, columns from 0, rows from 1.
type area struct{ left, top, right, bottom int }

// Workbook is a file that has been recognised and can be read any number of
// times. It holds no rows.
type Workbook struct {
	Name    string // base name of the file
	Sheets  []Sheet
	Notices []string // what was detected rather than declared

	read func() int64 // bytes read so far, of size
	size int64
}

// FileOptions say how a text file is written. Zero values are detected.
type FileOptions struct {
	Encoding  string // utf-8, utf-16le, utf-16be, windows-1252
	Delimiter byte
}

// Read recognises a workbook (.xlsx) or a text file (.csv and the like) by
// its content. The name is used for messages and as the name of the sheet of a
// text file. What is no spreadsheet, is damaged, or would unfold to more than
// it could honestly hold, is a *FileError.
func Read(r io.ReaderAt, size int64, name string, o FileOptions) (*Workbook, error) {
	book := &Workbook{Name: filepath.Base(name), size: size}
	counted := &countingReaderAt{r: r}
	book.read = counted.read
	head := make([]byte, 8)
	n, err := counted.ReadAt(head, 0)
	if err != nil && err != io.EOF {
		return nil, err
	}
	head = head[:n]
	switch {
	case size == 0:
		return nil, book.fault("is empty: should be a workbook (.xlsx) or a text file with columns (.csv)")
	case bytes.HasPrefix(head, []byte("PK")):
		err = book.readXLSX(counted, size)
	case bytes.HasPrefix(head, []byte{0xD0, 0xCF, 0x11, 0xE0}):
		return nil, book.fault("is a workbook of the old binary form or one with a password: save it as .xlsx without a password")
	case bytes.HasPrefix(head, []byte("%PDF")):
		return nil, book.fault("is a PDF: should be a workbook (.xlsx) or a text file with columns (.csv)")
	case strings.EqualFold(filepath.Ext(name), ".xlsx"):
		return nil, book.fault("is not a workbook although its name ends in .xlsx: save it again from the spreadsheet program")
	default:
		err = book.readText(counted, size, o)
	}
	if err != nil {
		return nil, err
	}
	return book, nil
}

// FileError is a file that cannot be read at all.
type FileError struct{ File, Reason string }

// Error returns, for example, "visits.xlsx: is cut off: copy it again from where it came".
func (e *FileError) Error() string { return e.File + ": " + e.Reason }

func (b *Workbook) fault(format string, args ...any) error {
	return &FileError{File: b.Name, Reason: fmt.Sprintf(format, args...)}
}

// baseName is the name of a text file without its folder and ending.
func baseName(name string) string {
	base := filepath.Base(name)
	return strings.TrimSuffix(base, filepath.Ext(base))
}

type countingReaderAt struct {
	r io.ReaderAt
	n int64
}

func (c *countingReaderAt) ReadAt(p []byte, off int64) (int, error) {
	n, err := c.r.ReadAt(p, off)
	c.n += int64(n)
	return n, err
}

func (c *countingReaderAt) read() int64 { return c.n }

// Letters returns the letters of a column counted from 0: A, B, …, Z, AA.
func Letters(column int) string {
	var s []byte
	for column++; column > 0; column = (column - 1) / 26 {
		s = append([]byte{byte('A' + (column-1)%26)}, s...)
	}
	return string(s)
}

// columnAt is the inverse of Letters; -1 for what is no column.
func columnAt(letters string) int {
	n := 0
	for _, c := range letters {
		if c < 'A' || c > 'Z' || n > maxColumns {
			return -1
		}
		n = n*26 + int(c-'A') + 1
	}
	return n - 1
}

// maxColumns and maxRows are the limits of the .xlsx form itself.
const (
	maxColumns = 16384
	maxRows    = 1048576
)
