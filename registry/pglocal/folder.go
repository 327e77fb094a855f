//go:build linux || darwin

package pglocal

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
)

func clusterDir(dir string) string   { return filepath.Join(dir, "cluster") }
func dataDir(dir string) string      { return filepath.Join(dir, "cluster", "data") }
func passwordFile(dir string) string { return filepath.Join(dir, "cluster", "password") }
func logFile(dir string) string      { return filepath.Join(dir, "server.log") }

// socketPort is part of the socket's name; no port is opened.
const socketPort = "5432"

// longestSocketFolder keeps the path of the socket below the shortest limit of
// the systems supported, 104 bytes.
const longestSocketFolder = 100 - len("/.s.PGSQL."+socketPort)

// prepareFolder makes the folder of a cluster, or sees that an existing one is ours, and
// gives it to the account alone. A folder of anything else is refused, untouched.
func prepareFolder(dir string, acct account) error {
	if err := acct.canReach(filepath.Dir(dir)); err != nil {
		return err
	}
	if err := os.MkdirAll(filepath.Dir(dir), 0o755); err != nil {
		return err
	}
	if err := acct.canReach(filepath.Dir(dir)); err != nil { // a narrow umask closes what was just made
		return err
	}
	err := os.Mkdir(dir, 0o700)
	if errors.Is(err, os.ErrExist) {
		err = checkFolder(dir, acct)
	}
	if err != nil {
		return err
	}
	if err := acct.own(dir); err != nil {
		return err
	}
	if err := os.Chmod(dir, 0o700); err != nil {
		return err
	}
	// The mark by which checkFolder knows the folder again.
	f, err := os.OpenFile(filepath.Join(dir, startLock), os.O_RDONLY|os.O_CREATE|syscall.O_NOFOLLOW, 0o644)
	if err != nil {
		return err
	}
	return f.Close()
}

// checkFolder refuses a folder that is not a private cluster's.
func checkFolder(dir string, acct account) error {
	info, err := os.Lstat(dir)
	if err != nil {
		return err
	}
	if !info.IsDir() {
		return fmt.Errorf("%s is not a folder: name an absent or empty one", dir)
	}
	if owner := info.Sys().(*syscall.Stat_t).Uid; owner != acct.UID && owner != uint32(os.Geteuid()) {
		return fmt.Errorf("%s belongs to another user (id %d): run as that user, or name another folder", dir, owner)
	}
	if _, err := os.Stat(filepath.Join(dir, "PG_VERSION")); err == nil {
		return fmt.Errorf("%s is a data folder of PostgreSQL itself, not one of this program's: name an absent or empty folder", dir)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return err
	}
	if len(entries) == 0 {
		return nil
	}
	for _, e := range entries {
		if e.Name() == startLock {
			return nil
		}
	}
	return fmt.Errorf("%s holds other files (%s, …): name an absent or empty folder", dir, entries[0].Name())
}

// socketFolder returns the closed folder of the socket, and makes it.
func socketFolder(dir string, acct account) (string, error) {
	s := socketFolderPath(dir, acct)
	if err := os.Mkdir(s, 0o700); err == nil {
		return s, acct.own(s)
	} else if !errors.Is(err, os.ErrExist) {
		return "", err
	}
	info, err := os.Lstat(s)
	if err != nil {
		return "", err
	}
	owner := info.Sys().(*syscall.Stat_t).Uid
	if owner == uint32(os.Geteuid()) && owner != acct.UID && info.IsDir() { // left half-made by root
		return s, acct.own(s)
	}
	if !info.IsDir() || info.Mode().Perm() != 0o700 || owner != acct.UID {
		return "", fmt.Errorf("%s must be a folder that only the server's user (id %d) can enter, for its socket: remove it", s, acct.UID)
	}
	return s, nil
}

// socketFolderPath is the same for all who use the folder, whatever their environment.
func socketFolderPath(dir string, acct account) string {
	s := filepath.Join(dir, "socket")
	if len(s) > longestSocketFolder {
		s = fmt.Sprintf("/tmp/keratally-%d-%.8x", acct.UID, sha256.Sum256([]byte(dir)))
	}
	return s
}
