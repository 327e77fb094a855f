package intake_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"strings"
	"sync"
	"testing"

	"github.com/google/uuid"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/intake"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
)

const visitsMapping = `
name = "visits"
centre = "north"
[[sheet]]
shape = "visit"
[sheet.constants]
"visit.haze_scale" = "0 to 4"
[sheet.columns]
"Patient" = "patient.code"
"Born" = "patient.birth_year"
"Eye" = "eye.side"
"Date" = "visit.on"
"CDVA" = { field = "visit.cdva", notation = "fraction" }
"Kmax" = "visit.kmax"
"Haze" = "visit.haze"
"Treated" = "treatment.on"
"Protocol" = "treatment.protocol"
"Pachy" = "pachymetry.before"
"DL" = { field = "demarcation.depth", zone = "central" }
`

const visitsHead = "Patient,Born,Eye,Date,CDVA,Kmax,Haze,Treated,Protocol,Pachy,DL\n"

const threeVisits = visitsHead +
	"P1,1996,OD,2025-03-02,6/12,54.25,0,2025-03-02,standard,468,\n" +
	"P1,1996,OD,2026-03-02,6/9,53.20,0.5,,,,310\n" +
	"P2,2001,OS,2026-03-02,CF 1 m,61.00,0,,,,\n"

func take(t testing.TB, store *pgstore.Store, mapping, text string, dry bool) (*intake.Result, error) {
	t.Helper()
	m, err := intake.ParseMapping([]byte(mapping))
	require.NoError(t, err)
	book, err := intake.Read(strings.NewReader(text), int64(len(text)), "visits.csv", m.File)
	require.NoError(t, err)
	today, err := registry.ParseISODate("2026-11-24")
	require.NoError(t, err)
	return intake.Take(context.Background(), store.NewIntake(), book, m, intake.Options{Today: today, Person: "test", DryRun: dry})
}

func mustTake(t testing.TB, store *pgstore.Store, text string) *intake.Result {
	t.Helper()
	r, err := take(t, store, visitsMapping, text, false)
	require.NoError(t, err)
	return r
}

// state is every clinical row of the database as text, batches aside.
func state(t testing.TB, pool *pgxpool.Pool) string {
	t.Helper()
	var b strings.Builder
	for _, table := range []string{"clinician", "protocol", "patient", "eye", "treatment", "pachymetry_step", "visit", "demarcation", "query"} {
		rows, err := pool.Query(t.Context(), "SELECT (to_jsonb(t))::text FROM "+table+" t ORDER BY 1")
		require.NoError(t, err)
		for rows.Next() {
			var line string
			require.NoError(t, rows.Scan(&line))
			fmt.Fprintln(&b, table, line)
		}
		require.NoError(t, rows.Err())
	}
	return b.String()
}

func count(t testing.TB, pool *pgxpool.Pool, sql string) (n int) {
	t.Helper()
	require.NoError(t, pool.QueryRow(t.Context(), sql).Scan(&n))
	return n
}

func TestRowsBecomeRecords(t *testing.T) {
	pool := pgtest.New(t)
	r := mustTake(t, pgstore.New(pool), threeVisits)
	require.Equal(t, map[string]int{"patient": 2, "eye": 2, "treatment": 1, "pachymetry": 1, "protocol": 1, "visit": 3, "demarcation": 1}, r.New)
	require.Equal(t, []string{"standard"}, r.NewProtocols)
	require.NotEmpty(t, r.Batch)
	var logMAR, kmax, off *int
	var entered string
	const first = "SELECT cdva_e3, kmax_e2, entered FROM visit JOIN eye ON eye.id = eye_id JOIN patient p ON p.id = patient_id WHERE p.code = 'P1' AND visited_on = '2025-03-02'"
	require.NoError(t, pool.QueryRow(t.Context(), first).Scan(&logMAR, &kmax, &entered))
	require.Equal(t, 301, *logMAR, "6/12 is log10(2) = 0.301")
	require.Equal(t, 5425, *kmax)
	require.JSONEq(t, `{"cdva": "6/12"}`, entered)
	const low = "SELECT cdva_e3, cdva_off_chart, entered FROM visit JOIN eye ON eye.id = eye_id WHERE side = 2"
	require.NoError(t, pool.QueryRow(t.Context(), low).Scan(&logMAR, &off, &entered))
	require.Nil(t, logMAR)
	require.Equal(t, 1, *off, "counting fingers is a finding, not a number")
	require.JSONEq(t, `{"cdva": "CF 1 m"}`, entered)
	require.Equal(t, 1, count(t, pool, "SELECT count(*) FROM demarcation WHERE seen = 'seen' AND depth_um = 310"))
	require.Equal(t, 3, count(t, pool, "SELECT rows_new FROM intake_batch"))
}

