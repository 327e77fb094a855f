package pgstore

import "keratally/registry"

// changing is the SQL that changes records of one kind. before keeps the
// state of the records, or of the parts of the records, with the given
// identities as it was before the batch; write takes values as JSON, new ones
// or those that before kept; after keeps the state that the batch leaves.
// clear removes the parts of records before they are put back.
type changing struct{ before, write, after, clear string }

// statesBefore are what before kept of records, and of parts of records, as
// write takes them.
const statesBefore = `
	SELECT coalesce(jsonb_agg(s.state), '[]')::text, count(*) FROM intake_change c
	CROSS JOIN LATERAL (SELECT c.before AS state WHERE jsonb_typeof(c.before) = 'object'
	                    UNION ALL SELECT jsonb_array_elements(c.before) WHERE jsonb_typeof(c.before) = 'array') s
	WHERE c.batch_id = @batch AND c.record = @record`

var changeSQL = map[registry.Kind]changing{
	registry.ClinicianRecord:     {clinicianBefore, clinicianWrite, clinicianAfter, ""},
	registry.ProtocolRecord:      {protocolBefore, protocolWrite, protocolAfter, ""},
	registry.PatientRecord:       {patientBefore, patientWrite, patientAfter, ""},
	registry.EyeRecord:           {eyeBefore, eyeWrite, eyeAfter, ""},
	registry.TreatmentRecord:     {treatmentBefore, treatmentWrite, treatmentAfter, ""},
	registry.VisitRecord:         {visitBefore, visitWrite, visitAfter, ""},
	registry.ComplicationRecord:  {complicationBefore, complicationWrite, complicationAfter, ""},
	registry.SurgeryRecord:       {surgeryBefore, surgeryWrite, surgeryAfter, ""},
	registry.FollowUpEndRecord:   {followUpEndBefore, followUpEndWrite, followUpEndAfter, ""},
	registry.ProtocolZoneRecord:  {protocolZoneBefore, protocolZoneWrite, protocolZoneAfter, protocolZoneClear},
	registry.TreatmentZoneRecord: {treatmentZoneBefore, treatmentZoneWrite, treatmentZoneAfter, treatmentZoneClear},
	registry.PachymetryRecord:    {pachymetryBefore, pachymetryWrite, pachymetryAfter, pachymetryClear},
	registry.DemarcationRecord:   {demarcationBefore, demarcationWrite, demarcationAfter, demarcationClear},
}

