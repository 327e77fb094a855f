package pgstore_test

import (
	"context"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/stretchr/testify/require"

	"keratally/registry/pgtest"
)

const oneEye = `
	INSERT INTO centre (id, code, name) VALUES ('00000000-0000-7000-8000-000000000001', 'north', 'North'), ('00000000-0000-7000-8000-000000000002', 'south', 'South');
	INSERT INTO patient (id, centre_id, code) VALUES ('00000000-0000-7000-8000-000000000011', '00000000-0000-7000-8000-000000000001', 'P1');
	INSERT INTO eye (id, centre_id, patient_id, side) VALUES ('00000000-0000-7000-8000-000000000021', '00000000-0000-7000-8000-000000000001', '00000000-0000-7000-8000-000000000011', 1);`

const oneVisit = `
	INSERT INTO visit (id, centre_id, eye_id, visited_on)
	VALUES ('00000000-0000-7000-8000-000000000031', '00000000-0000-7000-8000-000000000001', '00000000-0000-7000-8000-000000000021', '2026-03-02')`

func requireRule(t *testing.T, rule string, err error) {
	t.Helper()
	var broken *pgconn.PgError
	require.ErrorAs(t, err, &broken)
	require.Equal(t, "23503", broken.Code)
	require.Equal(t, rule, broken.ConstraintName)
}

// The triggers stand for foreign keys: each statement here was refused by the
// keys that they replace, or breaks the rule that centres agree.
func TestVisitsAndEyesKeepTheirReferences(t *testing.T) {
	for _, tt := range []struct{ name, sql, rule string }{
		{"a visit of no eye", `INSERT INTO visit (id, centre_id, eye_id, visited_on) VALUES (gen_random_uuid(), '00000000-0000-7000-8000-000000000001', gen_random_uuid(), '2026-03-02')`, "visit_eye"},
		{"a visit of another centre", `INSERT INTO visit (id, centre_id, eye_id, visited_on) VALUES (gen_random_uuid(), '00000000-0000-7000-8000-000000000002', '00000000-0000-7000-8000-000000000021', '2026-03-03')`, "visit_eye"},
		{"a visit given to no eye", `UPDATE visit SET eye_id = gen_random_uuid()`, "visit_eye"},
		{"a visit moved to another centre", `UPDATE visit SET centre_id = '00000000-0000-7000-8000-000000000002'`, "visit_eye"},
		{"an eye with visits removed", `DELETE FROM eye`, "visit_eye"},
		{"an eye with visits renumbered", `UPDATE eye SET id = gen_random_uuid()`, "visit_eye"},
		{"eyes with visits truncated", `TRUNCATE eye, treatment, complication, surgery, follow_up_end, query, treatment_zone, pachymetry_step`, "visit_eye"},
		{"an eye of no patient", `INSERT INTO eye (id, centre_id, patient_id, side) VALUES (gen_random_uuid(), '00000000-0000-7000-8000-000000000001', gen_random_uuid(), 2)`, "eye_patient"},
		{"an eye of another centre", `INSERT INTO eye (id, centre_id, patient_id, side) VALUES (gen_random_uuid(), '00000000-0000-7000-8000-000000000002', '00000000-0000-7000-8000-000000000011', 2)`, "eye_patient"},
		{"an eye given to no patient", `UPDATE eye SET patient_id = gen_random_uuid()`, "eye_patient"},
		{"a patient with eyes removed", `DELETE FROM patient`, "eye_patient"},
		{"a patient with eyes renumbered", `UPDATE patient SET id = gen_random_uuid()`, "eye_patient"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			pool := pgtest.New(t)
			for _, sql := range []string{oneEye, oneVisit} {
				_, err := pool.Exec(t.Context(), sql)
				require.NoError(t, err)
			}
			_, err := pool.Exec(t.Context(), tt.sql)
			requireRule(t, tt.rule, err)
		})
	}
	t.Run("what keeps the rule is let through", func(t *testing.T) {
		pool := pgtest.New(t)
		for _, sql := range []string{oneEye, oneVisit, `UPDATE visit SET kmax_e2 = 5000`, `UPDATE eye SET diagnosis = 'keratoconus'`,
			`DELETE FROM visit`, `DELETE FROM eye`, `DELETE FROM patient`, `DELETE FROM visit`} {
			_, err := pool.Exec(t.Context(), sql)
			require.NoError(t, err, sql)
		}
	})
}

// A visit that is not committed yet holds its eye: whoever would remove the
// eye waits, and is then refused.
func TestAnEyeIsNotRemovedUnderAVisitThatIsBeingEntered(t *testing.T) {
	pool := pgtest.New(t)
	_, err := pool.Exec(t.Context(), oneEye)
	require.NoError(t, err)
	entering, err := pool.Begin(t.Context())
	require.NoError(t, err)
	defer entering.Rollback(context.Background())
	_, err = entering.Exec(t.Context(), oneVisit)
	require.NoError(t, err)
	removed := make(chan error, 1)
	go func() {
		_, err := pool.Exec(t.Context(), `DELETE FROM eye`)
		removed <- err
	}()
	select {
	case err := <-removed:
		require.Fail(t, "the removal did not wait", "%v", err)
	case <-time.After(200 * time.Millisecond):
	}
	require.NoError(t, entering.Commit(t.Context()))
	requireRule(t, "visit_eye", <-removed)
}

// The other way round: a visit entered while its eye is being removed waits
// for the removal, and is then refused.
func TestAVisitIsNotEnteredUnderAnEyeThatIsBeingRemoved(t *testing.T) {
	pool := pgtest.New(t)
	_, err := pool.Exec(t.Context(), oneEye)
	require.NoError(t, err)
	removing, err := pool.Begin(t.Context())
	require.NoError(t, err)
	defer removing.Rollback(context.Background())
	_, err = removing.Exec(t.Context(), `DELETE FROM eye`)
	require.NoError(t, err)
	entered := make(chan error, 1)
	go func() {
		_, err := pool.Exec(t.Context(), oneVisit)
		entered <- err
	}()
	select {
	case err := <-entered:
		require.Fail(t, "the visit did not wait", "%v", err)
	case <-time.After(200 * time.Millisecond):
	}
	require.NoError(t, removing.Commit(t.Context()))
	requireRule(t, "visit_eye", <-entered)
}

// A snapshot older than a visit must not hide it from the removal of its eye.
func TestAnEyeIsNotRemovedUnderAnOldSnapshot(t *testing.T) {
	pool := pgtest.New(t)
	_, err := pool.Exec(t.Context(), oneEye)
	require.NoError(t, err)
	old, err := pool.BeginTx(t.Context(), pgx.TxOptions{IsoLevel: pgx.RepeatableRead})
	require.NoError(t, err)
	defer old.Rollback(context.Background())
	_, err = old.Exec(t.Context(), `SELECT 1 FROM centre`)
	require.NoError(t, err)
	_, err = pool.Exec(t.Context(), oneVisit)
	require.NoError(t, err)
	_, err = old.Exec(t.Context(), `DELETE FROM eye`)
	require.ErrorContains(t, err, "read committed or serializable")
}
