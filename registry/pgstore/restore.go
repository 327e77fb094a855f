package pgstore

import (
	"archive/zip"
	"context"
	"fmt"
	"io"
	"net/url"
	"slices"

	"github.com/golang-migrate/migrate/v4"
	"github.com/jackc/pgx/v5"

	"keratally/migrations"
)

const (
	tablesThere = `
	SELECT count(*) FROM pg_class c JOIN pg_namespace n ON n.oid = c.relnamespace
	WHERE c.relkind IN ('r', 'p') AND n.nspname NOT LIKE 'pg\_%' AND n.nspname <> 'information_schema'`

	setCounter = `SELECT setval($1::text::regclass, $2)`
)

// Restore fills the empty database at address from a backup: the schema at the
// backup's step, every table in one transaction, then this program's steps.
// It is kept only if the restored registry has the identity that the backup
// says, and its history is whole; otherwise the error says what is not, and the
// database should be thrown away.
func Restore(ctx context.Context, address string, from io.ReaderAt, size int64) (*Manifest, error) {
	m, archive, err := OpenBackup(from, size)
	if err != nil {
		return nil, err
	}
	steps, err := newStepSource(migrations.Files)
	if err != nil {
		return nil, err
	}
	if m.Step > steps.newest {
		return nil, &NewerError{Database: m.Step, Program: steps.newest}
	}
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return nil, fmt.Errorf("database: %w", err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	var there int
	if err := conn.QueryRow(ctx, tablesThere).Scan(&there); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	if there > 0 {
		return nil, &BackupError{fmt.Sprintf("is restored into an empty database only, and this one has %d tables: make a new one and name it", there)}
	}
	if _, _, err := migrateTo(ctx, address, migrations.Files, func(mig *migrate.Migrate) error { return mig.Migrate(m.Step) }); err != nil {
		return nil, err
	}
	if err := pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error { return m.load(ctx, tx, archive) }); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	if _, err := conn.Exec(ctx, "ANALYZE"); err != nil {
		return nil, fmt.Errorf("restore: %w", err)
	}
	if _, _, err := Migrate(ctx, address); err != nil {
		return nil, err
	}
	return m, m.compare(ctx, address)
}

// load fills the tables, whose triggers would record it all anew.
func (m *Manifest) load(ctx context.Context, tx pgx.Tx, archive *zip.Reader) error {
	if _, err := tx.Exec(ctx, "SET LOCAL client_encoding = 'UTF8'; SET LOCAL DateStyle = 'ISO'; SET LOCAL TimeZone = 'UTC'"); err != nil {
		return err
	}
	for i := range slices.Backward(m.Tables) { // what the steps put in, last first
		table := m.Tables[i].quoted()
		for _, sql := range []string{"ALTER TABLE " + table + " DISABLE TRIGGER USER", "DELETE FROM " + table} {
			if _, err := tx.Exec(ctx, sql); err != nil {
				return fmt.Errorf("table %s: %w", m.Tables[i].Name, err)
			}
		}
	}
	for i := range m.Tables {
		if err := m.Tables[i].load(ctx, tx, archive); err != nil {
			return fmt.Errorf("table %s: %w", m.Tables[i].Name, err)
		}
	}
	for i := range m.Tables {
		if _, err := tx.Exec(ctx, "ALTER TABLE "+m.Tables[i].quoted()+" ENABLE TRIGGER USER"); err != nil {
			return fmt.Errorf("table %s: %w", m.Tables[i].Name, err)
		}
	}
	for _, c := range m.Sequences {
		if _, err := tx.Exec(ctx, setCounter, pgx.Identifier{c.Schema, c.Name}.Sanitize(), c.Last); err != nil {
			return fmt.Errorf("sequence %s: %w", c.Name, err)
		}
	}
	return nil
}

func (t *BackedTable) load(ctx context.Context, tx pgx.Tx, archive *zip.Reader) error {
	f, err := archive.Open(t.File)
	if err != nil {
		return err
	}
	defer f.Close()
	done, err := tx.Conn().PgConn().CopyFrom(ctx, f, "COPY "+t.target()+" FROM STDIN")
	if err != nil {
		return err
	}
	if done.RowsAffected() != t.Rows {
		return fmt.Errorf("%d rows were kept and %d restored", t.Rows, done.RowsAffected())
	}
	return nil
}

// compare holds a restored registry to what the backup says.
func (m *Manifest) compare(ctx context.Context, address string) error {
	store, err := Open(ctx, address)
	if err != nil {
		return err
	}
	defer store.Close()
	snap, err := store.Snapshot(ctx, Scope{CutOff: m.CutOff})
	if err != nil {
		return err
	}
	if snap.ID != m.Snapshot {
		return &BackupError{fmt.Sprintf("the restored registry has the identity %s, and should have %s", snap.ID, m.Snapshot)}
	}
	seal := m.Seal
	if m.History == 0 {
		seal = ""
	}
	report, err := store.VerifyHistory(ctx, seal)
	if err != nil {
		return err
	}
	if !report.Whole() {
		return &BackupError{fmt.Sprintf("the history that was restored is not whole: %s: %s", report.Faults[0].Place, report.Faults[0].Words)}
	}
	return nil
}

// DropDatabase removes a database of the server at address, if it is there.
func DropDatabase(ctx context.Context, address, name string) error {
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return fmt.Errorf("database: %w", err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, "DROP DATABASE IF EXISTS "+pgx.Identifier{name}.Sanitize()+" WITH (FORCE)"); err != nil {
		return fmt.Errorf("dropping database %s: %w", name, err)
	}
	return nil
}

// CreateDatabase makes an empty database on the server at address and returns
// its address. One that is there already is an error.
func CreateDatabase(ctx context.Context, address, name string) (string, error) {
	u, err := url.Parse(address)
	if err != nil || u.Scheme == "" {
		return "", fmt.Errorf("database address: should be a URL such as postgres://user@host/database")
	}
	conn, err := pgx.Connect(ctx, address)
	if err != nil {
		return "", fmt.Errorf("database: %w", err)
	}
	defer conn.Close(ctx)
	if _, err := conn.Exec(ctx, "CREATE DATABASE "+pgx.Identifier{name}.Sanitize()+" TEMPLATE template0 ENCODING 'UTF8'"); err != nil {
		return "", fmt.Errorf("making database %s: %w", name, err)
	}
	u.Path = "/" + name
	return u.String(), nil
}