func TestTheSameFileAgainChangesNothing(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	mustTake(t, store, threeVisits)
	before := state(t, pool)
	r := mustTake(t, store, threeVisits)
	require.Equal(t, 3, r.RowsSame)
	require.Zero(t, r.RowsNew+r.RowsChanged+r.RowsRefused)
	require.Empty(t, r.Batch)
	require.Equal(t, before, state(t, pool))
	require.Equal(t, 1, count(t, pool, "SELECT count(*) FROM intake_batch"))
}

func TestADryRunKeepsNothing(t *testing.T) {
	pool := pgtest.New(t)
	r, err := take(t, pgstore.New(pool), visitsMapping, threeVisits, true)
	require.NoError(t, err)
	require.Equal(t, 3, r.RowsNew)
	require.Zero(t, count(t, pool, "SELECT (SELECT count(*) FROM visit) + (SELECT count(*) FROM intake_batch) + (SELECT count(*) FROM centre)"))
}

func TestAChangedRowUpdatesWithTraceAndIsUndone(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	first := mustTake(t, store, threeVisits)
	before := state(t, pool)
	changed := visitsHead +
		"P1,1996,OD,2025-03-02,,54.75,,2025-03-02,zoned,471,290\n" + // Kmax, protocol and pachymetry change, a demarcation is added
		"P2,2001,OS,2026-03-02,6/60,,,,,,\n" + // off the chart before, on it now
		"P2,2001,OS,2026-06-02,,60.10,,,,,\n" // a new visit
	r := mustTake(t, store, changed)
	require.Equal(t, 2, r.RowsChanged, "a row that also adds a demarcation counts once, as changed")
	require.Equal(t, 1, r.RowsNew)
	require.Equal(t, 1, count(t, pool, "SELECT count(*) FROM visit WHERE kmax_e2 = 5475"))
	require.Equal(t, 1, count(t, pool, "SELECT count(*) FROM visit WHERE cdva_e3 = 1000 AND cdva_off_chart IS NULL AND kmax_e2 = 6100"))
	require.Equal(t, 1, count(t, pool, "SELECT count(*) FROM intake_change WHERE record = 'visit' AND before->>'kmax_e2' = '5425' AND after->>'kmax_e2' = '5475'"))
	require.Equal(t, 1, count(t, pool, "SELECT count(*) FROM pachymetry_step WHERE thickness_um = 471"))

	_, err := store.UndoIntake(t.Context(), uuid.MustParse(first.Batch), "test")
	var refused *pgstore.UndoError
	require.ErrorAs(t, err, &refused)
	require.ErrorContains(t, err, "later batches changed the same records: undo first "+r.Batch)

	undone, err := store.UndoIntake(t.Context(), uuid.MustParse(r.Batch), "test")
	require.NoError(t, err)
	require.Equal(t, 1, undone.Removed["visit"])
	require.Equal(t, before, state(t, pool), "the batch is out whole")

	_, err = store.UndoIntake(t.Context(), uuid.MustParse(r.Batch), "test")
	require.ErrorContains(t, err, "undone on")
	_, err = store.UndoIntake(t.Context(), uuid.MustParse(first.Batch), "test")
	require.NoError(t, err)
	require.Empty(t, state(t, pool))
	again := mustTake(t, store, threeVisits)
	require.Equal(t, 3, again.RowsNew, "what was taken out can come in again")
}

