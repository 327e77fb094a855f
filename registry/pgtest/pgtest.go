// Package pgtest gives every test a database of its own on a real PostgreSQL, cloned
// from a migrated template.
//
// All test programs of one go test run share one throwaway server, in memory where there
// is room. Its warden (see pglocal) stops it and removes its folder when go test has
// ended and the last test program too, however they ended. A machine without PostgreSQL gets it
// installed if this process may; otherwise the tests fail and say what to do.
package pgtest

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io/fs"
	"net/url"
	"os"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"

	"keratally/migrations"
	"keratally/registry/pgstore"
)

// ServerVariable names a server to test on instead of a throwaway one: the
// URL of a database whose role may create others. The template stays there for the next run.
const ServerVariable = "KERATALLY_TEST_DATABASE_URL"

// server is the one of this test program.
type server struct {
	url      func(database string) string
	template string

	mu     sync.Mutex
	admin  *pgx.Conn // a connection and not a pool: it has no goroutine for a test to stumble over
	serial int
	prefix string // of the names of this program's databases
}

var shared = sync.OnceValues(start)

// New returns a pool on a fresh, migrated database, which is dropped when the
// test ends. No server is a failure, never a skip.
func New(t testing.TB) *pgxpool.Pool {
	t.Helper()
	pool, err := pgxpool.New(context.Background(), URL(t))
	if err != nil {
		t.Fatalf("test database: %v", err)
	}
	t.Cleanup(func() {
		if !closes(pool, 5*time.Second) && !t.Failed() {
			t.Errorf("test database: a connection of the pool was not given back, or a result not closed")
		}
	})
	return pool
}

// closes closes a pool, which waits for every connection, for so long at most: a test that
// failed half-way may have kept one.
func closes(pool *pgxpool.Pool, limit time.Duration) bool {
	closed := make(chan struct{})
	go func() {
		defer close(closed)
		pool.Close()
	}()
	select {
	case <-closed:
		return true
	case <-time.After(limit):
		return false
	}
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
	s, err := shared()
	if err != nil {
		t.Fatalf("test server: %v", err)
	}
	template := "template0"
	if migrated {
		template = s.template
	}
	name, err := s.create(template)
	if err != nil {
		t.Fatalf("test database: %v", err)
	}
	t.Cleanup(func() {
		if err := s.execute("DROP DATABASE " + name + " WITH (FORCE)"); err != nil {
			t.Errorf("dropping the test database: %v", err)
		}
	})
	return s.url(name)
}

func (s *server) create(template string) (string, error) {
	s.mu.Lock()
	s.serial++
	name := fmt.Sprintf("%s%d", s.prefix, s.serial)
	s.mu.Unlock()
	return name, s.execute("CREATE DATABASE " + name + " TEMPLATE " + template + " ENCODING 'UTF8'")
}

func (s *server) execute(sql string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, err := s.admin.Exec(context.Background(), sql)
	return err
}

// start connects to the server, starting it if need be, and sees that there is a template.
func start() (*server, error) {
	ctx, cancel := context.WithTimeout(context.Background(), 8*time.Minute)
	defer cancel()
	address := os.Getenv(ServerVariable)
	s := &server{url: func(database string) string { return withDatabase(address, database) }}
	if address == "" {
		local, err := startLocal(ctx)
		if err != nil {
			return nil, err
		}
		s.url, address = local.URL, local.URL("postgres")
	}
	var err error
	if s.admin, err = pgx.Connect(ctx, address); err != nil {
		return nil, err
	}
	if err := s.claimPrefix(ctx); err != nil {
		return nil, err
	}
	s.template, err = ensureTemplate(ctx, s)
	return s, err
}

