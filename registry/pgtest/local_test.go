package pgtest

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"
)

// The packages of one go test run find the same folder, because they have the same parent.
func TestServerIsThatOfTheRun(t *testing.T) {
	none, _ := goTest(os.Getpid())
	require.Zero(t, none, "this program is not the go command")
	none, _ = goTest(0)
	require.Zero(t, none, "no such process")
	if os.Getenv(ServerVariable) != "" {
		return // then there is no folder
	}
	pool := New(t)
	var data string
	require.NoError(t, pool.QueryRow(t.Context(), "SHOW data_directory").Scan(&data))
	want := fmt.Sprintf("%s%d-alone-%d/", folderPrefix, os.Geteuid(), os.Getpid())
	name, err := os.ReadFile(fmt.Sprintf("/proc/%d/comm", os.Getppid()))
	if err == nil && strings.TrimSpace(string(name)) == "go" {
		want = fmt.Sprintf("%s%d-%d-", folderPrefix, os.Geteuid(), os.Getppid())
	}
	require.Contains(t, data, want)
}

func TestWithDatabase(t *testing.T) {
	require.Equal(t, "postgres://u:p@/other?host=/dir", withDatabase("postgres://u:p@/one?host=/dir", "other"))
	config, err := pgxpool.ParseConfig(withDatabase("host=/dir user=u dbname=one", "other"))
	require.NoError(t, err)
	require.Equal(t, "other", config.ConnConfig.Database)
}

// A test that fails between taking a connection and giving it back must end.
func TestPoolWithALostConnectionDoesNotHang(t *testing.T) {
	pool, err := pgxpool.New(t.Context(), URL(t))
	require.NoError(t, err)
	lost, err := pool.Acquire(t.Context())
	require.NoError(t, err)
	require.False(t, closes(pool, 50*time.Millisecond))
	lost.Release()
	require.True(t, closes(pool, 10*time.Second))
}
