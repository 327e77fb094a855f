//go:build linux || darwin

// Package pglocal runs a private PostgreSQL for a machine that has none
// running: it finds the installed programs, makes a cluster in a folder of
// the user's, starts it, shares it among all who use the same folder, and
// stops it when the last of them has left, however they left.
//
// The server listens on a socket in a closed folder, never on a network port,
// asks for a password that only the folder's owner can read, and keeps
// checksums of its pages.
//
// # Who stops the server
//
// The server is not the child of a program that uses it but of a warden: the
// same executable, started once more in a session of its own. Each user of a
// folder holds a shared lock on its file users.lock, and the kernel takes the
// lock back when that program ends, by whatever cause. The warden waits for
// the exclusive lock on that file. It gets it when nobody is left, and then
// stops the server and ends. So a program killed with kill -9 neither takes
// the server away from others nor leaves it behind, and if the warden itself
// is killed the server shuts down (on Linux) and the next Start recovers it.
//
// A folder holds:
//
//	cluster/data      the data folder of PostgreSQL
//	cluster/password  the password of the one role
//	socket/           the socket (see Start for where it goes if the path is too long)
//	server.log        the server's own messages: no statements, no values
//	start.lock        held while one program looks whether to start the server
//	users.lock        shared by all users of the server
//	warden.lock       held by the warden as long as it lives
package pglocal

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"time"

	"github.com/jackc/pgx/v5"
)

// Role is the one role of a private cluster. It owns everything in it.
const Role = "keratally"

// Options say which private server is wanted. The zero Options is the
// server of DefaultDir, run by the newest programs found.
type Options struct {
	// Dir is the folder of the cluster: absent, empty, or one that Start made
	// earlier. Empty means DefaultDir.
	Dir string

	// BinDir is the folder of initdb, postgres and pg_ctl, and then the only
	// one looked at. Empty means the value of KERATALLY_PG_BIN, and if that is
	// empty too, the places where distributions put them.
	BinDir string

	// Install lets Start run Install when no programs are found.
	Install bool

	// Log gets a line for each step that takes time or that a person should
	// know of. Nil means silence.
	Log io.Writer

	// Throwaway is for tests: nothing is forced to disk, and the warden
	// removes the folder when it stops the server.
	Throwaway bool

	// Outlive is a process which the server must outlive, 0 for none: the
	// warden counts it as a user. It is for tests, whose packages come and go
	// while the process that runs them all stays.
	Outlive int
}

// Server is a running private server. It stays up until every program that
// holds a Server of the same folder has called Stop or has ended.
type Server struct {
	dir      string
	socket   string
	password string
	users    *fileLock
	warden   *os.Process // nil if another program started it
}

