package pgstore

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"keratally/migrations"
)

// Condition is what can be told of a database without changing it.
type Condition struct {
	Version       string // of the server, such as "15.4"
	VersionNumber int    // 150004
	Step, Newest  uint   // of the schema, and the newest that this program knows
	Bytes         int64  // that the database takes
	Ahead         time.Duration
	Durable       bool // fsync, full_page_writes and synchronous_commit are on
	Checksums     bool
	Recovering    bool      // a standby, which takes no changes
	LastEntry     time.Time // of the history; zero for none
	LastIntake    time.Time // zero for none
}

const (
	readCondition = `
	SELECT current_setting('server_version'), current_setting('server_version_num')::int, pg_database_size(current_database()), clock_timestamp(),
	       current_setting('fsync') = 'on' AND current_setting('full_page_writes') = 'on' AND current_setting('synchronous_commit') <> 'off',
	       current_setting('data_checksums') = 'on', pg_is_in_recovery(), to_regclass('schema_step') IS NOT NULL`

	readStep     = `SELECT coalesce(max(step), 0) FROM schema_step`
	lastRecorded = `SELECT (SELECT max(linked_at) FROM history_link), (SELECT max(committed_at) FROM intake_batch)`
)

// Examine looks at the database at address and changes nothing.
func Examine(ctx context.Context, address string) (*Condition, error) {
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	steps, err := newStepSource(migrations.Files)
	if err != nil {
		return nil, err
	}
	c := &Condition{Newest: steps.newest}
	var now time.Time
	var registry bool
	began := time.Now()
	err = conn.QueryRow(ctx, readCondition).Scan(&c.Version, &c.VersionNumber, &c.Bytes, &now, &c.Durable, &c.Checksums, &c.Recovering, &registry)
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	c.Ahead = now.Sub(began.Add(time.Since(began) / 2))
	if !registry {
		return c, nil
	}
	if err := conn.QueryRow(ctx, readStep).Scan(&c.Step); err != nil {
		return nil, fmt.Errorf("schema: %w", err)
	}
	if c.Step < c.Newest {
		return c, nil // what follows may not be there yet
	}
	var entry, intake *time.Time
	if err := conn.QueryRow(ctx, lastRecorded).Scan(&entry, &intake); err != nil {
		return nil, fmt.Errorf("history: %w", err)
	}
	if entry != nil {
		c.LastEntry = *entry
	}
	if intake != nil {
		c.LastIntake = *intake
	}
	return c, nil
}
