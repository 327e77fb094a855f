package pgstore_test

import (
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
)

// watchedRegistry has one entry each: 1 centre, 2 patient, 3 eye, 4 to 7
// visits in four statements, 8 a visit changed, 9 a visit deleted, 10 a
// demarcation line.
func watchedRegistry(t *testing.T) (*pgstore.Store, *pgxpool.Pool) {
	t.Helper()
	pool := pgtest.New(t)
	inOneGo(t, pool, oneEye)
	for _, day := range []string{"2026-03-02", "2026-04-02", "2026-05-02", "2026-06-02"} {
		inOneGo(t, pool, `INSERT INTO visit (id, centre_id, eye_id, visited_on, note)
			SELECT ('00000000-0000-7000-8000-0000000004' || substr('`+day+`', 6, 2))::uuid, centre_id, id, '`+day+`', 'Narbe – groß' FROM eye`)
	}
	inOneGo(t, pool, `SET LOCAL keratally.person = 'a nurse'; SET LOCAL keratally.reason = 'mistyped'; UPDATE visit SET kmax_e2 = 5400 WHERE visited_on = '2026-04-02'`)
	inOneGo(t, pool, `DELETE FROM visit WHERE visited_on = '2026-06-02'`)
	inOneGo(t, pool, `INSERT INTO demarcation (visit_id, centre_id, zone, seen, depth_um) SELECT id, centre_id, 'central', 'seen', 310 FROM visit WHERE visited_on = '2026-05-02'`)
	return pgstore.New(pool), pool
}

// inOneGo sends statements in one message, which is one transaction.
func inOneGo(t *testing.T, pool *pgxpool.Pool, sql string) {
	t.Helper()
	conn, err := pool.Acquire(t.Context())
	require.NoError(t, err)
	defer conn.Release()
	_, err = conn.Conn().PgConn().Exec(t.Context(), sql).ReadAll()
	require.NoError(t, err)
}

func verify(t *testing.T, store *pgstore.Store, seal string) *pgstore.HistoryReport {
	t.Helper()
	report, err := store.VerifyHistory(t.Context(), seal)
	require.NoError(t, err)
	return report
}

func TestWholeHistoryIsFoundWhole(t *testing.T) {
	store, pool := watchedRegistry(t)
	report := verify(t, store, "")
	require.Empty(t, report.Faults)
	require.Equal(t, 10, report.Entries)
	require.Equal(t, 2+1+1+3+1, report.Rows, "two centres, a patient, an eye, three visits, a demarcation line")
	var person, reason, before, after string
	require.NoError(t, pool.QueryRow(t.Context(), `SELECT person, reason, coalesce(before->>'kmax_e2', 'none'), after->>'kmax_e2'
		FROM history h JOIN history_image i ON i.entry = h.id WHERE action = 'update'`).Scan(&person, &reason, &before, &after))
	require.Equal(t, []string{"a nurse", "mistyped", "none", "5400"}, []string{person, reason, before, after})
}

