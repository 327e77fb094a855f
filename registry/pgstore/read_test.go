package pgstore_test

import (
	"context"
	"regexp"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/pgstore"
	"keratally/registry/pgtest"
	"keratally/registry/snapshot"
	"keratally/registry/snapshot/snaptest"
)

func run(t testing.TB, pool *pgxpool.Pool, script string) {
	t.Helper()
	_, err := pool.Exec(context.Background(), script)
	require.NoError(t, err)
}

// clinic is the registry that expected returns by hand, with one row of every
// kind after the cut-off of 2021-12-31. Keys are drawn by the server.
const clinic = `
	INSERT INTO centre VALUES (gen_random_uuid(), 'B', 'Second'), (gen_random_uuid(), 'A', 'First');
	INSERT INTO clinician (id, centre_id, code, name) SELECT gen_random_uuid(), id, 'S1', 'Surgeon one' FROM centre;
	INSERT INTO protocol (id, centre_id, code, version, name, epithelium, vehicle, riboflavin_e2, irradiance_e2, exposure_s, fluence_e2, oxygen, pattern)
	SELECT gen_random_uuid(), id, 'A10', 2, 'Ten minutes', 'off', 'hpmc', 10, 900, 600, 540, 'no', 'zoned' FROM centre;
	INSERT INTO protocol_zone SELECT id, centre_id, o, 'circle', 300 * o, NULL, 720, NULL, NULL FROM protocol, (VALUES (2), (1)) AS z (o);
	INSERT INTO patient (id, centre_id, code, sex, birth_year, atopy, consent, consent_changed_on, died_on)
	SELECT gen_random_uuid(), id, p, 'female', 1995, 'unknown', 'given', '2020-01-02', '2022-03-04'::date FROM centre, (VALUES ('P2'), ('P1')) AS c (p);
	INSERT INTO eye (id, centre_id, patient_id, side, diagnosis, progression_documented)
	SELECT gen_random_uuid(), centre_id, id, side, 'keratoconus', 'yes' FROM patient, (VALUES (2), (1)) AS s (side);
	INSERT INTO treatment (id, centre_id, eye_id, protocol_id, clinician_id, treated_on, irradiance_e2, healing_days, adjunct)
	SELECT gen_random_uuid(), e.centre_id, e.id, p.id, c.id, d, 900, 4, 'none'
	FROM eye e JOIN protocol p USING (centre_id) JOIN clinician c USING (centre_id), (VALUES (date '2022-01-01'), ('2020-02-03')) AS t (d) WHERE side = 1;
	INSERT INTO pachymetry_step SELECT t.id, centre_id, s, um FROM treatment t, (VALUES ('minimum', 380), ('before', 450)) AS p (s, um);
	INSERT INTO treatment_zone SELECT id, centre_id, 1, 'ellipse', 700, 500, 1000, -50, 25 FROM treatment;
	INSERT INTO visit (id, centre_id, eye_id, visited_on, kmax_e2, cdva_off_chart, thinnest_um, lens_free_days, tomographer, haze_scale, entered)
	SELECT gen_random_uuid(), centre_id, id, d, k, 1, 470, 7, 'tomographer 1', 'Fantes', '{"kmax":"54,25"}'
	FROM eye, (VALUES (date '2022-01-01', 5300), ('2021-01-01', 5425), ('2020-02-03', 5500)) AS v (d, k) WHERE side = 1;
	INSERT INTO demarcation SELECT id, centre_id, 'central', 'seen', 290, 480, 'epithelium', 'as-oct', 'first' FROM visit WHERE visited_on > '2020-06-01';
	INSERT INTO complication (id, centre_id, eye_id, kind, onset, grade, resolved_on)
	SELECT gen_random_uuid(), centre_id, id, 'sterile-infiltrate', d, 'mild', '2022-02-01' FROM eye, (VALUES (date '2022-01-02'), ('2020-02-05')) AS c (d) WHERE side = 1;
	INSERT INTO surgery (id, centre_id, eye_id, kind, operated_on) SELECT gen_random_uuid(), centre_id, id, 'cataract', d FROM eye, (VALUES (date '2022-05-01'), ('2021-05-01')) AS s (d) WHERE side = 1;
	INSERT INTO follow_up_end (id, centre_id, eye_id, ended_on, reason) SELECT gen_random_uuid(), centre_id, id, '2021-06-01', 'moved' FROM eye WHERE side = 1;
	INSERT INTO query (id, centre_id, eye_id, record, record_id, field, value, message, state)
	SELECT gen_random_uuid(), centre_id, eye_id, 'visit', id, 'kmax', '54.25', 'unusual', s FROM visit, (VALUES ('open')) AS q (s);
	UPDATE query SET state = 'confirmed' WHERE record_id IN (SELECT id FROM visit WHERE visited_on = '2020-02-03');`

