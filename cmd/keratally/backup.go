package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"keratally/registry"
	"keratally/registry/pgstore"
	"keratally/reports/figure"
	"keratally/reports/workbook"
)

// backupCmd keeps everything in one file.
type backupCmd struct {
	Out string `help:"The file to write; without one, a name with the day and time." placeholder:"FILE"`
}

// backupEnding is that of the names of backups, by which doctor finds them.
const backupEnding = ".keratally"

// Run writes the backup.
func (c *backupCmd) Run(a *app) error {
	store, err := a.store()
	if err != nil {
		return err
	}
	if c.Out == "" {
		c.Out = "registry-" + time.Now().UTC().Format("20060102-150405") + backupEnding
	}
	m, err := writeBackup(a, store, c.Out)
	if err != nil {
		return err
	}
	rows := int64(0)
	for _, t := range m.Tables {
		rows += t.Rows
	}
	a.say("Everything in the registry is in %s: %d rows of %d tables, schema step %d.", c.Out, rows, len(m.Tables), m.Step)
	a.say("  identity up to %s  %s", m.CutOff, m.Snapshot)
	a.say("  history             %d entries, last hash %s", m.History, m.Seal)
	a.say("\nIt holds records of patients: keep it as you keep those, and not on this machine alone. keratally drill tries a restore.")
	return nil
}

func writeBackup(a *app, store *pgstore.Store, path string) (m *pgstore.Manifest, err error) {
	err = writeFile(path, func(w io.Writer) error {
		m, err = store.Backup(a.ctx, w, version(), a.day())
		if f, ok := w.(*os.File); ok && err == nil {
			err = errors.Join(f.Chmod(0o600), f.Sync())
		}
		return err
	})
	if err == nil {
		err = os.Chmod(path, 0o600) // for nobody else on this machine
	}
	return m, err
}

// restoreCmd fills an empty database from a backup.
type restoreCmd struct {
	File string `arg:"" help:"The backup." type:"existingfile"`
}

// Run restores and says that it was checked.
func (c *restoreCmd) Run(a *app) error {
	address, err := a.url()
	if err != nil {
		return err
	}
	m, err := restoreFile(a.ctx, address, c.File)
	if err != nil {
		return fmt.Errorf("%s: %w", c.File, err)
	}
	a.say("The registry is restored as it was on %s UTC, written by keratally %s.", m.MadeAt.Format(time.DateTime), m.Program)
	a.say("Its identity up to %s is %s, as in the backup, and its history is whole: %d entries.", m.CutOff, m.Snapshot, m.History)
	return nil
}

func restoreFile(ctx context.Context, address, path string) (m *pgstore.Manifest, err error) {
	err = withBackup(path, func(f io.ReaderAt, size int64) error {
		m, err = pgstore.Restore(ctx, address, f, size)
		return err
	})
	return m, err
}

// withBackup opens the file of a backup for what is to be done with it.
func withBackup(path string, do func(f io.ReaderAt, size int64) error) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	return do(f, info.Size())
}

// drillCmd tries a backup and a restore, and compares.
type drillCmd struct {
	File string `help:"Try this backup instead of making one; it is held to itself, not to the registry of now." type:"existingfile" placeholder:"FILE"`
}

// Run backs the registry up, restores it beside and compares identity and report.
func (c *drillCmd) Run(a *app) error {
	store, err := a.store()
	if err != nil {
		return err
	}
	path := c.File
	if path == "" {
		dir, err := os.MkdirTemp("", "keratally-drill-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(dir)
		path = filepath.Join(dir, "drill"+backupEnding)
		if _, err := writeBackup(a, store, path); err != nil {
			return err
		}
	}
	address, err := a.url()
	if err != nil {
		return err
	}
	name := fmt.Sprintf("keratally_drill_%d", os.Getpid())
	scratch, err := pgstore.CreateDatabase(a.ctx, address, name)
	if err != nil {
		return err
	}
	defer func() {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(a.ctx), 30*time.Second)
		defer cancel()
		if err := pgstore.DropDatabase(ctx, address, name); err != nil {
			fmt.Fprintf(a.stderr, "keratally: the drill's database is left: %v\n", err)
		}
	}()
	began := time.Now()
	m, err := restoreFile(a.ctx, scratch, path)
	if err != nil {
		return fmt.Errorf("the drill did not succeed: %w", err)
	}
	a.say("The backup of %s UTC was restored in %s: identity %.12s and a whole history of %d entries.", m.MadeAt.Format(time.DateTime), time.Since(began).Round(time.Millisecond), m.Snapshot, m.History)
	if c.File != "" {
		return nil
	}
	restored, err := pgstore.Open(a.ctx, scratch)
	if err != nil {
		return err
	}
	defer restored.Close()
	return sameReport(a, store, restored, m.CutOff)
}

// sameReport makes the report of both registries and compares the bytes.
func sameReport(a *app, one, other *pgstore.Store, cutOff registry.Date) error {
	var books [2][]byte
	for i, store := range []*pgstore.Store{one, other} {
		snap, err := store.Snapshot(a.ctx, wholeRegistry(cutOff))
		if err != nil {
			return err
		}
		audit := auditCmd{Windows: "default"}
		source, err := audit.source(snap, period{from: cutOff.Add(-3652), to: cutOff, name: "ten years to " + cutOff.Long()})
		if err != nil {
			return err
		}
		report, err := audit.build(source)
		if err != nil {
			return err
		}
		doc, err := report.Document()
		if err != nil {
			return err
		}
		var book bytes.Buffer
		if err := workbook.WriteWith(&book, doc, figure.PNG); err != nil {
			return err
		}
		books[i] = book.Bytes()
	}
	if !bytes.Equal(books[0], books[1]) {
		return errors.New("the drill did not succeed: the audit of the restored registry is not the same, byte for byte; if somebody changed the registry meanwhile, run it again")
	}
	a.say("An audit of ten years has the same %d bytes from both.", len(books[0]))
	return nil
}
