-- The eye of a visit is checked once for each statement instead of once for
-- each row: a foreign key makes the entry of a million visits twice as slow.
-- The rule is the same and keeps its name: every visit belongs to an eye of
-- its own centre. As a foreign key does, the check locks the eyes against
-- being removed or renumbered by another transaction that is still going on.

ALTER TABLE visit DROP CONSTRAINT visit_eye;

-- Counts how many of the eyes exist, each in its centre, and locks them. The
-- settings keep it to one look into the index for each eye, whatever the
-- planner knew of the table when the session first came here.
CREATE FUNCTION visit_eyes_found(eyes uuid[], centres uuid[]) RETURNS bigint LANGUAGE plpgsql
SET enable_seqscan = off SET enable_hashjoin = off SET enable_mergejoin = off AS $$
DECLARE
    found bigint;
BEGIN
    SELECT count(*) INTO found FROM (
        SELECT 1 FROM unnest(eyes, centres) AS asked (eye_id, centre_id)
        JOIN eye ON eye.id = asked.eye_id AND eye.centre_id = asked.centre_id
        FOR KEY SHARE OF eye) locked;
    RETURN found;
END $$;

CREATE FUNCTION visit_eye_check() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    eyes uuid[];
    centres uuid[];
BEGIN
    SELECT array_agg(e.eye_id), array_agg(e.centre_id) INTO eyes, centres
    FROM (SELECT eye_id, centre_id FROM entered GROUP BY eye_id, centre_id) e;
    IF visit_eyes_found(eyes, centres) < cardinality(eyes) THEN
        RAISE EXCEPTION 'insert or update on table "visit" violates rule "visit_eye"'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'visit_eye', TABLE = 'visit', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER visit_eye_on_insert AFTER INSERT ON visit
    REFERENCING NEW TABLE AS entered FOR EACH STATEMENT EXECUTE FUNCTION visit_eye_check();

-- A trigger with a transition table cannot name columns, so every update is
-- looked at, but only pairs of eye and centre that were not there before.
CREATE FUNCTION visit_eye_check_update() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    eyes uuid[];
    centres uuid[];
BEGIN
    SELECT array_agg(e.eye_id), array_agg(e.centre_id) INTO eyes, centres
    FROM (SELECT eye_id, centre_id FROM entered EXCEPT SELECT eye_id, centre_id FROM replaced) e;
    IF eyes IS NOT NULL AND visit_eyes_found(eyes, centres) < cardinality(eyes) THEN
        RAISE EXCEPTION 'insert or update on table "visit" violates rule "visit_eye"'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'visit_eye', TABLE = 'visit', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER visit_eye_on_update AFTER UPDATE ON visit
    REFERENCING OLD TABLE AS replaced NEW TABLE AS entered FOR EACH STATEMENT EXECUTE FUNCTION visit_eye_check_update();

-- The other half of the rule: an eye that visits refer to stays. The new key
-- of an eye is a change of the row that FOR KEY SHARE above waits for.
CREATE FUNCTION eye_has_visits() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF NOT EXISTS (SELECT FROM removed e WHERE NOT EXISTS (SELECT FROM eye k WHERE k.id = e.id AND k.centre_id = e.centre_id)) THEN
        RETURN NULL;
    END IF;
    -- An older snapshot would not show visits entered since.
    IF current_setting('transaction_isolation') = 'repeatable read' THEN
        RAISE EXCEPTION 'eyes are removed or renumbered in read committed or serializable transactions only'
            USING ERRCODE = 'object_not_in_prerequisite_state';
    END IF;
    IF EXISTS (SELECT FROM removed e WHERE NOT EXISTS (SELECT FROM eye k WHERE k.id = e.id AND k.centre_id = e.centre_id)
                                       AND EXISTS (SELECT FROM visit v WHERE v.eye_id = e.id)) THEN
        RAISE EXCEPTION 'update or delete on table "eye" violates rule "visit_eye" of table "visit"'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'visit_eye', TABLE = 'visit', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER eye_keeps_visits_on_delete AFTER DELETE ON eye
    REFERENCING OLD TABLE AS removed FOR EACH STATEMENT EXECUTE FUNCTION eye_has_visits();
CREATE TRIGGER eye_keeps_visits_on_update AFTER UPDATE ON eye
    REFERENCING OLD TABLE AS removed FOR EACH STATEMENT EXECUTE FUNCTION eye_has_visits();

-- TRUNCATE fires no such trigger and has no foreign key to stop it any more.
CREATE FUNCTION eye_is_not_truncated() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM visit) THEN
        RAISE EXCEPTION 'cannot truncate table "eye" while visits refer to it'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'visit_eye', TABLE = 'visit', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER eye_keeps_visits_on_truncate AFTER TRUNCATE ON eye
    FOR EACH STATEMENT EXECUTE FUNCTION eye_is_not_truncated();
