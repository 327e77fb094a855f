-- The clinical registry. Numbers are stored in whole steps; the suffix of a
-- column tells the scale: _e2 is hundredths of the unit in its comment.

CREATE FUNCTION tri_state(v text) RETURNS boolean LANGUAGE sql IMMUTABLE PARALLEL SAFE
    RETURN v IN ('yes', 'no', 'unknown');

CREATE TABLE centre (
    id   uuid PRIMARY KEY,
    code text NOT NULL CONSTRAINT centre_code_unique UNIQUE,
    name text NOT NULL,
    CONSTRAINT centre_code_given CHECK (code <> '')
);

CREATE TABLE intake_batch (
    id           uuid PRIMARY KEY,
    centre_id    uuid NOT NULL CONSTRAINT intake_batch_centre REFERENCES centre,
    file_name    text NOT NULL,
    file_sha256  text NOT NULL,
    mapping_name text NOT NULL,
    mapping_text text NOT NULL,
    person       text NOT NULL,
    started_at   timestamptz NOT NULL,
    committed_at timestamptz NOT NULL,
    undone_at    timestamptz,
    undone_by    text,
    rows_read    integer NOT NULL CONSTRAINT intake_batch_rows CHECK (rows_read >= 0),
    rows_new     integer NOT NULL,
    rows_changed integer NOT NULL,
    rows_same    integer NOT NULL,
    rows_refused integer NOT NULL
);

CREATE TABLE clinician (
    id        uuid PRIMARY KEY,
    centre_id uuid NOT NULL CONSTRAINT clinician_centre REFERENCES centre,
    code      text NOT NULL,
    name      text NOT NULL,
    batch_id  uuid,
    CONSTRAINT clinician_code_unique UNIQUE (centre_id, code),
    CONSTRAINT clinician_code_given CHECK (code <> '')
);

CREATE TABLE patient (
    id                 uuid PRIMARY KEY,
    centre_id          uuid NOT NULL CONSTRAINT patient_centre REFERENCES centre,
    code               text NOT NULL,
    sex                text CONSTRAINT patient_sex_known CHECK (sex IN ('female', 'male', 'other')),
    birth_year         smallint CONSTRAINT patient_birth_year_range CHECK (birth_year BETWEEN 1900 AND 2100),
    atopy              text CONSTRAINT patient_atopy_known CHECK (tri_state(atopy)),
    eye_rubbing        text CONSTRAINT patient_eye_rubbing_known CHECK (tri_state(eye_rubbing)),
    family_history     text CONSTRAINT patient_family_history_known CHECK (tri_state(family_history)),
    consent            text CONSTRAINT patient_consent_known CHECK (consent IN ('given', 'withdrawn', 'waived')),
    consent_changed_on date,
    died_on            date,
    batch_id           uuid,
    CONSTRAINT patient_code_unique UNIQUE (centre_id, code),
    CONSTRAINT patient_code_given CHECK (code <> '')
);

CREATE TABLE eye (
    id                     uuid PRIMARY KEY,
    centre_id              uuid NOT NULL CONSTRAINT eye_centre REFERENCES centre,
    patient_id             uuid NOT NULL CONSTRAINT eye_patient REFERENCES patient,
    side                   smallint NOT NULL CONSTRAINT eye_side_known CHECK (side IN (1, 2)),
    diagnosis              text CONSTRAINT eye_diagnosis_known
                           CHECK (diagnosis IN ('keratoconus', 'pellucid', 'ectasia', 'other')),
    progression_documented text CONSTRAINT eye_progression_known CHECK (tri_state(progression_documented)),
    batch_id               uuid,
    CONSTRAINT eye_side_unique UNIQUE (patient_id, side)
);
COMMENT ON COLUMN eye.side IS '1 right (OD), 2 left (OS)';

