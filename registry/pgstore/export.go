package pgstore

import (
	"bytes"
	"context"
	crand "crypto/rand"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
	"keratally/registry/snapshot"
)

// LoggedFile is one file of a research export.
type LoggedFile struct {
	Name   string `json:"name"`
	Bytes  int    `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// ExportEntry is a line of the log of research exports: what was released, to
// whom and what for, and what it takes to make the same bytes again.
type ExportEntry struct {
	ID              registry.ID
	MadeAt          time.Time
	Purpose, Person string
	Cohort          string // text form
	Snapshot        string // identity
	CutOff          registry.Date
	Options         string // JSON of the exporter's options
	Definitions     string // JSON of the exporter
	Program         string
	SmallestCell    int    // patients alike, fewest
	SmallCells      int    // groups below the threshold that were released
	Accepted        string // why; "" where there were none
	Files           []LoggedFile
}

const exportSecret = `SELECT secret FROM export_secret`

const makeExportSecret = `INSERT INTO export_secret (secret) VALUES (@secret) ON CONFLICT DO NOTHING`

// ExportSecret returns the secret of this registry from which the numbers of an
// export are drawn, made when it is first asked for.
func (s *Store) ExportSecret(ctx context.Context) ([]byte, error) {
	fresh := make([]byte, 32)
	crand.Read(fresh) // never fails: it aborts the program instead
	var secret []byte
	if _, err := s.pool.Exec(ctx, makeExportSecret, pgx.StrictNamedArgs{"secret": fresh}); err != nil {
		return nil, fmt.Errorf("secret of the exports: %w", inWords(err))
	}
	if err := s.pool.QueryRow(ctx, exportSecret).Scan(&secret); err != nil {
		return nil, fmt.Errorf("secret of the exports: %w", inWords(err))
	}
	return secret, nil
}

const keepExportSnapshot = `
	INSERT INTO export_snapshot (id, cut_off, content) VALUES (@id, @cut_off::date, @content) ON CONFLICT (id) DO NOTHING`

const logExport = `
	INSERT INTO export_log (id, purpose, person, cohort, snapshot_id, cut_off, options, definitions, program,
	                        smallest_cell, small_cells, accepted, files)
	VALUES (@id, @purpose, @person, @cohort, @snapshot, @cut_off::date, @options, @definitions, @program,
	        @smallest_cell, @small_cells, nullif(@accepted, ''), @files)`

// LogExport writes a line of the log and keeps the snapshot, both or neither.
// ID and MadeAt of the entry are not read; the identity of the line is returned.
func (s *Store) LogExport(ctx context.Context, e ExportEntry, snap *snapshot.Snapshot) (registry.ID, error) {
	var content bytes.Buffer
	if err := snap.Write(&content); err != nil {
		return registry.ID{}, fmt.Errorf("log of the export: %w", err)
	}
	id := registry.NewID()
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, keepExportSnapshot, pgx.StrictNamedArgs{"id": snap.ID, "cut_off": snap.CutOff.String(), "content": content.Bytes()}); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, logExport, pgx.StrictNamedArgs{"id": id, "purpose": e.Purpose, "person": e.Person, "cohort": e.Cohort, "snapshot": snap.ID,
			"cut_off": snap.CutOff.String(), "options": e.Options, "definitions": e.Definitions, "program": e.Program,
			"smallest_cell": e.SmallestCell, "small_cells": e.SmallCells, "accepted": e.Accepted, "files": e.Files})
		return err
	})
	if err != nil {
		return registry.ID{}, fmt.Errorf("log of the export: %w", inWords(err))
	}
	return id, nil
}

const exportColumns = `
	SELECT id, made_at, purpose, person, cohort, snapshot_id, cut_off, options, definitions, program,
	       smallest_cell, small_cells, coalesce(accepted, ''), files
	FROM export_log`

const exportByID = exportColumns + ` WHERE id = @id`

const allExports = exportColumns + ` ORDER BY made_at, id`

const exportSnapshot = `SELECT content FROM export_snapshot WHERE id = @id`

func scanExport(row pgx.CollectableRow) (e ExportEntry, err error) {
	var cutOff pgxDate
	err = row.Scan(&e.ID, &e.MadeAt, &e.Purpose, &e.Person, &e.Cohort, &e.Snapshot, &cutOff, &e.Options, &e.Definitions, &e.Program,
		&e.SmallestCell, &e.SmallCells, &e.Accepted, &e.Files)
	e.CutOff = registry.Date(cutOff)
	return e, err
}

// Exports returns the whole log, the oldest line first.
func (s *Store) Exports(ctx context.Context) ([]ExportEntry, error) {
	rows, _ := s.pool.Query(ctx, allExports) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, scanExport)
	if err != nil {
		return nil, fmt.Errorf("log of the exports: %w", inWords(err))
	}
	return list, nil
}

// Export returns one line of the log with the snapshot that was exported;
// registry.ErrNotFound if there is none.
func (s *Store) Export(ctx context.Context, id registry.ID) (ExportEntry, *snapshot.Snapshot, error) {
	rows, _ := s.pool.Query(ctx, exportByID, pgx.StrictNamedArgs{"id": id}) // CollectExactlyOneRow returns the error
	e, err := pgx.CollectExactlyOneRow(rows, scanExport)
	if err != nil {
		return e, nil, fmt.Errorf("export %s: %w", id, inWords(err))
	}
	var content []byte
	if err := s.pool.QueryRow(ctx, exportSnapshot, pgx.StrictNamedArgs{"id": e.Snapshot}).Scan(&content); err != nil {
		return e, nil, fmt.Errorf("snapshot of export %s: %w", id, inWords(err))
	}
	snap, err := snapshot.Read(bytes.NewReader(content))
	if err != nil {
		return e, nil, fmt.Errorf("snapshot of export %s: %w", id, err)
	}
	return e, snap, nil
}