// A superuser switches the triggers off, changes what he likes and switches
// them on again. Each time the place is named.
func TestTamperingIsFoundAndLocated(t *testing.T) {
	const unwatched = `SET LOCAL session_replication_role = replica; `
	const april = "visit 00000000-0000-7000-8000-000000000404"
	for _, tt := range []struct{ name, sql, place, words string }{
		{"a visit altered", `UPDATE visit SET kmax_e2 = 5300 WHERE visited_on = '2026-04-02'`, april, "entry 8 recorded it"},
		{"a visit's note emptied", `UPDATE visit SET note = NULL WHERE visited_on = '2026-03-02'`, "visit 00000000-0000-7000-8000-000000000403", "entry 4 recorded it"},
		{"a value moved to the next column", `UPDATE visit SET k2_e2 = kmax_e2, kmax_e2 = NULL WHERE visited_on = '2026-04-02'`, april, "altered"},
		{"a visit removed", `DELETE FROM visit WHERE visited_on = '2026-04-02'`, april, "removed"},
		{"a visit put in", `INSERT INTO visit (id, centre_id, eye_id, visited_on) SELECT '00000000-0000-7000-8000-000000000499', centre_id, id, '2026-07-01' FROM eye`, "visit 00000000-0000-7000-8000-000000000499", "put in"},
		{"a line altered", `UPDATE demarcation SET depth_um = 300`, "demarcation with the key", "entry 10 recorded it"},
		{"two visits exchanged", `ALTER TABLE visit DROP CONSTRAINT visit_day_unique; UPDATE visit SET visited_on = CASE visited_on WHEN '2026-03-02' THEN '2026-05-02'::date ELSE '2026-03-02' END WHERE visited_on IN ('2026-03-02', '2026-05-02')`, "visit 00000000-0000-7000-8000-000000000403", "altered"},
		{"who", `UPDATE history SET person = 'nobody' WHERE action = 'update'`, "entry 8", "was altered"},
		{"when", `UPDATE history SET at = at - interval '1 day' WHERE action = 'delete'`, "entry 9", "was altered"},
		{"why", `UPDATE history SET reason = '' WHERE action = 'update'`, "entry 8", "was altered"},
		{"before", `UPDATE history_image SET before = '{}' WHERE before IS NOT NULL AND after IS NOT NULL`, "entry 8", "before and after"},
		{"before and its digest", `UPDATE history_image SET before = '{}' WHERE after IS NULL; UPDATE history SET images = (SELECT sha256(sha256(convert_to(jsonb_build_array(encode(key, 'hex'), before, after)::text, 'UTF8'))) FROM history_image WHERE after IS NULL) WHERE action = 'delete'`, "entry 9", "was altered"},
		{"images removed", `DELETE FROM history_image`, "entry 8", "before and after"},
		{"an entry removed", `DELETE FROM history WHERE action = 'update'`, "entry 8", "removed"},
		{"an entry and its link removed", `DELETE FROM history_link WHERE entry = (SELECT id FROM history WHERE action = 'update'); DELETE FROM history WHERE action = 'update'`, "entry 8", "1 entry was removed"},
		{"the last entries removed", `DELETE FROM history WHERE id IN (SELECT entry FROM history_link WHERE seq > 8); DELETE FROM history_link WHERE seq > 8`, "entry 9", "2 entries were removed from the end"},
		{"two entries exchanged", `UPDATE history_link a SET entry = (SELECT b.entry FROM history_link b WHERE b.seq = 13 - a.seq) WHERE seq IN (6, 7)`, "entry 6", "what was said here stands at entry 7 now: the order was changed"},
		{"an entry put in", `INSERT INTO history (person, reason, relation, shape, action, was_keys, was_marks, became_keys, became_marks, images) VALUES ('x', '', 'visit', 1, 'insert', '', '', '', '', '')`, "entry with the identity", "not in the chain"},
		{"a hash altered", `UPDATE history_link SET hash = sha256('x') WHERE seq = 5`, "entry 5", "was altered"},
		{"a trigger left off", `ALTER TABLE visit DISABLE TRIGGER history_on_update`, "table visit", "history_on_update is off"},
		{"a column unknown to the history", `ALTER TABLE visit ADD COLUMN secret text`, "table visit", "does not watch: secret"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			store, pool := watchedRegistry(t)
			if strings.Contains(tt.name, "two entries exchanged") {
				tt.sql = "DROP INDEX history_link_entry; " + tt.sql
			}
			inOneGo(t, pool, unwatched+tt.sql)
			report := verify(t, store, "")
			require.False(t, report.Whole())
			for _, f := range report.Faults {
				if strings.HasPrefix(f.Place, tt.place) && strings.Contains(f.Words, tt.words) {
					return
				}
			}
			t.Fatalf("%q %q is not among %q", tt.place, tt.words, report.Faults)
		})
	}
}