const (
	clinicianBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'clinician', t.id, to_jsonb(t), to_jsonb(t) FROM clinician t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	clinicianWrite = `
		UPDATE clinician SET
		    name = n.name
		FROM jsonb_populate_recordset(NULL::clinician, @rows) n WHERE clinician.id = n.id`
	clinicianAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM clinician t WHERE c.batch_id = @batch AND c.record = 'clinician' AND c.record_id = t.id AND t.id = ANY (@ids)`

	protocolBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'protocol', t.id, to_jsonb(t), to_jsonb(t) FROM protocol t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	protocolWrite = `
		UPDATE protocol SET
		    name = n.name, epithelium = n.epithelium, vehicle = n.vehicle, riboflavin_e2 = n.riboflavin_e2, soak_e1 = n.soak_e1,
		    oxygen = n.oxygen, pattern = n.pattern, irradiance_e2 = n.irradiance_e2, exposure_s = n.exposure_s,
		    pulse_on_ms = n.pulse_on_ms, pulse_off_ms = n.pulse_off_ms, fluence_e2 = n.fluence_e2
		FROM jsonb_populate_recordset(NULL::protocol, @rows) n WHERE protocol.id = n.id`
	protocolAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM protocol t WHERE c.batch_id = @batch AND c.record = 'protocol' AND c.record_id = t.id AND t.id = ANY (@ids)`

	patientBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'patient', t.id, to_jsonb(t), to_jsonb(t) FROM patient t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	patientWrite = `
		UPDATE patient SET
		    sex = n.sex, birth_year = n.birth_year, atopy = n.atopy, eye_rubbing = n.eye_rubbing, family_history = n.family_history,
		    consent = n.consent, consent_changed_on = n.consent_changed_on, died_on = n.died_on
		FROM jsonb_populate_recordset(NULL::patient, @rows) n WHERE patient.id = n.id`
	patientAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM patient t WHERE c.batch_id = @batch AND c.record = 'patient' AND c.record_id = t.id AND t.id = ANY (@ids)`

	eyeBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'eye', t.id, to_jsonb(t), to_jsonb(t) FROM eye t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	eyeWrite = `
		UPDATE eye SET
		    diagnosis = n.diagnosis, progression_documented = n.progression_documented
		FROM jsonb_populate_recordset(NULL::eye, @rows) n WHERE eye.id = n.id`
	eyeAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM eye t WHERE c.batch_id = @batch AND c.record = 'eye' AND c.record_id = t.id AND t.id = ANY (@ids)`

	treatmentBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'treatment', t.id, to_jsonb(t), to_jsonb(t) FROM treatment t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	treatmentWrite = `
		UPDATE treatment SET
		    protocol_id = n.protocol_id, clinician_id = n.clinician_id, interruptions = n.interruptions,
		    epithelial_zone_e2 = n.epithelial_zone_e2, healing_days = n.healing_days, adjunct = n.adjunct, note = n.note,
		    entered = n.entered, irradiance_e2 = n.irradiance_e2, exposure_s = n.exposure_s, pulse_on_ms = n.pulse_on_ms,
		    pulse_off_ms = n.pulse_off_ms, fluence_e2 = n.fluence_e2
		FROM jsonb_populate_recordset(NULL::treatment, @rows) n WHERE treatment.id = n.id`
	treatmentAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM treatment t WHERE c.batch_id = @batch AND c.record = 'treatment' AND c.record_id = t.id AND t.id = ANY (@ids)`

	visitBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'visit', t.id, to_jsonb(t), to_jsonb(t) FROM visit t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	visitWrite = `
		UPDATE visit SET
		    udva_e3 = n.udva_e3, cdva_e3 = n.cdva_e3, clva_e3 = n.clva_e3, sphere_e2 = n.sphere_e2, cylinder_e2 = n.cylinder_e2,
		    refraction_axis = n.refraction_axis, k1_e2 = n.k1_e2, k2_e2 = n.k2_e2, steep_axis = n.steep_axis, kmax_e2 = n.kmax_e2,
		    kmax_posterior_e2 = n.kmax_posterior_e2, thinnest_um = n.thinnest_um, apex_um = n.apex_um, iop_e1 = n.iop_e1,
		    haze_e1 = n.haze_e1, densitometry_e1 = n.densitometry_e1, ecd_cells = n.ecd_cells, cell_cv_e1 = n.cell_cv_e1,
		    hexagonality_e1 = n.hexagonality_e1, cells_counted = n.cells_counted, udva_off_chart = n.udva_off_chart,
		    cdva_off_chart = n.cdva_off_chart, clva_off_chart = n.clva_off_chart, lens_free_days = n.lens_free_days,
		    acuity_chart = n.acuity_chart, haze_scale = n.haze_scale, tomographer = n.tomographer,
		    endothelial_camera = n.endothelial_camera, note = n.note, entered = n.entered
		FROM jsonb_populate_recordset(NULL::visit, @rows) n WHERE visit.id = n.id`
	visitAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM visit t WHERE c.batch_id = @batch AND c.record = 'visit' AND c.record_id = t.id AND t.id = ANY (@ids)`

	complicationBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'complication', t.id, to_jsonb(t), to_jsonb(t) FROM complication t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	complicationWrite = `
		UPDATE complication SET
		    grade = n.grade, action = n.action, resolved_on = n.resolved_on, outcome = n.outcome, note = n.note
		FROM jsonb_populate_recordset(NULL::complication, @rows) n WHERE complication.id = n.id`
	complicationAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM complication t WHERE c.batch_id = @batch AND c.record = 'complication' AND c.record_id = t.id AND t.id = ANY (@ids)`

	surgeryBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'surgery', t.id, to_jsonb(t), to_jsonb(t) FROM surgery t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	surgeryWrite = `
		UPDATE surgery SET
		    note = n.note
		FROM jsonb_populate_recordset(NULL::surgery, @rows) n WHERE surgery.id = n.id`
	surgeryAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM surgery t WHERE c.batch_id = @batch AND c.record = 'surgery' AND c.record_id = t.id AND t.id = ANY (@ids)`

	followUpEndBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'follow_up_end', t.id, to_jsonb(t), to_jsonb(t) FROM follow_up_end t WHERE t.id = ANY (@ids)
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	followUpEndWrite = `
		UPDATE follow_up_end SET
		    ended_on = n.ended_on, reason = n.reason
		FROM jsonb_populate_recordset(NULL::follow_up_end, @rows) n WHERE follow_up_end.id = n.id`
	followUpEndAfter = `
		UPDATE intake_change c SET after = to_jsonb(t)
		FROM follow_up_end t WHERE c.batch_id = @batch AND c.record = 'follow_up_end' AND c.record_id = t.id AND t.id = ANY (@ids)`

	protocolZoneBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'protocol_zone', i.id, coalesce(jsonb_agg(to_jsonb(t) ORDER BY t.zone_order) FILTER (WHERE t.protocol_id IS NOT NULL), '[]'), '[]'
		FROM (SELECT DISTINCT unnest(@ids::uuid[]) AS id) i LEFT JOIN protocol_zone t ON t.protocol_id = i.id GROUP BY i.id
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	protocolZoneWrite = `
		INSERT INTO protocol_zone (protocol_id, centre_id, zone_order, shape, diameter_e2, minor_diameter_e2, fluence_e2, centre_x_e2, centre_y_e2)
		SELECT protocol_id, centre_id, zone_order, shape, diameter_e2, minor_diameter_e2, fluence_e2, centre_x_e2, centre_y_e2 FROM jsonb_populate_recordset(NULL::protocol_zone, @rows)
		ON CONFLICT (protocol_id, zone_order) DO UPDATE SET
		    shape = excluded.shape, diameter_e2 = excluded.diameter_e2, minor_diameter_e2 = excluded.minor_diameter_e2,
		    fluence_e2 = excluded.fluence_e2, centre_x_e2 = excluded.centre_x_e2, centre_y_e2 = excluded.centre_y_e2`
	protocolZoneAfter = `
		UPDATE intake_change c SET after = now.parts
		FROM (SELECT t.protocol_id AS id, jsonb_agg(to_jsonb(t) ORDER BY t.zone_order) AS parts FROM protocol_zone t
		      WHERE t.protocol_id = ANY (@ids) GROUP BY t.protocol_id) now
		WHERE c.batch_id = @batch AND c.record = 'protocol_zone' AND c.record_id = now.id`
	protocolZoneClear = `
		DELETE FROM protocol_zone USING intake_change c WHERE c.batch_id = @batch AND c.record = 'protocol_zone' AND protocol_zone.protocol_id = c.record_id`

	treatmentZoneBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'treatment_zone', i.id, coalesce(jsonb_agg(to_jsonb(t) ORDER BY t.zone_order) FILTER (WHERE t.treatment_id IS NOT NULL), '[]'), '[]'
		FROM (SELECT DISTINCT unnest(@ids::uuid[]) AS id) i LEFT JOIN treatment_zone t ON t.treatment_id = i.id GROUP BY i.id
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	treatmentZoneWrite = `
		INSERT INTO treatment_zone (treatment_id, centre_id, zone_order, shape, diameter_e2, minor_diameter_e2, fluence_e2, centre_x_e2, centre_y_e2)
		SELECT treatment_id, centre_id, zone_order, shape, diameter_e2, minor_diameter_e2, fluence_e2, centre_x_e2, centre_y_e2 FROM jsonb_populate_recordset(NULL::treatment_zone, @rows)
		ON CONFLICT (treatment_id, zone_order) DO UPDATE SET
		    shape = excluded.shape, diameter_e2 = excluded.diameter_e2, minor_diameter_e2 = excluded.minor_diameter_e2,
		    fluence_e2 = excluded.fluence_e2, centre_x_e2 = excluded.centre_x_e2, centre_y_e2 = excluded.centre_y_e2`
	treatmentZoneAfter = `
		UPDATE intake_change c SET after = now.parts
		FROM (SELECT t.treatment_id AS id, jsonb_agg(to_jsonb(t) ORDER BY t.zone_order) AS parts FROM treatment_zone t
		      WHERE t.treatment_id = ANY (@ids) GROUP BY t.treatment_id) now
		WHERE c.batch_id = @batch AND c.record = 'treatment_zone' AND c.record_id = now.id`
	treatmentZoneClear = `
		DELETE FROM treatment_zone USING intake_change c WHERE c.batch_id = @batch AND c.record = 'treatment_zone' AND treatment_zone.treatment_id = c.record_id`

	pachymetryBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'pachymetry_step', i.id, coalesce(jsonb_agg(to_jsonb(t) ORDER BY t.step) FILTER (WHERE t.treatment_id IS NOT NULL), '[]'), '[]'
		FROM (SELECT DISTINCT unnest(@ids::uuid[]) AS id) i LEFT JOIN pachymetry_step t ON t.treatment_id = i.id GROUP BY i.id
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	pachymetryWrite = `
		INSERT INTO pachymetry_step (treatment_id, centre_id, step, thickness_um)
		SELECT treatment_id, centre_id, step, thickness_um FROM jsonb_populate_recordset(NULL::pachymetry_step, @rows)
		ON CONFLICT (treatment_id, step) DO UPDATE SET
		    thickness_um = excluded.thickness_um`
	pachymetryAfter = `
		UPDATE intake_change c SET after = now.parts
		FROM (SELECT t.treatment_id AS id, jsonb_agg(to_jsonb(t) ORDER BY t.step) AS parts FROM pachymetry_step t
		      WHERE t.treatment_id = ANY (@ids) GROUP BY t.treatment_id) now
		WHERE c.batch_id = @batch AND c.record = 'pachymetry_step' AND c.record_id = now.id`
	pachymetryClear = `
		DELETE FROM pachymetry_step USING intake_change c WHERE c.batch_id = @batch AND c.record = 'pachymetry_step' AND pachymetry_step.treatment_id = c.record_id`

	demarcationBefore = `
		INSERT INTO intake_change (batch_id, record, record_id, before, after)
		SELECT @batch, 'demarcation', i.id, coalesce(jsonb_agg(to_jsonb(t) ORDER BY t.zone, t.observer) FILTER (WHERE t.visit_id IS NOT NULL), '[]'), '[]'
		FROM (SELECT DISTINCT unnest(@ids::uuid[]) AS id) i LEFT JOIN demarcation t ON t.visit_id = i.id GROUP BY i.id
		ON CONFLICT (batch_id, record, record_id) DO NOTHING`
	demarcationWrite = `
		INSERT INTO demarcation (visit_id, centre_id, zone, observer, seen, depth_um, thickness_um, surface, method)
		SELECT visit_id, centre_id, zone, observer, seen, depth_um, thickness_um, surface, method FROM jsonb_populate_recordset(NULL::demarcation, @rows)
		ON CONFLICT (visit_id, zone, observer) DO UPDATE SET
		    seen = excluded.seen, depth_um = excluded.depth_um, thickness_um = excluded.thickness_um, surface = excluded.surface,
		    method = excluded.method`
	demarcationAfter = `
		UPDATE intake_change c SET after = now.parts
		FROM (SELECT t.visit_id AS id, jsonb_agg(to_jsonb(t) ORDER BY t.zone, t.observer) AS parts FROM demarcation t
		      WHERE t.visit_id = ANY (@ids) GROUP BY t.visit_id) now
		WHERE c.batch_id = @batch AND c.record = 'demarcation' AND c.record_id = now.id`
	demarcationClear = `
		DELETE FROM demarcation USING intake_change c WHERE c.batch_id = @batch AND c.record = 'demarcation' AND demarcation.visit_id = c.record_id`
)
