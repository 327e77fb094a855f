//go:build linux || darwin

package pglocal

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"runtime"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// wardenName is the name under which the executable is started once more to be
// the warden of a server; see the package comment.
const wardenName = "keratally-warden"

// wardenSpec is what the warden is told by the program that starts it.
type wardenSpec struct {
	Dir       string
	Socket    string
	Program   string
	Args      []string
	Account   account
	Throwaway bool
	Outlive   int
}

// The descriptors that a warden is given.
const (
	reportFD = 3 // where it writes "ready" or what is wrong
	lockFD   = 4 // its lock, taken by the program that starts it
)

func init() {
	if len(os.Args) != 2 || os.Args[0] != wardenName {
		return
	}
	runtime.LockOSThread() // the server dies with the thread that started it, so that must be the main one
	report := os.NewFile(reportFD, "report")
	lock := os.NewFile(lockFD, wardenLock)
	syscall.CloseOnExec(reportFD) // else the server would hold them open
	syscall.CloseOnExec(lockFD)
	if err := guard([]byte(os.Args[1]), report); err != nil {
		fmt.Fprintln(report, err)
		lock.Close()
		os.Exit(1)
	}
	os.Exit(0)
}

// startWarden starts a warden and waits until its server is ready.
func startWarden(ctx context.Context, spec wardenSpec, lock *fileLock) (*os.Process, error) {
	arg, err := json.Marshal(spec)
	if err != nil {
		return nil, err
	}
	exe, err := thisExecutable()
	if err != nil {
		return nil, err
	}
	r, w, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	cmd := &exec.Cmd{
		Path: exe, Args: []string{wardenName, string(arg)}, Dir: "/",
		Env:         []string{"PATH=/usr/local/bin:/usr/bin:/bin"},
		ExtraFiles:  []*os.File{w, lock.f},
		SysProcAttr: &syscall.SysProcAttr{Setsid: true}, // Ctrl-C is for the program, not for the server
	}
	err = cmd.Start()
	w.Close()
	if err != nil {
		return nil, fmt.Errorf("starting the server's warden: %w", err)
	}
	stop := context.AfterFunc(ctx, func() { r.SetReadDeadline(time.Now()) })
	defer stop()
	var said strings.Builder
	for in := bufio.NewScanner(r); in.Scan(); {
		if in.Text() == "ready" {
			return cmd.Process, nil
		}
		said.WriteString(in.Text() + "\n")
	}
	if ctx.Err() != nil {
		cmd.Process.Release() // it stops the server when this program has given its lock up
		return nil, fmt.Errorf("waiting for the server in %s: %w", spec.Dir, ctx.Err())
	}
	cmd.Process.Wait()
	return nil, fmt.Errorf("the server did not start: %s", strings.TrimSpace(said.String()))
}

// guard is the life of a warden: start the server, report when it is ready, and stop it
// when nobody uses it any more.
func guard(arg []byte, report *os.File) error {
	var spec wardenSpec
	if err := json.Unmarshal(arg, &spec); err != nil {
		return err
	}
	signals := make(chan os.Signal, 1)
	signal.Notify(signals, syscall.SIGTERM, syscall.SIGINT)
	signal.Ignore(syscall.SIGHUP, syscall.SIGPIPE)

	server, exited, err := startServer(spec)
	if err != nil {
		return err
	}
	unused, unusedErr := make(chan *fileLock, 1), make(chan error, 1)
	go waitUnused(spec, unused, unusedErr)
	ready := make(chan struct{})
	go waitReady(spec.Dir, server.Process.Pid, ready)

	for {
		select {
		case <-ready:
			ready = nil
			fmt.Fprintln(report, "ready")
			report.Close()
		case err := <-exited:
			log := tail(logFile(spec.Dir), 8)
			removeIfThrowaway(spec)
			return fmt.Errorf("postgres ended by itself: %w: the end of %s:\n%s", err, logFile(spec.Dir), log)
		case err = <-unusedErr:
			stopServer(server, exited, spec.Throwaway)
			return err
		case <-unused: // held until the process ends, so that nobody starts another meanwhile
			stopServer(server, exited, spec.Throwaway)
			removeIfThrowaway(spec)
			return nil
		case <-signals:
			stopServer(server, exited, spec.Throwaway)
			removeIfThrowaway(spec)
			return nil
		}
	}
}

func startServer(spec wardenSpec) (*exec.Cmd, <-chan error, error) {
	log, err := openLog(logFile(spec.Dir))
	if err != nil {
		return nil, nil, err
	}
	defer log.Close()
	cmd := spec.Account.command(context.Background(), spec.Program, spec.Args...)
	cmd.Stdout, cmd.Stderr = log, log
	shutDownWithParent(cmd)
	if err := cmd.Start(); err != nil {
		return nil, nil, err
	}
	exited := make(chan error, 1)
	go func() {
		err := cmd.Wait()
		if err == nil {
			err = errors.New("exit status 0")
		}
		exited <- err
	}()
	return cmd, exited, nil
}

// openLog opens the server's log to append to. A long one becomes server.log.1 first.
func openLog(path string) (*os.File, error) {
	const long = 4 << 20
	if info, err := os.Stat(path); err == nil && info.Size() > long {
		if err := os.Rename(path, path+".1"); err != nil {
			return nil, err
		}
	}
	return os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND|syscall.O_NOFOLLOW, 0o600)
}

// waitUnused sends the exclusive lock on users.lock when it has it: then there is no
// user, and the process to outlive has ended.
func waitUnused(spec wardenSpec, unused chan<- *fileLock, failed chan<- error) {
	if spec.Outlive != 0 {
		waitForEnd(spec.Outlive)
	}
	f, err := os.Open(filepath.Join(spec.Dir, usersLock))
	if err == nil {
		err = flock(f, syscall.LOCK_EX)
	}
	if err != nil {
		failed <- err
		return
	}
	unused <- &fileLock{f}
}

// waitReady closes ready when the server says that it takes connections: on the
// eighth line of postmaster.pid, the first being its process.
func waitReady(dir string, pid int, ready chan<- struct{}) {
	for {
		b, err := os.ReadFile(filepath.Join(dataDir(dir), "postmaster.pid"))
		if lines := strings.Split(string(b), "\n"); err == nil && len(lines) > 7 &&
			lines[0] == strconv.Itoa(pid) && strings.TrimSpace(lines[7]) == "ready" {
			close(ready)
			return
		}
		time.Sleep(5 * time.Millisecond)
	}
}

// stopServer shuts the server down: fast, then at once, then by force. A throwaway is
// not worth a checkpoint.
func stopServer(cmd *exec.Cmd, exited <-chan error, throwaway bool) {
	steps := []struct {
		signal syscall.Signal
		limit  time.Duration
	}{{syscall.SIGINT, time.Minute}, {syscall.SIGQUIT, 10 * time.Second}, {syscall.SIGKILL, 10 * time.Second}}
	if throwaway {
		steps = steps[1:]
	}
	for _, s := range steps {
		cmd.Process.Signal(s.signal)
		select {
		case <-exited:
			return
		case <-time.After(s.limit):
		}
	}
}

func removeIfThrowaway(spec wardenSpec) {
	if !spec.Throwaway {
		return
	}
	removeFolder(spec.Dir) // whatever is left is the next Sweep's
	os.RemoveAll(spec.Socket)
}
