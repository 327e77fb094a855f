package pgstore

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// send sends a portion: new records parents first, then what changes.
func (in *Intake) send(ctx context.Context, p *portion) error {
	for k := range registry.Kinds {
		kind := registry.Kind(k)
		if kind == registry.VisitRecord {
			if p.newCount > 0 {
				if _, err := in.tx.Exec(ctx, handMarks, p.marks); err != nil {
					return fmt.Errorf("new visits: %w", inWords(err))
				}
				if _, err := in.tx.Conn().PgConn().CopyFrom(ctx, bytes.NewReader(p.visits), copyVisits); err != nil {
					return fmt.Errorf("new visits: %w", inWords(err))
				}
			}
			continue
		}
		if rows := p.parts[k]; len(rows) > 0 {
			_, err := in.tx.CopyFrom(ctx, pgx.Identifier{kind.Info().Table}, partColumns(kind), pgx.CopyFromRows(rows))
			if err != nil {
				return fmt.Errorf("new records of table %s: %w", kind.Info().Table, inWords(err))
			}
		}
	}
	for k := range registry.Kinds {
		for _, c := range []changes{p.changed[k], p.owned[k]} {
			if err := in.change(ctx, registry.Kind(k), c); err != nil {
				return fmt.Errorf("changed records of table %s: %w", registry.Kind(k).Info().Table, inWords(err))
			}
		}
	}
	return in.ask(ctx, p.queries)
}

// change writes changed records, and keeps their state before and after.
func (in *Intake) change(ctx context.Context, kind registry.Kind, c changes) error {
	if len(c.rows) == 0 {
		return nil
	}
	sql, ok := changeSQL[kind]
	if !ok {
		return fmt.Errorf("records of this kind do not change")
	}
	rows, err := json.Marshal(c.rows)
	if err != nil {
		return err
	}
	traced := pgx.StrictNamedArgs{"batch": in.batch.ID, "ids": c.traced}
	if len(c.traced) > 0 {
		if _, err := in.tx.Exec(ctx, sql.before, traced); err != nil {
			return err
		}
	}
	if _, err := in.tx.Exec(ctx, sql.write, pgx.StrictNamedArgs{"rows": rows}); err != nil {
		return err
	}
	if len(c.traced) > 0 {
		if _, err := in.tx.Exec(ctx, sql.after, traced); err != nil {
			return err
		}
	}
	return nil
}

const stageQueries = `
	CREATE TEMPORARY TABLE IF NOT EXISTS asked (
		id uuid, centre_id uuid, eye_id uuid, record text, record_id uuid, field text, value text, message text, batch_id uuid) ON COMMIT DROP`

const keepQueries = `
	INSERT INTO query (id, centre_id, eye_id, record, record_id, field, value, message, batch_id)
	SELECT id, centre_id, eye_id, record, record_id, field, value, message, batch_id FROM asked
	ON CONFLICT ON CONSTRAINT query_unique DO NOTHING`

const clearQueries = `TRUNCATE asked`

// ask enters open queries; one that was asked before is not asked again.
func (in *Intake) ask(ctx context.Context, queries [][]any) error {
	if len(queries) == 0 {
		return nil
	}
	if _, err := in.tx.Exec(ctx, stageQueries); err != nil {
		return fmt.Errorf("queries: %w", inWords(err))
	}
	columns := []string{"id", "centre_id", "eye_id", "record", "record_id", "field", "value", "message", "batch_id"}
	if _, err := in.tx.CopyFrom(ctx, pgx.Identifier{"asked"}, columns, pgx.CopyFromRows(queries)); err != nil {
		return fmt.Errorf("queries: %w", inWords(err))
	}
	for _, sql := range []string{keepQueries, clearQueries} {
		if _, err := in.tx.Exec(ctx, sql); err != nil {
			return fmt.Errorf("queries: %w", inWords(err))
		}
	}
	return nil
}
