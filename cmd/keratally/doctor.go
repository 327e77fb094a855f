package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"keratally/registry/pglocal"
	"keratally/registry/pgstore"
)

// doctorCmd examines everything that the registry stands on.
type doctorCmd struct {
	Backups string `help:"Folder of the backups, whose age is looked at." env:"KERATALLY_BACKUPS" placeholder:"DIR"`
	Quick   bool   `help:"Leave the history out, which takes seconds for a million records."`
}

// finding is one thing that the doctor looked at.
type finding struct {
	state        state
	what, advice string // advice is empty where all is well
}

type state string

const (
	well    state = "well"
	unknown state = "not known"
	mind    state = "mind"
	wrong   state = "wrong"
)

// Run prints a line for each finding, with advice; anything wrong ends with
// code 1.
func (c *doctorCmd) Run(a *app) error {
	found := c.examine(a)
	count := map[state]int{}
	for _, f := range found {
		count[f.state]++
		a.say("%-9s  %s", f.state, f.what)
		if f.advice != "" {
			a.say("           → %s", f.advice)
		}
	}
	switch {
	case count[wrong] > 0:
		a.say("\n%d of %d findings should be put right before the registry is relied on.", count[wrong], len(found))
		return &quietError{exitFailed}
	case count[mind] > 0:
		a.say("\nNothing is wrong; %d of %d findings should be minded.", count[mind], len(found))
	default:
		a.say("\nAll %d findings are as they should be, as far as they are known.", len(found))
	}
	return nil
}

func (c *doctorCmd) examine(a *app) []finding {
	address, err := a.url()
	if err != nil {
		return []finding{{wrong, "database: " + err.Error(), "without a database nothing else can be looked at: see what the message asks for"}}
	}
	at, err := pgstore.Examine(a.ctx, address)
	if err != nil {
		return []finding{{wrong, err.Error(), "check that the server runs and that KERATALLY_DATABASE_URL or --database names it"}}
	}
	found := []finding{{well, fmt.Sprintf("database: PostgreSQL %s answers, %s", at.Version, bytesInWords(uint64(at.Bytes))), ""}}
	add := func(s state, what, advice string) { found = append(found, finding{s, what, advice}) }

	if major := at.VersionNumber / 10000; major < pglocal.OldestMajor {
		add(wrong, fmt.Sprintf("version: PostgreSQL %d", major), fmt.Sprintf("this program needs %d or newer: move to one by a backup and a restore", pglocal.OldestMajor))
	}
	if at.Recovering {
		add(wrong, "server: a standby, which takes no changes", "name the primary server")
	}
	switch {
	case at.Durable:
		add(well, "durability: what is acknowledged is on disk", "")
	default:
		add(wrong, "durability: fsync, full_page_writes or synchronous_commit is off", "switch them on: a power cut could lose records or break the database")
	}
	if !at.Checksums {
		add(mind, "checksums: the server keeps none of its pages", "a failing disk would go unnoticed: pg_checksums --enable, with the server stopped")
	}
	found = append(found, schemaFinding(at), clockFinding(at, time.Now()))
	if at.Step == at.Newest {
		found = append(found, c.historyFindings(a, address)...)
	}
	if a.flags.Database == "" {
		found = append(found, folderFindings(a.flags.Data, uint64(at.Bytes))...)
	} else {
		add(unknown, "disk: that of the server cannot be seen from here", "see there that it has room for several times "+bytesInWords(uint64(at.Bytes)))
	}
	return append(found, c.backupFinding(at, time.Now()))
}

func schemaFinding(at *pgstore.Condition) finding {
	switch {
	case at.Step > at.Newest:
		return finding{wrong, fmt.Sprintf("schema: step %d, and this program knows steps up to %d", at.Step, at.Newest), "use the newer program"}
	case at.Step < at.Newest:
		return finding{mind, fmt.Sprintf("schema: step %d of %d", at.Step, at.Newest), "the next command brings it up, or keratally migrate does; make a backup first"}
	}
	return finding{well, fmt.Sprintf("schema: step %d, as this program has it", at.Step), ""}
}

// clockFinding minds clocks that differ by more than a minute, and a history
// that is ahead of the clock.
func clockFinding(at *pgstore.Condition, now time.Time) finding {
	const allowed = time.Minute
	switch {
	case at.Ahead > allowed || at.Ahead < -allowed:
		return finding{wrong, fmt.Sprintf("clock: that of the server and that of this machine differ by %s", at.Ahead.Abs().Round(time.Second)), "set both by a time server: the history says when by the server's"}
	case at.LastEntry.Sub(now.Add(at.Ahead)) > allowed:
		return finding{wrong, fmt.Sprintf("clock: the history has an entry of %s UTC, which is to come", at.LastEntry.UTC().Format(time.DateTime)), "the clock was ahead then, or is behind now: set it by a time server"}
	}
	return finding{well, "clock: server and machine agree", ""}
}

