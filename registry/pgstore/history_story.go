package pgstore

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// StoryEvent is one thing that happened to a record.
type StoryEvent struct {
	Entry          int64     // number in the chain
	At             time.Time // UTC
	Person, Reason string
	Action         string // "entered", "changed", "deleted", "found"
	Record         string // "visit of 2026-03-02"
	Changes        []string
}

const (
	eyesOfCode = `
	SELECT e.id FROM eye e JOIN patient p ON p.id = e.patient_id
	WHERE p.code = @code AND (@side = 0 OR e.side = @side) ORDER BY e.patient_id, e.side`

	// Rows of an eye that are there, each with its key.
	rowsOfEye = `
	SELECT 'eye' AS relation, uuid_send(id) AS key, to_jsonb(t) AS now FROM eye t WHERE id = @id
	UNION ALL SELECT 'treatment', uuid_send(id), to_jsonb(t) FROM treatment t WHERE eye_id = @id
	UNION ALL SELECT 'visit', uuid_send(id), to_jsonb(t) FROM visit t WHERE eye_id = @id
	UNION ALL SELECT 'complication', uuid_send(id), to_jsonb(t) FROM complication t WHERE eye_id = @id
	UNION ALL SELECT 'surgery', uuid_send(id), to_jsonb(t) FROM surgery t WHERE eye_id = @id
	UNION ALL SELECT 'follow_up_end', uuid_send(id), to_jsonb(t) FROM follow_up_end t WHERE eye_id = @id
	UNION ALL SELECT 'query', uuid_send(id), to_jsonb(t) FROM query t WHERE eye_id = @id`

	// Rows that are not there any more, by what is kept of them.
	imagesOfEye = `
	SELECT DISTINCT ON (h.relation, i.key) h.relation, i.key, coalesce(i.before, i.after) AS now FROM history_image i JOIN history h ON h.id = i.entry
	WHERE (i.before ->> 'eye_id' = @id::uuid::text OR i.after ->> 'eye_id' = @id::uuid::text OR (h.relation = 'eye' AND i.key = uuid_send(@id::uuid)))
	ORDER BY h.relation, i.key, i.entry DESC`

	// Lines, steps and zones of the visits and treatments with the given keys.
	partsOf = `
	SELECT 'demarcation' AS relation, substr(sha256(convert_to(jsonb_build_array(t.visit_id, t.zone, t.observer)::text, 'UTF8')), 1, 16) AS key, to_jsonb(t) AS now
	FROM demarcation t WHERE t.visit_id = ANY (@ids)
	UNION ALL SELECT 'pachymetry_step', substr(sha256(convert_to(jsonb_build_array(t.treatment_id, t.step)::text, 'UTF8')), 1, 16), to_jsonb(t)
	FROM pachymetry_step t WHERE t.treatment_id = ANY (@ids)
	UNION ALL SELECT 'treatment_zone', substr(sha256(convert_to(jsonb_build_array(t.treatment_id, t.zone_order)::text, 'UTF8')), 1, 16), to_jsonb(t)
	FROM treatment_zone t WHERE t.treatment_id = ANY (@ids)`

	imagesOfParts = `
	SELECT DISTINCT ON (h.relation, i.key) h.relation, i.key, coalesce(i.before, i.after) AS now FROM history_image i JOIN history h ON h.id = i.entry
	WHERE h.relation IN ('demarcation', 'pachymetry_step', 'treatment_zone')
	  AND coalesce(i.before, i.after) ->> CASE h.relation WHEN 'demarcation' THEN 'visit_id' ELSE 'treatment_id' END = ANY (@texts)
	ORDER BY h.relation, i.key, i.entry DESC`

	// A record of any kind by its identity, where it has been entered once.
	recordOf = `
	SELECT h.relation, uuid_send(@id::uuid) AS key,
	       (SELECT coalesce(i.before, i.after) FROM history_image i WHERE i.key = uuid_send(@id::uuid) ORDER BY i.entry DESC LIMIT 1) AS now
	FROM history h WHERE h.action IN ('insert', 'found') AND (position(uuid_send(@id::uuid) IN h.became_keys) - 1) % 16 = 0 AND position(uuid_send(@id::uuid) IN h.became_keys) > 0
	ORDER BY h.id LIMIT 1`

	eventsOfRows = `
	SELECT l.seq, h.at, h.person, h.reason, h.action, h.relation, k.key, i.before, i.after
	FROM unnest(@relations::text[], @keys::bytea[]) AS k (relation, key)
	JOIN history h ON h.relation = k.relation
	LEFT JOIN history_image i ON i.entry = h.id AND i.key = k.key
	LEFT JOIN history_link l ON l.entry = h.id
	WHERE i.key IS NOT NULL
	   OR (h.action IN ('insert', 'found') AND position(k.key IN h.became_keys) > 0 AND (position(k.key IN h.became_keys) - 1) % 16 = 0)
	ORDER BY l.seq, h.relation, k.key`
)

type storyRow struct {
	relation string
	key      []byte
	now      map[string]any
}

// Story tells what happened to an eye ("P1 OD", or "P1" for both eyes of a
// patient) and to everything that belongs to it, or to one record by its
// identity, earliest first. registry.ErrNotFound if the history knows nothing of it.
func (s *Store) Story(ctx context.Context, what string) ([]StoryEvent, error) {
	var rows []storyRow
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		eyes, err := eyesNamed(ctx, tx, what)
		if err != nil {
			return err
		}
		for _, eye := range eyes {
			of, err := rowsOf(ctx, tx, eye)
			if err != nil {
				return err
			}
			rows = append(rows, of...)
		}
		return nil
	})
	if err == nil && len(rows) == 0 {
		err = registry.ErrNotFound
	}
	var events []StoryEvent
	if err == nil {
		events, err = s.events(ctx, rows)
	}
	if err != nil {
		return nil, fmt.Errorf("history of %q: %w", what, err)
	}
	return events, nil
}

