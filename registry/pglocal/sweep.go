//go:build linux || darwin

package pglocal

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"
)

// goneSuffix ends the name of a folder that is being removed.
const goneSuffix = ".gone"

// Sweep removes the folders of throwaway servers that match a pattern (filepath.Match) and have
// neither user nor warden left: of those whose warden was killed before it could. It is for
// tests; never give it a pattern that matches a folder with data.
func Sweep(pattern string) error {
	dirs, err := filepath.Glob(pattern)
	if err != nil {
		return err
	}
	for _, dir := range dirs {
		if filepath.Ext(dir) == goneSuffix {
			if err := os.RemoveAll(dir); err != nil {
				return err
			}
			continue
		}
		if err := sweepFolder(dir); err != nil && !errors.Is(err, errLocked) && !errors.Is(err, os.ErrNotExist) && !errors.Is(err, os.ErrPermission) {
			return err
		}
	}
	return nil
}

// sweepFolder removes a folder if none of its locks is held and nobody works in it.
func sweepFolder(dir string) error {
	for _, name := range []string{startLock, usersLock, wardenLock} {
		lock, err := openLock(filepath.Join(dir, name), syscall.LOCK_EX, os.O_RDONLY)
		if errors.Is(err, os.ErrNotExist) && name != startLock {
			continue // cut off before it came to that
		} else if err != nil {
			return err
		}
		defer lock.release()
	}
	if pids, known := processesIn(dataDir(dir)); known && len(pids) > 0 {
		return nil
	}
	return removeFolder(dir)
}

// removeFolder takes a folder out of sight at once, so that a Start which waits for a lock in it
// makes its own, and then removes it.
func removeFolder(dir string) error {
	gone := dir + goneSuffix
	if err := os.RemoveAll(gone); err != nil {
		return err
	}
	if err := os.Rename(dir, gone); err != nil {
		return err
	}
	return os.RemoveAll(gone)
}
