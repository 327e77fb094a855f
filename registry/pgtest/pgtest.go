// Package pgtest gives every test a database of its own on a real PostgreSQL:
// one throwaway server a test program, cloned from one migrated template. The
// server and its folder vanish with the test program, however it ends.
package pgtest

import (
	"context"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"keratally/registry/pglocal"
	"keratally/registry/pgstore"
)

// ServerVariable names a server to test on instead of a throwaway one: the
// URL of a database whose role may create others.
const ServerVariable = "KERATALLY_TEST_DATABASE_URL"

// server is the one of this test program.
type server struct {
	url      func(database string) string
	admin    *pgxpool.Pool
	template string
}

var (
	once   sync.Once
	shared *server
	failed error
	serial atomic.Int64
)

// New returns a pool on a fresh, migrated database, which is dropped when the
// test ends. No server is a failure, never a skip.
func New(t testing.TB) *pgxpool.Pool {
	t.Helper()
	pool, err := pgxpool.New(t.Context(), URL(t))
	if err != nil {
		t.Fatalf("test database: %v", err)
	}
	t.Cleanup(pool.Close)
	return pool
}

// URL returns the address of a fresh, migrated database.
func URL(t testing.TB) string {
	t.Helper()
	return create(t, true)
}

// EmptyURL returns the address of a fresh database without the schema.
func EmptyURL(t testing.TB) string {
	t.Helper()
	return create(t, false)
}

func create(t testing.TB, migrated bool) string {
	t.Helper()
	once.Do(func() { shared, failed = start() })
	if failed != nil {
		t.Fatalf("test server: %v", failed)
	}
	name := fmt.Sprintf("t_%d_%d", os.Getpid(), serial.Add(1))
	statement := "CREATE DATABASE " + name + " TEMPLATE template0 ENCODING 'UTF8'"
	if migrated {
		statement = "CREATE DATABASE " + name + " TEMPLATE " + shared.template
	}
	if _, err := shared.admin.Exec(context.Background(), statement); err != nil {
		t.Fatalf("test database: %v", err)
	}
	t.Cleanup(func() {
		if _, err := shared.admin.Exec(context.Background(), "DROP DATABASE "+name+" WITH (FORCE)"); err != nil {
			t.Errorf("dropping the test database: %v", err)
		}
	})
	return shared.url(name)
}

func start() (*server, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 5*time.Minute)
	defer cancel()
	s := &server{template: fmt.Sprintf("template_%d", os.Getpid())}
	address := os.Getenv(ServerVariable)
	if address != "" {
		s.url = func(database string) string { return withDatabase(address, database) }
	} else {
		local, err := startLocal(ctx)
		if err != nil {
			return nil, err
		}
		s.url, address = local.URL, local.URL("postgres")
	}
	var err error
	if s.admin, err = pgxpool.New(ctx, address); err != nil {
		return nil, err
	}
	if _, err := s.admin.Exec(ctx, "CREATE DATABASE "+s.template+" TEMPLATE template0 ENCODING 'UTF8'"); err != nil {
		return nil, err
	}
	if _, _, err := pgstore.Migrate(ctx, s.url(s.template)); err != nil {
		return nil, err
	}
	return s, closeConnections(ctx, s)
}

// closeConnections waits until nobody is connected to the template, which a
// clone demands.
func closeConnections(ctx context.Context, s *server) error {
	_, err := s.admin.Exec(ctx, "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1", s.template)
	return err
}

// startLocal starts the throwaway server in memory where there is room, and
// installs PostgreSQL first where a machine lacks it and this process may.
func startLocal(ctx context.Context) (*pglocal.Server, error) {
	sweep()
	dir, err := os.MkdirTemp(scratch(), folderPrefix)
	if err != nil {
		return nil, err
	}
	return pglocal.Start(ctx, pglocal.Options{Dir: dir, Throwaway: true, Install: os.Geteuid() == 0, Log: os.Stderr})
}

const folderPrefix = "keratally-test-"

// scratch is where throwaway clusters stand: in memory where the system has a
// file system for that.
func scratch() string {
	if info, err := os.Stat("/dev/shm"); err == nil && info.IsDir() {
		return "/dev/shm"
	}
	return os.TempDir()
}

// sweep removes folders whose server never started, a day old or more; those
// of servers remove themselves.
func sweep() {
	old, err := filepath.Glob(filepath.Join(scratch(), folderPrefix+"*"))
	if err != nil {
		return
	}
	for _, dir := range old {
		if info, err := os.Stat(dir); err == nil && time.Since(info.ModTime()) > 24*time.Hour {
			os.RemoveAll(dir)
		}
	}
}

func withDatabase(address, database string) string {
	u, err := url.Parse(address)
	if err != nil || u.Scheme == "" {
		config, err := pgx.ParseConfig(address)
		if err != nil {
			return address
		}
		return strings.ReplaceAll(address, "dbname="+config.Database, "dbname="+database)
	}
	u.Path = "/" + database
	return u.String()
}
