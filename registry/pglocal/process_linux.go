package pglocal

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"syscall"
	"time"

	"golang.org/x/sys/unix"
)

// thisExecutable works even when the file has been removed, as those of go run are.
func thisExecutable() (string, error) { return "/proc/self/exe", nil }

// dieWithParent kills the child when the thread that starts it ends.
func dieWithParent(cmd *exec.Cmd) { cmd.SysProcAttr.Pdeathsig = syscall.SIGKILL }

// shutDownWithParent sends the server its signal for a fast shutdown when the thread
// that starts it ends.
func shutDownWithParent(cmd *exec.Cmd) { cmd.SysProcAttr.Pdeathsig = syscall.SIGINT }

// waitForEnd returns when the process has ended.
func waitForEnd(pid int) {
	fd, err := unix.PidfdOpen(pid, 0)
	if errors.Is(err, unix.ESRCH) {
		return
	}
	if err != nil { // an old kernel
		for !errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
			time.Sleep(50 * time.Millisecond)
		}
		return
	}
	defer unix.Close(fd)
	for {
		_, err := unix.Poll([]unix.PollFd{{Fd: int32(fd), Events: unix.POLLIN}}, -1)
		if !errors.Is(err, unix.EINTR) {
			return
		}
	}
}

// processesIn returns the processes whose working folder is dir: the server and its
// helpers, which all stay in the data folder. known is true: on this system they
// can be listed.
func processesIn(dir string) (pids []int, known bool) {
	data, err := os.Stat(dir)
	if err != nil {
		return nil, false
	}
	links, err := filepath.Glob("/proc/[0-9]*/cwd")
	if err != nil {
		return nil, false
	}
	for _, link := range links {
		// By identity, not by name: the same path in a container is another folder.
		if cwd, err := os.Stat(link); err != nil || !os.SameFile(cwd, data) {
			continue // ended meanwhile, or another user's, who cannot be in a closed folder
		}
		if pid, err := strconv.Atoi(filepath.Base(filepath.Dir(link))); err == nil {
			pids = append(pids, pid)
		}
	}
	return pids, true
}
