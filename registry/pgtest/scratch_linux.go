package pgtest

import (
	"os"
	"syscall"
)

// scratchFolder is where throwaway servers stand: in memory if there is room, else where
// temporary files are.
func scratchFolder() string {
	const memory, room = "/dev/shm", 1 << 30
	var at syscall.Statfs_t
	if err := syscall.Statfs(memory, &at); err != nil || at.Bavail*uint64(at.Bsize) < room {
		return os.TempDir()
	}
	probe, err := os.MkdirTemp(memory, "keratally-probe-")
	if err != nil {
		return os.TempDir()
	}
	os.Remove(probe)
	return memory
}