// DefaultDir returns the folder of the private cluster if no other is named:
// keratally/postgres in $XDG_DATA_HOME, else in ~/.local/share; for root
// /var/lib/keratally/postgres, because the unprivileged user that runs the
// server for root cannot enter root's home.
func DefaultDir() (string, error) {
	if os.Geteuid() == 0 {
		return "/var/lib/keratally/postgres", nil
	}
	if data := os.Getenv("XDG_DATA_HOME"); filepath.IsAbs(data) {
		return filepath.Join(data, "keratally", "postgres"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("no folder for the private database: neither XDG_DATA_HOME nor HOME is set: name one: %w", err)
	}
	return filepath.Join(home, ".local", "share", "keratally", "postgres"), nil
}

// Start returns the server of a folder. If it runs already, for this program or
// another, it is shared; else it is started, after a crash it recovers first,
// and if the folder is absent or empty a cluster is made in it.
//
// For root, the server runs as the owner of the existing cluster, or for a new
// one as the user postgres, or if the machine has none, as a system user
// keratally, which is then made. The folder becomes that user's.
//
// Where the folder's path is too long for a socket, the socket goes to a
// closed folder in /tmp with a name made from the path.
//
// The error is a *NotInstalledError if no programs are found, and a
// *VersionError if the cluster is of a major version for which there are none;
// the cluster is untouched then. A ctx that ends stops the wait, not the server's
// recovery: that goes on for the next Start to find.
func Start(ctx context.Context, opts Options) (*Server, error) {
	s, err := start(ctx, opts)
	for range 3 { // a throwaway may be removed by its warden while it is waited for
		if opts.Throwaway && errors.Is(err, os.ErrNotExist) {
			s, err = start(ctx, opts)
		}
	}
	if err != nil {
		return nil, fmt.Errorf("private database: %w", err)
	}
	return s, nil
}

func start(ctx context.Context, opts Options) (_ *Server, err error) {
	dir, err := opts.dir()
	if err != nil {
		return nil, err
	}
	acct, err := chooseAccount(ctx, dir, opts.logf)
	if err != nil {
		return nil, err
	}
	if err := prepareFolder(dir, acct); err != nil {
		return nil, err
	}
	starting, err := lockFile(ctx, filepath.Join(dir, startLock), syscall.LOCK_EX)
	if err != nil {
		return nil, err
	}
	defer starting.release()
	users, err := lockFile(ctx, filepath.Join(dir, usersLock), syscall.LOCK_SH)
	if err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			users.release()
		}
	}()

	socket, err := socketFolder(dir, acct)
	if err != nil {
		return nil, err
	}
	s := &Server{dir: dir, socket: socket, users: users}
	for {
		warden, err := tryLockFile(filepath.Join(dir, wardenLock), syscall.LOCK_EX)
		if err == nil {
			return s, s.startStopped(ctx, opts, acct, warden)
		} else if !errors.Is(err, errLocked) {
			return nil, err
		}
		// A warden lives. It cannot be stopping for want of users, for this
		// program is one, but its server may be starting or have crashed.
		if s.password, err = readPassword(dir); err == nil && s.ping(ctx) == nil {
			return s, nil
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("waiting for the server in %s: %w", dir, ctx.Err())
		case <-time.After(50 * time.Millisecond):
		}
	}
}

// startStopped starts the server of a folder that has no warden.
func (s *Server) startStopped(ctx context.Context, opts Options, acct account, warden *fileLock) error {
	defer warden.release() // a started warden has its own hold on the lock
	programs, err := programsFor(ctx, s.dir, opts)
	if err != nil {
		return err
	}
	if err := acct.canReach(programs.Dir); err != nil {
		return err
	}
	if !clusterExists(s.dir) {
		opts.logf("making a private PostgreSQL %s cluster in %s", programs.Version, s.dir)
		if err := initCluster(ctx, s.dir, programs, acct, opts.Throwaway); err != nil {
			return err
		}
	}
	if s.password, err = readPassword(s.dir); err != nil {
		return err
	}
	if err := clearLeftovers(ctx, dataDir(s.dir), opts.logf); err != nil {
		return err
	}
	spec := wardenSpec{
		Dir: s.dir, Socket: s.socket,
		Program: filepath.Join(programs.Dir, "postgres"), Args: serverArgs(s.dir, s.socket, opts.Throwaway),
		Account: acct, Throwaway: opts.Throwaway, Outlive: opts.Outlive,
	}
	if s.warden, err = startWarden(ctx, spec, warden); err != nil {
		return err
	}
	return s.ping(ctx)
}

func (o Options) dir() (string, error) {
	if o.Dir == "" {
		return DefaultDir()
	}
	return filepath.Abs(o.Dir)
}

func (o Options) logf(format string, args ...any) {
	if o.Log != nil {
		fmt.Fprintf(o.Log, format+"\n", args...)
	}
}

// Dir returns the folder of the cluster.
func (s *Server) Dir() string { return s.dir }

// URL returns the connection string of a database of the server. It contains the
// password: it is for a connection, not for a log.
func (s *Server) URL(database string) string {
	u := url.URL{
		Scheme:   "postgres",
		User:     url.UserPassword(Role, s.password),
		Path:     "/" + database,
		RawQuery: url.Values{"host": {s.socket}, "port": {socketPort}}.Encode(),
	}
	return u.String()
}

