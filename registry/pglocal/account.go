//go:build linux || darwin

package pglocal

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"os/user"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// account is who runs the server: the caller, or for root another user,
// because PostgreSQL refuses to be run by root.
type account struct {
	Name   string
	UID    uint32
	GID    uint32
	Groups []uint32
	Switch bool // the caller is root, and the programs must be run as this user
}

// chooseAccount returns the caller's own account unless the caller is root. For
// root it is the owner of the cluster in dir, else postgres, else a system user
// keratally, which is made if need be.
func chooseAccount(ctx context.Context, dir string, logf func(string, ...any)) (account, error) {
	if uid := os.Geteuid(); uid != 0 {
		return account{UID: uint32(uid), GID: uint32(os.Getegid())}, nil
	}
	if info, err := os.Stat(dataDir(dir)); err == nil {
		owner := info.Sys().(*syscall.Stat_t).Uid
		if owner == 0 {
			return account{}, fmt.Errorf("%s belongs to root, as whom PostgreSQL does not run: give the folder %s to the user who is to run it (chown -R)", dataDir(dir), dir)
		}
		u, err := user.LookupId(strconv.FormatUint(uint64(owner), 10))
		if err != nil {
			return account{}, fmt.Errorf("owner of %s: %w", dataDir(dir), err)
		}
		return accountOf(u)
	}
	for _, name := range []string{"postgres", "_postgres", Role} {
		if u, err := user.Lookup(name); err == nil {
			return accountOf(u)
		}
	}
	logf("PostgreSQL does not run as root, and there is no user postgres: making a system user %s for it", Role)
	if err := makeSystemUser(ctx, Role); err != nil {
		return account{}, err
	}
	u, err := user.Lookup(Role)
	if err != nil {
		return account{}, fmt.Errorf("the system user made for PostgreSQL: %w", err)
	}
	return accountOf(u)
}

func accountOf(u *user.User) (account, error) {
	uid, err := strconv.ParseUint(u.Uid, 10, 32)
	if err != nil {
		return account{}, fmt.Errorf("user %s: %w", u.Username, err)
	}
	gid, err := strconv.ParseUint(u.Gid, 10, 32)
	if err != nil {
		return account{}, fmt.Errorf("user %s: %w", u.Username, err)
	}
	a := account{Name: u.Username, UID: uint32(uid), GID: uint32(gid), Switch: true}
	groups, err := u.GroupIds() // ssl-cert and the like; without them the server runs as well
	if err != nil {
		groups = nil
	}
	for _, g := range groups {
		if id, err := strconv.ParseUint(g, 10, 32); err == nil {
			a.Groups = append(a.Groups, uint32(id))
		}
	}
	return a, nil
}

// makeSystemUser makes a user without password, home or shell, with the tool of
// the distribution.
func makeSystemUser(ctx context.Context, name string) error {
	for _, args := range [][]string{
		{"useradd", "--system", "--user-group", "--no-create-home", "--home-dir", "/nonexistent", "--shell", "/bin/false", name},
		{"adduser", "-S", "-D", "-H", "-s", "/bin/false", name}, // BusyBox
	} {
		if _, err := exec.LookPath(args[0]); err != nil {
			continue
		}
		out, err := exec.CommandContext(ctx, args[0], args[1:]...).CombinedOutput()
		if err != nil {
			return fmt.Errorf("making a user for PostgreSQL: %s: %w: %s", strings.Join(args, " "), err, bytes.TrimSpace(out))
		}
		return nil
	}
	return errors.New("PostgreSQL does not run as root, there is no user postgres, and neither useradd nor adduser to make one: " +
		"make a user of that name, or run this program as an ordinary user")
}

// credential returns what makes a child run as the account, nil if it is the caller.
func (a account) credential() *syscall.Credential {
	if !a.Switch {
		return nil
	}
	return &syscall.Credential{Uid: a.UID, Gid: a.GID, Groups: a.Groups}
}

// command prepares a PostgreSQL program to be run as the account, in the root
// folder and with nothing of the caller's environment.
func (a account) command(ctx context.Context, name string, args ...string) *exec.Cmd {
	cmd := exec.CommandContext(ctx, name, args...)
	cmd.Dir = "/"
	cmd.Env = []string{"PATH=/usr/local/bin:/usr/bin:/bin", "LC_ALL=C"}
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: a.credential(), Setpgid: true}
	return cmd
}

// own gives a file that root made to the account.
func (a account) own(path string) error {
	if !a.Switch {
		return nil
	}
	return os.Lchown(path, int(a.UID), int(a.GID))
}

// canReach tells whether the account may enter a folder and all above it. The
// caller, when not root, finds out by itself.
func (a account) canReach(dir string) error {
	if !a.Switch {
		return nil
	}
	for d := dir; ; d = filepath.Dir(d) {
		info, err := os.Stat(d)
		if errors.Is(err, os.ErrNotExist) {
			if d == filepath.Dir(d) {
				return err
			}
			continue
		}
		if err != nil {
			return err
		}
		st, mode := info.Sys().(*syscall.Stat_t), info.Mode().Perm()
		var may bool
		switch {
		case st.Uid == a.UID:
			may = mode&0o100 != 0
		case st.Gid == a.GID || slices.Contains(a.Groups, st.Gid):
			may = mode&0o010 != 0
		default:
			may = mode&0o001 != 0
		}
		if !may {
			return fmt.Errorf("%s: the user %s, who runs the server for root, may not enter %s: choose a folder such as /var/lib/keratally/postgres, or run as an ordinary user", dir, a.Name, d)
		}
		if d == filepath.Dir(d) {
			return nil
		}
	}
}
