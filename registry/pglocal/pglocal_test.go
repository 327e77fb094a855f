//go:build linux || darwin

package pglocal

import (
	"context"
	"io/fs"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
)

func TestStartMakesAClosedServerAndKeepsItsData(t *testing.T) {
	dir := newFolder(t)
	s := startIn(t, dir)
	admin := s.URL("postgres")
	require.Equal(t, "on", ask(t, admin, "SHOW data_checksums"))
	require.Equal(t, "", ask(t, admin, "SHOW listen_addresses"))
	require.Equal(t, "UTF8", ask(t, admin, "SHOW server_encoding"))
	require.Equal(t, "scram-sha-256", ask(t, admin,
		"SELECT string_agg(DISTINCT auth_method, ' ') FROM pg_hba_file_rules"))

	info, err := os.Stat(s.Dir())
	require.NoError(t, err)
	require.Equal(t, fs.FileMode(0o700), info.Mode().Perm())
	info, err = os.Stat(passwordFile(dir))
	require.NoError(t, err)
	require.Equal(t, fs.FileMode(0o600), info.Mode().Perm())
	pids, known := processesIn(dataDir(dir))
	for _, pid := range pids {
		st, err := os.Stat(filepath.Join("/proc", itoa(pid)))
		require.NoError(t, err)
		require.NotZero(t, st.Sys().(*syscall.Stat_t).Uid, "process %d runs as root", pid)
	}
	require.Equal(t, known, len(pids) > 0)

	wrong, err := url.Parse(admin)
	require.NoError(t, err)
	wrong.User = url.UserPassword(Role, "not the password")
	_, err = pgx.Connect(t.Context(), wrong.String())
	require.ErrorContains(t, err, "password authentication failed")

	require.NoError(t, s.EnsureDatabase(t.Context(), "Registry of a clinic"))
	require.NoError(t, s.EnsureDatabase(t.Context(), "Registry of a clinic"))
	conn, err := pgx.Connect(t.Context(), s.URL("Registry of a clinic"))
	require.NoError(t, err)
	_, err = conn.Exec(t.Context(), "CREATE TABLE kept (n text); INSERT INTO kept VALUES ('a')")
	require.NoError(t, err)
	require.NoError(t, conn.Close(t.Context()))
	require.NoError(t, s.Stop(t.Context()))
	require.NoError(t, s.Stop(t.Context()), "a second Stop does nothing")
	pids, _ = processesIn(dataDir(dir))
	require.Empty(t, pids, "Stop returns when the server is down")

	again := startIn(t, dir)
	require.Equal(t, "a", kept(t, again.URL("Registry of a clinic")))
}

// A value that breaks a rule is a patient's; the server's log must not have it.
func TestServerLogHoldsNoValues(t *testing.T) {
	dir := newFolder(t)
	s := startIn(t, dir)
	conn, err := pgx.Connect(t.Context(), s.URL("postgres"))
	require.NoError(t, err)
	defer conn.Close(context.Background())
	for _, sql := range []string{"SELECT 'seededname'::integer", "SELECT seededname FROM nowhere", "DO $$BEGIN RAISE WARNING 'seededname'; END$$"} {
		conn.Exec(t.Context(), sql)
	}
	require.NoError(t, conn.Close(t.Context()))
	require.NoError(t, s.Stop(t.Context()))
	log, err := os.ReadFile(logFile(dir))
	require.NoError(t, err)
	require.Contains(t, string(log), "ready to accept connections")
	require.NotContains(t, string(log), "seededname")
}

func TestStartSharesOneServer(t *testing.T) {
	dir := newFolder(t)
	// Both at once, and neither finds a cluster.
	helpers := make([]*helper, 2)
	var started sync.WaitGroup
	for i := range helpers {
		started.Go(func() { helpers[i] = startHelper(t, dir) })
	}
	started.Wait()
	a, b := helpers[0], helpers[1]
	require.Equal(t, a.url, b.url)
	a.commit("a1")
	b.commit("b1")
	before := ask(t, b.url, "SELECT pg_postmaster_start_time()::text")
	a.leave()
	b.commit("b2")
	require.Equal(t, before, ask(t, b.url, "SELECT pg_postmaster_start_time()::text"), "the server went on when its first user left")
	require.Equal(t, "a1 b1 b2", kept(t, b.url))
	b.leave()
	pids, _ := processesIn(dataDir(dir))
	require.Empty(t, pids, "the last user stopped the server")
}

