package intake_test

import (
	"testing"

	"github.com/google/uuid"
	"github.com/stretchr/testify/require"

	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
)

func requireWholeHistory(t *testing.T, store *pgstore.Store) {
	t.Helper()
	report, err := store.VerifyHistory(t.Context(), "")
	require.NoError(t, err)
	require.Empty(t, report.Faults)
}

// Every field that a visit can have, so that the marks that the program hands
// over are compared with those that the verification makes PostgreSQL compute.
const everyFieldMapping = `
name = "every field"
centre = "north"
[[sheet]]
shape = "visit"
[sheet.columns]
"Patient" = "patient.code"
"Eye" = "eye.side"
"Date" = "visit.on"
"U" = { field = "visit.udva", notation = "logmar" }
"C" = { field = "visit.cdva", notation = "logmar" }
"L" = { field = "visit.clva", notation = "logmar" }
"S" = "visit.sphere"
"Cyl" = "visit.cylinder"
"A" = "visit.axis"
"K1" = "visit.k1"
"K2" = "visit.k2"
"KA" = "visit.steep_axis"
"Kmax" = "visit.kmax"
"KP" = "visit.kmax_posterior"
"T" = "visit.thinnest"
"Apex" = "visit.apex"
"IOP" = "visit.iop"
"Haze" = "visit.haze"
"D" = "visit.densitometry"
"ECD" = "visit.ecd"
"CV" = "visit.cell_cv"
"Hex" = "visit.hexagonality"
"N" = "visit.cells_counted"
"Free" = "visit.lens_free_days"
"Chart" = "visit.acuity_chart"
"Scale" = "visit.haze_scale"
"Tomo" = "visit.tomographer"
"Cam" = "visit.endothelial_camera"
"Note" = "visit.note"
`

const everyFieldRows = `Patient,Eye,Date,U,C,L,S,Cyl,A,K1,K2,KA,Kmax,KP,T,Apex,IOP,Haze,D,ECD,CV,Hex,N,Free,Chart,Scale,Tomo,Cam,Note
P1,OD,2025-03-02,0.60,-0.10,0.20,-1.25,-2.00,90,44.00,47.50,80,54.25,8.10,441,450,14.0,0.5,22.5,2600,33.0,55.0,120,7,ETDRS,0 to 4,T1,E1,große Narbe – „alt“
P2,OS,2025-04-02,CF,HM,LP,,,,,,,,,,,,,,,,,,,,,,,
P3,OS,1995-04-02,,,,,,,,,,,,,,,,,,,,,,,,,,
`

func TestMarksOfIntakeAreThoseOfTheDatabase(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	r, err := take(t, store, everyFieldMapping, everyFieldRows, false)
	require.NoError(t, err)
	require.Empty(t, r.Refusals)
	require.Equal(t, 3, r.New["visit"])
	const given = `SELECT count(*) FROM visit v, jsonb_each(to_jsonb(v)) f WHERE f.value <> 'null' AND (v.cdva_e3 IS NOT NULL OR v.cdva_off_chart IS NOT NULL)`
	require.Equal(t, 32+10, count(t, pool, given), "of 36 columns the first row lacks three of off-chart acuities and the text as entered; the second has those, its identities, day, batch and row")
	requireWholeHistory(t, store)
}

// Intake, a changed row, a part added to an old record and the undoing of it
// all are history, by who did it and why.
func TestIntakeAndUndoAreHistory(t *testing.T) {
	pool := pgtest.New(t)
	store := pgstore.New(pool)
	mustTake(t, store, threeVisits)
	requireWholeHistory(t, store)
	changed := mustTake(t, store, visitsHead+"P1,1996,OD,2026-03-02,6/12,53.20,0.5,,,,320\nP3,2001,OS,2026-03-02,6/6,51.00,0,,,,300\n")
	requireWholeHistory(t, store)
	require.Equal(t, 1, count(t, pool, `SELECT count(*) FROM history WHERE relation = 'visit' AND action = 'update' AND person = 'test' AND reason = 'intake of visits.csv' AND batch_id IS NOT NULL`))
	require.Equal(t, 1, count(t, pool, `SELECT count(*) FROM history_image WHERE before->>'cdva_e3' = '176' AND after->>'cdva_e3' = '301'`), "6/9 is log10(1.5) = 0.176, 6/12 log10(2) = 0.301")
	_, err := store.UndoIntake(t.Context(), uuid.MustParse(changed.Batch), "somebody else")
	require.NoError(t, err)
	requireWholeHistory(t, store)
	require.Positive(t, count(t, pool, `SELECT count(*) FROM history WHERE action = 'delete' AND person = 'somebody else' AND reason = 'intake of visits.csv undone'`))
}

// A file that was given up leaves no history.
func TestADryRunIsNoHistory(t *testing.T) {
	pool := pgtest.New(t)
	_, err := take(t, pgstore.New(pool), visitsMapping, threeVisits, true)
	require.NoError(t, err)
	require.Zero(t, count(t, pool, `SELECT count(*) FROM history`))
}
