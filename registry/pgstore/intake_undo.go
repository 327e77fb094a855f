package pgstore

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"keratally/registry"
)

// Undone says what the undoing of a batch did.
type Undone struct {
	Batch    string         `json:"batch"`
	File     string         `json:"file"`
	Removed  map[string]int `json:"removed"`
	Restored map[string]int `json:"restored"`
}

// UndoError is a batch that cannot be taken out, with the reason.
type UndoError struct{ Batch, Reason string }

// Error returns the reason in words.
func (e *UndoError) Error() string { return fmt.Sprintf("batch %s: %s", e.Batch, e.Reason) }

const batchToUndo = `
	SELECT file_name, started_at, undone_at, undone_by FROM intake_batch WHERE id = @batch FOR UPDATE`

// laterBatches are batches, not undone themselves, that changed what this one
// gave or changed.
const laterBatches = `
	SELECT DISTINCT b.id::text, b.started_at
	FROM intake_change c JOIN intake_batch b ON b.id = c.batch_id
	WHERE c.batch_id <> @batch AND b.undone_at IS NULL AND b.started_at >= @started
	  AND (EXISTS (SELECT FROM intake_change mine WHERE mine.batch_id = @batch AND mine.record = c.record AND mine.record_id = c.record_id)
	    OR CASE c.record
	       WHEN 'patient'         THEN EXISTS (SELECT FROM patient t       WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'eye'             THEN EXISTS (SELECT FROM eye t           WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'protocol'        THEN EXISTS (SELECT FROM protocol t      WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'protocol_zone'   THEN EXISTS (SELECT FROM protocol t      WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'clinician'       THEN EXISTS (SELECT FROM clinician t     WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'treatment'       THEN EXISTS (SELECT FROM treatment t     WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'treatment_zone'  THEN EXISTS (SELECT FROM treatment t     WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'pachymetry_step' THEN EXISTS (SELECT FROM treatment t     WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'visit'           THEN EXISTS (SELECT FROM visit t         WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'demarcation'     THEN EXISTS (SELECT FROM visit t         WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'complication'    THEN EXISTS (SELECT FROM complication t  WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'surgery'         THEN EXISTS (SELECT FROM surgery t       WHERE t.id = c.record_id AND t.batch_id = @batch)
	       WHEN 'follow_up_end'   THEN EXISTS (SELECT FROM follow_up_end t WHERE t.id = c.record_id AND t.batch_id = @batch)
	       ELSE false END)
	ORDER BY b.started_at`

// changedSince are records that the batch changed and that are no longer as
// it left them.
const changedSince = `
	SELECT c.record, c.record_id::text FROM intake_change c
	LEFT JOIN patient p        ON c.record = 'patient' AND p.id = c.record_id
	LEFT JOIN eye e            ON c.record = 'eye' AND e.id = c.record_id
	LEFT JOIN protocol o       ON c.record = 'protocol' AND o.id = c.record_id
	LEFT JOIN clinician k      ON c.record = 'clinician' AND k.id = c.record_id
	LEFT JOIN treatment t      ON c.record = 'treatment' AND t.id = c.record_id
	LEFT JOIN visit v          ON c.record = 'visit' AND v.id = c.record_id
	LEFT JOIN complication m   ON c.record = 'complication' AND m.id = c.record_id
	LEFT JOIN surgery s        ON c.record = 'surgery' AND s.id = c.record_id
	LEFT JOIN follow_up_end f  ON c.record = 'follow_up_end' AND f.id = c.record_id
	WHERE c.batch_id = @batch
	  AND c.record IN ('patient', 'eye', 'protocol', 'clinician', 'treatment', 'visit', 'complication', 'surgery', 'follow_up_end')
	  AND c.after IS DISTINCT FROM CASE c.record
	      WHEN 'patient' THEN to_jsonb(p) WHEN 'eye' THEN to_jsonb(e) WHEN 'protocol' THEN to_jsonb(o) WHEN 'clinician' THEN to_jsonb(k)
	      WHEN 'treatment' THEN to_jsonb(t) WHEN 'visit' THEN to_jsonb(v) WHEN 'complication' THEN to_jsonb(m)
	      WHEN 'surgery' THEN to_jsonb(s) ELSE to_jsonb(f) END
	ORDER BY c.record, c.record_id LIMIT 5`

const removeQueries = `DELETE FROM query WHERE batch_id = @batch`

// removals take out what a batch brought, children before their parents.
var removals = []struct{ table, sql string }{
	{"follow_up_end", `DELETE FROM follow_up_end WHERE batch_id = @batch`},
	{"surgery", `DELETE FROM surgery WHERE batch_id = @batch`},
	{"complication", `DELETE FROM complication WHERE batch_id = @batch`},
	{"visit", `DELETE FROM visit WHERE batch_id = @batch`},
	{"treatment", `DELETE FROM treatment WHERE batch_id = @batch`},
	{"eye", `DELETE FROM eye WHERE batch_id = @batch`},
	{"patient", `DELETE FROM patient WHERE batch_id = @batch`},
	{"protocol", `DELETE FROM protocol WHERE batch_id = @batch`},
	{"clinician", `DELETE FROM clinician WHERE batch_id = @batch`},
}

