//go:build linux || darwin

package pglocal

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"
	"go.uber.org/goleak"
)

// helperVariable makes the test binary a program that uses the server of the folder
// it names, so that a test can kill it.
const helperVariable = "PGLOCAL_TEST_HELPER"

func TestMain(m *testing.M) {
	if dir, ok := os.LookupEnv(helperVariable); ok {
		if err := help(dir); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	goleak.VerifyTestMain(m)
}

// help starts the server, prints its connection string, and then obeys standard input: for
// each line it commits the number and prints it; at the end of input it stops.
func help(dir string) error {
	ctx := context.Background()
	s, err := Start(ctx, Options{Dir: dir})
	if err != nil {
		return err
	}
	conn, err := pgx.Connect(ctx, s.URL("postgres"))
	if err != nil {
		return err
	}
	// In turn: IF NOT EXISTS does not help two who do it at the same moment.
	const makeTable = "BEGIN; SELECT pg_advisory_xact_lock(1); CREATE TABLE IF NOT EXISTS kept (n text); COMMIT"
	if _, err := conn.PgConn().Exec(ctx, makeTable).ReadAll(); err != nil {
		return err
	}
	fmt.Println(s.URL("postgres"))
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		if _, err := conn.Exec(ctx, "INSERT INTO kept VALUES ($1)", in.Text()); err != nil {
			return err
		}
		fmt.Println(in.Text())
	}
	if err := conn.Close(ctx); err != nil {
		return err
	}
	return s.Stop(ctx)
}

// helper is another program that uses a server.
type helper struct {
	t   *testing.T
	cmd *exec.Cmd
	in  io.WriteCloser
	out *bufio.Reader
	url string
}

func startHelper(t *testing.T, dir string, change ...func(*exec.Cmd)) *helper {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), helperVariable+"="+dir)
	for _, c := range change {
		c(cmd)
	}
	in, err := cmd.StdinPipe()
	require.NoError(t, err)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	cmd.Stderr = os.Stderr
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	h := &helper{t: t, cmd: cmd, in: in, out: bufio.NewReader(out)}
	h.url = h.read()
	require.Contains(t, h.url, "postgres://")
	return h
}

func (h *helper) read() string {
	h.t.Helper()
	line, err := h.out.ReadString('\n')
	require.NoError(h.t, err, "the helper said %q", line)
	return strings.TrimSpace(line)
}

// commit has the helper commit a value and returns when that is acknowledged.
func (h *helper) commit(value string) {
	h.t.Helper()
	fmt.Fprintln(h.in, value)
	require.Equal(h.t, value, h.read())
}

func (h *helper) kill() {
	h.t.Helper()
	require.NoError(h.t, h.cmd.Process.Kill())
	h.cmd.Wait()
}

func (h *helper) leave() {
	h.t.Helper()
	h.in.Close()
	require.NoError(h.t, h.cmd.Wait())
}

// newFolder returns the name of a folder for a cluster that the server's user can reach,
// for root too, and sees that no server is left in it at the end.
func newFolder(t *testing.T) string {
	t.Helper()
	base, err := os.MkdirTemp("", "keratally-pglocal-")
	require.NoError(t, err)
	require.NoError(t, os.Chmod(base, 0o755))
	dir := filepath.Join(base, "postgres")
	t.Cleanup(func() {
		ends(t, dir)
		require.NoError(t, os.RemoveAll(base))
	})
	return dir
}

// ends waits until no process works in the folder's cluster and its warden is gone.
func ends(t *testing.T, dir string) {
	t.Helper()
	if _, err := os.Stat(dataDir(dir)); err != nil {
		return
	}
	require.Eventually(t, func() bool {
		pids, known := processesIn(dataDir(dir))
		if known && len(pids) > 0 {
			return false
		}
		l, err := tryLockFile(filepath.Join(dir, wardenLock), syscall.LOCK_EX)
		if err == nil {
			l.release()
		}
		return err == nil
	}, 20*time.Second, 20*time.Millisecond, "a server or its warden is left in %s", dir)
}

func startIn(t *testing.T, dir string) *Server {
	t.Helper()
	s, err := Start(t.Context(), Options{Dir: dir})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Stop(context.Background())) })
	return s
}

// ask returns the one text that a query gives.
func ask(t *testing.T, url, query string) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	var answer string
	require.NoError(t, conn.QueryRow(t.Context(), query).Scan(&answer))
	return answer
}

// kept returns the values that helpers committed, in order.
func kept(t *testing.T, url string) string {
	t.Helper()
	return ask(t, url, "SELECT coalesce(string_agg(n, ' ' ORDER BY n), '') FROM kept")
}
