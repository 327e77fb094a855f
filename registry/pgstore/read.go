package pgstore

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"keratally/registry"
	"keratally/registry/measure"
	"keratally/registry/snapshot"
)

// Scope is what of the registry a snapshot takes. The zero value of every
// field but CutOff sets no limit.
type Scope struct {
	CutOff                 registry.Date // last day whose records are included
	Centres                []string      // codes: eyes treated at one of them
	TreatedFrom, TreatedTo registry.Date // eyes treated in the span, both days included
}

// String returns the limits other than the cut-off in words, "" if there are none.
func (s Scope) String() string {
	var words []string
	if len(s.Centres) > 0 {
		words = append(words, "at "+strings.Join(s.Centres, ", "))
	}
	if s.TreatedFrom.IsValid() {
		words = append(words, "from "+s.TreatedFrom.String())
	}
	if s.TreatedTo.IsValid() {
		words = append(words, "to "+s.TreatedTo.String())
	}
	if len(words) == 0 {
		return ""
	}
	return "eyes treated " + strings.Join(words, " ")
}

// setScope leaves the scope in settings of the transaction, because a COPY
// takes no arguments.
const setScope = `
	SELECT set_config('keratally.cut_off', @cut_off, true),
	       set_config('keratally.whole', @whole, true),
	       set_config('keratally.centres', @centres, true),
	       set_config('keratally.treated_from', @from, true),
	       set_config('keratally.treated_to', @to, true)`

// The condition of every table is the same: dated on or before the cut-off,
// and of an eye in the scope. The settings are read once a query.
const (
	eyesInScope = `
	SELECT t.eye_id FROM treatment t JOIN centre c ON c.id = t.centre_id
	WHERE t.treated_on BETWEEN current_setting('keratally.treated_from')::date AND current_setting('keratally.treated_to')::date
	  AND (current_setting('keratally.centres') = '' OR c.code = ANY (string_to_array(current_setting('keratally.centres'), chr(31))))`
	inScope = `(SELECT current_setting('keratally.whole') = 'yes') OR eye_id IN (` + eyesInScope + `)`
	cutOff  = `(SELECT current_setting('keratally.cut_off')::date)`
)

const (
	readPatients = `
	SELECT id, centre_id, code, sex, birth_year, atopy, eye_rubbing, family_history, consent, consent_changed_on, died_on
	FROM patient`

	readEyes = `
	SELECT eye_id, patient_id, side, diagnosis, progression_documented
	FROM (SELECT id AS eye_id, patient_id, side, diagnosis, progression_documented FROM eye) AS eye
	WHERE ` + inScope

	readTreatments = `
	SELECT id, eye_id, protocol_id, clinician_id, treated_on, irradiance_e2, exposure_s, pulse_on_ms, pulse_off_ms,
	       fluence_e2, interruptions, epithelial_zone_e2, healing_days, adjunct
	FROM treatment WHERE treated_on <= ` + cutOff + ` AND (` + inScope + `)`

	readPachymetry = `
	SELECT treatment_id, step, thickness_um
	FROM pachymetry_step JOIN treatment ON treatment.id = treatment_id
	WHERE treated_on <= ` + cutOff + ` AND (` + inScope + `)`

	readZones = `
	SELECT treatment_id, zone_order, shape, diameter_e2, minor_diameter_e2, treatment_zone.fluence_e2, centre_x_e2, centre_y_e2
	FROM treatment_zone JOIN treatment ON treatment.id = treatment_id
	WHERE treated_on <= ` + cutOff + ` AND (` + inScope + `)`

	readVisits = `
	SELECT eye_id, visited_on,
	       udva_e3, cdva_e3, clva_e3, sphere_e2, cylinder_e2, refraction_axis, k1_e2, k2_e2, steep_axis, kmax_e2,
	       kmax_posterior_e2, thinnest_um, apex_um, iop_e1, haze_e1, densitometry_e1, ecd_cells, cell_cv_e1,
	       hexagonality_e1, cells_counted,
	       udva_off_chart, cdva_off_chart, clva_off_chart, lens_free_days, acuity_chart, haze_scale, tomographer, endothelial_camera
	FROM visit WHERE visited_on <= ` + cutOff + ` AND (` + inScope + `)`

	readDemarcations = `
	SELECT eye_id, visited_on, zone, seen, depth_um, thickness_um, surface, method, observer
	FROM demarcation JOIN visit ON visit.id = visit_id
	WHERE visited_on <= ` + cutOff + ` AND (` + inScope + `)`

	readComplications = `
	SELECT eye_id, kind, onset, grade, action, resolved_on, outcome
	FROM complication WHERE onset <= ` + cutOff + ` AND (` + inScope + `)`

	readSurgeries = `
	SELECT eye_id, kind, operated_on
	FROM surgery WHERE operated_on <= ` + cutOff + ` AND (` + inScope + `)`

	readEnds = `
	SELECT eye_id, ended_on, reason
	FROM follow_up_end WHERE ended_on <= ` + cutOff + ` AND (` + inScope + `)`

	readQueries = `
	SELECT eye_id, record, coalesce(visited_on, treated_on, onset, operated_on, ended_on), field, value, message
	FROM query
	LEFT JOIN (SELECT id AS v_id, visited_on FROM visit) AS v ON record = 'visit' AND v_id = record_id
	LEFT JOIN (SELECT id AS t_id, treated_on FROM treatment) AS t ON record = 'treatment' AND t_id = record_id
	LEFT JOIN (SELECT id AS c_id, onset FROM complication) AS c ON record = 'complication' AND c_id = record_id
	LEFT JOIN (SELECT id AS s_id, operated_on FROM surgery) AS s ON record = 'surgery' AND s_id = record_id
	LEFT JOIN (SELECT id AS f_id, ended_on FROM follow_up_end) AS f ON record = 'follow_up_end' AND f_id = record_id
	WHERE state = 'open' AND (` + inScope + `)`
)

