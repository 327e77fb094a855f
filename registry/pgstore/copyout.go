package pgstore

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5/pgconn"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

// field takes one column of a binary COPY, row by row; nil is NULL.
type field interface {
	take(value []byte) error
	grow(rows int)
	cut(rows int) // take back what came after so many rows
}

// copyOut streams the query in the binary form of COPY straight into the
// fields, one a column. Receiving and decoding run side by side. rows is about
// how many will come.
func copyOut(ctx context.Context, conn *pgconn.PgConn, query string, rows int, fields ...field) error {
	for _, f := range fields {
		f.grow(rows)
	}
	d := decoder{fields: fields}
	w := &handOver{full: make(chan []byte, 4), empty: make(chan []byte, 4)}
	for range cap(w.empty) {
		w.empty <- make([]byte, 0, chunkSize+1<<12)
	}
	w.chunk = <-w.empty
	done := make(chan error, 1)
	go func() {
		var err error
		for chunk := range w.full {
			if err == nil { // after an error, take what still comes so that nobody waits
				err = d.decode(chunk)
			}
			w.empty <- chunk[:0]
		}
		if err == nil && !d.ended {
			err = errors.New("the stream of rows should end with its trailer: it was cut off")
		}
		done <- err
	}()
	_, err := conn.CopyTo(ctx, w, "COPY ("+query+") TO STDOUT (FORMAT binary)")
	w.full <- w.chunk
	close(w.full)
	decodeErr := <-done
	if err != nil {
		return inWords(err)
	}
	return decodeErr
}

// chunkSize is how many bytes are handed to the decoder at once.
const chunkSize = 1 << 17

// handOver gathers what the connection receives and hands it over in chunks.
type handOver struct {
	chunk       []byte
	full, empty chan []byte
}

// Write never fails.
func (w *handOver) Write(b []byte) (int, error) {
	w.chunk = append(w.chunk, b...)
	if len(w.chunk) >= chunkSize {
		w.full <- w.chunk
		w.chunk = <-w.empty
	}
	return len(b), nil
}

// decoder reads PostgreSQL's binary COPY: a signature, flags and an extension,
// then for each row the number of fields and each field's length and bytes,
// then −1. PostgreSQL 15 documentation, COPY, Binary Format.
type decoder struct {
	fields         []field
	carry          []byte // the beginning of a row whose end has not come
	started, ended bool
	rows           int
}

var signature = []byte("PGCOPY\n\xff\r\n\x00")

func (d *decoder) decode(b []byte) error {
	if len(d.carry) > 0 {
		d.carry = append(d.carry, b...)
		b = d.carry
	}
	if !d.started {
		head := len(signature) + 8
		if len(b) < head || len(b) < head+int(binary.BigEndian.Uint32(b[len(signature)+4:])) {
			d.carry = slices.Clone(b)
			return nil
		}
		if !bytes.HasPrefix(b, signature) || binary.BigEndian.Uint32(b[len(signature):]) != 0 {
			return errors.New("the stream of rows should begin with the signature of a binary copy")
		}
		b = b[head+int(binary.BigEndian.Uint32(b[len(signature)+4:])):]
		d.started = true
	}
	for !d.ended {
		n, err := d.row(b)
		if err != nil {
			return err
		}
		if n == 0 {
			break
		}
		b = b[n:]
	}
	d.carry = append(d.carry[:0:0], b...)
	return nil
}

// row decodes one row and returns its bytes, 0 when its end has not come.
func (d *decoder) row(b []byte) (int, error) {
	if len(b) < 2 {
		return 0, nil
	}
	count := int16(binary.BigEndian.Uint16(b))
	if count == -1 {
		d.ended = true
		return 2, nil
	}
	if int(count) != len(d.fields) {
		return 0, fmt.Errorf("a row of %d columns: should have %d", count, len(d.fields))
	}
	at := 2
	for i, f := range d.fields {
		if len(b) < at+4 {
			return d.incomplete(i)
		}
		size := int(int32(binary.BigEndian.Uint32(b[at:])))
		at += 4
		var value []byte
		if size >= 0 {
			if len(b) < at+size {
				return d.incomplete(i)
			}
			value = b[at : at+size : at+size]
			at += size
		}
		if err := f.take(value); err != nil {
			return 0, fmt.Errorf("column %d: %w", i+1, err)
		}
	}
	d.rows++
	return at, nil
}

// incomplete takes back the fields of a row that were taken before it broke
// off.
func (d *decoder) incomplete(taken int) (int, error) {
	for _, f := range d.fields[:taken] {
		f.cut(d.rows)
	}
	return 0, nil
}

// number takes a smallint or an integer; NULL is null.
type number[T ~uint8 | ~int16 | ~int32] struct {
	to   *[]T
	null T
}

