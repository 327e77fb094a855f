package pgstore

import (
	"context"
	"io"
	"io/fs"

	"github.com/golang-migrate/migrate/v4"
	"github.com/jackc/pgx/v5"
)

// CopyToNothing streams the rows that Snapshot reads, by the same queries in
// the same transaction, without looking at them.
func (s *Store) CopyToNothing(ctx context.Context, scope Scope) error {
	return pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		if err := applyScope(ctx, tx, scope); err != nil {
			return err
		}
		for _, query := range []string{readPatients, readEyes, readTreatments, readPachymetry, readZones, readVisits,
			readDemarcations, readComplications, readSurgeries, readEnds, readQueries} {
			if _, err := tx.Conn().PgConn().CopyTo(ctx, io.Discard, "COPY ("+query+") TO STDOUT (FORMAT binary)"); err != nil {
				return err
			}
		}
		return nil
	})
}

// MigrateFiles is Migrate with other steps.
func MigrateFiles(ctx context.Context, url string, files fs.FS) (from, to uint, err error) {
	return migrateTo(ctx, url, files, (*migrate.Migrate).Up)
}

// MigrateFilesDown takes other steps back.
func MigrateFilesDown(ctx context.Context, url string, files fs.FS) error {
	_, _, err := migrateTo(ctx, url, files, (*migrate.Migrate).Down)
	return err
}

// MigrationLock is what a program holds while it migrates.
const MigrationLock = migrationLock