func TestUndoIsRefusedWhenLaterRecordsHangOnTheBatch(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	first := mustTake(t, store, threeVisits)
	mustTake(t, store, visitsHead+"P1,1996,OD,2026-09-02,,53.00,,,,,\n")
	before := state(t, pool)
	_, err := store.UndoIntake(t.Context(), uuid.MustParse(first.Batch), "test")
	require.ErrorContains(t, err, "records entered later (table visit) belong to records of table eye")
	require.Equal(t, before, state(t, pool), "a refused undo undoes nothing")
	_, err = store.UndoIntake(t.Context(), registry.NewID(), "test")
	require.ErrorContains(t, err, "there is no such batch")
}

func TestUndoIsRefusedWhenAPersonChangedTheRecordSince(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	mustTake(t, store, threeVisits)
	second := mustTake(t, store, visitsHead+"P2,2001,OS,2026-03-02,,60.50,,,,,\n")
	_, err := pool.Exec(t.Context(), "UPDATE visit SET kmax_e2 = 6200 WHERE kmax_e2 = 6050")
	require.NoError(t, err)
	_, err = store.UndoIntake(t.Context(), uuid.MustParse(second.Batch), "test")
	require.ErrorContains(t, err, "were changed again since: visit")
}

func TestTwoIntakesOfTheSameFileAtOnce(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	var all sync.WaitGroup
	results := make([]*intake.Result, 4)
	errs := make([]error, 4)
	for i := range results {
		all.Go(func() { results[i], errs[i] = take(t, store, visitsMapping, threeVisits, false) })
	}
	all.Wait()
	fresh, same := 0, 0
	for i, r := range results {
		require.NoError(t, errs[i])
		fresh += r.RowsNew
		same += r.RowsSame
	}
	require.Equal(t, 3, fresh)
	require.Equal(t, 9, same)
	require.Equal(t, 3, count(t, pool, "SELECT count(*) FROM visit"))
}

// A connection that dies in the middle is what kill -9 looks like from the
// database.
func TestAnIntakeCutOffLeavesNothing(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	var text strings.Builder
	text.WriteString(visitsHead)
	for i := range 40_000 { // more than a portion, so that some is written before the cut
		fmt.Fprintf(&text, "P%d,1996,OD,2026-03-02,6/9,53.20,0.5,,,,\n", i)
	}
	m, err := intake.ParseMapping([]byte(visitsMapping))
	require.NoError(t, err)
	book, err := intake.Read(strings.NewReader(text.String()), int64(text.Len()), "visits.csv", m.File)
	require.NoError(t, err)
	today, err := registry.ParseISODate("2026-11-24")
	require.NoError(t, err)
	session := &cut{Intake: store.NewIntake(), pool: pool}
	_, err = intake.Take(t.Context(), session, book, m, intake.Options{Today: today, Person: "test"})
	require.Error(t, err)
	require.Equal(t, 1, session.cuts)
	require.Zero(t, count(t, pool, "SELECT (SELECT count(*) FROM visit) + (SELECT count(*) FROM patient) + (SELECT count(*) FROM intake_batch)"))
	r := mustTake(t, store, text.String())
	require.Equal(t, 40_000, r.RowsNew)
}

// cut ends the connection of an intake after its first portion.
type cut struct {
	*pgstore.Intake
	pool *pgxpool.Pool
	cuts int
}

func (c *cut) Write(ctx context.Context, d *registry.Delivery) error {
	err := c.Intake.Write(ctx, d)
	if c.cuts == 0 {
		c.cuts++
		_, killed := c.pool.Exec(ctx, "SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid() AND xact_start IS NOT NULL")
		err = errors.Join(err, killed)
	}
	return err
}