func expected(t *testing.T) *snapshot.Snapshot {
	b := snaptest.New(t, "2021-12-31")
	for _, centre := range []string{"A", "B"} {
		protocol := b.Protocol(centre, registry.Protocol{Code: "A10", Version: 2, Name: "Ten minutes", Epithelium: "off", Vehicle: "hpmc", RiboflavinE2: 10,
			SoakE1: measure.None, Light: registry.Light{IrradianceE2: 900, ExposureS: 600, PulseOnMs: measure.None, PulseOff: measure.None, FluenceE2: 540},
			Oxygen: registry.No, Pattern: "zoned", Zones: []registry.Zone{
				{Order: 1, Shape: "circle", DiameterE2: 300, MinorDiameterE2: measure.None, FluenceE2: 720, CentreXE2: measure.None, CentreYE2: measure.None},
				{Order: 2, Shape: "circle", DiameterE2: 600, MinorDiameterE2: measure.None, FluenceE2: 720, CentreXE2: measure.None, CentreYE2: measure.None}}})
		clinician := b.Clinician(centre, "S1")
		for _, code := range []string{"P1", "P2"} {
			p := b.Patient(centre, registry.Patient{Code: code, Sex: "female", BirthYear: 1995, Atopy: registry.Unknown, Consent: "given",
				ConsentChangedOn: snaptest.Day(t, "2020-01-02")})
			e := b.Eye(p, measure.Right, "keratoconus")
			b.S.Eyes.ProgressionDocumented[e] = registry.Yes
			i := b.Treat(e, "2020-02-03", protocol, clinician)
			tr := &b.S.Treatments
			tr.IrradianceE2[i], tr.HealingDays[i] = 900, 4
			tr.Adjunct = snapshot.Words{List: []string{"", "none"}, Code: append(tr.Adjunct.Code[:i], 1)}
			tr.Pachymetry[0][i], tr.Pachymetry[4][i] = 450, 380
			z := &b.S.TreatmentZones
			z.Treatment, z.Order = append(z.Treatment, i), append(z.Order, 1)
			z.Shape = snapshot.Words{List: []string{"", "ellipse"}, Code: append(z.Shape.Code, 1)}
			z.DiameterE2, z.MinorDiameterE2, z.FluenceE2 = append(z.DiameterE2, 700), append(z.MinorDiameterE2, 500), append(z.FluenceE2, 1000)
			z.CentreXE2, z.CentreYE2 = append(z.CentreXE2, -50), append(z.CentreYE2, 25)
			for on, kmax := range map[string]measure.Steps{"2020-02-03": 5500, "2021-01-01": 5425} {
				b.Visit(e, on, snaptest.Values{registry.Kmax: kmax, registry.Thinnest: 470}, func(v *registry.Visit) {
					v.OffChart[1], v.LensFreeDays, v.Tomographer, v.HazeScale = measure.CountingFingers, 7, "tomographer 1", "Fantes"
					if on == "2021-01-01" {
						v.Demarcations = []registry.Demarcation{{Zone: "central", Seen: "seen", DepthUm: 290, ThicknessUm: 480, Surface: "epithelium", Method: "as-oct", Observer: "first"}}
					}
				})
			}
			b.Complication(e, "sterile-infiltrate", "2020-02-05", "mild")
			b.Surgery(e, "cataract", "2021-05-01")
			b.End(e, "2021-06-01", "moved")
			b.Query(e, "visit", "2021-01-01", "kmax", "54.25", "unusual")
		}
	}
	for i := range b.S.Centres {
		b.S.Centres[i].Name = map[string]string{"A": "First", "B": "Second"}[b.S.Centres[i].Code]
	}
	for i := range b.S.Clinicians {
		b.S.Clinicians[i].Name = "Surgeon one"
	}
	return b.Freeze()
}

// Two databases with the same content under other keys give one snapshot,
// which is the one written down by hand.
func TestSnapshot(t *testing.T) {
	ctx := t.Context()
	want := expected(t)
	for range 2 {
		pool := pgtest.New(t)
		run(t, pool, clinic)
		got, err := pgstore.New(pool).Snapshot(ctx, pgstore.Scope{CutOff: want.CutOff})
		require.NoError(t, err)
		require.Empty(t, cmp.Diff(want, got, cmpopts.EquateEmpty()))
	}
}

func TestSnapshotScope(t *testing.T) {
	pool := pgtest.New(t)
	run(t, pool, clinic)
	s := pgstore.New(pool)
	for _, tt := range []struct {
		name                     string
		scope                    pgstore.Scope
		eyes, treatments, visits int
		words                    string
	}{
		{"one centre", pgstore.Scope{Centres: []string{"B"}}, 2, 4, 6, "eyes treated at B"},
		{"two centres", pgstore.Scope{Centres: []string{"A", "B"}}, 4, 8, 12, "eyes treated at A, B"},
		{"no such centre", pgstore.Scope{Centres: []string{"C"}}, 0, 0, 0, "eyes treated at C"},
		{"a period", pgstore.Scope{TreatedFrom: snaptest.Day(t, "2022-01-01"), TreatedTo: snaptest.Day(t, "2022-01-01")}, 4, 8, 12, "eyes treated from 2022-01-01 to 2022-01-01"},
		{"a period without treatments", pgstore.Scope{TreatedFrom: snaptest.Day(t, "2022-01-02")}, 0, 0, 0, "eyes treated from 2022-01-02"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.scope.CutOff = snaptest.Day(t, "2023-01-01")
			got, err := s.Snapshot(t.Context(), tt.scope)
			require.NoError(t, err)
			assert.Equal(t, tt.eyes, got.NumEyes())
			assert.Len(t, got.Treatments.Eye, tt.treatments)
			assert.Equal(t, tt.visits, got.NumVisits())
			assert.Equal(t, tt.words, got.Scope)
		})
	}
	_, err := s.Snapshot(t.Context(), pgstore.Scope{})
	require.ErrorContains(t, err, "should have a cut-off date")
}