// A chain that was computed anew from a changed entry on is whole in itself;
// the seal of before tells.
func TestSealTellsAChainComputedAnew(t *testing.T) {
	store, pool := watchedRegistry(t)
	seal, err := store.SealOf(t.Context(), registry.DateOf(time.Now().UTC()))
	require.NoError(t, err)
	require.EqualValues(t, 10, seal.Last)
	require.EqualValues(t, 10, seal.Entries)
	report := verify(t, store, seal.Hash)
	require.Empty(t, report.Faults)
	require.EqualValues(t, 10, report.Sealed)
	inOneGo(t, pool, `
		SET LOCAL session_replication_role = replica;
		UPDATE history SET person = 'nobody' WHERE action = 'update';
		DO $$
		DECLARE prev bytea := sha256('keratally'); x record;
		BEGIN
			FOR x IN SELECT * FROM history_link l JOIN history h ON h.id = l.entry ORDER BY l.seq LOOP
				prev := sha256(prev || record_send(ROW(x.seq, x.linked_at, x.id, x.at, x.person, x.reason, x.role, x.batch_id, x.relation, x.shape, x.action,
				                                       x.was_keys, x.was_marks, x.became_keys, x.became_marks, x.images)));
				UPDATE history_link SET hash = prev WHERE seq = x.seq;
			END LOOP;
			UPDATE history_head SET hash = prev;
		END $$`)
	require.Empty(t, verify(t, store, "").Faults, "this is what a seal is for")
	report = verify(t, store, seal.Hash)
	require.Len(t, report.Faults, 1)
	require.Equal(t, "seal", report.Faults[0].Place)
	later, err := store.SealOf(t.Context(), registry.DateOf(time.Now().UTC()).Add(-1))
	require.NoError(t, err)
	require.Empty(t, later.Hash, "nothing was recorded up to yesterday")
}

// What is written is refused any change, by the triggers, to everybody.
func TestHistoryIsOnlyAddedTo(t *testing.T) {
	_, pool := watchedRegistry(t)
	for _, table := range []string{"history", "history_image", "history_link", "history_shape", "history_head"} {
		for _, sql := range []string{"DELETE FROM " + table, "TRUNCATE " + table + " CASCADE"} {
			_, err := pool.Exec(t.Context(), sql)
			var refused *pgconn.PgError
			require.ErrorAs(t, err, &refused, sql)
			require.Equal(t, "42501", refused.Code, sql)
		}
	}
	for _, sql := range []string{"UPDATE history SET person = 'x'", "UPDATE history_image SET before = NULL", "UPDATE history_link SET seq = seq", "UPDATE history_head SET seq = 1", "UPDATE history_shape SET key = ''"} {
		_, err := pool.Exec(t.Context(), sql)
		require.ErrorContains(t, err, "only ever added to", sql)
	}
	_, err := pool.Exec(t.Context(), "TRUNCATE centre, demarcation CASCADE")
	require.Error(t, err)
}

// Sessions in another encoding leave the same marks and get their encoding back.
func TestHistoryOfASessionInAnotherEncoding(t *testing.T) {
	store, pool := watchedRegistry(t)
	config := pool.Config().ConnConfig.Copy()
	config.RuntimeParams["client_encoding"] = "LATIN1"
	conn, err := pgx.ConnectConfig(t.Context(), config)
	require.NoError(t, err)
	defer conn.Close(t.Context())
	_, err = conn.Exec(t.Context(), `UPDATE visit SET note = U&'\00e9\20ac'`) // the euro sign is not in Latin-1
	require.NoError(t, err)
	var encoding string
	require.NoError(t, conn.QueryRow(t.Context(), `SHOW client_encoding`).Scan(&encoding))
	require.Equal(t, "LATIN1", encoding)
	require.Empty(t, verify(t, store, "").Faults)
}

// Many at once: one chain without a gap, and nobody in each other's way.
func TestManyWriteOneChain(t *testing.T) {
	store, pool := watchedRegistry(t)
	var wg sync.WaitGroup
	errs := make([]error, 12)
	for i := range errs {
		wg.Go(func() {
			for range 10 {
				_, err := pool.Exec(t.Context(), `INSERT INTO centre (id, code, name) VALUES (gen_random_uuid(), gen_random_uuid()::text, '')`)
				if err != nil {
					errs[i] = err
				}
			}
		})
	}
	wg.Wait()
	for _, err := range errs {
		require.NoError(t, err)
	}
	report := verify(t, store, "")
	require.Empty(t, report.Faults)
	require.Equal(t, 130, report.Entries)
}