func TestKilledProgramTakesNothingFromOthersAndLeavesNothing(t *testing.T) {
	dir := newFolder(t)
	first := startHelper(t, dir) // this one started the server
	second := startHelper(t, dir)
	first.commit("first")
	second.commit("second-1")
	first.kill()
	second.commit("second-2")
	third := startHelper(t, dir)
	third.commit("third")
	require.Equal(t, "first second-1 second-2 third", kept(t, third.url))
	third.kill()
	second.commit("second-3")
	second.kill()
	ends(t, dir) // by itself, though nobody called Stop

	s := startIn(t, dir)
	require.Equal(t, "first second-1 second-2 second-3 third", kept(t, s.URL("postgres")))
}

func TestKilledServerIsRecovered(t *testing.T) {
	dir := newFolder(t)
	h := startHelper(t, dir)
	for _, n := range []string{"1", "2", "3"} {
		h.commit(n)
	}
	// A helper process of the server that is busy does not notice the death of the main one at once.
	busy, err := pgx.Connect(t.Context(), h.url)
	require.NoError(t, err)
	done := make(chan struct{})
	go func() {
		defer close(done)
		busy.Exec(context.Background(), "SELECT count(*) FROM generate_series(1, 100000000) AS g(n) WHERE n % 7 = 3")
		busy.Close(context.Background())
	}()
	time.Sleep(100 * time.Millisecond)
	pid := pidIn(filepath.Join(dataDir(dir), "postmaster.pid"))
	require.NotZero(t, pid)
	require.NoError(t, syscall.Kill(pid, syscall.SIGKILL))

	s := startIn(t, dir)
	require.Equal(t, "1 2 3", kept(t, s.URL("postgres")))
	<-done
	h.kill()
}

func TestKilledWardenIsReplaced(t *testing.T) {
	dir := newFolder(t)
	h := startHelper(t, dir)
	h.commit("1")
	require.NoError(t, syscall.Kill(wardenOf(t, dir), syscall.SIGKILL))
	s := startIn(t, dir)
	require.Equal(t, "1", kept(t, s.URL("postgres")))
	h.kill()
}

func TestWardenObeysTheSystem(t *testing.T) {
	dir := newFolder(t)
	h := startHelper(t, dir)
	h.commit("1")
	require.NoError(t, syscall.Kill(wardenOf(t, dir), syscall.SIGTERM)) // as at a shutdown of the machine
	ends(t, dir)
	log, err := os.ReadFile(logFile(dir))
	require.NoError(t, err)
	require.Contains(t, string(log), "database system is shut down")
	h.kill()
}

// After a restart of a container, numbers of processes are used again.
func TestStrangersProcessInPidFile(t *testing.T) {
	dir := newFolder(t)
	require.NoError(t, startIn(t, dir).Stop(t.Context()))
	acct, err := chooseAccount(t.Context(), dir, t.Logf)
	require.NoError(t, err)
	stranger := acct.command(t.Context(), "/bin/sleep", "60")
	require.NoError(t, stranger.Start())
	defer func() { stranger.Process.Kill(); stranger.Wait() }()
	pidFile := filepath.Join(dataDir(dir), "postmaster.pid")
	require.NoError(t, os.WriteFile(pidFile, []byte(itoa(stranger.Process.Pid)+"\n"+dataDir(dir)+"\n"), 0o600))
	require.NoError(t, acct.own(pidFile))

	s := startIn(t, dir)
	require.Equal(t, "1", ask(t, s.URL("postgres"), "SELECT '1'"))
	require.NoError(t, stranger.Process.Signal(syscall.Signal(0)), "the stranger was left alone")
}

func TestClusterOfAnotherVersionIsNotTouched(t *testing.T) {
	dir := newFolder(t)
	s := startIn(t, dir)
	require.NoError(t, s.Stop(t.Context()))
	require.NoError(t, os.WriteFile(filepath.Join(dataDir(dir), "PG_VERSION"), []byte("9\n"), 0o600))
	before := contents(t, clusterDir(dir))

	_, err := Start(t.Context(), Options{Dir: dir})
	var other *VersionError
	require.ErrorAs(t, err, &other)
	require.Equal(t, "9", other.Cluster)
	require.ErrorContains(t, err, "pg_upgrade")
	require.ErrorContains(t, err, "nothing was touched")
	require.Equal(t, before, contents(t, clusterDir(dir)))
}

