package pgstore

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"keratally/registry"
	"keratally/registry/measure"
)

// What an intake asks of the registry: each query gives the identity of the
// record (of a part of a record, the zero identity), that of its parent, and
// the columns of its kind in the order of registry.Kinds.
const (
	codesOfCentre = `SELECT code FROM patient WHERE centre_id = @centre ORDER BY code`

	cliniciansOfCentre = `
		SELECT id, id, code, name FROM clinician WHERE centre_id = @centre ORDER BY code`
	protocolsOfCentre = `
		SELECT id, id, code, version, name, epithelium, vehicle, riboflavin_e2, soak_e1, oxygen, pattern,
		       irradiance_e2, exposure_s, pulse_on_ms, pulse_off_ms, fluence_e2
		FROM protocol WHERE centre_id = @centre ORDER BY code, version`
	protocolZonesOfCentre = `
		SELECT '00000000-0000-0000-0000-000000000000'::uuid, z.protocol_id, z.zone_order, z.shape, z.diameter_e2, z.minor_diameter_e2,
		       z.fluence_e2, z.centre_x_e2, z.centre_y_e2
		FROM protocol_zone z JOIN protocol p ON p.id = z.protocol_id WHERE p.centre_id = @centre ORDER BY z.protocol_id, z.zone_order`

	patientsByCode = `
		SELECT id, id, code, sex, birth_year, atopy, eye_rubbing, family_history, consent, consent_changed_on, died_on
		FROM patient WHERE centre_id = @centre AND code = ANY (@codes) ORDER BY code`
	eyesOfPatients = `
		SELECT id, patient_id, side, diagnosis, progression_documented
		FROM eye WHERE patient_id = ANY (@ids) ORDER BY patient_id, side`
	treatmentsOfEyes = `
		SELECT id, eye_id, treated_on, protocol_id::text, clinician_id::text, interruptions, epithelial_zone_e2, healing_days, adjunct, note, entered,
		       irradiance_e2, exposure_s, pulse_on_ms, pulse_off_ms, fluence_e2
		FROM treatment WHERE eye_id = ANY (@ids) ORDER BY eye_id, treated_on`
	zonesOfTreatments = `
		SELECT '00000000-0000-0000-0000-000000000000'::uuid, treatment_id, zone_order, shape, diameter_e2, minor_diameter_e2,
		       fluence_e2, centre_x_e2, centre_y_e2
		FROM treatment_zone WHERE treatment_id = ANY (@ids) ORDER BY treatment_id, zone_order`
	pachymetryOfTreatments = `
		SELECT '00000000-0000-0000-0000-000000000000'::uuid, treatment_id, step, thickness_um
		FROM pachymetry_step WHERE treatment_id = ANY (@ids) ORDER BY treatment_id, step`
	visitsOfEyes = `
		SELECT id, eye_id, visited_on,
		       udva_e3, cdva_e3, clva_e3, sphere_e2, cylinder_e2, refraction_axis, k1_e2, k2_e2, steep_axis, kmax_e2, kmax_posterior_e2,
		       thinnest_um, apex_um, iop_e1, haze_e1, densitometry_e1, ecd_cells, cell_cv_e1, hexagonality_e1, cells_counted,
		       udva_off_chart, cdva_off_chart, clva_off_chart, lens_free_days,
		       acuity_chart, haze_scale, tomographer, endothelial_camera, note, entered
		FROM visit WHERE eye_id = ANY (@ids) ORDER BY eye_id, visited_on`
	demarcationsOfVisits = `
		SELECT '00000000-0000-0000-0000-000000000000'::uuid, d.visit_id, d.zone, d.observer, d.seen, d.depth_um, d.thickness_um, d.surface, d.method
		FROM demarcation d JOIN visit v ON v.id = d.visit_id WHERE v.eye_id = ANY (@ids) ORDER BY d.visit_id, d.zone, d.observer`
	complicationsOfEyes = `
		SELECT id, eye_id, kind, onset, grade, action, resolved_on, outcome, note
		FROM complication WHERE eye_id = ANY (@ids) ORDER BY eye_id, onset, kind`
	surgeryOfEyes = `
		SELECT id, eye_id, kind, operated_on, note
		FROM surgery WHERE eye_id = ANY (@ids) ORDER BY eye_id, operated_on, kind`
	endsOfEyes = `
		SELECT id, eye_id, ended_on, reason
		FROM follow_up_end WHERE eye_id = ANY (@ids) ORDER BY eye_id`
)

func (in *Intake) patientCodes(ctx context.Context) ([]string, error) {
	rows, _ := in.tx.Query(ctx, codesOfCentre, pgx.StrictNamedArgs{"centre": in.centre}) // CollectRows returns the error
	return pgx.CollectRows(rows, pgx.RowTo[string])
}

func (in *Intake) ofCentre(ctx context.Context) (h registry.Holdings, err error) {
	l := loader{ctx: ctx, db: in.tx, byID: map[registry.ID]*registry.Part{}}
	args := pgx.StrictNamedArgs{"centre": in.centre}
	l.parts(registry.ClinicianRecord, cliniciansOfCentre, args)
	l.parts(registry.ProtocolRecord, protocolsOfCentre, args)
	l.parts(registry.ProtocolZoneRecord, protocolZonesOfCentre, args)
	return l.held, l.err
}

