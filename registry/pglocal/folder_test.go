//go:build linux || darwin

package pglocal

import (
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"github.com/stretchr/testify/require"
)

func itoa(n int) string { return strconv.Itoa(n) }

// contents returns the files below a folder with their contents and modes.
func contents(t *testing.T, dir string) map[string]string {
	t.Helper()
	all := map[string]string{}
	require.NoError(t, filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		info, err := d.Info()
		if err != nil {
			return err
		}
		all[path] = info.Mode().String() + info.ModTime().String()
		if info.Mode().IsRegular() {
			b, err := os.ReadFile(path)
			all[path] += string(b)
			return err
		}
		return nil
	}))
	return all
}

// wardenOf returns the process of a folder's warden.
func wardenOf(t *testing.T, dir string) int {
	t.Helper()
	out, err := exec.Command("ps", "-eo", "pid=,args=").Output()
	require.NoError(t, err)
	for line := range strings.Lines(string(out)) {
		pid, args, _ := strings.Cut(strings.TrimSpace(line), " ")
		if strings.HasPrefix(strings.TrimSpace(args), wardenName) && strings.Contains(args, dir) {
			n, err := strconv.Atoi(pid)
			require.NoError(t, err)
			return n
		}
	}
	require.Fail(t, "no warden", "folder %s", dir)
	return 0
}

func TestFolderOfSomethingElseIsRefusedUntouched(t *testing.T) {
	for name, tt := range map[string]struct {
		make func(t *testing.T, dir string)
		want string
	}{
		"a data folder of PostgreSQL": {func(t *testing.T, dir string) {
			require.NoError(t, os.Mkdir(dir, 0o755))
			require.NoError(t, os.WriteFile(filepath.Join(dir, "PG_VERSION"), []byte("15\n"), 0o600))
		}, "is a data folder of PostgreSQL itself"},
		"somebody's papers": {func(t *testing.T, dir string) {
			require.NoError(t, os.Mkdir(dir, 0o755))
			require.NoError(t, os.WriteFile(filepath.Join(dir, "letter.txt"), nil, 0o644))
		}, "holds other files (letter.txt, …): name an absent or empty folder"},
		"a file": {func(t *testing.T, dir string) {
			require.NoError(t, os.WriteFile(dir, nil, 0o644))
		}, "is not a folder"},
		"a link": {func(t *testing.T, dir string) {
			require.NoError(t, os.Symlink(filepath.Dir(dir), dir))
		}, "is not a folder"},
	} {
		t.Run(name, func(t *testing.T) {
			dir := newFolder(t)
			tt.make(t, dir)
			before := contents(t, filepath.Dir(dir))
			_, err := Start(t.Context(), Options{Dir: dir})
			require.ErrorContains(t, err, tt.want)
			require.Equal(t, before, contents(t, filepath.Dir(dir)))
		})
	}
}

func TestFolderOfAnotherUserIsRefused(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Log("only root can give a folder away: the check is of what an ordinary user sees of /")
		require.ErrorContains(t, checkFolder("/", account{UID: uint32(os.Geteuid())}), "belongs to another user")
		return
	}
	dir := newFolder(t)
	require.NoError(t, os.Mkdir(dir, 0o700))
	require.NoError(t, os.Chown(dir, 65534, 65534))
	_, err := Start(t.Context(), Options{Dir: dir})
	require.ErrorContains(t, err, "belongs to another user (id 65534)")
}

func TestCanReach(t *testing.T) {
	base := filepath.Dir(newFolder(t))
	closed := filepath.Join(base, "closed")
	require.NoError(t, os.Mkdir(closed, 0o700))
	me := os.Geteuid()
	stranger := account{Name: "stranger", UID: uint32(me) + 1, GID: 4242, Switch: true}
	require.NoError(t, stranger.canReach(base))
	require.ErrorContains(t, stranger.canReach(filepath.Join(closed, "absent", "postgres")),
		"the user stranger, who runs the server for root, may not enter "+closed)
	require.NoError(t, account{UID: uint32(me), Switch: true}.canReach(closed))
	info, err := os.Stat(closed)
	require.NoError(t, err)
	require.NoError(t, os.Chmod(closed, 0o710))
	stranger.Groups = []uint32{info.Sys().(*syscall.Stat_t).Gid}
	require.NoError(t, stranger.canReach(closed))
	require.NoError(t, account{}.canReach("/absent"), "the caller finds out by itself")
}

func TestDefaultDir(t *testing.T) {
	if os.Geteuid() == 0 {
		dir, err := DefaultDir()
		require.NoError(t, err)
		require.Equal(t, "/var/lib/keratally/postgres", dir)
		return // what an ordinary user gets is in TestOrdinaryUser
	}
	t.Setenv("XDG_DATA_HOME", "/data")
	dir, err := DefaultDir()
	require.NoError(t, err)
	require.Equal(t, "/data/keratally/postgres", dir)
	t.Setenv("XDG_DATA_HOME", "")
	t.Setenv("HOME", "/home/someone")
	dir, err = DefaultDir()
	require.NoError(t, err)
	require.Equal(t, "/home/someone/.local/share/keratally/postgres", dir)
}

// Root runs a copy of the test binary as an ordinary user, with the default folder.
func TestOrdinaryUser(t *testing.T) {
	dir := newFolder(t)
	home := filepath.Dir(dir)
	asUser := func(cmd *exec.Cmd) {
		cmd.Dir = "/"
		cmd.Env = append(cmd.Env, "HOME="+home, "XDG_DATA_HOME=")
	}
	if os.Geteuid() == 0 {
		exe, err := os.ReadFile("/proc/self/exe")
		require.NoError(t, err)
		program := filepath.Join(home, "program")
		require.NoError(t, os.WriteFile(program, exe, 0o755))
		require.NoError(t, os.Chown(home, 65534, 65534))
		asUser = func(cmd *exec.Cmd) {
			cmd.Path, cmd.Args, cmd.Dir = program, []string{program}, "/"
			cmd.Env = append(cmd.Env, "HOME="+home, "XDG_DATA_HOME=")
			cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
		}
	}
	h := startHelper(t, "", asUser)
	h.commit("1")
	used := filepath.Join(home, ".local", "share", "keratally", "postgres")
	require.FileExists(t, passwordFile(used))
	if os.Geteuid() == 0 { // root joins in, and the folder stays the user's
		s := startIn(t, used)
		require.Equal(t, "1", kept(t, s.URL("postgres")))
		h.leave()
		require.NoError(t, s.Stop(t.Context()))
		s = startIn(t, used)
		require.Equal(t, "1", kept(t, s.URL("postgres")))
		require.NoError(t, s.Stop(t.Context()))
		h = startHelper(t, "", asUser)
	}
	h.commit("2")
	h.leave()
	ends(t, used)
}