CREATE TABLE protocol (
    id             uuid PRIMARY KEY,
    centre_id      uuid NOT NULL CONSTRAINT protocol_centre REFERENCES centre,
    code           text NOT NULL,
    version        smallint NOT NULL CONSTRAINT protocol_version_positive CHECK (version > 0),
    name           text NOT NULL,
    epithelium     text CONSTRAINT protocol_epithelium_known CHECK (epithelium IN ('off', 'on', 'island')),
    vehicle        text CONSTRAINT protocol_vehicle_known CHECK (vehicle IN
                   ('dextran', 'hpmc', 'isotonic', 'hypo-osmolar', 'transepithelial', 'iontophoresis', 'other')),
    riboflavin_e2  integer CONSTRAINT protocol_riboflavin_range CHECK (riboflavin_e2 BETWEEN 1 AND 100),
    soak_e1        integer CONSTRAINT protocol_soak_range CHECK (soak_e1 BETWEEN 0 AND 900),
    irradiance_e2  integer CONSTRAINT protocol_irradiance_range CHECK (irradiance_e2 BETWEEN 50 AND 10000),
    exposure_s     integer CONSTRAINT protocol_exposure_range CHECK (exposure_s BETWEEN 30 AND 5400),
    pulse_on_ms    integer CONSTRAINT protocol_pulse_on_range CHECK (pulse_on_ms BETWEEN 1 AND 600000),
    pulse_off_ms   integer CONSTRAINT protocol_pulse_off_range CHECK (pulse_off_ms BETWEEN 0 AND 600000),
    fluence_e2     integer CONSTRAINT protocol_fluence_range CHECK (fluence_e2 BETWEEN 50 AND 3000),
    oxygen         text CONSTRAINT protocol_oxygen_known CHECK (tri_state(oxygen)),
    pattern        text CONSTRAINT protocol_pattern_known CHECK (pattern IN ('uniform', 'zoned')),
    batch_id       uuid,
    CONSTRAINT protocol_version_unique UNIQUE (centre_id, code, version),
    CONSTRAINT protocol_code_given CHECK (code <> '')
);
COMMENT ON COLUMN protocol.riboflavin_e2 IS 'per cent, hundredths';
COMMENT ON COLUMN protocol.soak_e1 IS 'minutes, tenths';
COMMENT ON COLUMN protocol.irradiance_e2 IS 'mW/cm2 during the pulse, hundredths';
COMMENT ON COLUMN protocol.exposure_s IS 'seconds of total time';
COMMENT ON COLUMN protocol.fluence_e2 IS 'J/cm2 as planned, hundredths';

CREATE TABLE protocol_zone (
    protocol_id       uuid NOT NULL CONSTRAINT protocol_zone_protocol REFERENCES protocol ON DELETE CASCADE,
    centre_id         uuid NOT NULL,
    zone_order        smallint NOT NULL,
    shape             text NOT NULL CONSTRAINT protocol_zone_shape_known CHECK (shape IN ('circle', 'ellipse', 'ring', 'sector', 'other')),
    diameter_e2       integer CONSTRAINT protocol_zone_diameter_range CHECK (diameter_e2 BETWEEN 50 AND 1400),
    minor_diameter_e2 integer CONSTRAINT protocol_zone_minor_range CHECK (minor_diameter_e2 BETWEEN 50 AND 1400),
    fluence_e2        integer CONSTRAINT protocol_zone_fluence_range CHECK (fluence_e2 BETWEEN 50 AND 3000),
    centre_x_e2       integer CONSTRAINT protocol_zone_x_range CHECK (centre_x_e2 BETWEEN -700 AND 700),
    centre_y_e2       integer CONSTRAINT protocol_zone_y_range CHECK (centre_y_e2 BETWEEN -700 AND 700),
    PRIMARY KEY (protocol_id, zone_order)
);

CREATE TABLE treatment (
    id                 uuid PRIMARY KEY,
    centre_id          uuid NOT NULL CONSTRAINT treatment_centre REFERENCES centre,
    eye_id             uuid NOT NULL CONSTRAINT treatment_eye REFERENCES eye,
    protocol_id        uuid CONSTRAINT treatment_protocol REFERENCES protocol,
    clinician_id       uuid CONSTRAINT treatment_clinician REFERENCES clinician,
    treated_on         date NOT NULL CONSTRAINT treatment_day_range CHECK (treated_on BETWEEN '1990-01-01' AND '2100-01-01'),
    irradiance_e2      integer CONSTRAINT treatment_irradiance_range CHECK (irradiance_e2 BETWEEN 50 AND 10000),
    exposure_s         integer CONSTRAINT treatment_exposure_range CHECK (exposure_s BETWEEN 30 AND 5400),
    pulse_on_ms        integer CONSTRAINT treatment_pulse_on_range CHECK (pulse_on_ms BETWEEN 1 AND 600000),
    pulse_off_ms       integer CONSTRAINT treatment_pulse_off_range CHECK (pulse_off_ms BETWEEN 0 AND 600000),
    fluence_e2         integer CONSTRAINT treatment_fluence_range CHECK (fluence_e2 BETWEEN 50 AND 3000),
    interruptions      integer CONSTRAINT treatment_interruptions_range CHECK (interruptions BETWEEN 0 AND 100),
    epithelial_zone_e2 integer CONSTRAINT treatment_epithelial_zone_range CHECK (epithelial_zone_e2 BETWEEN 0 AND 1200),
    healing_days       integer CONSTRAINT treatment_healing_range CHECK (healing_days BETWEEN 0 AND 120),
    adjunct            text,
    note               text,
    entered            text,
    batch_id           uuid,
    source_row         integer,
    CONSTRAINT treatment_day_unique UNIQUE (eye_id, treated_on)
);
COMMENT ON COLUMN treatment.entered IS 'JSON object: text as written, by field, where it says more than the value';