// Snapshot reads the registry at a cut-off into columns, by one streaming
// pass a table in one transaction, so that it is the registry of one moment.
func (s *Store) Snapshot(ctx context.Context, scope Scope) (*snapshot.Snapshot, error) {
	if !scope.CutOff.IsValid() {
		return nil, errors.New("snapshot: should have a cut-off date")
	}
	var snap *snapshot.Snapshot
	err := pgx.BeginTxFunc(ctx, s.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		var err error
		snap, err = readSnapshot(ctx, tx, scope)
		return err
	})
	if err == nil {
		err = snap.Freeze()
	}
	if err != nil {
		return nil, fmt.Errorf("snapshot at %s: %w", scope.CutOff, err)
	}
	return snap, nil
}

func readSnapshot(ctx context.Context, tx pgx.Tx, scope Scope) (*snapshot.Snapshot, error) {
	if err := applyScope(ctx, tx, scope); err != nil {
		return nil, err
	}
	s := &snapshot.Snapshot{CutOff: scope.CutOff, Scope: scope.String()}
	keys, err := readCatalogues(ctx, tx, s)
	if err != nil {
		return nil, err
	}
	r := reader{ctx: ctx, conn: tx.Conn().PgConn(), s: s, keys: keys}
	if r.rows, err = rowEstimates(ctx, tx); err != nil {
		return nil, err
	}
	for _, table := range []struct {
		name string
		read func() error
	}{
		{"patient", r.patients}, {"eye", r.eyes}, {"treatment", r.treatments}, {"pachymetry_step", r.pachymetry},
		{"treatment_zone", r.zones}, {"visit", r.visits}, {"demarcation", r.demarcations}, {"complication", r.complications},
		{"surgery", r.surgeries}, {"follow_up_end", r.ends}, {"query", r.queries},
	} {
		if err := table.read(); err != nil {
			return nil, fmt.Errorf("table %s: %w", table.name, err)
		}
	}
	return s, nil
}

func applyScope(ctx context.Context, tx pgx.Tx, scope Scope) error {
	args := pgx.StrictNamedArgs{"cut_off": scope.CutOff.String(), "whole": "no", "centres": strings.Join(scope.Centres, "\x1f"),
		"from": "-infinity", "to": "infinity"}
	if scope.String() == "" {
		args["whole"] = "yes"
	}
	if scope.TreatedFrom.IsValid() {
		args["from"] = scope.TreatedFrom.String()
	}
	if scope.TreatedTo.IsValid() {
		args["to"] = scope.TreatedTo.String()
	}
	if _, err := tx.Exec(ctx, setScope, args); err != nil {
		return fmt.Errorf("scope: %w", inWords(err))
	}
	return nil
}

