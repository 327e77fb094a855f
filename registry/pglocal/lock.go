//go:build linux || darwin

package pglocal

import (
	"context"
	"errors"
	"fmt"
	"os"
	"syscall"
	"time"
)

// The locks of a folder; see the package comment.
const (
	startLock  = "start.lock"
	usersLock  = "users.lock"
	wardenLock = "warden.lock"
)

// errLocked says that another holds a lock.
var errLocked = errors.New("is locked by another")

// fileLock is an advisory lock on a file. The kernel releases it when its last
// descriptor is closed, at the latest when the processes that have one end.
type fileLock struct{ f *os.File }

// tryLockFile takes a lock (LOCK_SH or LOCK_EX) without waiting, and makes the
// file if need be. The error wraps errLocked if another holds it.
func tryLockFile(path string, how int) (*fileLock, error) {
	return openLock(path, how, os.O_RDONLY|os.O_CREATE)
}

func openLock(path string, how, flag int) (*fileLock, error) {
	for {
		f, err := os.OpenFile(path, flag|syscall.O_NOFOLLOW, 0o644)
		if err != nil {
			return nil, err
		}
		l := &fileLock{f}
		if err := l.try(how); err != nil {
			l.release()
			return nil, err
		}
		if l.isAt(path) {
			return l, nil
		}
		l.release() // the file was removed meanwhile: lock its successor
	}
}

// lockFile waits for a lock until ctx ends.
func lockFile(ctx context.Context, path string, how int) (*fileLock, error) {
	return waitLock(ctx, path, func() (*fileLock, error) { return tryLockFile(path, how) })
}

// lockExistingFile is lockFile, but the file must exist.
func lockExistingFile(ctx context.Context, path string, how int) (*fileLock, error) {
	return waitLock(ctx, path, func() (*fileLock, error) { return openLock(path, how, os.O_RDONLY) })
}

func waitLock(ctx context.Context, path string, try func() (*fileLock, error)) (*fileLock, error) {
	for {
		l, err := try()
		if !errors.Is(err, errLocked) {
			return l, err
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("waiting for %s: %w", path, ctx.Err())
		case <-time.After(10 * time.Millisecond):
		}
	}
}

// try changes the lock without waiting. If it cannot, the lock is lost.
func (l *fileLock) try(how int) error {
	err := flock(l.f, how|syscall.LOCK_NB)
	if errors.Is(err, syscall.EWOULDBLOCK) {
		return fmt.Errorf("%s %w", l.f.Name(), errLocked)
	}
	return err
}

// isAt reports whether the locked file is still the one of that name.
func (l *fileLock) isAt(path string) bool {
	mine, err := l.f.Stat()
	if err != nil {
		return false
	}
	there, err := os.Lstat(path)
	return err == nil && os.SameFile(mine, there)
}

func (l *fileLock) release() { l.f.Close() }

func flock(f *os.File, how int) error {
	for {
		err := syscall.Flock(int(f.Fd()), how)
		if !errors.Is(err, syscall.EINTR) {
			if err != nil {
				return fmt.Errorf("locking %s: %w", f.Name(), err)
			}
			return nil
		}
	}
}
