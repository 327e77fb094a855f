package pgstore

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"
	"github.com/jackc/pgx/v5/pgxpool"

	"keratally/registry"
)

// Intake is the transaction into which one file is taken. Intakes of one
// registry wait for each other; nothing is seen by others before Commit, and
// an intake that ends in any other way leaves nothing.
type Intake struct {
	store  *Store
	conn   *pgxpool.Conn
	tx     pgx.Tx
	batch  registry.Intake
	centre registry.ID
	jobs   chan func() error
	done   chan struct{}
	failed error // of a job; read after done is closed, or by way of errors
	errors chan error
	ended  bool
}

// NewIntake returns an intake that has not begun.
func (s *Store) NewIntake() *Intake { return &Intake{store: s} }

// oneIntake is the number of the advisory lock that intakes and their undoing
// take, so that they follow each other.
const oneIntake = `SELECT pg_advisory_xact_lock(4707213526431)`

// roomForRows keeps the rows of a portion in memory while their references are
// checked, for this transaction.
const roomForRows = `SET LOCAL work_mem = '64MB'`

const enterCentre = `
	INSERT INTO centre (id, code, name) VALUES (@id, @code, @name)
	ON CONFLICT ON CONSTRAINT centre_code_unique DO NOTHING`

const centreByCode = `SELECT id FROM centre WHERE code = @code`

const enterBatch = `
	INSERT INTO intake_batch (id, centre_id, file_name, file_sha256, mapping_name, mapping_text, person,
	                          started_at, committed_at, rows_read, rows_new, rows_changed, rows_same, rows_refused)
	VALUES (@id, @centre, @file, @sha256, @mapping, @text, @person, clock_timestamp(), clock_timestamp(), 0, 0, 0, 0, 0)`

const closeBatch = `
	UPDATE intake_batch
	SET committed_at = clock_timestamp(), rows_read = @read, rows_new = @new, rows_changed = @changed, rows_same = @same, rows_refused = @refused
	WHERE id = @id`

// Begin waits for other intakes, enters the centre if it is new, and the
// batch.
func (in *Intake) Begin(ctx context.Context, batch registry.Intake, centreCode, centreName string) (centre registry.ID, patients []string, of registry.Holdings, err error) {
	fail := func(what string, err error) (registry.ID, []string, registry.Holdings, error) {
		return registry.ID{}, nil, registry.Holdings{}, errors.Join(fmt.Errorf("%s: %w", what, inWords(err)), in.Rollback(ctx))
	}
	if in.conn, err = in.store.pool.Acquire(ctx); err != nil {
		return fail("intake", err)
	}
	if in.tx, err = in.conn.Begin(ctx); err != nil {
		return fail("intake", err)
	}
	if _, err = in.tx.Exec(ctx, roomForRows); err != nil {
		return fail("intake", err)
	}
	if _, err = in.tx.Exec(ctx, oneIntake); err != nil {
		return fail("waiting for another intake", err)
	}
	in.batch = batch
	if err = name(ctx, in.tx, Author{Person: batch.Person, Reason: "intake of " + batch.FileName, Batch: batch.ID}); err != nil {
		return fail("batch", err)
	}
	if _, err = in.tx.Exec(ctx, enterCentre, pgx.StrictNamedArgs{"id": registry.NewID(), "code": centreCode, "name": centreName}); err != nil {
		return fail("centre", err)
	}
	if err = in.tx.QueryRow(ctx, centreByCode, pgx.StrictNamedArgs{"code": centreCode}).Scan(&in.centre); err != nil {
		return fail("centre", err)
	}
	_, err = in.tx.Exec(ctx, enterBatch, pgx.StrictNamedArgs{
		"id": batch.ID, "centre": in.centre, "file": batch.FileName, "sha256": batch.FileSHA256,
		"mapping": batch.MappingName, "text": batch.MappingText, "person": batch.Person,
	})
	if err != nil {
		return fail("batch", err)
	}
	if patients, err = in.patientCodes(ctx); err != nil {
		return fail("patients of the centre", err)
	}
	if of, err = in.ofCentre(ctx); err != nil {
		return fail("protocols and clinicians of the centre", err)
	}
	in.start()
	return in.centre, patients, of, nil
}

