package pgtest

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"

	"keratally/registry/pglocal"
)

// folderPrefix begins the names of the folders of throwaway servers.
const folderPrefix = "keratally-test-"

// startLocal starts the throwaway server of this run, or joins it.
func startLocal(ctx context.Context) (*pglocal.Server, error) {
	parent, started := goTest(os.Getppid())
	scratch := scratchFolder()
	// A run is known by the process of go test and, because numbers are used again, by
	// when it was started. A test program that is run by hand is a run of its own.
	name := fmt.Sprintf("%s%d-%d-%s", folderPrefix, os.Geteuid(), parent, started)
	if parent == 0 {
		name = fmt.Sprintf("%s%d-alone-%d", folderPrefix, os.Geteuid(), os.Getpid())
	}
	if err := pglocal.Sweep(filepath.Join(scratch, folderPrefix+strconv.Itoa(os.Geteuid())+"-*")); err != nil {
		return nil, err
	}
	return pglocal.Start(ctx, pglocal.Options{
		Dir: filepath.Join(scratch, name), Throwaway: true, Outlive: parent,
		Install: mayInstall(ctx), Log: os.Stderr,
	})
}

// goTest returns the process and when it was started if it is the go command, which runs the
// test programs of all packages; else 0. Where processes cannot be looked at it is 0 too,
// and each package has a server of its own.
func goTest(pid int) (parent int, started string) {
	stat, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	if err != nil {
		return 0, ""
	}
	// "pid (name) state ppid …": the name may hold anything, so the rest begins after the
	// last bracket; the start is field 22 of all (proc_pid_stat(5)).
	_, rest, _ := strings.Cut(string(stat), "(")
	end := strings.LastIndex(rest, ")")
	if end < 0 || rest[:end] != "go" {
		return 0, ""
	}
	fields := strings.Fields(rest[end+1:])
	if len(fields) < 20 {
		return 0, ""
	}
	return pid, fields[19]
}

// mayInstall tells whether PostgreSQL can be installed without asking anybody.
func mayInstall(ctx context.Context) bool {
	return os.Geteuid() == 0 || exec.CommandContext(ctx, "sudo", "-n", "true").Run() == nil
}
