package intake

import (
	"bytes"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"

	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/unicode"
	"golang.org/x/text/transform"
)

// textForm is how a text file is written.
type textForm struct {
	encoding  string
	skip      int64 // bytes of the byte order mark
	delimiter byte
}

func (b *Workbook) readText(r io.ReaderAt, size int64, o FileOptions) error {
	form := textForm{encoding: strings.ToLower(o.Encoding), delimiter: o.Delimiter}
	if err := b.detectEncoding(r, size, &form); err != nil {
		return err
	}
	if form.delimiter == 0 {
		head, err := io.ReadAll(io.LimitReader(form.decode(r, size), 1<<16))
		if err != nil {
			return b.fault("cannot be read: %v", err)
		}
		form.delimiter = detectDelimiter(head)
	}
	b.Sheets = []Sheet{{
		Name:   baseName(b.Name),
		open:   func() (Rows, error) { return newCSVRows(form.decode(r, size), form.delimiter), nil },
		merged: func() ([]area, error) { return nil, nil },
	}}
	return nil
}

// detectEncoding settles the encoding: a byte order mark decides, then what is
// declared, then whether the whole file is UTF-8; what is not is taken as
// windows-1252, with a notice.
func (b *Workbook) detectEncoding(r io.ReaderAt, size int64, form *textForm) error {
	head := make([]byte, 4096)
	n, err := r.ReadAt(head, 0)
	if err != nil && err != io.EOF {
		return err
	}
	head = head[:n]
	marked := ""
	switch {
	case bytes.HasPrefix(head, []byte{0xEF, 0xBB, 0xBF}):
		marked, form.skip = "utf-8", 3
	case bytes.HasPrefix(head, []byte{0xFF, 0xFE}):
		marked, form.skip = "utf-16le", 2
	case bytes.HasPrefix(head, []byte{0xFE, 0xFF}):
		marked, form.skip = "utf-16be", 2
	}
	if marked != "" {
		if form.encoding != "" && form.encoding != marked && !(form.encoding == "utf-16" && form.skip == 2) {
			return b.fault("begins with the mark of %s but the mapping declares %s: declare %s or leave it out", marked, form.encoding, marked)
		}
		form.encoding = marked
	}
	switch form.encoding {
	case "utf-8":
		if at := invalidUTF8(io.NewSectionReader(r, form.skip, size-form.skip)); at > 0 {
			return b.fault("row %d: is not UTF-8: declare encoding = \"windows-1252\" or save the file as UTF-8", at)
		}
	case "":
		nul := bytes.IndexByte(head, 0)
		switch {
		case nul >= 0 && bytes.Count(head, []byte{0}) < len(head)/4:
			return b.fault("is not a text file: should be a workbook (.xlsx) or a text file with columns (.csv)")
		case nul >= 0:
			form.encoding = map[int]string{0: "utf-16be", 1: "utf-16le"}[nul%2]
		case invalidUTF8(io.NewSectionReader(r, 0, size)) == 0:
			form.encoding = "utf-8"
		default:
			form.encoding = "windows-1252"
		}
		if form.encoding != "utf-8" {
			b.Notices = append(b.Notices, fmt.Sprintf("encoding taken as %s: declare it in the mapping if letters with accents look wrong", form.encoding))
		}
	case "utf-16le", "utf-16be", "windows-1252":
	default:
		return b.fault("encoding %q: should be utf-8, utf-16le, utf-16be or windows-1252", form.encoding)
	}
	return nil
}

// invalidUTF8 returns the row of the first byte that is not UTF-8, 0 if the
// text is UTF-8 to its end.
func invalidUTF8(r io.Reader) int {
	buffer, kept, row := make([]byte, 1<<18), 0, 1
	for {
		n, err := r.Read(buffer[kept:])
		part := buffer[:kept+n]
		end := len(part)
		if err == nil { // a letter cut by the end of the buffer is looked at next time
			for end > 0 && len(part)-end < utf8.UTFMax && !utf8.RuneStart(part[end-1]) {
				end--
			}
			if end > 0 && !utf8.FullRune(part[end-1:]) {
				end--
			} else {
				end = len(part)
			}
		}
		if !utf8.Valid(part[:end]) {
			for len(part) > 0 {
				c, size := utf8.DecodeRune(part)
				if c == utf8.RuneError && size < 2 {
					return row
				}
				if c == '\n' {
					row++
				}
				part = part[size:]
			}
			return row
		}
		row += bytes.Count(part[:end], []byte{'\n'})
		kept = copy(buffer, part[end:])
		if err != nil {
			return 0
		}
	}
}

func (f textForm) decode(r io.ReaderAt, size int64) io.Reader {
	raw := io.NewSectionReader(r, f.skip, size-f.skip)
	switch f.encoding {
	case "utf-16le":
		return transform.NewReader(raw, unicode.UTF16(unicode.LittleEndian, unicode.IgnoreBOM).NewDecoder())
	case "utf-16be":
		return transform.NewReader(raw, unicode.UTF16(unicode.BigEndian, unicode.IgnoreBOM).NewDecoder())
	case "windows-1252":
		return transform.NewReader(raw, charmap.Windows1252.NewDecoder())
	}
	return raw
}

// detectDelimiter returns the character that splits the first rows into the
// same number of cells, more than one; the comma if none does.
func detectDelimiter(head []byte) byte {
	best, bestScore := byte(','), 0
	for _, d := range []byte{';', '\t', ',', '|'} {
		rows := newCSVRows(bytes.NewReader(head), d)
		first, same, all := 0, 0, 0
		for all < 20 {
			row, err := rows.Next()
			if err != nil {
				break
			}
			if all == 0 {
				first = len(row.Cells)
			}
			if len(row.Cells) == first {
				same++
			}
			all++
		}
		if score := first * same * 100 / max(all, 1); first > 1 && score > bestScore {
			best, bestScore = d, score
		}
	}
	return best
}

