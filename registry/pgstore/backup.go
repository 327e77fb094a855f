package pgstore

import (
	"archive/zip"
	"compress/flate"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// backupForm is the version of the form of backups.
const backupForm = 1

// Manifest says what is in a backup. It is the last file of the backup, which is a
// zip archive of one text of COPY for each table; the archive's comment is the
// SHA-256 of the manifest, and the manifest has that of each table.
type Manifest struct {
	Form      int             `json:"form"`
	Program   string          `json:"program"`
	MadeAt    time.Time       `json:"made_at"`
	Step      uint            `json:"schema_step"`
	Server    string          `json:"server"`
	CutOff    registry.Date   `json:"-"`
	CutOffDay string          `json:"cut_off"`
	Snapshot  string          `json:"snapshot"` // identity of the whole registry up to the cut-off
	History   int64           `json:"history_entries"`
	Seal      string          `json:"history_hash"`
	Tables    []BackedTable   `json:"tables"`
	Sequences []BackedCounter `json:"sequences"`
}

// BackedTable is one table of a backup.
type BackedTable struct {
	Schema  string   `json:"schema"`
	Name    string   `json:"name"`
	Columns []string `json:"columns"`
	File    string   `json:"file"`
	Rows    int64    `json:"rows"`
	Bytes   int64    `json:"bytes"`
	SHA256  string   `json:"sha256"`
}

// BackedCounter is the last number that a sequence gave.
type BackedCounter struct {
	Schema string `json:"schema"`
	Name   string `json:"name"`
	Last   int64  `json:"last"`
}

const (
	manifestFile = "manifest.json"

	// Every table of the registry but the marks of the schema, which a restore
	// makes anew, and sessions, which are not to be opened again by it.
	tablesToKeep = `
	SELECT n.nspname::text, c.relname::text,
	       (SELECT array_agg(a.attname::text ORDER BY a.attnum) FROM pg_attribute a WHERE a.attrelid = c.oid AND a.attnum > 0 AND NOT a.attisdropped AND a.attgenerated = ''),
	       ARRAY(SELECT k.confrelid::regclass::text FROM pg_constraint k WHERE k.conrelid = c.oid AND k.contype = 'f' AND k.confrelid <> c.oid),
	       c.oid::regclass::text
	FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
	WHERE c.relkind = 'r' AND c.relpersistence = 'p' AND n.nspname NOT LIKE 'pg\_%' AND n.nspname <> 'information_schema'
	  AND c.relname NOT IN ('schema_migrations', 'schema_step', 'session')
	ORDER BY 1, 2`

	sequencesToKeep = `
	SELECT schemaname::text, sequencename::text, last_value FROM pg_sequences
	WHERE schemaname NOT LIKE 'pg\_%' AND last_value IS NOT NULL ORDER BY 1, 2`

	aboutBackup = `
	SELECT coalesce(max(step), 0), current_setting('server_version'), (SELECT seq FROM history_head), (SELECT encode(hash, 'hex') FROM history_head) FROM schema_step`
)

// Backup writes everything in the registry, as it is at one moment, to w, and
// returns what was written. cutOff is the day up to which the snapshot is
// taken by whose identity a restore is checked.
func (s *Store) Backup(ctx context.Context, w io.Writer, program string, cutOff registry.Date) (*Manifest, error) {
	m := &Manifest{Form: backupForm, Program: program, MadeAt: time.Now().UTC().Truncate(time.Microsecond), CutOff: cutOff, CutOffDay: cutOff.String()}
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		return m.write(ctx, tx, w)
	})
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	return m, nil
}

func (m *Manifest) write(ctx context.Context, tx pgx.Tx, w io.Writer) error {
	if _, err := tx.Exec(ctx, "SET LOCAL client_encoding = 'UTF8'; SET LOCAL DateStyle = 'ISO'; SET LOCAL TimeZone = 'UTC'; SET LOCAL IntervalStyle = 'postgres'"); err != nil {
		return err
	}
	if err := tx.QueryRow(ctx, aboutBackup).Scan(&m.Step, &m.Server, &m.History, &m.Seal); err != nil {
		return err
	}
	snap, err := readSnapshot(ctx, tx, Scope{CutOff: m.CutOff})
	if err != nil {
		return err
	}
	if err := snap.Freeze(); err != nil {
		return err
	}
	m.Snapshot = snap.ID
	if m.Tables, err = tablesInOrder(ctx, tx); err != nil {
		return err
	}
	archive := zip.NewWriter(w)
	archive.RegisterCompressor(zip.Deflate, func(w io.Writer) (io.WriteCloser, error) { return flate.NewWriter(w, flate.BestSpeed) })
	for i := range m.Tables {
		if err := m.Tables[i].write(ctx, tx, archive, i); err != nil {
			return fmt.Errorf("table %s: %w", m.Tables[i].Name, err)
		}
	}
	rows, _ := tx.Query(ctx, sequencesToKeep) // CollectRows returns the error
	if m.Sequences, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (c BackedCounter, err error) {
		return c, row.Scan(&c.Schema, &c.Name, &c.Last)
	}); err != nil {
		return err
	}
	text, err := json.MarshalIndent(m, "", "  ")
	if err != nil {
		return err
	}
	f, err := archive.Create(manifestFile)
	if err != nil {
		return err
	}
	if _, err := f.Write(text); err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	if err := archive.SetComment(hex.EncodeToString(sum[:])); err != nil {
		return err
	}
	return archive.Close()
}

