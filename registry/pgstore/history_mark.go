package pgstore

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// Author is who changes the registry in a transaction, and why: the history
// says so of every entry. The zero Batch is none.
type Author struct {
	Person, Reason string
	Batch          registry.ID
}

const nameAuthor = `
	SELECT set_config('keratally.person', @person, true), set_config('keratally.reason', @reason, true), set_config('keratally.batch', @batch, true)`

// name tells the history who the author of the rest of the transaction is.
func name(ctx context.Context, tx pgx.Tx, who Author) error {
	batch := ""
	if who.Batch != (registry.ID{}) {
		batch = who.Batch.String()
	}
	_, err := tx.Exec(ctx, nameAuthor, pgx.StrictNamedArgs{"person": who.Person, "reason": who.Reason, "batch": batch})
	return err
}

// handMarks hands the marks of the rows of the next statement to the history,
// as it would compute them itself: see the migration.
const handMarks = `SELECT set_config('keratally.marks', $1, true)`

// markSize is the length of a mark, and of the key of a row, in bytes.
const markSize = 16

// Types of columns as PostgreSQL numbers them (src/include/catalog/pg_type.dat).
const (
	oidSmallint = 21
	oidInteger  = 23
	oidText     = 25
	oidDate     = 1082
	oidUUID     = 2950
)

// visitTypes are the types of the columns of table visit, in their order.
var visitTypes = func() []uint32 {
	types := []uint32{oidUUID, oidUUID, oidUUID, oidDate, oidInteger, oidInteger, oidInteger, oidSmallint, oidSmallint, oidSmallint}
	for range registry.NumMeasures - 3 + 1 {
		types = append(types, oidInteger)
	}
	return append(types, oidText, oidText, oidText, oidText, oidText, oidText, oidUUID, oidInteger)
}()

// marksOfVisits returns the marks of visits as encodeVisits writes them, in
// hexadecimal digits. A mark is the beginning of the SHA-256 of the row as
// record_send writes it: the number of columns, then for each its type, length
// and bytes, −1 for NULL (src/backend/utils/adt/rowtypes.c).
func (in *Intake) marksOfVisits(visits []*registry.VisitPart) string {
	marks := make([]byte, 0, len(visits)*markSize)
	row := make([]byte, 0, 1024)
	for _, v := range visits {
		at := 0
		column := func() []byte {
			row = binary.BigEndian.AppendUint32(row, visitTypes[at])
			at++
			return row
		}
		row = binary.BigEndian.AppendUint32(row[:0], uint32(len(visitTypes)))
		row = appendUUID(column(), v.ID)
		row = appendUUID(column(), in.centre)
		row = appendUUID(column(), v.Eye.ID)
		row = appendInt(column(), v.On.Days()-postgresEpoch)
		for _, s := range v.Values[:3] {
			row = appendSteps(column(), s)
		}
		for _, o := range v.OffChart {
			if row = column(); o == 0 {
				row = append(row, copyNull...)
				continue
			}
			row = append(row, 0, 0, 0, 2, 0, byte(o))
		}
		for _, s := range v.Values[3:] {
			row = appendSteps(column(), s)
		}
		row = appendSteps(column(), v.LensFreeDays)
		t := v.Texts
		if t == nil {
			t = &registry.VisitTexts{}
		}
		for _, s := range [...]string{t.AcuityChart, t.HazeScale, t.Tomographer, t.EndothelialCamera, t.Note, t.Entered} {
			row = appendText(column(), s)
		}
		row = appendUUID(column(), in.batch.ID)
		row = appendInt(column(), v.Source.Row)
		mark := sha256.Sum256(row)
		marks = append(marks, mark[:markSize]...)
	}
	return hex.EncodeToString(marks)
}