// rowEstimates returns about how many rows each table has, as the server's
// statistics say: enough to make room, no more.
func rowEstimates(ctx context.Context, tx pgx.Tx) (map[string]int, error) {
	const query = `SELECT relname::text, reltuples::bigint FROM pg_class WHERE relkind = 'r' AND pg_table_is_visible(oid) AND reltuples > 0`
	rows, _ := tx.Query(ctx, query) // ForEachRow returns the error
	estimates := map[string]int{}
	var name string
	var n int64
	_, err := pgx.ForEachRow(rows, []any{&name, &n}, func() error {
		estimates[name] = int(n) + int(n)/64
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("number of rows: %w", inWords(err))
	}
	return estimates, nil
}

// reader reads table after table into a snapshot.
type reader struct {
	ctx  context.Context
	conn *pgconn.PgConn
	s    *snapshot.Snapshot
	rows map[string]int
	keys
}

// keys are the places of the rows read so far, by identity.
type keys struct{ centre, clinician, protocol, patient, eye, treatment key }

func (r *reader) read(table, query string, fields ...field) error {
	return copyOut(r.ctx, r.conn, query, r.rows[table], fields...)
}

func (r *reader) patients() error {
	p := &r.s.Patients
	r.patient = newKey(r.rows["patient"])
	return r.read("patient", readPatients, r.patient, refer(r.centre, &p.Centre), text{&p.Code}, wordsTo(&p.Sex), number[int16]{to: &p.BirthYear},
		trilean{&p.Atopy}, trilean{&p.EyeRubbing}, trilean{&p.FamilyHistory}, wordsTo(&p.Consent), day{&p.ConsentChangedOn}, day{&p.DiedOn})
}

func (r *reader) eyes() error {
	e := &r.s.Eyes
	r.eye = newKey(r.rows["eye"])
	return r.read("eye", readEyes, r.eye, refer(r.patient, &e.Patient), number[measure.Side]{to: &e.Side}, wordsTo(&e.Diagnosis), trilean{&e.ProgressionDocumented})
}

func (r *reader) treatments() error {
	t := &r.s.Treatments
	r.treatment = newKey(r.rows["treatment"])
	err := r.read("treatment", readTreatments, r.treatment, refer(r.eye, &t.Eye), refer(r.protocol, &t.Protocol), refer(r.clinician, &t.Clinician), day{&t.On},
		steps(&t.IrradianceE2), steps(&t.ExposureS), steps(&t.PulseOnMs), steps(&t.PulseOffMs), steps(&t.FluenceE2), steps(&t.Interruptions),
		steps(&t.EpithelialZoneE2), steps(&t.HealingDays), wordsTo(&t.Adjunct))
	for step := range t.Pachymetry {
		t.Pachymetry[step] = make([]measure.Steps, len(t.Eye))
		for i := range t.Pachymetry[step] {
			t.Pachymetry[step][i] = measure.None
		}
	}
	return err
}

func (r *reader) pachymetry() error {
	var treatment []int32
	var step snapshot.Words
	var thickness []measure.Steps
	if err := r.read("pachymetry_step", readPachymetry, refer(r.treatment, &treatment), wordsTo(&step), steps(&thickness)); err != nil {
		return err
	}
	for i, name := range registry.PachymetrySteps {
		for row, t := range treatment {
			if step.At(int32(row)) == name {
				r.s.Treatments.Pachymetry[i][t] = thickness[row]
			}
		}
	}
	return nil
}

func (r *reader) zones() error {
	z := &r.s.TreatmentZones
	return r.read("treatment_zone", readZones, refer(r.treatment, &z.Treatment), number[int16]{to: &z.Order}, wordsTo(&z.Shape), steps(&z.DiameterE2),
		steps(&z.MinorDiameterE2), steps(&z.FluenceE2), steps(&z.CentreXE2), steps(&z.CentreYE2))
}

func (r *reader) visits() error {
	v := &r.s.Visits
	fields := []field{refer(r.eye, &v.Eye), day{&v.On}}
	for m := range v.Values {
		fields = append(fields, steps(&v.Values[m]))
	}
	for a := range v.OffChart {
		fields = append(fields, number[uint8]{to: &v.OffChart[a]})
	}
	fields = append(fields, steps(&v.LensFreeDays), wordsTo(&v.AcuityChart), wordsTo(&v.HazeScale), wordsTo(&v.Tomographer), wordsTo(&v.Camera))
	return r.read("visit", readVisits, fields...)
}

func (r *reader) demarcations() error {
	d := &r.s.Demarcations
	return r.read("demarcation", readDemarcations, refer(r.eye, &d.Eye), day{&d.On}, wordsTo(&d.Zone), wordsTo(&d.Seen), steps(&d.DepthUm), steps(&d.ThicknessUm),
		wordsTo(&d.Surface), wordsTo(&d.Method), wordsTo(&d.Observer))
}

func (r *reader) complications() error {
	c := &r.s.Complications
	return r.read("complication", readComplications, refer(r.eye, &c.Eye), wordsTo(&c.Kind), day{&c.Onset}, wordsTo(&c.Grade), wordsTo(&c.Action), day{&c.ResolvedOn}, wordsTo(&c.Outcome))
}

func (r *reader) surgeries() error {
	u := &r.s.Surgeries
	return r.read("surgery", readSurgeries, refer(r.eye, &u.Eye), wordsTo(&u.Kind), day{&u.On})
}

func (r *reader) ends() error {
	f := &r.s.Ends
	return r.read("follow_up_end", readEnds, refer(r.eye, &f.Eye), day{&f.On}, wordsTo(&f.Reason))
}

func (r *reader) queries() error {
	q := &r.s.Queries
	return r.read("query", readQueries, refer(r.eye, &q.Eye), wordsTo(&q.Record), day{&q.On}, wordsTo(&q.Field), text{&q.Value}, text{&q.Message})
}