CREATE TABLE treatment_zone (LIKE protocol_zone INCLUDING CONSTRAINTS);
ALTER TABLE treatment_zone RENAME COLUMN protocol_id TO treatment_id;
ALTER TABLE treatment_zone ADD PRIMARY KEY (treatment_id, zone_order);
ALTER TABLE treatment_zone ADD CONSTRAINT treatment_zone_treatment FOREIGN KEY (treatment_id) REFERENCES treatment ON DELETE CASCADE;

CREATE TABLE pachymetry_step (
    treatment_id uuid NOT NULL CONSTRAINT pachymetry_step_treatment REFERENCES treatment ON DELETE CASCADE,
    centre_id    uuid NOT NULL,
    step         text NOT NULL CONSTRAINT pachymetry_step_known
                 CHECK (step IN ('before', 'after-removal', 'after-soak', 'after-swelling', 'minimum')),
    thickness_um integer NOT NULL CONSTRAINT pachymetry_step_range CHECK (thickness_um BETWEEN 120 AND 800),
    PRIMARY KEY (treatment_id, step)
);

CREATE TABLE visit (
    id                 uuid PRIMARY KEY,
    centre_id          uuid NOT NULL,
    eye_id             uuid NOT NULL CONSTRAINT visit_eye REFERENCES eye,
    visited_on         date NOT NULL CONSTRAINT visit_day_range CHECK (visited_on BETWEEN '1990-01-01' AND '2100-01-01'),
    udva_e3            integer CONSTRAINT visit_udva_range CHECK (udva_e3 BETWEEN -400 AND 3000),
    cdva_e3            integer CONSTRAINT visit_cdva_range CHECK (cdva_e3 BETWEEN -400 AND 3000),
    clva_e3            integer CONSTRAINT visit_clva_range CHECK (clva_e3 BETWEEN -400 AND 3000),
    udva_off_chart     smallint CONSTRAINT visit_udva_off_chart_known CHECK (udva_off_chart BETWEEN 1 AND 4),
    cdva_off_chart     smallint CONSTRAINT visit_cdva_off_chart_known CHECK (cdva_off_chart BETWEEN 1 AND 4),
    clva_off_chart     smallint CONSTRAINT visit_clva_off_chart_known CHECK (clva_off_chart BETWEEN 1 AND 4),
    sphere_e2          integer CONSTRAINT visit_sphere_range CHECK (sphere_e2 BETWEEN -4000 AND 2500),
    cylinder_e2        integer CONSTRAINT visit_cylinder_range CHECK (cylinder_e2 BETWEEN -2000 AND 2000),
    refraction_axis    integer CONSTRAINT visit_axis_range CHECK (refraction_axis BETWEEN 1 AND 180),
    k1_e2              integer CONSTRAINT visit_k1_range CHECK (k1_e2 BETWEEN 3000 AND 10000),
    k2_e2              integer CONSTRAINT visit_k2_range CHECK (k2_e2 BETWEEN 3000 AND 10000),
    steep_axis         integer CONSTRAINT visit_steep_axis_range CHECK (steep_axis BETWEEN 1 AND 180),
    kmax_e2            integer CONSTRAINT visit_kmax_range CHECK (kmax_e2 BETWEEN 3500 AND 12000),
    kmax_posterior_e2  integer CONSTRAINT visit_kmax_posterior_range CHECK (kmax_posterior_e2 BETWEEN 300 AND 2000),
    thinnest_um        integer CONSTRAINT visit_thinnest_range CHECK (thinnest_um BETWEEN 150 AND 750),
    apex_um            integer CONSTRAINT visit_apex_range CHECK (apex_um BETWEEN 150 AND 750),
    iop_e1             integer CONSTRAINT visit_iop_range CHECK (iop_e1 BETWEEN 0 AND 800),
    haze_e1            integer CONSTRAINT visit_haze_half_steps CHECK (haze_e1 BETWEEN 0 AND 40 AND haze_e1 % 5 = 0),
    densitometry_e1    integer CONSTRAINT visit_densitometry_range CHECK (densitometry_e1 BETWEEN 0 AND 1000),
    ecd_cells          integer CONSTRAINT visit_ecd_range CHECK (ecd_cells BETWEEN 200 AND 6000),
    cell_cv_e1         integer CONSTRAINT visit_cell_cv_range CHECK (cell_cv_e1 BETWEEN 50 AND 1000),
    hexagonality_e1    integer CONSTRAINT visit_hexagonality_range CHECK (hexagonality_e1 BETWEEN 50 AND 1000),
    cells_counted      integer CONSTRAINT visit_cells_counted_range CHECK (cells_counted BETWEEN 1 AND 1000),
    lens_free_days     integer CONSTRAINT visit_lens_free_range CHECK (lens_free_days BETWEEN 0 AND 36500),
    acuity_chart       text,
    haze_scale         text,
    tomographer        text,
    endothelial_camera text,
    note               text,
    entered            text,
    batch_id           uuid,
    source_row         integer,
    CONSTRAINT visit_day_unique UNIQUE (eye_id, visited_on),
    CONSTRAINT visit_udva_one CHECK (udva_e3 IS NULL OR udva_off_chart IS NULL),
    CONSTRAINT visit_cdva_one CHECK (cdva_e3 IS NULL OR cdva_off_chart IS NULL),
    CONSTRAINT visit_clva_one CHECK (clva_e3 IS NULL OR clva_off_chart IS NULL),
    CONSTRAINT visit_k_order CHECK (k1_e2 <= k2_e2 + 25 AND k2_e2 <= kmax_e2 + 25),
    CONSTRAINT visit_thinnest_below_apex CHECK (thinnest_um <= apex_um + 5),
    CONSTRAINT visit_axis_with_cylinder CHECK (refraction_axis IS NULL OR (cylinder_e2 IS NOT NULL AND cylinder_e2 <> 0)),
    CONSTRAINT visit_cylinder_with_sphere CHECK (cylinder_e2 IS NULL OR sphere_e2 IS NOT NULL)
);
COMMENT ON COLUMN visit.udva_e3 IS 'logMAR, thousandths; NULL when not measured or off the chart';
COMMENT ON COLUMN visit.cdva_e3 IS 'logMAR, thousandths; NULL when not measured or off the chart';
COMMENT ON COLUMN visit.clva_e3 IS 'logMAR, thousandths; NULL when not measured or off the chart';
COMMENT ON COLUMN visit.cdva_off_chart IS '1 counting fingers, 2 hand movements, 3 light perception, 4 no light perception';
COMMENT ON COLUMN visit.sphere_e2 IS 'dioptres, hundredths';
COMMENT ON COLUMN visit.cylinder_e2 IS 'dioptres, hundredths, sign as entered';
COMMENT ON COLUMN visit.kmax_e2 IS 'dioptres, hundredths';
COMMENT ON COLUMN visit.kmax_posterior_e2 IS 'dioptres, hundredths, as a magnitude';
COMMENT ON COLUMN visit.haze_e1 IS 'grade 0 to 4 in half steps, tenths; scale in haze_scale';
COMMENT ON COLUMN visit.iop_e1 IS 'mmHg, tenths';
COMMENT ON COLUMN visit.entered IS 'JSON object: text as written, by field, where it says more than the value';

