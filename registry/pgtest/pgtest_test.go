package pgtest_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/require"

	"keratally/registry/pgtest"
)

// roleVariable makes this test program one that a test can kill, or that panics.
const roleVariable = "PGTEST_TEST_ROLE"

// Each test has a database of its own with the whole schema in it.
func TestNewDatabasesAreApart(t *testing.T) {
	a, b := pgtest.New(t), pgtest.New(t)
	_, err := a.Exec(t.Context(), "INSERT INTO centre VALUES ('01900000-0000-7000-8000-000000000001', 'N', 'North')")
	require.NoError(t, err)
	var n int
	require.NoError(t, b.QueryRow(t.Context(), "SELECT count(*) FROM centre").Scan(&n))
	require.Zero(t, n)
}

func TestEmptyDatabaseIsEmpty(t *testing.T) {
	require.Equal(t, "0", ask(t, pgtest.EmptyURL(t), "SELECT count(*)::text FROM information_schema.tables WHERE table_schema = 'public'"))
}

func TestDatabaseIsDroppedWithItsTest(t *testing.T) {
	var name string
	t.Run("a test", func(t *testing.T) {
		url := pgtest.URL(t)
		conn, err := pgx.Connect(t.Context(), url) // forgotten connections do not keep it
		require.NoError(t, err)
		require.NoError(t, conn.QueryRow(t.Context(), "SELECT current_database()").Scan(&name))
	})
	require.Equal(t, "0", ask(t, pgtest.EmptyURL(t), "SELECT count(*)::text FROM pg_database WHERE datname = '"+name+"'"))
}

// TestHelper is the killed or panicking test program of the tests below, and by itself a
// check that a database is there.
func TestHelper(t *testing.T) {
	url := pgtest.URL(t)
	role := os.Getenv(roleVariable)
	if role == "" {
		require.Equal(t, "1", ask(t, url, "SELECT '1'"))
		return
	}
	fmt.Printf("%s\n%s\n", ask(t, url, "SELECT current_database()::text"), ask(t, url, "SHOW data_directory"))
	if role == "panic" {
		panic("as a broken test does")
	}
	time.Sleep(time.Minute)
}

// helper runs TestHelper in a process of its own and returns its database and its server's
// data folder.
func helper(t *testing.T, role string, environment ...string) (cmd *exec.Cmd, database, data string) {
	t.Helper()
	exe, err := os.Executable()
	require.NoError(t, err)
	cmd = exec.Command(exe, "-test.run=^TestHelper$")
	cmd.Env = append(append(os.Environ(), roleVariable+"="+role), environment...)
	out, err := cmd.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, cmd.Start())
	t.Cleanup(func() { cmd.Process.Kill(); cmd.Wait() })
	in := bufio.NewScanner(out)
	require.True(t, in.Scan())
	database = in.Text()
	require.True(t, in.Scan())
	return cmd, database, in.Text()
}

// However a test program ends, its server and folder vanish.
func TestKilledTestProgramLeavesNothing(t *testing.T) {
	for _, role := range []string{"kill", "panic"} {
		t.Run(role, func(t *testing.T) {
			cmd, _, data := helper(t, role, pgtest.ServerVariable+"=")
			folder := filepath.Dir(filepath.Dir(data))
			require.Contains(t, folder, "keratally-test-")
			if role == "kill" {
				require.DirExists(t, folder)
				require.NoError(t, cmd.Process.Kill())
			}
			cmd.Wait()
			require.Eventually(t, func() bool {
				left, err := filepath.Glob(folder + "*")
				out, psErr := exec.Command("ps", "-eo", "args=").Output()
				return err == nil && psErr == nil && len(left) == 0 && !strings.Contains(string(out), folder)
			}, 15*time.Second, 20*time.Millisecond)
		})
	}
}

// On a server that others keep, the databases of a killed program are dropped by the next.
func TestDatabasesOfAKilledProgramAreDropped(t *testing.T) {
	mine := pgtest.URL(t)
	cmd, theirs, _ := helper(t, "kill", pgtest.ServerVariable+"="+mine)
	count := "SELECT count(*)::text FROM pg_database WHERE datname = '" + theirs + "'"
	require.Equal(t, "1", ask(t, mine, count))
	require.NoError(t, cmd.Process.Kill())
	cmd.Wait()
	require.Eventually(t, func() bool { // the server notices the end of the connection
		return ask(t, mine, "SELECT count(*)::text FROM pg_stat_activity WHERE datname = '"+theirs+"'") == "0" &&
			ask(t, mine, "SELECT count(*)::text FROM pg_locks WHERE locktype = 'advisory' AND objid = split_part('"+theirs+"', '_', 3)::oid") == "0"
	}, 30*time.Second, 20*time.Millisecond)
	_, other, _ := helper(t, "kill", pgtest.ServerVariable+"="+mine)
	require.Equal(t, "0", ask(t, mine, count))
	require.Equal(t, "1", ask(t, mine, "SELECT count(*)::text FROM pg_database WHERE datname = '"+other+"'"), "the living one's stays")
}

func ask(t *testing.T, url, query string) string {
	t.Helper()
	conn, err := pgx.Connect(t.Context(), url)
	require.NoError(t, err)
	defer conn.Close(context.Background())
	var answer string
	require.NoError(t, conn.QueryRow(t.Context(), query).Scan(&answer))
	return answer
}