const markUndone = `
	UPDATE intake_batch SET undone_at = clock_timestamp(), undone_by = @person WHERE id = @batch`

// UndoIntake takes a batch out whole: records that it brought are removed,
// records that it changed are as they were before. It is refused with an
// *UndoError, and nothing is undone, if later batches or people changed or
// added to the same records.
func (s *Store) UndoIntake(ctx context.Context, batch registry.ID, person string) (*Undone, error) {
	undone := &Undone{Batch: batch.String(), Removed: map[string]int{}, Restored: map[string]int{}}
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, oneIntake); err != nil {
			return inWords(err)
		}
		if err := mayUndo(ctx, tx, batch, undone); err != nil {
			return err
		}
		if err := name(ctx, tx, Author{Person: person, Reason: "intake of " + undone.File + " undone", Batch: batch}); err != nil {
			return err
		}
		args := pgx.StrictNamedArgs{"batch": batch}
		for k := range registry.Kinds {
			if err := restore(ctx, tx, registry.Kind(k), batch, undone); err != nil {
				return fmt.Errorf("restoring table %s: %w", registry.Kind(k).Info().Table, inWords(err))
			}
		}
		if _, err := tx.Exec(ctx, removeQueries, args); err != nil {
			return inWords(err)
		}
		for _, r := range removals {
			done, err := tx.Exec(ctx, r.sql, args)
			var broken *pgconn.PgError
			if errors.As(err, &broken) && broken.Code == "23503" {
				return &UndoError{undone.Batch, fmt.Sprintf("records entered later (table %s) belong to records of table %s that came with it: take those out first", broken.TableName, r.table)}
			}
			if err != nil {
				return fmt.Errorf("removing from table %s: %w", r.table, inWords(err))
			}
			if n := done.RowsAffected(); n > 0 {
				undone.Removed[r.table] = int(n)
			}
		}
		_, err := tx.Exec(ctx, markUndone, pgx.StrictNamedArgs{"batch": batch, "person": person})
		return inWords(err)
	})
	if err != nil {
		return nil, err
	}
	return undone, nil
}

// restore puts the records of a kind back as they were before the batch.
func restore(ctx context.Context, tx pgx.Tx, kind registry.Kind, batch registry.ID, undone *Undone) error {
	sql, table := changeSQL[kind], kind.Info().Table
	if sql.clear != "" {
		if _, err := tx.Exec(ctx, sql.clear, pgx.StrictNamedArgs{"batch": batch}); err != nil {
			return err
		}
	}
	var rows string
	var n int
	if err := tx.QueryRow(ctx, statesBefore, pgx.StrictNamedArgs{"batch": batch, "record": table}).Scan(&rows, &n); err != nil || n == 0 {
		return err
	}
	undone.Restored[table] = n
	_, err := tx.Exec(ctx, sql.write, pgx.StrictNamedArgs{"rows": rows})
	return err
}

func mayUndo(ctx context.Context, tx pgx.Tx, batch registry.ID, undone *Undone) error {
	var started time.Time
	var at *time.Time
	var by *string
	err := tx.QueryRow(ctx, batchToUndo, pgx.StrictNamedArgs{"batch": batch}).Scan(&undone.File, &started, &at, &by)
	if errors.Is(err, pgx.ErrNoRows) {
		return &UndoError{undone.Batch, "there is no such batch: intake prints the batch when it ends"}
	}
	if err != nil {
		return inWords(err)
	}
	if at != nil {
		return &UndoError{undone.Batch, fmt.Sprintf("was undone on %s by %s already", at.Format(time.DateOnly), *by)}
	}
	rows, _ := tx.Query(ctx, laterBatches, pgx.StrictNamedArgs{"batch": batch, "started": started}) // CollectRows returns the error
	later, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (id string, err error) {
		var when time.Time
		return id, row.Scan(&id, &when)
	})
	if err != nil {
		return inWords(err)
	}
	if len(later) > 0 {
		return &UndoError{undone.Batch, "later batches changed the same records: undo first " + strings.Join(later, ", ")}
	}
	rows, _ = tx.Query(ctx, changedSince, pgx.StrictNamedArgs{"batch": batch}) // CollectRows returns the error
	since, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (string, error) {
		var record, id string
		err := row.Scan(&record, &id)
		return record + " " + id, err
	})
	if err != nil {
		return inWords(err)
	}
	if len(since) > 0 {
		return &UndoError{undone.Batch, "records that it changed were changed again since: " + strings.Join(since, ", ")}
	}
	return nil
}