CREATE TABLE demarcation (
    visit_id     uuid NOT NULL CONSTRAINT demarcation_visit REFERENCES visit ON DELETE CASCADE,
    centre_id    uuid NOT NULL,
    zone         text NOT NULL,
    seen         text NOT NULL CONSTRAINT demarcation_seen_known CHECK (seen IN ('seen', 'not-seen', 'not-imaged')),
    depth_um     integer CONSTRAINT demarcation_depth_range CHECK (depth_um BETWEEN 20 AND 700),
    thickness_um integer CONSTRAINT demarcation_thickness_range CHECK (thickness_um BETWEEN 120 AND 800),
    surface      text CONSTRAINT demarcation_surface_known CHECK (surface IN ('epithelium', 'stroma')),
    method       text,
    observer     text NOT NULL DEFAULT '',
    PRIMARY KEY (visit_id, zone, observer),
    CONSTRAINT demarcation_depth_when_seen CHECK (depth_um IS NULL OR seen = 'seen'),
    CONSTRAINT demarcation_within_cornea CHECK (depth_um <= thickness_um)
);

CREATE TABLE complication (
    id          uuid PRIMARY KEY,
    centre_id   uuid NOT NULL,
    eye_id      uuid NOT NULL CONSTRAINT complication_eye REFERENCES eye,
    kind        text NOT NULL CONSTRAINT complication_kind_given CHECK (kind <> ''),
    onset       date NOT NULL,
    grade       text CONSTRAINT complication_grade_known CHECK (grade IN ('mild', 'moderate', 'severe')),
    action      text,
    resolved_on date,
    outcome     text,
    note        text,
    batch_id    uuid,
    source_row  integer,
    CONSTRAINT complication_unique UNIQUE (eye_id, kind, onset),
    CONSTRAINT complication_resolved_after_onset CHECK (resolved_on >= onset)
);

