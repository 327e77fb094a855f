DROP TABLE intake_change, definition, query, follow_up_end, surgery, complication, demarcation, visit,
    pachymetry_step, treatment_zone, treatment, protocol_zone, protocol, eye, patient, clinician, intake_batch, centre;
DROP FUNCTION tri_state(text);