// EnsureDatabase makes the database if the server has none of that name.
func (s *Server) EnsureDatabase(ctx context.Context, name string) error {
	conn, err := pgx.Connect(ctx, s.URL("postgres"))
	if err != nil {
		return fmt.Errorf("database %s: %w", name, err)
	}
	defer conn.Close(context.WithoutCancel(ctx))
	var exists bool
	if err := conn.QueryRow(ctx, "SELECT EXISTS (SELECT FROM pg_database WHERE datname = $1)", name).Scan(&exists); err != nil {
		return fmt.Errorf("database %s: %w", name, err)
	}
	if exists {
		return nil
	}
	_, err = conn.Exec(ctx, "CREATE DATABASE "+pgx.Identifier{name}.Sanitize())
	if err != nil && !isDuplicate(err) { // another program made it meanwhile
		return fmt.Errorf("database %s: %w", name, err)
	}
	return nil
}

// Stop gives the server up. If nobody else uses it, it returns when the server
// has shut down; else at once. A second Stop does nothing. Close connections
// first: those still open when the last user leaves are cut.
func (s *Server) Stop(ctx context.Context) error {
	if s.users == nil {
		return nil
	}
	users := s.users
	s.users = nil
	starting, err := lockFile(ctx, filepath.Join(s.dir, startLock), syscall.LOCK_EX)
	if err != nil {
		users.release()
		return fmt.Errorf("stopping the private database: %w", err)
	}
	defer starting.release()

	// Nobody can become a user while start.lock is held. If the lock can be
	// made exclusive there is no other; if it can be neither exclusive nor shared,
	// the warden took it in between, and for want of others.
	others := false
	if err := users.try(syscall.LOCK_EX); err != nil {
		others = users.try(syscall.LOCK_SH) == nil
	}
	users.release()
	if others {
		return nil
	}
	warden, err := lockExistingFile(ctx, filepath.Join(s.dir, wardenLock), syscall.LOCK_EX)
	if err == nil {
		warden.release()
	} else if !errors.Is(err, os.ErrNotExist) { // a throwaway's is removed with its folder
		return fmt.Errorf("stopping the private database: %w", err)
	}
	if s.warden != nil {
		s.warden.Wait()
	}
	return nil
}

func (s *Server) ping(ctx context.Context) error {
	conn, err := pgx.Connect(ctx, s.URL("postgres"))
	if err != nil {
		return err
	}
	return conn.Close(ctx)
}

// serverArgs are the settings of the private server, given anew at each start so that
// they follow the program. Statements and their values stay out of the log: they hold
// patients' data, and the program reports its errors itself.
func serverArgs(dir, socket string, throwaway bool) []string {
	settings := []string{
		"listen_addresses=",
		"unix_socket_directories=" + socket,
		"unix_socket_permissions=0700",
		"port=" + socketPort,
		"max_connections=100",
		"shared_buffers=256MB",
		"work_mem=16MB",
		"maintenance_work_mem=128MB",
		"max_wal_size=2GB",
		"jit=off",
		"timezone=UTC",
		"log_timezone=UTC",
		"log_min_messages=log",
		"log_min_error_statement=panic",
		"log_statement=none",
		"log_min_duration_statement=-1",
		"log_error_verbosity=terse",
		"logging_collector=off",
		"log_destination=stderr",
	}
	if throwaway {
		settings = append(settings,
			"fsync=off", "synchronous_commit=off", "full_page_writes=off",
			"wal_level=minimal", "max_wal_senders=0", "max_wal_size=512MB",
			"shared_buffers=128MB", "max_connections=200",
			"dynamic_shared_memory_type=mmap", // in the data folder, and so removed with it
		)
	}
	args := []string{"-D", dataDir(dir)}
	for _, s := range settings {
		args = append(args, "-c", s)
	}
	return args
}

// tail returns the last lines of a file for an error message.
func tail(path string, lines int) string {
	b, err := os.ReadFile(path)
	if err != nil {
		return ""
	}
	all := strings.Split(strings.TrimSpace(string(b)), "\n")
	return strings.Join(all[max(0, len(all)-lines):], "\n")
}