// claimPrefix chooses how this program's databases are called, and holds an advisory lock by
// that number as long as it is connected. Databases whose lock is free are of programs that
// were killed, and are dropped.
func (s *server) claimPrefix(ctx context.Context) error {
	const claim = `SELECT n FROM (SELECT (random() * 2000000000)::bigint AS n FROM generate_series(1, 100)) AS r
		WHERE pg_try_advisory_lock(` + lockClass + `, n::int) LIMIT 1`
	var mine int64
	if err := s.admin.QueryRow(ctx, claim).Scan(&mine); err != nil {
		return fmt.Errorf("a name for test databases: %w", err)
	}
	s.prefix = fmt.Sprintf("kt_test_%d_", mine)

	const abandoned = `SELECT datname FROM (
			SELECT datname, split_part(datname, '_', 3)::int AS n FROM pg_database WHERE datname ~ '^kt_test_[0-9]{1,10}_[0-9]+$'
		) AS d WHERE NOT EXISTS (SELECT FROM pg_locks AS l WHERE l.locktype = 'advisory'
			AND l.classid = ` + lockClass + ` AND l.objid = d.n::oid)`
	rows, err := s.admin.Query(ctx, abandoned)
	if err != nil {
		return fmt.Errorf("abandoned test databases: %w", err)
	}
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return fmt.Errorf("abandoned test databases: %w", err)
	}
	for _, name := range names {
		if err := s.execute("DROP DATABASE IF EXISTS " + name + " WITH (FORCE)"); err != nil {
			return fmt.Errorf("abandoned test database %s: %w", name, err)
		}
	}
	return nil
}

// lockClass sets our advisory locks apart from others; its number has no meaning.
const lockClass = "1802658"

// ensureTemplate returns the name of a migrated database to clone, made if the server has
// none for these steps yet. Programs that want it at once wait for the one that makes it.
func ensureTemplate(ctx context.Context, s *server) (string, error) {
	print, err := fingerprint(migrations.Files)
	if err != nil {
		return "", err
	}
	name := "kt_template_" + print
	if _, err := s.admin.Exec(ctx, "SELECT pg_advisory_lock("+lockClass+", -1)"); err != nil {
		return "", err
	}
	defer s.admin.Exec(ctx, "SELECT pg_advisory_unlock("+lockClass+", -1)")
	var exists bool
	if err := s.admin.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name).Scan(&exists); err != nil || exists {
		return name, err
	}
	making, err := s.create("template0")
	if err != nil {
		return "", fmt.Errorf("template: %w", err)
	}
	if _, _, err := pgstore.Migrate(ctx, s.url(making)); err != nil {
		return "", fmt.Errorf("template: %w", err)
	}
	if err := s.rename(making, name); err != nil {
		return "", fmt.Errorf("template: %w", err)
	}
	// A clone demands that nobody is connected to it.
	return name, s.execute("ALTER DATABASE " + name + " ALLOW_CONNECTIONS false")
}

// rename waits for the sessions of the migration, which the server ends a moment after
// they were closed.
func (s *server) rename(from, to string) error {
	const objectInUse = "55006"
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(10 * time.Millisecond) {
		err := s.execute("ALTER DATABASE " + from + " RENAME TO " + to)
		var refused *pgconn.PgError
		if !errors.As(err, &refused) || refused.Code != objectInUse || time.Now().After(end) {
			return err
		}
	}
}

// fingerprint is of all the steps, so that a template of others is not taken.
func fingerprint(files fs.FS) (string, error) {
	h := sha256.New()
	err := fs.WalkDir(files, ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		body, err := fs.ReadFile(files, path)
		fmt.Fprintf(h, "%s %d\n%s", path, len(body), body)
		return err
	})
	return fmt.Sprintf("%.8x", h.Sum(nil)), err
}

// withDatabase returns the address of another database of the server.
func withDatabase(address, database string) string {
	if u, err := url.Parse(address); err == nil && u.Scheme != "" {
		u.Path = "/" + database
		return u.String()
	}
	return address + " dbname=" + database // in the form with key=value, the last counts
}