func TestStartAfterACutInitdb(t *testing.T) {
	dir := newFolder(t)
	require.NoError(t, os.Mkdir(dir, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(dir, startLock), nil, 0o644))
	half := filepath.Join(dir, "cluster.new", "data")
	require.NoError(t, os.MkdirAll(half, 0o700))
	require.NoError(t, os.WriteFile(filepath.Join(half, "PG_VERSION"), []byte("15\n"), 0o600))
	s := startIn(t, dir)
	require.Equal(t, "on", ask(t, s.URL("postgres"), "SHOW data_checksums"))
}

func TestStartGivesUpWithItsContext(t *testing.T) {
	dir := newFolder(t)
	ctx, cancel := context.WithTimeout(t.Context(), 150*time.Millisecond)
	defer cancel()
	_, err := Start(ctx, Options{Dir: dir})
	require.ErrorIs(t, err, context.DeadlineExceeded)
	ends(t, dir)
	require.Equal(t, "1", ask(t, startIn(t, dir).URL("postgres"), "SELECT '1'"))
}

func TestServerThatCannotStartSaysWhy(t *testing.T) {
	dir := newFolder(t)
	require.NoError(t, startIn(t, dir).Stop(t.Context()))
	conf := filepath.Join(dataDir(dir), "postgresql.conf")
	require.NoError(t, os.WriteFile(conf, []byte("no_such_setting = 1\n"), 0o600))
	_, err := Start(t.Context(), Options{Dir: dir})
	require.ErrorContains(t, err, `unrecognized configuration parameter "no_such_setting"`)
}

func TestSocketOfALongPathIsElsewhere(t *testing.T) {
	dir := filepath.Join(filepath.Dir(newFolder(t)), strings.Repeat("long-", 30), "postgres")
	s := startIn(t, dir)
	require.True(t, strings.HasPrefix(s.socket, "/tmp/keratally-"), s.socket)
	require.Equal(t, "1", ask(t, s.URL("postgres"), "SELECT '1'"))
	require.NoError(t, s.Stop(t.Context()))
	require.NoError(t, os.Remove(s.socket), "empty when the server is down")

	// A folder that somebody else could enter is not used.
	require.NoError(t, os.Mkdir(s.socket, 0o700))
	require.NoError(t, os.Chmod(s.socket, 0o777))
	defer os.Remove(s.socket)
	acct, err := chooseAccount(t.Context(), dir, t.Logf)
	require.NoError(t, err)
	require.NoError(t, acct.own(s.socket))
	_, err = Start(t.Context(), Options{Dir: dir})
	require.ErrorContains(t, err, "that only the server's user")
}

func TestThrowawayIsRemoved(t *testing.T) {
	dir := newFolder(t)
	s, err := Start(t.Context(), Options{Dir: dir, Throwaway: true})
	require.NoError(t, err)
	require.Equal(t, "off", ask(t, s.URL("postgres"), "SHOW fsync"))
	require.NoError(t, s.Stop(t.Context()))
	require.NoDirExists(t, dir)
	require.NoDirExists(t, dir+".gone")
}

func TestThrowawayOutlivesAProcess(t *testing.T) {
	dir := newFolder(t)
	other := (account{}).command(t.Context(), "/bin/sleep", "60")
	require.NoError(t, other.Start())
	s, err := Start(t.Context(), Options{Dir: dir, Throwaway: true, Outlive: other.Process.Pid})
	require.NoError(t, err)
	before := ask(t, s.URL("postgres"), "SELECT pg_postmaster_start_time()::text")
	s.users.release() // as the end of this program would
	time.Sleep(200 * time.Millisecond)
	require.Equal(t, before, ask(t, s.URL("postgres"), "SELECT pg_postmaster_start_time()::text"))
	require.NoError(t, other.Process.Kill())
	other.Wait()
	require.Eventually(t, func() bool {
		_, err := os.Stat(dir)
		return os.IsNotExist(err)
	}, 10*time.Second, 10*time.Millisecond)
	s.warden.Wait()
}
