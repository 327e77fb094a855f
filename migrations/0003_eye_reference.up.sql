-- The patient of an eye is checked once for each statement, as the eye of a
-- visit is (0002): foreign keys made the entry of eyes six times as slow. The
-- rule is stricter than the keys were: an eye belongs to a patient of its own
-- centre, and the centre of a patient is still a foreign key, so that
-- eye_centre holds as well.

ALTER TABLE eye DROP CONSTRAINT eye_patient;
ALTER TABLE eye DROP CONSTRAINT eye_centre;

CREATE FUNCTION eye_patients_found(patients uuid[], centres uuid[]) RETURNS bigint LANGUAGE plpgsql
SET enable_seqscan = off SET enable_hashjoin = off SET enable_mergejoin = off AS $$
DECLARE
    found bigint;
BEGIN
    SELECT count(*) INTO found FROM (
        SELECT 1 FROM unnest(patients, centres) AS asked (patient_id, centre_id)
        JOIN patient ON patient.id = asked.patient_id AND patient.centre_id = asked.centre_id
        FOR KEY SHARE OF patient) locked;
    RETURN found;
END $$;

CREATE FUNCTION eye_patient_check() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    patients uuid[];
    centres uuid[];
BEGIN
    SELECT array_agg(e.patient_id), array_agg(e.centre_id) INTO patients, centres
    FROM (SELECT patient_id, centre_id FROM entered GROUP BY patient_id, centre_id) e;
    IF eye_patients_found(patients, centres) < cardinality(patients) THEN
        RAISE EXCEPTION 'insert or update on table "eye" violates rule "eye_patient"'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'eye_patient', TABLE = 'eye', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER eye_patient_on_insert AFTER INSERT ON eye
    REFERENCING NEW TABLE AS entered FOR EACH STATEMENT EXECUTE FUNCTION eye_patient_check();

CREATE FUNCTION eye_patient_check_update() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    patients uuid[];
    centres uuid[];
BEGIN
    SELECT array_agg(e.patient_id), array_agg(e.centre_id) INTO patients, centres
    FROM (SELECT patient_id, centre_id FROM entered EXCEPT SELECT patient_id, centre_id FROM replaced) e;
    IF patients IS NOT NULL AND eye_patients_found(patients, centres) < cardinality(patients) THEN
        RAISE EXCEPTION 'insert or update on table "eye" violates rule "eye_patient"'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'eye_patient', TABLE = 'eye', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER eye_patient_on_update AFTER UPDATE ON eye
    REFERENCING OLD TABLE AS replaced NEW TABLE AS entered FOR EACH STATEMENT EXECUTE FUNCTION eye_patient_check_update();

CREATE FUNCTION patient_has_eyes() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM removed p WHERE NOT EXISTS (SELECT FROM patient k WHERE k.id = p.id AND k.centre_id = p.centre_id)) THEN
        RETURN NULL;
    END IF;
    -- An older snapshot would not show eyes entered since.
    IF current_setting('transaction_isolation') = 'repeatable read' THEN
        RAISE EXCEPTION 'patients are removed or renumbered in read committed or serializable transactions only'
            USING ERRCODE = 'object_not_in_prerequisite_state';
    END IF;
    IF EXISTS (SELECT FROM removed p WHERE NOT EXISTS (SELECT FROM patient k WHERE k.id = p.id AND k.centre_id = p.centre_id)
                                       AND EXISTS (SELECT FROM eye e WHERE e.patient_id = p.id)) THEN
        RAISE EXCEPTION 'update or delete on table "patient" violates rule "eye_patient" of table "eye"'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'eye_patient', TABLE = 'eye', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER patient_keeps_eyes_on_delete AFTER DELETE ON patient
    REFERENCING OLD TABLE AS removed FOR EACH STATEMENT EXECUTE FUNCTION patient_has_eyes();
CREATE TRIGGER patient_keeps_eyes_on_update AFTER UPDATE ON patient
    REFERENCING OLD TABLE AS removed FOR EACH STATEMENT EXECUTE FUNCTION patient_has_eyes();

CREATE FUNCTION patient_is_not_truncated() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM eye) THEN
        RAISE EXCEPTION 'cannot truncate table "patient" while eyes refer to it'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'eye_patient', TABLE = 'eye', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER patient_keeps_eyes_on_truncate AFTER TRUNCATE ON patient
    FOR EACH STATEMENT EXECUTE FUNCTION patient_is_not_truncated();
