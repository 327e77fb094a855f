package pgstore

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

const putDefinition = `
	INSERT INTO definition (kind, name, version, valid_from, body, note)
	VALUES (@kind, @name, @version, @valid_from::date, @body, nullif(@note, ''))`

const allDefinitions = `
	SELECT kind, name, version, valid_from, body, coalesce(note, '')
	FROM definition ORDER BY kind, name, version`

// The version of a day is the newest of those that hold on it.
const definitionOn = `
	SELECT kind, name, version, valid_from, body, coalesce(note, '')
	FROM definition WHERE kind = @kind AND name = @name AND valid_from <= @day::date
	ORDER BY valid_from DESC, version DESC LIMIT 1`

// SeedDefinitions stores the definitions that come with the program where the
// database does not have them. What is there is left as it is.
func (s *Store) SeedDefinitions(ctx context.Context) error {
	return pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		for _, d := range registry.BuiltInDefinitions() {
			args, err := definitionArgs(d)
			if err != nil {
				return err
			}
			if _, err := tx.Exec(ctx, putDefinition+` ON CONFLICT DO NOTHING`, args); err != nil {
				return fmt.Errorf("definition of %s %s: %w", d.DefinitionKind(), d.DefinitionStamp(), inWords(err))
			}
		}
		return nil
	})
}

// PutDefinition stores a new definition, or the next version of one. A version
// that is there already is a *registry.RuleError: versions are never changed.
func (s *Store) PutDefinition(ctx context.Context, d registry.Definition) error {
	args, err := definitionArgs(d)
	if err != nil {
		return err
	}
	if _, err := s.pool.Exec(ctx, putDefinition, args); err != nil {
		return fmt.Errorf("definition of %s %s: %w", d.DefinitionKind(), d.DefinitionStamp(), inWords(err))
	}
	return nil
}

func definitionArgs(d registry.Definition) (pgx.StrictNamedArgs, error) {
	stored, err := registry.EncodeDefinition(d)
	if err != nil {
		return nil, err
	}
	return pgx.StrictNamedArgs{"kind": string(stored.Kind), "name": stored.Name, "version": stored.Version,
		"valid_from": stored.ValidFrom.String(), "body": []byte(stored.Body), "note": stored.Note}, nil
}

// StoredDefinitions returns every version of every definition, by kind, name
// and version.
func (s *Store) StoredDefinitions(ctx context.Context) ([]registry.StoredDefinition, error) {
	rows, _ := s.pool.Query(ctx, allDefinitions) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, scanDefinition)
	if err != nil {
		return nil, fmt.Errorf("definitions: %w", inWords(err))
	}
	return list, nil
}

// StoredDefinition returns the version of a definition that holds on a day;
// registry.ErrNotFound if there is none.
func (s *Store) StoredDefinition(ctx context.Context, kind registry.DefinitionKind, name string, on registry.Date) (registry.StoredDefinition, error) {
	rows, _ := s.pool.Query(ctx, definitionOn, pgx.StrictNamedArgs{"kind": string(kind), "name": name, "day": on.String()})
	d, err := pgx.CollectExactlyOneRow(rows, scanDefinition)
	if err != nil {
		return registry.StoredDefinition{}, fmt.Errorf("definition of %s %q on %s: %w", kind, name, on, inWords(err))
	}
	return d, nil
}

func scanDefinition(row pgx.CollectableRow) (d registry.StoredDefinition, err error) {
	var from pgxDate
	err = row.Scan(&d.Kind, &d.Name, &d.Version, &from, &d.Body, &d.Note)
	d.ValidFrom = registry.Date(from)
	return d, err
}

// Choice names the definitions that a report asks for; "" is the default one
// that comes with the program.
type Choice struct {
	Windows       string
	Progression   []string // the first is the headline rule
	OffChart      string
	Complications string
	Analysis      string
	On            registry.Date // the day whose versions are taken
}

// Definitions returns the definitions of a choice. One that the database does
// not have is an error that names it and wraps registry.ErrNotFound.
func (s *Store) Definitions(ctx context.Context, c Choice) (registry.Definitions, error) {
	d := registry.DefaultDefinitions()
	rules := c.Progression
	if len(rules) == 0 {
		rules = []string{d.Progression[0].Name}
	}
	d.Progression = make([]registry.ProgressionRule, len(rules))
	errs := []error{
		load(ctx, s, &d.Windows, c.Windows, c.On),
		load(ctx, s, &d.OffChart, c.OffChart, c.On),
		load(ctx, s, &d.Complications, c.Complications, c.On),
		load(ctx, s, &d.Analysis, c.Analysis, c.On),
	}
	for i, name := range rules {
		errs = append(errs, load(ctx, s, &d.Progression[i], name, c.On))
	}
	return d, errors.Join(errs...)
}

// load replaces a definition by the stored one of the name, or where that is
// empty by the stored one of its own name.
func load[T any, P interface {
	*T
	registry.Definition
	registry.Stampable
}](ctx context.Context, s *Store, to *T, name string, on registry.Date) error {
	p := P(to)
	if name == "" {
		name = p.DefinitionStamp().Name
	}
	stored, err := s.StoredDefinition(ctx, p.DefinitionKind(), name, on)
	if err != nil {
		return err
	}
	*to, err = registry.DecodeDefinition[T, P](stored)
	return err
}