func eyesNamed(ctx context.Context, tx pgx.Tx, what string) ([]registry.ID, error) {
	if id, err := uuid.Parse(what); err == nil {
		return []registry.ID{id}, nil
	}
	code, side := what, 0
	for i, word := range []string{"OD", "OS"} {
		if cut, ok := strings.CutSuffix(what, " "+word); ok {
			code, side = strings.TrimSpace(cut), i+1
		}
	}
	rows, _ := tx.Query(ctx, eyesOfCode, pgx.StrictNamedArgs{"code": code, "side": side}) // CollectRows returns the error
	return pgx.CollectRows(rows, pgx.RowTo[registry.ID])
}

// rowsOf lists the rows of an eye, those that are gone included, or the one
// record that has the identity.
func rowsOf(ctx context.Context, tx pgx.Tx, id registry.ID) ([]storyRow, error) {
	var list []storyRow
	add := func(sql string, args pgx.StrictNamedArgs) error {
		rows, _ := tx.Query(ctx, sql, args) // CollectRows returns the error
		more, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r storyRow, err error) {
			return r, row.Scan(&r.relation, &r.key, &r.now)
		})
		for _, r := range more {
			if !slices.ContainsFunc(list, func(o storyRow) bool { return o.relation == r.relation && string(o.key) == string(r.key) }) {
				list = append(list, r)
			}
		}
		return err
	}
	args := pgx.StrictNamedArgs{"id": id}
	if err := errors.Join(add(rowsOfEye, args), add(imagesOfEye, args)); err != nil {
		return nil, err
	}
	if len(list) == 0 {
		if err := add(recordOf, args); err != nil {
			return nil, err
		}
	}
	ids, texts := []registry.ID{}, []string{}
	for _, r := range list {
		if r.relation == "visit" || r.relation == "treatment" {
			ids, texts = append(ids, registry.ID(r.key)), append(texts, uuid.UUID(r.key).String())
		}
	}
	return list, errors.Join(add(partsOf, pgx.StrictNamedArgs{"ids": ids}), add(imagesOfParts, pgx.StrictNamedArgs{"texts": texts}))
}

var actionWords = map[string]string{"insert": "entered", "update": "changed", "delete": "deleted", "found": "found"}

func (s *Store) events(ctx context.Context, of []storyRow) ([]StoryEvent, error) {
	relations, keys := make([]string, len(of)), make([][]byte, len(of))
	now := map[string]map[string]any{}
	for i, r := range of {
		relations[i], keys[i] = r.relation, r.key
		now[r.relation+string(r.key)] = r.now
	}
	rows, _ := s.pool.Query(ctx, eventsOfRows, pgx.StrictNamedArgs{"relations": relations, "keys": keys}) // CollectRows returns the error
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (e StoryEvent, err error) {
		var seq *int64
		var relation string
		var key []byte
		var before, after map[string]any
		if err = row.Scan(&seq, &e.At, &e.Person, &e.Reason, &e.Action, &relation, &key, &before, &after); err != nil {
			return e, err
		}
		if seq != nil {
			e.Entry = *seq
		}
		known := now[relation+string(key)]
		for _, better := range []map[string]any{before, after} {
			if better != nil {
				known = better
			}
		}
		e.At, e.Action, e.Record = e.At.UTC(), actionWords[e.Action], recordWords(relation, known)
		if before != nil && after != nil {
			e.Changes = changesInWords(before, after)
		}
		return e, nil
	})
}

// recordWords names a row by its table and what tells it from its like.
func recordWords(relation string, row map[string]any) string {
	words := strings.ReplaceAll(relation, "_", " ")
	for _, column := range []string{"visited_on", "treated_on", "onset", "operated_on", "ended_on"} {
		if day, ok := row[column].(string); ok {
			return words + " of " + day
		}
	}
	for _, column := range []string{"zone", "step", "field", "code"} {
		if text, ok := row[column].(string); ok {
			return words + " " + text
		}
	}
	if side, ok := row["side"].(float64); ok && relation == "eye" {
		return words + map[float64]string{1: " OD", 2: " OS"}[side]
	}
	return words
}

// changesInWords lists the columns that differ, by name, with the value before
// and after.
func changesInWords(before, after map[string]any) []string {
	var list []string
	for _, column := range slices.Sorted(maps.Keys(after)) {
		was, is := valueWords(column, before[column]), valueWords(column, after[column])
		if was != is {
			list = append(list, fmt.Sprintf("%s %s → %s", columnWords(column), was, is))
		}
	}
	return list
}

// columnWords is the printed name of a column: the label of a measure, or the
// column's own name without its scale.
func columnWords(column string) string {
	for _, m := range registry.Measures {
		if m.Column == column {
			return m.Label
		}
	}
	name, _ := scaleOf(column)
	return strings.ReplaceAll(name, "_", " ")
}

// scaleOf parts a column's name from its scale: _e2 is hundredths.
func scaleOf(column string) (name string, places int) {
	if i := strings.LastIndex(column, "_e"); i > 0 {
		if n, err := strconv.Atoi(column[i+2:]); err == nil {
			return column[:i], n
		}
	}
	return column, 0
}

func valueWords(column string, v any) string {
	switch v := v.(type) {
	case nil:
		return "none"
	case float64:
		_, places := scaleOf(column)
		for range places {
			v /= 10
		}
		return strconv.FormatFloat(v, 'f', places, 64)
	case string:
		return strconv.Quote(v)
	}
	text, err := json.Marshal(v)
	if err != nil {
		return fmt.Sprint(v)
	}
	return string(text)
}