// csvRows reads rows of a text file (RFC 4180, any delimiter, any line end).
// Cells point into its buffer; only a cell with a doubled quote is copied.
type csvRows struct {
	r         io.Reader
	buffer    []byte
	start     int // of what has not been read yet
	end       int
	eof       bool
	delimiter byte
	row       Row
	scratch   []byte
}

const maxCSVRow = 1 << 22

func newCSVRows(r io.Reader, delimiter byte) *csvRows {
	return &csvRows{r: r, buffer: make([]byte, 1<<18), delimiter: delimiter}
}

// Close does nothing: the file belongs to the caller.
func (c *csvRows) Close() error { return nil }

// Next returns the next row.
func (c *csvRows) Next() (*Row, error) {
	line, quoted, err := c.line()
	if err != nil {
		return nil, err
	}
	c.row.Number++
	c.row.Cells = c.row.Cells[:0]
	c.scratch = c.scratch[:0]
	if !quoted {
		for {
			i := bytes.IndexByte(line, c.delimiter)
			if i < 0 {
				c.row.Cells = append(c.row.Cells, textCell(line))
				return &c.row, nil
			}
			c.row.Cells = append(c.row.Cells, textCell(line[:i]))
			line = line[i+1:]
		}
	}
	for {
		var cell []byte
		var more bool
		cell, line, more = c.quotedCell(line)
		c.row.Cells = append(c.row.Cells, textCell(cell))
		if !more {
			return &c.row, nil
		}
	}
}

func textCell(b []byte) Cell {
	if len(b) > 0 && (b[0] == ' ' || b[len(b)-1] == ' ' || b[0] >= 0x80 || b[len(b)-1] >= 0x80 || b[0] == '\t' || b[len(b)-1] == '\t') {
		b = bytes.TrimSpace(b)
	}
	if len(b) == 0 {
		return Cell{}
	}
	return Cell{Type: TextCell, Text: b}
}

// quotedCell takes the first cell off a line that has quotes in it.
func (c *csvRows) quotedCell(line []byte) (cell, rest []byte, more bool) {
	if len(line) == 0 || line[0] != '"' {
		i := bytes.IndexByte(line, c.delimiter)
		if i < 0 {
			return line, nil, false
		}
		return line[:i], line[i+1:], true
	}
	from := len(c.scratch)
	for i := 1; i < len(line); i++ {
		if line[i] != '"' {
			c.scratch = append(c.scratch, line[i])
			continue
		}
		if i+1 < len(line) && line[i+1] == '"' {
			c.scratch = append(c.scratch, '"')
			i++
			continue
		}
		rest = line[i+1:]
		j := bytes.IndexByte(rest, c.delimiter)
		if j < 0 {
			c.scratch = append(c.scratch, rest...)
			return c.scratch[from:], nil, false
		}
		c.scratch = append(c.scratch, rest[:j]...)
		return c.scratch[from:], rest[j+1:], true
	}
	return c.scratch[from:], nil, false // the closing quote is missing: the rest is the cell
}

// line returns the bytes of the next row without its line end, and whether
// there is a quote in it.
func (c *csvRows) line() (line []byte, quoted bool, err error) {
	searched, reopens := 0, -1
	inQuotes := false
	for {
		pending := c.buffer[c.start:c.end]
		for searched < len(pending) {
			if !inQuotes {
				nl := bytes.IndexByte(pending[searched:], '\n')
				chunk := pending[searched:]
				if nl >= 0 {
					chunk = chunk[:nl]
				}
				if q := bytes.IndexByte(chunk, '"'); q >= 0 {
					at := searched + q
					opens := at == 0 || pending[at-1] == c.delimiter || at == reopens
					quoted, inQuotes = quoted || opens, opens
					searched = at + 1
					continue
				}
				if nl >= 0 {
					end := searched + nl
					c.start += end + 1
					return bytes.TrimSuffix(pending[:end], []byte{'\r'}), quoted, nil
				}
				searched = len(pending)
				continue
			}
			q := bytes.IndexByte(pending[searched:], '"')
			if q < 0 {
				searched = len(pending)
				continue
			}
			searched += q + 1
			inQuotes, reopens = false, searched // a doubled quote opens again at once
		}
		if c.eof {
			if len(pending) == 0 {
				return nil, false, io.EOF
			}
			if inQuotes {
				return nil, false, fmt.Errorf("row %d: a quotation mark is opened and never closed", c.row.Number+1)
			}
			c.start = c.end
			return bytes.TrimSuffix(pending, []byte{'\r'}), quoted, nil
		}
		if err := c.fill(); err != nil {
			return nil, false, err
		}
	}
}

func (c *csvRows) fill() error {
	if c.start > 0 {
		copy(c.buffer, c.buffer[c.start:c.end])
		c.end -= c.start
		c.start = 0
	}
	if c.end == len(c.buffer) {
		if len(c.buffer) >= maxCSVRow {
			return fmt.Errorf("row %d: is longer than %d characters: a quotation mark may be missing", c.row.Number+1, maxCSVRow)
		}
		c.buffer = append(c.buffer, make([]byte, len(c.buffer))...)
	}
	n, err := c.r.Read(c.buffer[c.end:])
	c.end += n
	if err == io.EOF {
		c.eof = true
		return nil
	}
	return err
}
