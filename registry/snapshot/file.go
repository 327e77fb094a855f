package snapshot

import (
	"bufio"
	"compress/flate"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"sync"

	"keratally/registry"
)

// magic is the first line of a snapshot file; its number is the version of
// the form and of the identity.
const magic = "keratally snapshot 1\n"

var errShort = errors.New("the file should go on: it was cut off or changed")

// head is what a file says before its columns.
type head struct {
	CutOff     registry.Date
	Scope      string
	Centres    []Centre
	Clinicians []Clinician
	Protocols  []Protocol
	Rows       []int // of each table
}

func (s *Snapshot) head() ([]byte, error) {
	h := head{CutOff: s.CutOff, Scope: s.Scope, Centres: s.Centres, Clinicians: s.Clinicians, Protocols: s.Protocols}
	for _, t := range s.tables() {
		h.Rows = append(h.Rows, t.length())
	}
	b, err := json.Marshal(h)
	if err != nil {
		return nil, fmt.Errorf("head of the snapshot: %w", err)
	}
	return b, nil
}

// identity returns the SHA-256 of the form's name, the head, and the SHA-256
// of every column under its name. Columns are hashed side by side.
func (s *Snapshot) identity() (string, error) {
	head, err := s.head()
	if err != nil {
		return "", err
	}
	var columns []column
	var names []string
	for _, t := range s.tables() {
		for _, c := range t.columns {
			columns, names = append(columns, c), append(names, t.label+"."+c.label())
		}
	}
	sums := make([][sha256.Size]byte, len(columns))
	var buffers sync.Pool
	sideBySide(len(columns), func(i int) {
		buffer, _ := buffers.Get().(*[]byte)
		if buffer == nil {
			buffer = new([]byte)
		}
		*buffer = columns[i].encode((*buffer)[:0])
		sums[i] = sha256.Sum256(*buffer)
		buffers.Put(buffer)
	})

	whole := sha256.New()
	fmt.Fprintf(whole, "%s%d\n%s", magic, len(head), head)
	for i, sum := range sums {
		fmt.Fprintf(whole, "\n%s %x", names[i], sum)
	}
	return hex.EncodeToString(whole.Sum(nil)), nil
}

// Write writes the snapshot in its file form: a line that names the form, a
// line with the identity, then, compressed, the head and the columns. The same
// content gives the same bytes.
func (s *Snapshot) Write(to io.Writer) error {
	head, err := s.head()
	if err != nil {
		return err
	}
	w := bufio.NewWriterSize(to, 1<<16)
	if _, err := w.WriteString(magic + s.ID + "\n"); err != nil {
		return fmt.Errorf("writing the snapshot: %w", err)
	}
	z, err := flate.NewWriter(w, flate.BestSpeed)
	if err != nil {
		return fmt.Errorf("writing the snapshot: %w", err)
	}
	section := func(b []byte) error {
		if _, err := z.Write(binary.LittleEndian.AppendUint64(nil, uint64(len(b)))); err != nil {
			return fmt.Errorf("writing the snapshot: %w", err)
		}
		if _, err := z.Write(b); err != nil {
			return fmt.Errorf("writing the snapshot: %w", err)
		}
		return nil
	}
	if err := section(head); err != nil {
		return err
	}
	var buffer []byte
	for _, t := range s.tables() {
		for _, c := range t.columns {
			buffer = c.encode(buffer[:0])
			if err := section(buffer); err != nil {
				return err
			}
		}
	}
	if err := errors.Join(z.Close(), w.Flush()); err != nil {
		return fmt.Errorf("writing the snapshot: %w", err)
	}
	return nil
}