// A table whose columns change is watched anew: what it held is compared as it
// was, and from then on as it is. A row altered before is still found.
func TestColumnsThatChange(t *testing.T) {
	const grow = `ALTER TABLE visit ADD COLUMN more integer DEFAULT 7; SELECT history_watch('visit', 'uuid_send(r.id)')`
	store, pool := watchedRegistry(t)
	inOneGo(t, pool, grow)
	require.Empty(t, verify(t, store, "").Faults)
	inOneGo(t, pool, `UPDATE visit SET more = 8`)
	require.Empty(t, verify(t, store, "").Faults)

	store, pool = watchedRegistry(t)
	inOneGo(t, pool, `SET LOCAL session_replication_role = replica; UPDATE visit SET kmax_e2 = 5300 WHERE visited_on = '2026-04-02'`)
	inOneGo(t, pool, grow)
	report := verify(t, store, "")
	require.Len(t, report.Faults, 1)
	require.Equal(t, "visit 00000000-0000-7000-8000-000000000404", report.Faults[0].Place)
}

// Every table of the registry is watched, or is named here with the reason why
// it is not.
func TestEveryTableIsWatched(t *testing.T) {
	apart := map[string]string{
		"schema_migrations": "the migration library's mark", "schema_step": "the ledger of steps",
		"history": "itself", "history_image": "itself", "history_link": "itself", "history_head": "itself", "history_shape": "itself",
		"intake_change": "a trace for undo, whose content the history has as well", "export_snapshot": "named by the hash of its content",
		"export_secret": "no record of a patient", "account": "no record of a patient", "session": "ends by itself", "sign_in_attempt": "a log",
		"access_refusal": "a log", "report_run": "made from the records, and made again",
	}
	rows, err := pgtest.New(t).Query(t.Context(), `SELECT c.relname::text, EXISTS (SELECT FROM history_shape s WHERE s.relation = c.relname)
		FROM pg_class c WHERE c.relkind = 'r' AND c.relnamespace = 'public'::regnamespace`)
	require.NoError(t, err)
	var name string
	var watched bool
	_, err = pgx.ForEachRow(rows, []any{&name, &watched}, func() error {
		_, exempt := apart[name]
		require.NotEqual(t, watched, exempt, "table %s should be watched by the history, or named here with a reason", name)
		return nil
	})
	require.NoError(t, err)
}

// The story of an eye has what was entered, changed and deleted of it, in
// order, with values in their units.
func TestStoryOfAnEye(t *testing.T) {
	store, pool := watchedRegistry(t)
	inOneGo(t, pool, `DELETE FROM demarcation`)
	events, err := store.Story(t.Context(), "P1 OD")
	require.NoError(t, err)
	var told []string
	for _, e := range events {
		told = append(told, strings.TrimSpace(e.Record+" "+e.Action+" "+strings.Join(e.Changes, ", ")))
	}
	require.Equal(t, []string{
		"eye OD entered", "visit of 2026-03-02 entered", "visit of 2026-04-02 entered", "visit of 2026-05-02 entered", "visit of 2026-06-02 entered",
		"visit of 2026-04-02 changed Kmax none → 54.00", "visit of 2026-06-02 deleted", "demarcation central entered", "demarcation central deleted",
	}, told)
	require.Equal(t, "a nurse", events[5].Person)
	require.Equal(t, "mistyped", events[5].Reason)
	require.EqualValues(t, 8, events[5].Entry)

	same, err := store.Story(t.Context(), "00000000-0000-7000-8000-000000000406") // which is deleted
	require.NoError(t, err)
	require.Len(t, same, 2)
	_, err = store.Story(t.Context(), "P9")
	require.ErrorIs(t, err, registry.ErrNotFound)
}
