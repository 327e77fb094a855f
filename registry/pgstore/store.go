// Package pgstore keeps the registry in PostgreSQL. It holds the only SQL of
// the program: transactions, intake batches, streaming reads.
package pgstore

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgproto3"
	"github.com/jackc/pgx/v5/pgxpool"

	"keratally/registry"
)

// Store is a registry in one PostgreSQL database.
type Store struct {
	pool *pgxpool.Pool
}

// Open connects to the database at url and checks that it answers. It does not
// migrate: see Migrate.
func Open(ctx context.Context, url string) (*Store, error) {
	config, err := pgxpool.ParseConfig(url)
	if err != nil {
		return nil, fmt.Errorf("database address: %w", err)
	}
	config.ConnConfig.BuildFrontend = widely
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("connecting to the database: %w", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("connecting to the database: %w", err)
	}
	return New(pool), nil
}

// widely receives as much at once as has come, up to 128 KiB: a large read
// then wakes the program a tenth as often.
func widely(r io.Reader, w io.Writer) *pgproto3.Frontend {
	return pgproto3.NewFrontend(bufio.NewReaderSize(r, 1<<17), w)
}

// New returns the registry in a database that is already connected. Closing
// the store closes the pool.
func New(pool *pgxpool.Pool) *Store { return &Store{pool: pool} }

// Close ends every connection.
func (s *Store) Close() { s.pool.Close() }

// Pool returns the connections, for what has to hold one of its own.
func (s *Store) Pool() *pgxpool.Pool { return s.pool }

// inWords turns an error of the database into one of the registry: a broken
// rule into a *registry.RuleError with the rule in words, no rows into
// registry.ErrNotFound. The values of the row never come with it.
func inWords(err error) error {
	if errors.Is(err, pgx.ErrNoRows) {
		return registry.ErrNotFound
	}
	var pg *pgconn.PgError
	if !errors.As(err, &pg) {
		return err
	}
	if pg.ConstraintName != "" {
		return &registry.RuleError{Rule: pg.ConstraintName, Words: Rule(pg.ConstraintName)}
	}
	if pg.Code == "23502" { // not_null_violation: has a column, no constraint
		return &registry.RuleError{Rule: pg.TableName + "." + pg.ColumnName, Words: fmt.Sprintf("%s of a %s should be given", pg.ColumnName, pg.TableName)}
	}
	return err
}
