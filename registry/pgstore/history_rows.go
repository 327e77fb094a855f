package pgstore

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
)

// composedKeys are the watched tables whose rows have a key of several columns.
var composedKeys = map[string]struct{}{"protocol_zone": {}, "treatment_zone": {}, "pachymetry_step": {}, "demarcation": {}, "definition": {}}

const imagesAltered = `
	WITH found AS (
		SELECT entry, sha256(string_agg(sha256(convert_to(jsonb_build_array(encode(key, 'hex'), before, after)::text, 'UTF8')), '' ORDER BY key)) AS digest
		FROM history_image GROUP BY entry)
	SELECT coalesce(h.id, f.entry), h.id IS NULL FROM history h FULL JOIN found f ON f.entry = h.id
	WHERE coalesce(f.digest, '') IS DISTINCT FROM coalesce(h.images, '') ORDER BY 1`

// images compares the images of rows with the digests that the chain holds.
func (v *verification) images() error {
	rows, err := v.tx.Query(v.ctx, imagesAltered)
	if err != nil {
		return err
	}
	var entry int64
	var alone bool
	_, err = pgx.ForEachRow(rows, []any{&entry, &alone}, func() error {
		switch {
		case alone:
			v.report.fault(fmt.Sprintf("entry with the identity %d", entry), "has images of rows, but is not there")
		default:
			v.report.fault(fmt.Sprintf("entry %d", v.seqs[entry]), "the rows before and after that it keeps were altered, removed or added to")
		}
		return nil
	})
	return err
}

// The columns of the newest shape of every watched table, and those that the
// table has and the shape does not or the other way round.
const readShapes = `
	SELECT DISTINCT ON (s.relation) s.relation, s.key, s.columns,
	       coalesce((SELECT array_agg(c ORDER BY c) FROM (
	           SELECT unnest(s.columns) AS c EXCEPT SELECT attname::text FROM pg_attribute WHERE attrelid = to_regclass(quote_ident(s.relation)) AND attnum > 0 AND NOT attisdropped) gone), '{}'),
	       coalesce((SELECT array_agg(c ORDER BY c) FROM (
	           SELECT attname::text AS c FROM pg_attribute WHERE attrelid = to_regclass(quote_ident(s.relation)) AND attnum > 0 AND NOT attisdropped EXCEPT SELECT unnest(s.columns)) extra), '{}')
	FROM history_shape s ORDER BY s.relation, s.id DESC`

type shape struct {
	relation, key        string
	columns, gone, extra []string
}

func (v *verification) shapes() ([]shape, error) {
	rows, _ := v.tx.Query(v.ctx, readShapes) // CollectRows returns the error
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (s shape, err error) {
		return s, row.Scan(&s.relation, &s.key, &s.columns, &s.gone, &s.extra)
	})
}

// rows compares every row of the watched tables with what the history says.
func (v *verification) rows() error {
	shapes, err := v.shapes()
	if err != nil {
		return err
	}
	for _, s := range shapes {
		if len(s.gone) > 0 {
			v.report.fault("table "+s.relation, "has lost %s without the history's knowing: its rows cannot be compared", strings.Join(s.gone, ", "))
			continue
		}
		if len(s.extra) > 0 {
			v.report.fault("table "+s.relation, "has columns that the history does not watch: %s", strings.Join(s.extra, ", "))
		}
		if err := v.rowsOf(s); err != nil {
			return fmt.Errorf("table %s: %w", s.relation, err)
		}
	}
	return nil
}

func (v *verification) rowsOf(s shape) error {
	columns := make([]string, len(s.columns))
	for i, c := range s.columns {
		columns[i] = "r." + pgx.Identifier{c}.Sanitize()
	}
	rows, err := v.tx.Query(v.ctx, fmt.Sprintf("SELECT %s, substr(sha256(record_send(ROW(%s))), 1, 16) FROM %s r", s.key, strings.Join(columns, ", "), pgx.Identifier{s.relation}.Sanitize()))
	if err != nil {
		return err
	}
	of := v.state[s.relation]
	var altered []HistoryFault
	var key, mark []byte
	_, err = pgx.ForEachRow(rows, []any{&key, &mark}, func() error {
		if len(key) != markSize || len(mark) != markSize {
			return errors.New("a key or mark should have 16 bytes")
		}
		v.report.Rows++
		k := rowKey(key)
		said, ok := of[k]
		switch {
		case !ok:
			altered = append(altered, HistoryFault{rowName(s.relation, k), "is there without an entry: it was put in behind the history's back"})
		case said.mark != [markSize]byte(mark):
			altered = append(altered, HistoryFault{rowName(s.relation, k), fmt.Sprintf("is not as entry %d recorded it: it was altered behind the history's back", said.seq)})
		}
		delete(of, k)
		return nil
	})
	for k, said := range of {
		altered = append(altered, HistoryFault{rowName(s.relation, k), fmt.Sprintf("is gone, but entry %d has it and none since: it was removed behind the history's back", said.seq)})
	}
	slices.SortFunc(altered, func(a, b HistoryFault) int { return strings.Compare(a.Place, b.Place) })
	for _, f := range altered {
		v.report.fault(f.Place, "%s", f.Words)
	}
	return err
}

const triggersOff = `
	WITH wanted AS (
		SELECT DISTINCT s.relation, t.name FROM history_shape s CROSS JOIN unnest(ARRAY['history_on_insert', 'history_on_update', 'history_on_delete', 'watched_is_not_truncated']) AS t (name)
		UNION ALL SELECT r, 'history_is_kept' FROM unnest(ARRAY['history', 'history_image', 'history_link', 'history_shape', 'history_head']) AS r
		UNION ALL SELECT 'history', 'history_chain')
	SELECT w.relation, w.name FROM wanted w
	WHERE NOT EXISTS (SELECT FROM pg_trigger g WHERE g.tgrelid = to_regclass(quote_ident(w.relation)) AND g.tgname = w.name AND g.tgenabled IN ('O', 'A'))
	ORDER BY 1, 2`

// triggers looks for triggers that were taken off or switched off.
func (v *verification) triggers() error {
	rows, err := v.tx.Query(v.ctx, triggersOff)
	if err != nil {
		return err
	}
	var relation, name string
	_, err = pgx.ForEachRow(rows, []any{&relation, &name}, func() error {
		v.report.fault("table "+relation, "its trigger %s is off: what happens now is not recorded", name)
		return nil
	})
	return err
}
