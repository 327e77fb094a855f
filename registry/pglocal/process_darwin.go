package pglocal

import (
	"errors"
	"os"
	"os/exec"
	"syscall"
	"time"
)

func thisExecutable() (string, error) { return os.Executable() }

// This system has no signal for a parent's end. A server whose warden was killed stays,
// and the next Start shuts it down.
func dieWithParent(*exec.Cmd)      {}
func shutDownWithParent(*exec.Cmd) {}

// waitForEnd returns when the process has ended.
func waitForEnd(pid int) {
	for !errors.Is(syscall.Kill(pid, 0), syscall.ESRCH) {
		time.Sleep(50 * time.Millisecond)
	}
}

// processesIn cannot be known here without a tool.
func processesIn(string) (pids []int, known bool) { return nil, false }