// start runs what is to be written in its order, beside the reading.
func (in *Intake) start() {
	in.jobs, in.done, in.errors = make(chan func() error, 1), make(chan struct{}), make(chan error, 1)
	go func() {
		defer close(in.done)
		for job := range in.jobs {
			if in.failed != nil {
				continue
			}
			if in.failed = job(); in.failed != nil {
				in.errors <- in.failed
			}
		}
	}()
}

// do hands a job to the writer. An error may be that of an earlier job.
func (in *Intake) do(ctx context.Context, job func() error) error {
	select {
	case err := <-in.errors:
		return err
	case in.jobs <- job:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// finish waits for the writer and returns its error.
func (in *Intake) finish() error {
	if in.jobs != nil {
		close(in.jobs)
		<-in.done
		in.jobs = nil
	}
	return in.failed
}

// Commit keeps what was written and the counts of the batch.
func (in *Intake) Commit(ctx context.Context, batch registry.Intake) error {
	if err := in.finish(); err != nil {
		return errors.Join(err, in.Rollback(ctx))
	}
	_, err := in.tx.Exec(ctx, closeBatch, pgx.StrictNamedArgs{
		"id": batch.ID, "read": batch.RowsRead, "new": batch.RowsNew, "changed": batch.RowsChanged, "same": batch.RowsSame, "refused": batch.RowsRefused,
	})
	if err == nil {
		err = in.tx.Commit(ctx)
	}
	if err != nil {
		return errors.Join(fmt.Errorf("batch: %w", inWords(err)), in.Rollback(ctx))
	}
	in.release()
	return nil
}

// Rollback ends the intake without a trace. After Commit it does nothing.
func (in *Intake) Rollback(context.Context) error {
	if in.ended || in.conn == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), 10*time.Second) // the caller's may be over already
	defer cancel()
	failed := in.finish() // said by whoever wrote; here only waited for
	_ = failed
	var err error
	if in.tx != nil {
		if err = in.tx.Rollback(ctx); errors.Is(err, pgx.ErrTxClosed) {
			err = nil
		}
	}
	in.release()
	return err
}

func (in *Intake) release() {
	in.ended = true
	in.conn.Release()
}

// Write encodes a portion and hands it to the writer.
func (in *Intake) Write(ctx context.Context, d *registry.Delivery) error {
	portion, err := in.encode(d)
	if err != nil {
		return err
	}
	return in.do(ctx, func() error { return in.send(ctx, portion) })
}

// portion is a delivery as it is sent.
type portion struct {
	parts    [registry.NumKinds][][]any // new records by kind
	visits   []byte                     // new visits, binary
	marks    string                     // of the new visits, for the history
	changed  [registry.NumKinds]changes
	owned    [registry.NumKinds]changes // new and changed parts of records that were in the registry before
	queries  [][]any
	newCount int
}

// changes are records to be updated, as JSON, and the identities of those
// whose state before is kept.
type changes struct {
	rows   []map[string]any
	traced []registry.ID
}

func (in *Intake) encode(d *registry.Delivery) (*portion, error) {
	p := &portion{}
	for _, part := range d.NewParts {
		if ownedByLoaded(part) {
			p.owned[part.Kind].add(in.asJSON(part), ownerID(part), true)
			continue
		}
		p.parts[part.Kind] = append(p.parts[part.Kind], in.asRow(part))
	}
	for _, part := range d.ChangedParts {
		if part.Kind.Info().Owned {
			p.owned[part.Kind].add(in.asJSON(part), ownerID(part), ownedByLoaded(part))
			continue
		}
		p.changed[part.Kind].add(in.asJSON(part), part.ID, part.Loaded)
	}
	for _, v := range d.ChangedVisits {
		p.changed[registry.VisitRecord].add(in.visitAsJSON(v), v.ID, v.Loaded)
	}
	if len(d.NewVisits) > 0 {
		p.visits = in.encodeVisits(d.NewVisits)
		p.marks = in.marksOfVisits(d.NewVisits)
		p.newCount = len(d.NewVisits)
	}
	for _, q := range d.Queries {
		p.queries = append(p.queries, []any{
			binaryUUID(q.ID), binaryUUID(q.CentreID), binaryUUID(q.EyeID), q.Record, binaryUUID(q.RecordID), q.Field, q.Value, q.Message, binaryUUID(in.batch.ID),
		})
	}
	return p, nil
}

