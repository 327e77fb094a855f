package pgstore

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"strconv"
	"strings"

	"github.com/golang-migrate/migrate/v4/database"
	"github.com/golang-migrate/migrate/v4/source"
	"github.com/golang-migrate/migrate/v4/source/iofs"
)

// stepSource is the numbered files of the schema as the migration library reads them, with
// one statement added to each: it writes or strikes out the step's line in the ledger. A file is one
// transaction, so the line is there exactly when the step is.
type stepSource struct {
	source.Driver
	files  fs.FS
	newest uint
	last   string // the file read last
}

func newStepSource(files fs.FS) (*stepSource, error) {
	driver, err := iofs.New(files, ".")
	if err != nil {
		return nil, fmt.Errorf("schema steps: %w", err)
	}
	s := &stepSource{Driver: driver, files: files}
	names, err := fs.Glob(files, "*.up.sql")
	if err != nil {
		return nil, fmt.Errorf("schema steps: %w", err)
	}
	for _, name := range names {
		number, _, _ := strings.Cut(name, "_")
		n, err := strconv.ParseUint(number, 10, 32)
		if err != nil {
			return nil, fmt.Errorf("schema step %s: should begin with a number", name)
		}
		s.newest = max(s.newest, uint(n))
	}
	return s, nil
}

// ReadUp returns the way up of a step, and its line for the ledger.
func (s *stepSource) ReadUp(version uint) (io.ReadCloser, string, error) {
	body, name, err := s.Driver.ReadUp(version)
	return s.with(body, name, err, version, "up", fmt.Sprintf("INSERT INTO schema_step (step) VALUES (%d)", version))
}

// ReadDown returns the way back of a step, which strikes its line out.
func (s *stepSource) ReadDown(version uint) (io.ReadCloser, string, error) {
	body, name, err := s.Driver.ReadDown(version)
	return s.with(body, name, err, version, "down", fmt.Sprintf("DELETE FROM schema_step WHERE step = %d", version))
}

func (s *stepSource) with(body io.ReadCloser, name string, err error, version uint, way, statement string) (io.ReadCloser, string, error) {
	if err != nil {
		return nil, "", err
	}
	if found, err := fs.Glob(s.files, fmt.Sprintf("*%d_%s.%s.sql", version, name, way)); err == nil && len(found) == 1 {
		s.last = path.Base(found[0])
	}
	return struct {
		io.Reader
		io.Closer
	}{io.MultiReader(body, strings.NewReader("\n;\n"+statement+";\n")), body}, name, nil
}

// explain turns what the library says about a refused step, which is the whole file, into
// a *StepError.
func (s *stepSource) explain(err error) error {
	var refused database.Error
	if !errors.As(err, &refused) {
		return fmt.Errorf("schema step %s: %w", s.last, err)
	}
	e := &StepError{File: s.last, Err: serverError(refused.OrigErr)}
	if lines := strings.Split(string(refused.Query), "\n"); refused.Line > 0 && int(refused.Line) <= len(lines) {
		e.Line, e.Text = refused.Line, strings.TrimSpace(lines[refused.Line-1])
	}
	return e
}