// Holdings returns what the registry holds of patients. It is read beside the
// transaction, which may be busy writing; what the transaction itself has
// written is not in it.
func (in *Intake) Holdings(ctx context.Context, codes []string) (registry.Holdings, error) {
	conn, err := in.store.pool.Acquire(ctx)
	if err != nil {
		return registry.Holdings{}, fmt.Errorf("records of %d patients: %w", len(codes), err)
	}
	defer conn.Release()
	l := loader{ctx: ctx, db: conn, byID: map[registry.ID]*registry.Part{}, visits: map[registry.ID]*registry.VisitPart{}}
	l.parts(registry.PatientRecord, patientsByCode, pgx.StrictNamedArgs{"centre": in.centre, "codes": codes})
	l.parts(registry.EyeRecord, eyesOfPatients, l.ids(registry.PatientRecord))
	eyes := l.ids(registry.EyeRecord)
	l.parts(registry.TreatmentRecord, treatmentsOfEyes, eyes)
	treatments := l.ids(registry.TreatmentRecord)
	l.parts(registry.TreatmentZoneRecord, zonesOfTreatments, treatments)
	l.parts(registry.PachymetryRecord, pachymetryOfTreatments, treatments)
	l.readVisits(eyes)
	l.parts(registry.DemarcationRecord, demarcationsOfVisits, eyes)
	l.parts(registry.ComplicationRecord, complicationsOfEyes, eyes)
	l.parts(registry.SurgeryRecord, surgeryOfEyes, eyes)
	l.parts(registry.FollowUpEndRecord, endsOfEyes, eyes)
	if l.err != nil {
		return registry.Holdings{}, fmt.Errorf("records of %d patients: %w", len(codes), inWords(l.err))
	}
	return l.held, nil
}

// loader collects records; after an error it does nothing more.
type loader struct {
	ctx context.Context
	db  interface {
		Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	}
	byID   map[registry.ID]*registry.Part
	visits map[registry.ID]*registry.VisitPart
	held   registry.Holdings
	err    error
}

// ids lists the records of a kind read so far.
func (l *loader) ids(kind registry.Kind) pgx.StrictNamedArgs {
	list := []registry.ID{}
	for _, p := range l.held.Parts {
		if p.Kind == kind {
			list = append(list, p.ID)
		}
	}
	return pgx.StrictNamedArgs{"ids": list}
}

// parts reads the records of one kind.
func (l *loader) parts(kind registry.Kind, sql string, args pgx.StrictNamedArgs) {
	if l.err != nil {
		return
	}
	columns := kind.Info().Columns
	texts, numbers, days := make([]pgtype.Text, len(columns)), make([]pgtype.Int4, len(columns)), make([]pgtype.Date, len(columns))
	var id, parent registry.ID
	into := []any{&id, &parent}
	for i, c := range columns {
		switch c.Type {
		case registry.NumberValue:
			into = append(into, &numbers[i])
		case registry.DayValue:
			into = append(into, &days[i])
		default:
			into = append(into, &texts[i])
		}
	}
	rows, err := l.db.Query(l.ctx, sql, args)
	if err != nil {
		l.err = err
		return
	}
	_, l.err = pgx.ForEachRow(rows, into, func() error {
		p := registry.NewPart(kind, nil)
		p.ID = id
		if id != parent { // a record of the centre names itself
			p.Parent, p.Visit = l.byID[parent], l.visits[parent]
		}
		for i, c := range columns {
			switch c.Type {
			case registry.NumberValue:
				p.Values[i] = registry.Value{Given: numbers[i].Valid, Num: numbers[i].Int32}
			case registry.DayValue:
				if days[i].Valid {
					p.Values[i] = registry.Value{Given: true, Num: int32(registry.DateOf(days[i].Time))}
				}
			default:
				p.Values[i] = registry.Value{Given: texts[i].Valid, Text: texts[i].String}
			}
		}
		if !kind.Info().Owned {
			l.byID[id] = p
		}
		l.held.Parts = append(l.held.Parts, p)
		return nil
	})
}

// readVisits reads the visits of eyes.
func (l *loader) readVisits(eyes pgx.StrictNamedArgs) {
	if l.err != nil {
		return
	}
	var (
		id, eye  registry.ID
		on       pgtype.Date
		values   [registry.NumMeasures]pgtype.Int4
		off      [3]pgtype.Int2
		lensFree pgtype.Int4
		texts    [6]pgtype.Text
	)
	into := []any{&id, &eye, &on}
	for i := range values {
		into = append(into, &values[i])
	}
	for i := range off {
		into = append(into, &off[i])
	}
	into = append(into, &lensFree)
	for i := range texts {
		into = append(into, &texts[i])
	}
	shared := map[registry.VisitTexts]*registry.VisitTexts{}
	rows, err := l.db.Query(l.ctx, visitsOfEyes, eyes)
	if err != nil {
		l.err = err
		return
	}
	_, l.err = pgx.ForEachRow(rows, into, func() error {
		v := registry.NewVisitPart(l.byID[eye], registry.DateOf(on.Time))
		v.ID = id
		for i := range values {
			if values[i].Valid {
				v.Values[i] = measure.Steps(values[i].Int32)
			}
		}
		for i := range off {
			v.OffChart[i] = int8(off[i].Int16)
		}
		if lensFree.Valid {
			v.LensFreeDays = measure.Steps(lensFree.Int32)
		}
		t := registry.VisitTexts{
			AcuityChart: texts[0].String, HazeScale: texts[1].String, Tomographer: texts[2].String,
			EndothelialCamera: texts[3].String, Note: texts[4].String, Entered: texts[5].String,
		}
		if t != (registry.VisitTexts{}) {
			if shared[t] == nil {
				kept := t
				shared[t] = &kept
			}
			v.Texts = shared[t]
		}
		l.visits[id] = &v
		l.held.Visits = append(l.held.Visits, &v)
		return nil
	})
}