// Read reopens a snapshot that Write wrote. A file of another form, one that
// was cut off or one whose content does not have the identity that it states
// is an error.
func Read(from io.Reader) (*Snapshot, error) {
	r := bufio.NewReaderSize(from, 1<<16)
	first := make([]byte, len(magic)+2*sha256.Size+1)
	if _, err := io.ReadFull(r, first); err != nil || string(first[:len(magic)]) != magic {
		return nil, fmt.Errorf("snapshot file: should begin with %q and an identity", magic[:len(magic)-1])
	}
	stated := string(first[len(magic) : len(first)-1])
	z := flate.NewReader(r)
	defer z.Close()

	var buffer []byte
	section := func() ([]byte, error) {
		var size [8]byte
		if _, err := io.ReadFull(z, size[:]); err != nil {
			return nil, errShort
		}
		var err error
		buffer, err = readAll(z, buffer[:0], binary.LittleEndian.Uint64(size[:]))
		return buffer, err
	}
	b, err := section()
	if err != nil {
		return nil, fmt.Errorf("snapshot file: %w", err)
	}
	var h head
	if err := json.Unmarshal(b, &h); err != nil {
		return nil, fmt.Errorf("head of the snapshot file: %w", err)
	}
	s := &Snapshot{CutOff: h.CutOff, Scope: h.Scope, Centres: h.Centres, Clinicians: h.Clinicians, Protocols: h.Protocols}
	tables := s.tables()
	if len(h.Rows) != len(tables) {
		return nil, fmt.Errorf("snapshot file: should have %d tables, found %d", len(tables), len(h.Rows))
	}
	for i, t := range tables {
		for _, c := range t.columns {
			b, err := section()
			if err == nil && h.Rows[i] < 0 {
				err = errShort
			}
			if err == nil {
				b, err = c.decode(b, h.Rows[i])
			}
			if err == nil && len(b) > 0 {
				err = fmt.Errorf("%d bytes should not be there", len(b))
			}
			if err != nil {
				return nil, fmt.Errorf("snapshot file, column %s.%s: %w", t.label, c.label(), err)
			}
		}
	}
	if err := atEnd(z, r); err != nil {
		return nil, fmt.Errorf("snapshot file: %w", err)
	}
	if s.ID, err = s.identity(); err != nil {
		return nil, err
	}
	if s.ID != stated {
		return nil, fmt.Errorf("snapshot file: its content has the identity %s, should have %s: it was changed", s.ID, stated)
	}
	if err := s.checkReferences(); err != nil {
		return nil, fmt.Errorf("snapshot file: %w", err)
	}
	return s, s.derive()
}

// atEnd returns an error unless each of the readers in turn has nothing more.
func atEnd(readers ...io.Reader) error {
	for _, r := range readers {
		if n, err := io.ReadFull(r, make([]byte, 1)); n > 0 || err != io.EOF {
			return errors.New("should end after its last column: it was cut off or added to")
		}
	}
	return nil
}

// readAll reads exactly size bytes, making room only for what has come.
func readAll(r io.Reader, to []byte, size uint64) ([]byte, error) {
	const step = 1 << 20
	for size > 0 {
		n := int(min(size, step))
		at := len(to)
		to = slices.Grow(to, n)[:at+n]
		if _, err := io.ReadFull(r, to[at:]); err != nil {
			return nil, errShort
		}
		size -= uint64(n)
	}
	return to, nil
}

// appendTexts appends the count of texts, the length of each, and all bytes.
func appendTexts(to []byte, list []string) []byte {
	to = binary.LittleEndian.AppendUint32(to, uint32(len(list)))
	for _, text := range list {
		to = binary.LittleEndian.AppendUint32(to, uint32(len(text)))
	}
	for _, text := range list {
		to = append(to, text...)
	}
	return to
}

// takeTexts is the inverse of appendTexts; rows is how many there should be,
// −1 for any number.
func takeTexts(from []byte, rows int) (list []string, rest []byte, err error) {
	if len(from) < 4 {
		return nil, nil, errShort
	}
	n := int(binary.LittleEndian.Uint32(from))
	if rows >= 0 && n != rows || len(from) < 4+4*n {
		return nil, nil, errShort
	}
	lengths, rest := from[4:4+4*n], from[4+4*n:]
	list = make([]string, n)
	for i := range list {
		size := int(binary.LittleEndian.Uint32(lengths[4*i:]))
		if size > len(rest) {
			return nil, nil, errShort
		}
		list[i], rest = string(rest[:size]), rest[size:]
	}
	return list, rest, nil
}