func (f number[T]) grow(rows int) { *f.to = slices.Grow(*f.to, rows) }

func (f number[T]) cut(rows int) { *f.to = (*f.to)[:rows] }

func (f number[T]) take(b []byte) error {
	switch {
	case len(b) == 4:
		*f.to = append(*f.to, T(int32(binary.BigEndian.Uint32(b))))
	case b == nil:
		*f.to = append(*f.to, f.null)
	case len(b) == 2:
		*f.to = append(*f.to, T(int16(binary.BigEndian.Uint16(b))))
	default:
		return fmt.Errorf("%d bytes: should be a smallint or an integer", len(b))
	}
	return nil
}

func steps(to *[]measure.Steps) field { return number[measure.Steps]{to, measure.None} }

// day takes a date, which PostgreSQL counts from 1 January 2000.
type day struct{ to *[]registry.Date }

const daysTo2000 = 10957 // from 1 January 1970

func (f day) grow(rows int) { *f.to = slices.Grow(*f.to, rows) }

func (f day) cut(rows int) { *f.to = (*f.to)[:rows] }

func (f day) take(b []byte) error {
	switch len(b) {
	case 0:
		*f.to = append(*f.to, 0)
	case 4:
		*f.to = append(*f.to, registry.DateFromDays(int32(binary.BigEndian.Uint32(b))+daysTo2000))
	default:
		return fmt.Errorf("%d bytes: should be a date", len(b))
	}
	return nil
}

// key takes the identity of each row, which from then on has its place.
type key struct{ *places }

func newKey(rows int) key { return key{newPlaces(rows)} }

func (f key) grow(int) {}

// cut does nothing: a row that is taken again keeps its place.
func (f key) cut(int) {}

func (f key) take(b []byte) error {
	if len(b) != 16 {
		return fmt.Errorf("%d bytes: should be an identity", len(b))
	}
	f.add(registry.ID(b))
	return nil
}

// reference takes the identity of a row that a key has placed.
type reference struct {
	keys    key
	to      *[]int32
	last    registry.ID // of the row before, which often is the same
	lastAt  int32
	haveOne bool
}

func refer(keys key, to *[]int32) field { return &reference{keys: keys, to: to} }

func (f *reference) grow(rows int) { *f.to = slices.Grow(*f.to, rows) }

func (f *reference) cut(rows int) { *f.to = (*f.to)[:rows] }

func (f *reference) take(b []byte) error {
	if b == nil {
		*f.to = append(*f.to, snapshot.Absent)
		return nil
	}
	if len(b) != 16 {
		return fmt.Errorf("%d bytes: should be an identity", len(b))
	}
	if !f.haveOne || !bytes.Equal(b, f.last[:]) {
		at, ok := f.keys.find(registry.ID(b))
		if !ok {
			return fmt.Errorf("identity %s: should be that of a row read before", registry.ID(b))
		}
		f.last, f.lastAt, f.haveOne = registry.ID(b), at, true
	}
	*f.to = append(*f.to, f.lastAt)
	return nil
}

// word takes text with few different values.
type word struct {
	to   *snapshot.Words
	code map[string]int32
	last int32 // code of the row before, which often is the same
}

func wordsTo(to *snapshot.Words) field {
	to.List = []string{""}
	return &word{to: to, code: map[string]int32{"": 0}}
}

func (f *word) grow(rows int) { f.to.Code = slices.Grow(f.to.Code, rows) }

func (f *word) cut(rows int) { f.to.Code = f.to.Code[:rows] }

func (f *word) take(b []byte) error {
	if string(b) != f.to.List[f.last] {
		code, ok := f.code[string(b)]
		if !ok {
			code = int32(len(f.to.List))
			f.code[string(b)] = code
			f.to.List = append(f.to.List, string(b))
		}
		f.last = code
	}
	f.to.Code = append(f.to.Code, f.last)
	return nil
}

// text takes text of any kind; NULL is "".
type text struct{ to *[]string }

func (f text) grow(rows int) { *f.to = slices.Grow(*f.to, rows) }

func (f text) cut(rows int) { *f.to = (*f.to)[:rows] }

func (f text) take(b []byte) error {
	*f.to = append(*f.to, string(b))
	return nil
}

// trilean takes yes, no, unknown or NULL.
type trilean struct{ to *[]registry.Trilean }

func (f trilean) grow(rows int) { *f.to = slices.Grow(*f.to, rows) }

func (f trilean) cut(rows int) { *f.to = (*f.to)[:rows] }

func (f trilean) take(b []byte) error {
	for _, t := range []registry.Trilean{0, registry.Yes, registry.No, registry.Unknown} {
		if t.String() == string(b) {
			*f.to = append(*f.to, t)
			return nil
		}
	}
	return fmt.Errorf("%d bytes: should be yes, no or unknown", len(b))
}
