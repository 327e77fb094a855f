package pgstore

import (
	"context"
	"io"

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
