package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/term"

	"keratally/registry"
	"keratally/registry/pglocal"
	"keratally/registry/pgstore"
)

// commandLine is the whole grammar of the program.
type commandLine struct {
	globals

	Demo      demoCmd      `cmd:"" help:"Draw an invented clinic, take in its spreadsheets and audit it: the whole job in one command."`
	Intake    intakeCmd    `cmd:"" help:"Take spreadsheets in through a mapping; refused rows come back in a workbook."`
	Audit     auditCmd     `cmd:"" help:"Write the audit workbook of a period."`
	Compare   compareCmd   `cmd:"" help:"Compare groups of the clinic, or the clinic with published summaries."`
	Snapshot  snapshotCmd  `cmd:"" help:"Freeze the registry at a cut-off into a file that reports can be made from later."`
	Export    exportCmd    `cmd:"" help:"Release a cohort without identities for research, and write down that it was."`
	History   historyCmd   `cmd:"" help:"Look into the history of every change that the database keeps."`
	Serve     serveCmd     `cmd:"" help:"Open the registry in a browser: overview, eyes, reports, work lists."`
	Account   accountCmd   `cmd:"" help:"Who may sign in to the pages."`
	Backup    backupCmd    `cmd:"" help:"Write everything in the registry to one file."`
	Restore   restoreCmd   `cmd:"" help:"Fill an empty database from a backup, and check it."`
	Drill     drillCmd     `cmd:"" help:"Try a backup and a restore beside the registry, and compare."`
	Doctor    doctorCmd    `cmd:"" help:"Examine database, schema, history, clock, disk and backups, with advice."`
	Selfcheck selfcheckCmd `cmd:"" help:"Run the statistics against reference results, case by case."`
	Migrate   migrateCmd   `cmd:"" help:"Bring the database to this program's schema; done by every command as needed."`
	Version   versionCmd   `cmd:"" help:"Print the version."`
}

// globals are the settings that every command shares.
type globals struct {
	Database        string `help:"URL of the PostgreSQL server and database. Without one, a private server is kept in the data folder." env:"KERATALLY_DATABASE_URL" placeholder:"URL"`
	DemoData        bool   `help:"Work on the invented clinic of the demo instead of your own registry."`
	Data            string `help:"Folder of the private server." env:"KERATALLY_DATA" placeholder:"DIR"`
	InstallPostgres bool   `help:"Install PostgreSQL with this system's own installer if no programs of it are found; the command is shown first."`
}

// app is what a command works with.
type app struct {
	ctx            context.Context
	stdin          io.Reader
	stdout, stderr io.Writer
	flags          globals
	today          registry.Date // 0 reads the clock

	local  *pglocal.Server
	opened *pgstore.Store
}

// day returns the current day where the program runs.
func (a *app) day() registry.Date {
	if a.today.IsValid() {
		return a.today
	}
	return registry.DateOf(time.Now())
}

// ownDatabase is the registry's database on the private server.
const ownDatabase = "keratally"

// url returns the address of the database, starting the private server where
// no other was named.
func (a *app) url() (string, error) {
	name := ownDatabase
	if a.flags.DemoData {
		name = demoDatabase
	}
	if a.flags.Database != "" {
		if a.flags.DemoData {
			return pgstore.OtherDatabase(a.flags.Database, demoDatabase)
		}
		return a.flags.Database, nil
	}
	if a.local == nil {
		server, err := pglocal.Start(a.ctx, pglocal.Options{Dir: a.flags.Data, Install: a.flags.InstallPostgres, Log: a.stderr})
		if err != nil {
			return "", err
		}
		a.local = server
		if err := server.EnsureDatabase(a.ctx, name); err != nil {
			return "", err
		}
	}
	return a.local.URL(name), nil
}

// store opens the registry, migrated to this program's schema.
func (a *app) store() (*pgstore.Store, error) {
	if a.opened != nil {
		return a.opened, nil
	}
	url, err := a.url()
	if err != nil {
		return nil, err
	}
	if _, _, err := pgstore.Migrate(a.ctx, url); err != nil {
		return nil, err
	}
	a.opened, err = pgstore.Open(a.ctx, url)
	return a.opened, err
}

// close lets go of the database and stops the private server.
func (a *app) close() {
	if a.opened != nil {
		a.opened.Close()
	}
	if a.local != nil {
		ctx, cancel := context.WithTimeout(context.WithoutCancel(a.ctx), 30*time.Second)
		defer cancel()
		if err := a.local.Stop(ctx); err != nil {
			fmt.Fprintf(a.stderr, "keratally: stopping the private server: %v\n", err)
		}
	}
}

// onTerminal reports whether standard error is a terminal, for progress.
func (a *app) onTerminal() bool {
	f, ok := a.stderr.(*os.File)
	return ok && term.IsTerminal(int(f.Fd()))
}

// say prints a line for a person.
func (a *app) say(format string, args ...any) { fmt.Fprintf(a.stdout, format+"\n", args...) }

// writeFile writes a file whole or not at all: into a neighbour first, then
// renamed over the name.
func writeFile(path string, write func(io.Writer) error) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".keratally-*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name())
	if err := write(f); err != nil {
		f.Close()
		return err
	}
	if err := f.Chmod(0o644); err != nil {
		f.Close()
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}
