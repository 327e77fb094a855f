package pgstore

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"github.com/golang-migrate/migrate/v4"
	mpgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/stdlib"

	"keratally/migrations"
)

// NewerError says that a database was migrated by a newer program.
type NewerError struct{ Database, Program uint }

// Error says which is older.
func (e *NewerError) Error() string {
	return fmt.Sprintf("this program is older than its database: the schema is at step %d, and this program knows steps up to %d: use the newer program", e.Database, e.Program)
}

// StepError says which statement of which step the database refused. The step was
// rolled back whole, and the steps before it stand.
type StepError struct {
	File string // "0003_eye_reference.up.sql"
	Line uint   // of the file, counted from one; 0 if the server named none
	Text string // the line
	Err  error  // what the server said
}

// Error says where, and what the server said.
func (e *StepError) Error() string {
	if e.Line == 0 {
		return fmt.Sprintf("schema step %s: %v: nothing of this step was kept", e.File, e.Err)
	}
	return fmt.Sprintf("schema step %s, line %d (%s): %v: nothing of this step was kept", e.File, e.Line, e.Text, e.Err)
}

// Unwrap returns what the server said.
func (e *StepError) Unwrap() error { return e.Err }

// Migrate brings the database to the newest step that this program knows and
// returns the steps before and after, 0 for an empty database. Two programs
// may start at once: one waits for the other, 15 s at most. A step that an earlier
// run began and did not finish is tried again, or found to have finished: see ledger.
// When ctx ends, the step at work is finished and no other begun.
//
// The error is a *NewerError if the database knows more steps than the program,
// and a *StepError if the database refused one.
func Migrate(ctx context.Context, url string) (from, to uint, err error) {
	return migrateTo(ctx, url, migrations.Files, (*migrate.Migrate).Up)
}

// MigrateDown takes every step back, which loses all data: for tests.
func MigrateDown(ctx context.Context, url string) error {
	_, _, err := migrateTo(ctx, url, migrations.Files, (*migrate.Migrate).Down)
	return err
}

// lockTimeout, in milliseconds, is how long a program waits for another that is
// migrating, and a step for a lock on a table, such as behind a long report: PostgreSQL
// applies it to both. Without it the library would wait for ever.
const lockTimeout = "15000"

// migrationLock serialises programs around the whole of a migration, the
// reading of an unfinished step's mark included: the library's own lock starts later.
const migrationLock = 0x6b657261

func migrateTo(ctx context.Context, url string, files fs.FS, do func(*migrate.Migrate) error) (from, to uint, err error) {
	steps, err := newStepSource(files)
	if err != nil {
		return 0, 0, err
	}
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return 0, 0, fmt.Errorf("database address: %w", err)
	}
	config.RuntimeParams["lock_timeout"] = lockTimeout
	turn, err := pgx.ConnectConfig(ctx, config)
	if err != nil {
		return 0, 0, fmt.Errorf("database: %w", err)
	}
	defer turn.Close(context.WithoutCancel(ctx)) // which ends the session, and with it the lock
	if _, err := turn.Exec(ctx, "SELECT pg_advisory_lock($1)", migrationLock); err != nil {
		return 0, 0, fmt.Errorf("schema: waiting for another program that is migrating: %w", err)
	}

	db := stdlib.OpenDB(*config)
	defer db.Close()
	driver, err := mpgx.WithInstance(db, &mpgx.Config{})
	if err != nil {
		return 0, 0, fmt.Errorf("schema: %w", err)
	}
	m, err := migrate.NewWithInstance("steps", steps, "pgx5", driver)
	if err != nil {
		return 0, 0, errors.Join(fmt.Errorf("schema: %w", err), driver.Close())
	}
	defer m.Close()
	if from, err = settle(ctx, m, ledger{turn}); err != nil {
		return 0, 0, fmt.Errorf("schema: %w", err)
	}
	if from > steps.newest {
		return from, from, &NewerError{Database: from, Program: steps.newest}
	}
	if err := context.Cause(ctx); err != nil {
		return from, from, fmt.Errorf("schema from step %d: %w", from, err)
	}
	stop := context.AfterFunc(ctx, func() { m.GracefulStop <- true })
	defer stop()
	if err := do(m); err != nil && !errors.Is(err, migrate.ErrNoChange) {
		return from, from, steps.explain(err)
	}
	if to, err = (ledger{turn}).newest(context.WithoutCancel(ctx)); err != nil {
		return from, from, fmt.Errorf("schema: %w", err)
	}
	if err := context.Cause(ctx); err != nil {
		return from, to, fmt.Errorf("schema at step %d: %w", to, err)
	}
	return from, to, nil
}

// settle returns the step at which the database is, after setting the library's mark right:
// that is left "dirty" by a step that failed or was cut off.
func settle(ctx context.Context, m *migrate.Migrate, l ledger) (uint, error) {
	marked, dirty, err := m.Version()
	if errors.Is(err, migrate.ErrNilVersion) {
		err = nil
	}
	if err != nil {
		return 0, err
	}
	finished := marked
	if dirty {
		finished = marked - 1
	}
	if err := l.ensure(ctx, finished); err != nil {
		return 0, err
	}
	if !dirty {
		return marked, nil
	}
	at, err := l.newest(ctx)
	if err != nil {
		return 0, err
	}
	mark := int(at)
	if at == 0 {
		mark = -1 // the library's word for no step at all
	}
	if err := m.Force(mark); err != nil {
		return 0, fmt.Errorf("step %d was begun and not finished: %w", marked, err)
	}
	return at, nil
}

// ledger is the table of the steps that have been applied. Each step writes its own line
// in its own transaction (see stepSource), so that, unlike the library's mark, a line is there if
// and only if the step is: after a failure, and after a kill between the two as well.
type ledger struct{ conn *pgx.Conn }

const makeLedger = `
	CREATE TABLE schema_step (step bigint NOT NULL, applied_at timestamptz NOT NULL DEFAULT now());
	COMMENT ON TABLE schema_step IS 'The steps of the schema that have been applied, each written by the step itself.'`

// ensure makes the ledger. A database that had steps before there was a ledger gets their lines.
func (l ledger) ensure(ctx context.Context, finished uint) error {
	return pgx.BeginFunc(ctx, l.conn, func(tx pgx.Tx) error {
		var exists bool
		if err := tx.QueryRow(ctx, "SELECT to_regclass('schema_step') IS NOT NULL").Scan(&exists); err != nil || exists {
			return err
		}
		if _, err := tx.Exec(ctx, makeLedger); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, "INSERT INTO schema_step (step) SELECT generate_series(1, $1::bigint)", int64(finished))
		return err
	})
}

// newest returns the step at which the database is, 0 for none.
func (l ledger) newest(ctx context.Context) (uint, error) {
	var step int64
	err := l.conn.QueryRow(ctx, "SELECT coalesce(max(step), 0) FROM schema_step").Scan(&step)
	return uint(step), err
}

// serverError returns what the server said, without the rest of the file around it.
func serverError(err error) error {
	var server *pgconn.PgError
	if errors.As(err, &server) {
		return server
	}
	return err
}
