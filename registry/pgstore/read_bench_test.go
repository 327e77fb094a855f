package pgstore_test

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
	"keratally/registry/snapshot/snaptest"
)

// aMillionVisits is 125,000 treated eyes of 62,500 patients, eight visits each.
const aMillionVisits = `
	INSERT INTO centre VALUES (gen_random_uuid(), 'A', 'First');
	INSERT INTO patient (id, centre_id, code) SELECT gen_random_uuid(), id, 'P' || lpad(i::text, 6, '0') FROM centre, generate_series(1, 62500) i;
	INSERT INTO eye (id, centre_id, patient_id, side, diagnosis) SELECT gen_random_uuid(), centre_id, id, side, 'keratoconus' FROM patient, generate_series(1, 2) side;
	INSERT INTO treatment (id, centre_id, eye_id, treated_on) SELECT gen_random_uuid(), centre_id, id, '2020-01-10' FROM eye;
	INSERT INTO visit (id, centre_id, eye_id, visited_on, udva_e3, cdva_e3, sphere_e2, cylinder_e2, refraction_axis, k1_e2, k2_e2, steep_axis,
	                   kmax_e2, thinnest_um, iop_e1, haze_e1, ecd_cells, acuity_chart, tomographer, endothelial_camera)
	SELECT gen_random_uuid(), centre_id, id, date '2020-01-01' + 90 * i, 300 + i, 200 - i, -300, -150, 90, 4400, 4700, 80,
	       5200 + (random() * 800)::integer, 470, 150, 5, 2500, 'letters at 4 m', 'tomographer 1', 'camera 1'
	FROM eye, generate_series(0, 7) i;`

// BenchmarkSnapshot reads a million visits into a snapshot and, in the same
// run, copies the same rows to nothing; times-copy is the median of the ratios.
// It is to be at most 1.25. Run it alone on a quiet machine:
//
//	go test ./registry/pgstore -run '^$' -bench Snapshot -benchtime 7x
func BenchmarkSnapshot(b *testing.B) {
	pool := pgtest.New(b)
	run(b, pool, aMillionVisits)
	run(b, pool, "VACUUM ANALYZE")
	s, err := pgstore.Open(b.Context(), pool.Config().ConnString())
	require.NoError(b, err)
	defer s.Close()
	scope := pgstore.Scope{CutOff: snaptest.Day(b, "2026-01-01")}
	require.NoError(b, s.CopyToNothing(b.Context(), scope)) // both read from memory
	var ratios []float64
	for b.Loop() {
		start := time.Now()
		require.NoError(b, s.CopyToNothing(b.Context(), scope))
		copied := time.Now()
		snap, err := s.Snapshot(b.Context(), scope)
		require.NoError(b, err)
		require.Equal(b, 1_000_000, snap.NumVisits())
		ratios = append(ratios, float64(time.Since(copied))/float64(copied.Sub(start)))
	}
	slices.Sort(ratios)
	b.ReportMetric(ratios[len(ratios)/2], "times-copy")
	b.ReportMetric(ratios[0], "times-copy-best")
}
