package pgstore

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"keratally/registry"
)

// Session is one browser of one account. Token is the SHA-256 of what the
// browser holds.
type Session struct {
	Token   []byte
	Created time.Time
	Seen    time.Time
	Agent   string
}

const beginSession = `
	WITH released AS (UPDATE account SET failed = 0, locked_until = NULL WHERE id = @account)
	INSERT INTO session (token, account_id, created_at, seen_at, agent) VALUES (@token, @account, @now, @now, @agent)`

// BeginSession enters a session of an account that has just signed in, whose
// failed tries are forgotten.
func (s *Store) BeginSession(ctx context.Context, account registry.ID, token []byte, agent string, now time.Time) error {
	if _, err := s.pool.Exec(ctx, beginSession, pgx.StrictNamedArgs{"account": account, "token": token, "agent": agent, "now": now}); err != nil {
		return fmt.Errorf("session: %w", inWords(err))
	}
	return nil
}

const sessionAccount = `
	SELECT a.id, a.name, a.role, coalesce(a.clinician, ''), s.created_at, s.seen_at
	FROM session s JOIN account a ON a.id = s.account_id
	WHERE s.token = @token AND s.revoked_at IS NULL AND a.closed_at IS NULL
	  AND s.created_at > @created_after AND s.seen_at > @seen_after`

// SessionAccount returns the account of a session that began after one moment
// and was used after another; registry.ErrNotFound if there is none, it was
// ended, or its account is closed.
func (s *Store) SessionAccount(ctx context.Context, token []byte, createdAfter, seenAfter time.Time) (a Account, on Session, err error) {
	err = s.pool.QueryRow(ctx, sessionAccount, pgx.StrictNamedArgs{"token": token, "created_after": createdAfter, "seen_after": seenAfter}).
		Scan(&a.ID, &a.Name, &a.Role, &a.Clinician, &on.Created, &on.Seen)
	if err != nil {
		return Account{}, Session{}, fmt.Errorf("session: %w", inWords(err))
	}
	on.Token = token
	return a, on, nil
}

const sessionSeen = `UPDATE session SET seen_at = @now WHERE token = @token AND revoked_at IS NULL`

// SessionSeen notes that a session was used.
func (s *Store) SessionSeen(ctx context.Context, token []byte, now time.Time) error {
	if _, err := s.pool.Exec(ctx, sessionSeen, pgx.StrictNamedArgs{"token": token, "now": now}); err != nil {
		return fmt.Errorf("session: %w", inWords(err))
	}
	return nil
}

const endSession = `UPDATE session SET revoked_at = now() WHERE token = @token AND revoked_at IS NULL`

// EndSession ends one session.
func (s *Store) EndSession(ctx context.Context, token []byte) error {
	if _, err := s.pool.Exec(ctx, endSession, pgx.StrictNamedArgs{"token": token}); err != nil {
		return fmt.Errorf("session: %w", inWords(err))
	}
	return nil
}

const endSessions = `UPDATE session SET revoked_at = now() WHERE account_id = @account AND revoked_at IS NULL`

// EndSessions ends every session of an account.
func (s *Store) EndSessions(ctx context.Context, account registry.ID) error {
	if _, err := s.pool.Exec(ctx, endSessions, pgx.StrictNamedArgs{"account": account}); err != nil {
		return fmt.Errorf("sessions of %s: %w", account, inWords(err))
	}
	return nil
}

const openSessions = `
	SELECT token, created_at, seen_at, agent FROM session
	WHERE account_id = @account AND revoked_at IS NULL AND created_at > @created_after AND seen_at > @seen_after
	ORDER BY created_at, token`

// OpenSessions returns the sessions of an account that still hold.
func (s *Store) OpenSessions(ctx context.Context, account registry.ID, createdAfter, seenAfter time.Time) ([]Session, error) {
	rows, _ := s.pool.Query(ctx, openSessions, pgx.StrictNamedArgs{"account": account, "created_after": createdAfter, "seen_after": seenAfter}) // CollectRows returns the error
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (x Session, err error) {
		return x, row.Scan(&x.Token, &x.Created, &x.Seen, &x.Agent)
	})
	if err != nil {
		return nil, fmt.Errorf("sessions of %s: %w", account, inWords(err))
	}
	return list, nil
}