CREATE TABLE surgery (
    id         uuid PRIMARY KEY,
    centre_id  uuid NOT NULL,
    eye_id     uuid NOT NULL CONSTRAINT surgery_eye REFERENCES eye,
    kind       text NOT NULL CONSTRAINT surgery_kind_known
               CHECK (kind IN ('keratoplasty', 'ring-segments', 'laser-ablation', 'cataract', 'lens', 'other')),
    operated_on date NOT NULL,
    note       text,
    batch_id   uuid,
    source_row integer,
    CONSTRAINT surgery_unique UNIQUE (eye_id, kind, operated_on)
);

CREATE TABLE follow_up_end (
    id        uuid PRIMARY KEY,
    centre_id uuid NOT NULL,
    eye_id    uuid NOT NULL CONSTRAINT follow_up_end_eye REFERENCES eye CONSTRAINT follow_up_end_unique UNIQUE,
    ended_on  date NOT NULL,
    reason    text NOT NULL CONSTRAINT follow_up_end_reason_known CHECK (reason IN
              ('moved', 'discharged', 'declined', 'died', 'consent-withdrawn', 'lost', 'other')),
    batch_id  uuid,
    source_row integer
);

CREATE TABLE query (
    id        uuid PRIMARY KEY,
    centre_id uuid NOT NULL,
    eye_id    uuid NOT NULL CONSTRAINT query_eye REFERENCES eye,
    record    text NOT NULL,
    record_id uuid NOT NULL,
    field     text NOT NULL,
    value     text NOT NULL,
    message   text NOT NULL,
    state     text NOT NULL DEFAULT 'open' CONSTRAINT query_state_known CHECK (state IN ('open', 'confirmed', 'corrected')),
    answer    text,
    answered_by text,
    answered_at timestamptz,
    batch_id  uuid,
    CONSTRAINT query_unique UNIQUE (record_id, field, message)
);
CREATE INDEX query_open ON query (centre_id, eye_id) WHERE state = 'open';

-- Definitions are data with a name, a version and a validity; a report stores
-- which it used. A version is never changed, only followed by the next.
CREATE TABLE definition (
    kind       text NOT NULL CONSTRAINT definition_kind_known CHECK (kind IN
               ('windows', 'progression', 'off-chart', 'complication-kinds', 'plausibility', 'targets', 'analysis')),
    name       text NOT NULL,
    version    integer NOT NULL CONSTRAINT definition_version_positive CHECK (version > 0),
    valid_from date NOT NULL,
    body       jsonb NOT NULL,
    note       text,
    PRIMARY KEY (kind, name, version)
);

-- What an intake changed in rows that were there before: enough to take the
-- batch out whole.
CREATE TABLE intake_change (
    batch_id uuid NOT NULL CONSTRAINT intake_change_batch REFERENCES intake_batch,
    record   text NOT NULL,
    record_id uuid NOT NULL,
    before   jsonb NOT NULL,
    after    jsonb NOT NULL,
    PRIMARY KEY (batch_id, record, record_id)
);

CREATE INDEX patient_batch ON patient (batch_id) WHERE batch_id IS NOT NULL;
CREATE INDEX treatment_by_day ON treatment (centre_id, treated_on);
CREATE INDEX complication_by_eye ON complication (eye_id, onset);
CREATE INDEX surgery_by_eye ON surgery (eye_id, operated_on);
