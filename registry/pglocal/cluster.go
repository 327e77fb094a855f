//go:build linux || darwin

package pglocal

import (
	"bytes"
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"

	"github.com/jackc/pgx/v5/pgconn"
)

func clusterExists(dir string) bool {
	_, err := os.Stat(filepath.Join(dataDir(dir), "PG_VERSION"))
	return err == nil
}

// programsFor returns the programs for the cluster of a folder, the newest for one
// that is still to be made.
func programsFor(ctx context.Context, dir string, opts Options) (Programs, error) {
	found, err := FindPrograms(ctx, opts.BinDir)
	var missing *NotInstalledError
	if errors.As(err, &missing) && opts.Install {
		out := opts.Log
		if out == nil {
			out = os.Stderr
		}
		if err := Install(ctx, out); err != nil {
			return Programs{}, err
		}
		found, err = FindPrograms(ctx, opts.BinDir)
	}
	if err != nil {
		return Programs{}, err
	}
	version, err := os.ReadFile(filepath.Join(dataDir(dir), "PG_VERSION"))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return Programs{}, err
	}
	return forMajor(found, strings.TrimSpace(string(version)), dataDir(dir))
}

// initCluster makes the cluster of a folder. It appears whole or not at all: it is
// made under another name, forced to disk and then renamed.
func initCluster(ctx context.Context, dir string, p Programs, acct account, throwaway bool) error {
	making := clusterDir(dir) + ".new"
	if err := os.RemoveAll(making); err != nil { // of a start that was cut off
		return err
	}
	if err := os.Mkdir(making, 0o700); err != nil {
		return err
	}
	if err := acct.own(making); err != nil {
		return err
	}
	pw := filepath.Join(making, "password")
	if err := os.WriteFile(pw, []byte(rand.Text()+"\n"), 0o600); err != nil {
		return err
	}
	if err := acct.own(pw); err != nil {
		return err
	}
	args := []string{
		"--pgdata", filepath.Join(making, "data"), "--username", Role, "--pwfile", pw,
		"--auth", "scram-sha-256", "--encoding", "UTF8", "--data-checksums", "--locale", "C",
	}
	if throwaway {
		args = append(args, "--no-sync")
	}
	if p.Major >= 15 {
		err := runInitdb(ctx, p, acct, append(args, "--locale-provider", "icu", "--icu-locale", "und"))
		if err == nil || !strings.Contains(err.Error(), "ICU is not supported") {
			return finishCluster(err, making, dir)
		}
		if err := os.RemoveAll(filepath.Join(making, "data")); err != nil {
			return err
		}
	}
	return finishCluster(runInitdb(ctx, p, acct, args), making, dir)
}

func runInitdb(ctx context.Context, p Programs, acct account, args []string) error {
	cmd := acct.command(ctx, filepath.Join(p.Dir, "initdb"), args...)
	dieWithParent(cmd)
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	cmd.Cancel = func() error { return syscall.Kill(-cmd.Process.Pid, syscall.SIGKILL) } // its children too
	out, err := cmd.CombinedOutput()
	if ctx.Err() != nil {
		return fmt.Errorf("initdb: %w", ctx.Err())
	}
	if err != nil {
		return fmt.Errorf("initdb: %w: %s", err, bytes.TrimSpace(out))
	}
	return nil
}

func finishCluster(err error, making, dir string) error {
	if err != nil {
		return errors.Join(err, os.RemoveAll(making))
	}
	if err := os.Rename(making, clusterDir(dir)); err != nil {
		return err
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}

func readPassword(dir string) (string, error) {
	b, err := os.ReadFile(passwordFile(dir))
	if err != nil {
		return "", err
	}
	return strings.TrimSpace(string(b)), nil
}

// isDuplicate tells whether a CREATE DATABASE failed because there is one of that name:
// duplicate_database, or unique_violation when two are made at the same moment.
func isDuplicate(err error) bool {
	var e *pgconn.PgError
	return errors.As(err, &e) && (e.Code == "42P04" || e.Code == "23505")
}