// A long text is taken over the edge of a chunk: 300 queries of 1000 bytes are
// more than the 128 KiB that are handed over at once.
func TestSnapshotOfLongTexts(t *testing.T) {
	pool := pgtest.New(t)
	run(t, pool, clinic)
	run(t, pool, `INSERT INTO query (id, centre_id, eye_id, record, record_id, field, value, message)
		SELECT gen_random_uuid(), centre_id, id, 'eye', gen_random_uuid(), 'x', repeat('é', 500), i::text FROM eye, generate_series(1, 300) i WHERE side = 1`)
	got, err := pgstore.New(pool).Snapshot(t.Context(), pgstore.Scope{CutOff: snaptest.Day(t, "2021-12-31")})
	require.NoError(t, err)
	require.Len(t, got.Queries.Value, 4*300+4)
	for _, v := range got.Queries.Value {
		assert.Contains(t, []int{5, 1000}, len(v))
	}
}

func TestDefinitions(t *testing.T) {
	ctx := t.Context()
	s := pgstore.New(pgtest.New(t))
	today := snaptest.Day(t, "2026-09-30")
	_, err := s.Definitions(ctx, pgstore.Choice{On: today})
	require.ErrorIs(t, err, registry.ErrNotFound)
	require.NoError(t, s.SeedDefinitions(ctx))
	require.NoError(t, s.SeedDefinitions(ctx), "again changes nothing")
	stored, err := s.StoredDefinitions(ctx)
	require.NoError(t, err)
	assert.Len(t, stored, len(registry.BuiltInDefinitions()))
	got, err := s.Definitions(ctx, pgstore.Choice{On: today})
	require.NoError(t, err)
	assert.Equal(t, registry.DefaultDefinitions(), got)

	next := registry.DefaultAnalysis()
	next.Version, next.ValidFrom, next.MinEpisodes = 2, snaptest.Day(t, "2027-01-01"), 8
	require.NoError(t, s.PutDefinition(ctx, next))
	var rule *registry.RuleError
	require.ErrorAs(t, s.PutDefinition(ctx, next), &rule)
	assert.Contains(t, rule.Error(), "a change should make the next version")
	got, err = s.Definitions(ctx, pgstore.Choice{On: today, Windows: "strict", Progression: []string{"k2-1.5", "kmax-1"}, OffChart: "bach"})
	require.NoError(t, err)
	assert.Equal(t, 5, got.Analysis.MinEpisodes, "the next version does not hold yet")
	assert.Equal(t, "strict", got.Windows.Name)
	assert.Equal(t, "k2-1.5", got.Progression[0].Name)
	got, err = s.Definitions(ctx, pgstore.Choice{On: snaptest.Day(t, "2027-01-01")})
	require.NoError(t, err)
	assert.Equal(t, 8, got.Analysis.MinEpisodes)
	_, err = s.Definitions(ctx, pgstore.Choice{On: today, Windows: "weekly"})
	require.ErrorContains(t, err, `definition of windows "weekly"`)
}

// Every rule of the schema has words, and every rule with words is in the
// schema.
func TestEveryRuleHasWords(t *testing.T) {
	rows, err := pgtest.New(t).Query(t.Context(), `SELECT conname::text FROM pg_constraint WHERE connamespace = 'public'::regnamespace AND contype IN ('c', 'u', 'p', 'f')`)
	require.NoError(t, err)
	for rows.Next() {
		var name string
		require.NoError(t, rows.Scan(&name))
		assert.NotContains(t, pgstore.Rule(name), "rule "+name, "a rule without words")
	}
	require.NoError(t, rows.Err())
}

// A broken rule comes back in words, without the values of the row.
func TestBrokenRule(t *testing.T) {
	s := pgstore.New(pgtest.New(t))
	d := registry.DefaultWindows()
	require.NoError(t, s.PutDefinition(t.Context(), d))
	err := s.PutDefinition(t.Context(), d)
	var rule *registry.RuleError
	require.ErrorAs(t, err, &rule)
	assert.Equal(t, "definition_pkey", rule.Rule)
	assert.NotRegexp(t, regexp.MustCompile(`contiguous|DETAIL|Key \(`), err.Error())
}
