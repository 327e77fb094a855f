// Package pgstore keeps the registry in PostgreSQL. It holds the only SQL of
// the program: transactions, intake batches, streaming reads.
package pgstore

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
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
	pool, err := pgxpool.New(ctx, url)
	if err != nil {
		return nil, fmt.Errorf("database address: %w", err)
	}
	if err := pool.Ping(ctx); err != nil {
		pool.Close()
		return nil, fmt.Errorf("connecting to the database: %w", err)
	}
	return New(pool), nil
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
