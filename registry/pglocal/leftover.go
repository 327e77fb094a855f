//go:build linux || darwin

package pglocal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// How long a server without a warden is given to end before it is asked more firmly.
const (
	patience     = 30 * time.Second
	lastPatience = 10 * time.Second
)

// clearLeftovers waits until no process of an earlier server works in the data folder:
// a server that lost its warden is shutting down or has to be told to, and after a kill of
// the server its helpers take a moment to notice. What is committed is safe in either
// case. The caller holds start.lock and warden.lock.
//
// A postmaster.pid whose number now belongs to a stranger, as after a restart of a
// container, would keep PostgreSQL from starting; it is removed once it is certain that
// nobody works in the folder.
func clearLeftovers(ctx context.Context, data string, logf func(string, ...any)) error {
	pidFile := filepath.Join(data, "postmaster.pid")
	pids, known := processesIn(data)
	if !known {
		return clearByPidFile(ctx, pidFile, logf)
	}
	if len(pids) > 0 {
		logf("an earlier server is still at work in %s: shutting it down", data)
		if main := pidIn(pidFile); slices.Contains(pids, main) {
			syscall.Kill(main, syscall.SIGINT)
		}
		gone := func() bool { pids, _ = processesIn(data); return len(pids) == 0 }
		if err := waitUntil(ctx, patience, gone); err != nil {
			return err
		}
		for _, pid := range pids {
			syscall.Kill(pid, syscall.SIGQUIT)
		}
		if err := waitUntil(ctx, lastPatience, gone); err != nil {
			return err
		}
		if len(pids) > 0 {
			return fmt.Errorf("processes %v still work in %s and do not end: end them, then try again", pids, data)
		}
	}
	if err := os.Remove(pidFile); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// clearByPidFile shuts down the server that postmaster.pid names, where processes cannot
// be listed. A stale file is left for PostgreSQL to judge.
func clearByPidFile(ctx context.Context, pidFile string, logf func(string, ...any)) error {
	pid := pidIn(pidFile)
	if pid == 0 || syscall.Kill(pid, 0) != nil {
		return nil
	}
	logf("an earlier server (process %d) may still be at work: waiting for it", pid)
	return waitUntil(ctx, patience, func() bool { return pidIn(pidFile) != pid || syscall.Kill(pid, 0) != nil })
}

// pidIn returns the process on the first line of a postmaster.pid, 0 if there is none.
func pidIn(pidFile string) int {
	b, err := os.ReadFile(pidFile)
	if err != nil {
		return 0
	}
	first, _, _ := strings.Cut(string(b), "\n")
	pid, err := strconv.Atoi(strings.TrimSpace(first))
	if err != nil || pid <= 1 {
		return 0
	}
	return pid
}

func waitUntil(ctx context.Context, limit time.Duration, done func() bool) error {
	for end := time.Now().Add(limit); !done() && time.Now().Before(end); {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(20 * time.Millisecond):
		}
	}
	return nil
}