// write copies a table into the archive.
func (t *BackedTable) write(ctx context.Context, tx pgx.Tx, archive *zip.Writer, number int) error {
	t.File = fmt.Sprintf("tables/%03d-%s.copy", number+1, t.Name)
	f, err := archive.Create(t.File)
	if err != nil {
		return err
	}
	hash := sha256.New()
	size := &countingWriter{}
	done, err := tx.Conn().PgConn().CopyTo(ctx, io.MultiWriter(f, hash, size), "COPY "+t.target()+" TO STDOUT")
	if err != nil {
		return err
	}
	t.Rows, t.Bytes, t.SHA256 = done.RowsAffected(), size.n, hex.EncodeToString(hash.Sum(nil))
	return nil
}

// target names the table and its columns as COPY takes them.
func (t *BackedTable) target() string {
	columns := ""
	for i, c := range t.Columns {
		if i > 0 {
			columns += ", "
		}
		columns += pgx.Identifier{c}.Sanitize()
	}
	return t.quoted() + " (" + columns + ")"
}

func (t *BackedTable) quoted() string { return pgx.Identifier{t.Schema, t.Name}.Sanitize() }

type countingWriter struct{ n int64 }

func (c *countingWriter) Write(p []byte) (int, error) {
	c.n += int64(len(p))
	return len(p), nil
}

// tablesInOrder lists the tables to keep, each after those that it refers to.
func tablesInOrder(ctx context.Context, tx pgx.Tx) ([]BackedTable, error) {
	type table struct {
		BackedTable
		refers []string
		name   string
	}
	rows, _ := tx.Query(ctx, tablesToKeep) // CollectRows returns the error
	left, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (t table, err error) {
		return t, row.Scan(&t.Schema, &t.Name, &t.Columns, &t.refers, &t.name)
	})
	if err != nil {
		return nil, err
	}
	var ordered []BackedTable
	for len(left) > 0 {
		free := slices.IndexFunc(left, func(t table) bool {
			return !slices.ContainsFunc(t.refers, func(to string) bool {
				return slices.ContainsFunc(left, func(o table) bool { return o.name == to })
			})
		})
		if free < 0 {
			return nil, errors.New("tables refer to each other in a circle")
		}
		ordered = append(ordered, left[free].BackedTable)
		left = slices.Delete(left, free, free+1)
	}
	return ordered, nil
}

// BackupError is a backup that is not whole, or that cannot be restored here.
type BackupError struct{ Reason string }

// Error returns the reason in words.
func (e *BackupError) Error() string { return "backup: " + e.Reason }

// OpenBackup reads the manifest of a backup and checks every table's bytes, so
// that a damaged file is known before anything is restored.
func OpenBackup(from io.ReaderAt, size int64) (*Manifest, *zip.Reader, error) {
	archive, err := zip.NewReader(from, size)
	if err != nil {
		return nil, nil, &BackupError{"is not a backup, or was cut short: " + err.Error()}
	}
	f, err := archive.Open(manifestFile)
	if err != nil {
		return nil, nil, &BackupError{"has no " + manifestFile}
	}
	defer f.Close()
	text, err := io.ReadAll(f)
	if err != nil {
		return nil, nil, &BackupError{manifestFile + " is damaged: " + err.Error()}
	}
	m := &Manifest{}
	if sum := sha256.Sum256(text); archive.Comment != hex.EncodeToString(sum[:]) {
		return nil, nil, &BackupError{manifestFile + " does not have the checksum that the file says it has"}
	}
	if err := json.Unmarshal(text, m); err != nil {
		return nil, nil, &BackupError{manifestFile + ": " + err.Error()}
	}
	if m.Form != backupForm {
		return nil, nil, &BackupError{fmt.Sprintf("has form %d, and this program reads form %d", m.Form, backupForm)}
	}
	if m.CutOff, err = registry.ParseISODate(m.CutOffDay); err != nil {
		return nil, nil, &BackupError{"cut-off: " + err.Error()}
	}
	for i := range m.Tables {
		if err := m.Tables[i].check(archive); err != nil {
			return nil, nil, err
		}
	}
	return m, archive, nil
}

func (t *BackedTable) check(archive *zip.Reader) error {
	f, err := archive.Open(t.File)
	if err != nil {
		return &BackupError{t.File + " is missing"}
	}
	defer f.Close()
	hash := sha256.New()
	n, err := io.Copy(hash, f)
	if err != nil {
		return &BackupError{t.File + " is damaged: " + err.Error()}
	}
	if n != t.Bytes || hex.EncodeToString(hash.Sum(nil)) != t.SHA256 {
		return &BackupError{t.File + " does not have the length and checksum that the manifest says it has"}
	}
	return nil
}