func TestMeasurementsAssembleIntoOneVisit(t *testing.T) {
	const mapping = `
name = "measurements"
centre = "north"
[[sheet]]
shape = "measurement"
[sheet.columns]
"Patient" = "patient.code"
"Eye" = "eye.side"
"Date" = "visit.on"
"What" = "measurement.name"
"Value" = "measurement.value"
[sheet.measurements]
"Kmax" = "visit.kmax"
"S" = "visit.sphere"
"C" = "visit.cylinder"
"A" = "visit.axis"
"VA" = { field = "visit.cdva", notation = "decimal" }
`
	pool := pgtest.New(t)
	text := "Patient,Eye,Date,What,Value\n" +
		"P1,OD,2026-03-02,A,35\nP1,OD,2026-03-02,C,-3.00\nP1,OD,2026-03-02,S,-2.50\nP1,OD,2026-03-02,Kmax,53.2\nP1,OD,2026-03-02,VA,0.8\n" +
		"P2,OD,2026-03-02,C,-3.00\nP2,OD,2026-03-02,Kmax,50.0\n"
	r, err := take(t, pgstore.New(pool), mapping, text, false)
	require.NoError(t, err)
	require.Equal(t, 2, count(t, pool, "SELECT count(*) FROM visit"))
	require.Equal(t, 1, count(t, pool, "SELECT count(*) FROM visit WHERE sphere_e2 = -250 AND cylinder_e2 = -300 AND refraction_axis = 35 AND kmax_e2 = 5320 AND cdva_e3 = 97"))
	require.Len(t, r.Refusals, 1, "only when all rows are read is it known that the sphere never comes")
	require.Equal(t, `sheet visits, cell E7 (Value): "-3.00" is a cylinder without a sphere: should be sphere, cylinder and axis together`, r.Refusals[0].String())
}

func TestOpenDataSetIsTakenIn(t *testing.T) {
	const path = "../../../shared/reference/realworld/amd-acuity-visits.csv"
	file, err := os.ReadFile(path)
	if errors.Is(err, os.ErrNotExist) {
		t.Skip("the open data set is not beside the project: fetch it by its identifier, see testdata/mappings/amd-acuity-visits.toml")
	}
	require.NoError(t, err)
	mapping, err := os.ReadFile("../../testdata/mappings/amd-acuity-visits.toml")
	require.NoError(t, err)
	m, err := intake.ParseMapping(mapping)
	require.NoError(t, err)
	book, err := intake.Read(bytes.NewReader(file), int64(len(file)), "amd-acuity-visits.csv", m.File)
	require.NoError(t, err)
	today, err := registry.ParseISODate("2026-11-24")
	require.NoError(t, err)
	pool := pgtest.New(t)
	r, err := intake.Take(t.Context(), pgstore.New(pool).NewIntake(), book, m, intake.Options{Today: today, Person: "test"})
	require.NoError(t, err)
	require.Zero(t, r.RowsRefused)
	// Fasler et al., BMJ Open 2019;9:e027441: 3,357 eyes, 61 % female; the file has 40,764 visits.
	require.Equal(t, 3357, r.New["eye"])
	require.Equal(t, 40764, r.New["visit"])
	require.Equal(t, 61, count(t, pool, "SELECT round(100.0 * count(*) FILTER (WHERE sex = 'female') / count(*)) FROM patient"))
	// Its abstract: +5.5 letters at one year; counted by script with 365 ± 60 days: 3,355 eyes, +5.52.
	var n int
	var mean float64
	require.NoError(t, pool.QueryRow(t.Context(), `
		SELECT count(*), avg((b.cdva_e3 - v.cdva_e3) / 20.0) FROM treatment t
		JOIN visit b ON b.eye_id = t.eye_id AND b.visited_on = t.treated_on
		CROSS JOIN LATERAL (SELECT cdva_e3 FROM visit v WHERE v.eye_id = t.eye_id AND v.cdva_e3 IS NOT NULL
		                    AND abs(v.visited_on - t.treated_on - 365) <= 60 ORDER BY abs(v.visited_on - t.treated_on - 365), v.visited_on LIMIT 1) v
		WHERE b.cdva_e3 IS NOT NULL`).Scan(&n, &mean))
	require.InDelta(t, 5.5, mean, 0.05)
	require.InDelta(t, 3355, n, 2, "two acuity cells are empty")
}