func (c *doctorCmd) historyFindings(a *app, address string) []finding {
	if c.Quick {
		return []finding{{unknown, "history: was not looked at", "leave --quick out to verify it"}}
	}
	store, err := pgstore.Open(a.ctx, address)
	if err != nil {
		return []finding{{wrong, "history: " + err.Error(), "see that the role may read all tables"}}
	}
	defer store.Close()
	report, err := store.VerifyHistory(a.ctx, "")
	if err != nil {
		return []finding{{wrong, "history: " + err.Error(), "see that the role may read all tables"}}
	}
	if !report.Whole() {
		return []finding{{wrong, fmt.Sprintf("history: does not agree with the registry in %d places, first %s: %s", len(report.Faults)+report.More, report.Faults[0].Place, report.Faults[0].Words),
			"keratally history verify lists them; keep the database as it is, and compare it with a backup from before"}}
	}
	return []finding{{well, fmt.Sprintf("history: %d entries in one chain, %d records as recorded", report.Entries, report.Rows), ""}}
}

// folderFindings look at the private server's folder: who may enter it, and
// whether its disk has room.
func folderFindings(dir string, database uint64) []finding {
	var found []finding
	if dir == "" {
		var err error
		if dir, err = pglocal.DefaultDir(); err != nil {
			return []finding{{unknown, "folder: " + err.Error(), "name it by --data"}}
		}
	}
	open, err := openToOthers(dir)
	switch {
	case err != nil:
		found = append(found, finding{unknown, "folder: " + err.Error(), "run doctor as the account that owns it"})
	case open != "":
		found = append(found, finding{wrong, "folder: others on this machine can open " + open, "chmod go-rwx " + open})
	default:
		found = append(found, finding{well, "folder: " + dir + " is closed to others", ""})
	}
	free, all, err := freeSpace(dir)
	if err != nil {
		return append(found, finding{unknown, "disk: " + err.Error(), "see that there is room for several times " + bytesInWords(database)})
	}
	return append(found, diskFinding(free, all, database))
}

// diskFinding wants room for the database twice over, and 1 GiB at least.
func diskFinding(free, all, database uint64) finding {
	const least = 1 << 30
	what := fmt.Sprintf("disk: %s free of %s", bytesInWords(free), bytesInWords(all))
	switch {
	case free < least/4:
		return finding{wrong, what, "make room now: a full disk stops every change"}
	case free < max(least, 2*database):
		return finding{mind, what, "make room: an intake, a restore or a drill may need " + bytesInWords(max(least, 2*database))}
	}
	return finding{well, what, ""}
}

// openToOthers returns what of the folder other accounts may open, "" for
// nothing.
func openToOthers(dir string) (string, error) {
	for _, path := range []string{dir, filepath.Join(dir, "cluster", "data"), filepath.Join(dir, "cluster", "password")} {
		info, err := os.Stat(path)
		if err != nil {
			return "", err
		}
		if info.Mode().Perm()&0o007 != 0 {
			return path, nil
		}
	}
	return "", nil
}

// backupFinding looks for the newest backup in the folder, and opens it.
func (c *doctorCmd) backupFinding(at *pgstore.Condition, now time.Time) finding {
	const fresh = 8 * 24 * time.Hour
	if c.Backups == "" {
		return finding{unknown, "backups: no folder was named", "name it by --backups or KERATALLY_BACKUPS; keratally backup --out DIR/NAME" + backupEnding + " makes one"}
	}
	path, err := newestBackup(c.Backups)
	if err != nil {
		return finding{wrong, "backups: " + err.Error(), "name the folder that backups are written to"}
	}
	if path == "" {
		return finding{wrong, "backups: there is none in " + c.Backups, "keratally backup --out " + filepath.Join(c.Backups, "registry"+backupEnding)}
	}
	m, err := manifestOf(path)
	if err != nil {
		return finding{wrong, fmt.Sprintf("backups: the newest, %s: %v", path, err), "make another now, and look for the reason: a disk, or a copy that was cut short"}
	}
	age := now.Sub(m.MadeAt)
	what := fmt.Sprintf("backups: %s is whole and of %s UTC", filepath.Base(path), m.MadeAt.Format(time.DateTime))
	switch {
	case age > fresh:
		return finding{mind, what, fmt.Sprintf("it is %d days old: make one at least every week", int(age.Hours()/24))}
	case at.LastIntake.After(m.MadeAt):
		return finding{mind, what, "a file was taken in since: make another"}
	}
	return finding{well, what, ""}
}

func newestBackup(dir string) (path string, err error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return "", err
	}
	var newest time.Time
	for _, e := range entries {
		if !strings.HasSuffix(e.Name(), backupEnding) || e.IsDir() {
			continue
		}
		info, err := e.Info()
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return "", err
		}
		if info.ModTime().After(newest) {
			path, newest = filepath.Join(dir, e.Name()), info.ModTime()
		}
	}
	return path, nil
}

func manifestOf(path string) (m *pgstore.Manifest, err error) {
	err = withBackup(path, func(f io.ReaderAt, size int64) error {
		m, _, err = pgstore.OpenBackup(f, size)
		return err
	})
	return m, err
}

func bytesInWords(n uint64) string {
	units := []string{"bytes", "KiB", "MiB", "GiB", "TiB"}
	x, unit := float64(n), 0
	for x >= 1024 && unit < len(units)-1 {
		x, unit = x/1024, unit+1
	}
	if unit == 0 {
		return fmt.Sprintf("%d %s", n, units[0])
	}
	return fmt.Sprintf("%.1f %s", x, units[unit])
}