func (c *changes) add(row map[string]any, id registry.ID, traced bool) {
	c.rows = append(c.rows, row)
	if traced {
		c.traced = append(c.traced, id)
	}
}

func ownerID(p *registry.Part) registry.ID {
	if p.Visit != nil {
		return p.Visit.ID
	}
	return p.Parent.ID
}

// ownedByLoaded reports whether a record is a part of one that was in the
// registry before this intake.
func ownedByLoaded(p *registry.Part) bool {
	if !p.Kind.Info().Owned {
		return false
	}
	if p.Visit != nil {
		return p.Visit.Loaded
	}
	return p.Parent.Loaded
}

// asRow lists the columns of partColumns for one record.
func (in *Intake) asRow(p *registry.Part) []any {
	info := p.Kind.Info()
	row := make([]any, 0, len(info.Columns)+5)
	if !info.Owned {
		row = append(row, binaryUUID(p.ID))
	}
	row = append(row, binaryUUID(in.centre))
	if info.Owned {
		row = append(row, binaryUUID(ownerID(p)))
	} else if info.Parent != "" {
		row = append(row, binaryUUID(p.Parent.ID))
	}
	for i := range p.Values {
		row = append(row, columnValue(&info.Columns[i], p.Values[i]))
	}
	if !info.Owned {
		row = append(row, binaryUUID(in.batch.ID))
	}
	if hasSourceRow(p.Kind) {
		row = append(row, p.Source.Row)
	}
	return row
}

// binaryUUID keeps the identity from going through its text.
func binaryUUID(id registry.ID) pgtype.UUID { return pgtype.UUID{Bytes: id, Valid: true} }

// partColumns names the columns that asRow lists.
func partColumns(k registry.Kind) []string {
	info := k.Info()
	var names []string
	if !info.Owned {
		names = append(names, "id")
	}
	names = append(names, "centre_id")
	if info.Parent != "" {
		names = append(names, info.Parent)
	}
	for _, c := range info.Columns {
		names = append(names, c.Name)
	}
	if !info.Owned {
		names = append(names, "batch_id")
	}
	if hasSourceRow(k) {
		names = append(names, "source_row")
	}
	return names
}

func hasSourceRow(k registry.Kind) bool {
	switch k {
	case registry.TreatmentRecord, registry.ComplicationRecord, registry.SurgeryRecord, registry.FollowUpEndRecord:
		return true
	}
	return false
}

func columnValue(c *registry.Column, v registry.Value) any {
	if !v.Given {
		return nil
	}
	switch c.Type {
	case registry.NumberValue:
		return v.Num
	case registry.DayValue:
		return registry.Date(v.Num).Time()
	case registry.LinkValue:
		id, err := uuid.Parse(v.Text)
		if err != nil {
			return v.Text // refused by the database
		}
		return id
	}
	return v.Text
}

// asJSON returns the columns of a record as jsonb_populate_recordset reads
// them.
func (in *Intake) asJSON(p *registry.Part) map[string]any {
	info := p.Kind.Info()
	row := map[string]any{"centre_id": in.centre}
	if info.Owned {
		row[info.Parent] = ownerID(p)
	} else {
		row["id"] = p.ID
	}
	for i, c := range info.Columns {
		v := columnValue(&c, p.Values[i])
		if day, ok := v.(time.Time); ok {
			v = day.Format(time.DateOnly)
		}
		row[c.Name] = v
	}
	return row
}
