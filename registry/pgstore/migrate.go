package pgstore

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"strconv"
	"strings"

	"github.com/golang-migrate/migrate/v4"
	mpgx "github.com/golang-migrate/migrate/v4/database/pgx/v5"
	"github.com/golang-migrate/migrate/v4/source/iofs"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/stdlib"

	"keratally/migrations"
)

// NewerError says that a database was migrated by a newer program.
type NewerError struct{ Database, Program uint }

// Error says which is older.
func (e *NewerError) Error() string {
	return fmt.Sprintf("this program is older than its database: the schema is at step %d, and this program knows steps up to %d. Use the newer program.", e.Database, e.Program)
}

// Migrate brings the database to the newest step that this program knows and
// returns the steps before and after, 0 for an empty database. Two programs
// may start at once: one waits for the other. A step that failed half-way was
// rolled back by the server; its mark is taken off and it is tried again.
func Migrate(ctx context.Context, url string) (from, to uint, err error) {
	return migrateTo(ctx, url, migrations.Files, func(m *migrate.Migrate) error { return m.Up() })
}

// MigrateDown takes every step back, which loses all data: for tests.
func MigrateDown(ctx context.Context, url string) error {
	_, _, err := migrateTo(ctx, url, migrations.Files, func(m *migrate.Migrate) error { return m.Down() })
	return err
}

// lockTimeout is how long a step waits for another program; PostgreSQL applies
// it to the lock that serialises programs as well.
const lockTimeout = "15000"

// migrationLock serialises programs around the whole of a migration, the
// reading of a failed step's mark included: the library's own lock starts later.
const migrationLock = 0x6b657261

func migrateTo(ctx context.Context, url string, files fs.FS, do func(*migrate.Migrate) error) (from, to uint, err error) {
	config, err := pgx.ParseConfig(url)
	if err != nil {
		return 0, 0, fmt.Errorf("database address: %w", err)
	}
	config.RuntimeParams["lock_timeout"] = lockTimeout
	db := stdlib.OpenDB(*config)
	defer db.Close()
	if err := db.PingContext(ctx); err != nil {
		return 0, 0, fmt.Errorf("database: %w", err)
	}
	turn, err := db.Conn(ctx)
	if err != nil {
		return 0, 0, fmt.Errorf("database: %w", err)
	}
	defer turn.Close() // which ends the session, and with it the lock
	if _, err := turn.ExecContext(ctx, "SELECT pg_advisory_lock($1)", migrationLock); err != nil {
		return 0, 0, fmt.Errorf("schema: waiting for another program that is migrating: %w", err)
	}
	driver, err := mpgx.WithInstance(db, &mpgx.Config{})
	if err != nil {
		return 0, 0, fmt.Errorf("schema: %w", err)
	}
	source, err := iofs.New(files, ".")
	if err != nil {
		return 0, 0, fmt.Errorf("schema steps: %w", err)
	}
	m, err := migrate.NewWithInstance("iofs", source, "pgx5", driver)
	if err != nil {
		return 0, 0, fmt.Errorf("schema: %w", err)
	}
	defer m.Close()
	known, err := newest(files)
	if err != nil {
		return 0, 0, err
	}
	if from, err = repaired(m); err != nil {
		return 0, 0, err
	}
	if from > known {
		return from, from, &NewerError{Database: from, Program: known}
	}
	if err := do(m); err != nil && !errors.Is(err, migrate.ErrNoChange) {
		return from, from, fmt.Errorf("schema from step %d: %w", from, err)
	}
	to, _, err = m.Version()
	if errors.Is(err, migrate.ErrNilVersion) {
		err = nil
	}
	return from, to, err
}

// repaired returns the step of the database, after taking the mark off a step
// that failed: a file is one transaction, so nothing of it stayed.
func repaired(m *migrate.Migrate) (uint, error) {
	version, dirty, err := m.Version()
	switch {
	case errors.Is(err, migrate.ErrNilVersion):
		return 0, nil
	case err != nil:
		return 0, fmt.Errorf("schema: %w", err)
	case !dirty:
		return version, nil
	}
	before := int(version) - 1
	if before == 0 {
		before = -1 // no step at all
	}
	if err := m.Force(before); err != nil {
		return 0, fmt.Errorf("schema step %d had failed: %w", version, err)
	}
	return version - 1, nil
}

// newest returns the highest number among the steps.
func newest(files fs.FS) (uint, error) {
	names, err := fs.Glob(files, "*.up.sql")
	if err != nil {
		return 0, err
	}
	var highest uint64
	for _, name := range names {
		number, _, _ := strings.Cut(name, "_")
		n, err := strconv.ParseUint(number, 10, 32)
		if err != nil {
			return 0, fmt.Errorf("schema step %s: should begin with a number", name)
		}
		highest = max(highest, n)
	}
	return uint(highest), nil
}
