package pgstore

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// Account is a person's way into the pages.
type Account struct {
	ID          registry.ID
	Name        string
	Role        string
	Clinician   string // code, of a surgeon
	Password    string // argon2id in PHC form
	Created     time.Time
	Closed      bool
	Failed      int
	LockedUntil time.Time // zero when not locked
}

const addAccount = `
	INSERT INTO account (id, name, role, clinician, password) VALUES (@id, @name, @role, nullif(@clinician, ''), @password)`

// AddAccount enters a new account. A name that is taken, or a role that is
// not known, is a *registry.RuleError.
func (s *Store) AddAccount(ctx context.Context, a Account) (registry.ID, error) {
	id := registry.NewID()
	_, err := s.pool.Exec(ctx, addAccount, pgx.StrictNamedArgs{"id": id, "name": a.Name, "role": a.Role, "clinician": a.Clinician, "password": a.Password})
	if err != nil {
		return registry.ID{}, fmt.Errorf("account %q: %w", a.Name, inWords(err))
	}
	return id, nil
}

const accountColumns = `
	SELECT id, name, role, coalesce(clinician, ''), password, created_at, closed_at IS NOT NULL, failed, locked_until
	FROM account`

const accountByName = accountColumns + ` WHERE name = @name`

const allAccounts = accountColumns + ` ORDER BY name`

func scanAccount(row pgx.CollectableRow) (a Account, err error) {
	var locked *time.Time
	err = row.Scan(&a.ID, &a.Name, &a.Role, &a.Clinician, &a.Password, &a.Created, &a.Closed, &a.Failed, &locked)
	if locked != nil {
		a.LockedUntil = *locked
	}
	return a, err
}

// AccountNamed returns an account; registry.ErrNotFound if there is none.
func (s *Store) AccountNamed(ctx context.Context, name string) (Account, error) {
	rows, _ := s.pool.Query(ctx, accountByName, pgx.StrictNamedArgs{"name": name}) // CollectExactlyOneRow returns the error
	a, err := pgx.CollectExactlyOneRow(rows, scanAccount)
	if err != nil {
		return a, fmt.Errorf("account: %w", inWords(err))
	}
	return a, nil
}

// Accounts returns every account, by name.
func (s *Store) Accounts(ctx context.Context) ([]Account, error) {
	rows, _ := s.pool.Query(ctx, allAccounts) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, scanAccount)
	if err != nil {
		return nil, fmt.Errorf("accounts: %w", inWords(err))
	}
	return list, nil
}

const setPassword = `UPDATE account SET password = @password, failed = 0, locked_until = NULL WHERE id = @id`

// SetPassword changes the password, releases the account and ends its sessions.
func (s *Store) SetPassword(ctx context.Context, id registry.ID, password string) error {
	return s.changeAccount(ctx, id, true, setPassword, pgx.StrictNamedArgs{"id": id, "password": password})
}

const closeAccount = `UPDATE account SET closed_at = CASE WHEN @closed THEN now() END WHERE id = @id`

// CloseAccount closes an account and ends its sessions, or opens it again.
func (s *Store) CloseAccount(ctx context.Context, id registry.ID, closed bool) error {
	return s.changeAccount(ctx, id, closed, closeAccount, pgx.StrictNamedArgs{"id": id, "closed": closed})
}

const releaseAccount = `UPDATE account SET failed = 0, locked_until = NULL WHERE id = @id`

// ReleaseAccount lets a locked account sign in again.
func (s *Store) ReleaseAccount(ctx context.Context, id registry.ID) error {
	return s.changeAccount(ctx, id, false, releaseAccount, pgx.StrictNamedArgs{"id": id})
}

// changeAccount runs one statement on one account and, if asked, ends its
// sessions, both or neither.
func (s *Store) changeAccount(ctx context.Context, id registry.ID, revoke bool, sql string, args pgx.StrictNamedArgs) error {
	err := pgx.BeginFunc(ctx, s.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, sql, args)
		if err != nil {
			return err
		}
		if tag.RowsAffected() == 0 {
			return registry.ErrNotFound
		}
		if revoke {
			_, err = tx.Exec(ctx, endSessions, pgx.StrictNamedArgs{"account": id})
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("account %s: %w", id, inWords(err))
	}
	return nil
}

const signInFailed = `
	UPDATE account SET failed = failed + 1,
	       locked_until = CASE WHEN failed + 1 >= @most THEN now() + make_interval(secs => @seconds) ELSE locked_until END
	WHERE id = @id`

// SignInFailed counts a failed sign-in; the one that makes most in a row
// locks the account for so long.
func (s *Store) SignInFailed(ctx context.Context, id registry.ID, most int, lock time.Duration) error {
	return s.changeAccount(ctx, id, false, signInFailed, pgx.StrictNamedArgs{"id": id, "most": most, "seconds": lock.Seconds()})
}

const noteAttempt = `INSERT INTO sign_in_attempt (name, address, outcome) VALUES (@name, @address, @outcome)`

// NoteSignIn writes down a try to sign in: "signed in", "refused" or "locked".
func (s *Store) NoteSignIn(ctx context.Context, name, address, outcome string) error {
	if _, err := s.pool.Exec(ctx, noteAttempt, pgx.StrictNamedArgs{"name": name, "address": address, "outcome": outcome}); err != nil {
		return fmt.Errorf("note of a sign-in: %w", inWords(err))
	}
	return nil
}

const noteRefusal = `INSERT INTO access_refusal (account_id, method, path) VALUES (@account, @method, @path)`

// NoteRefusal writes down that an account asked for what its role may not open.
func (s *Store) NoteRefusal(ctx context.Context, account registry.ID, method, path string) error {
	if _, err := s.pool.Exec(ctx, noteRefusal, pgx.StrictNamedArgs{"account": account, "method": method, "path": path}); err != nil {
		return fmt.Errorf("note of a refusal: %w", inWords(err))
	}
	return nil
}
