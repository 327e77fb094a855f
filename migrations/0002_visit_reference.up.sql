-- The eye of a visit is checked once for each statement instead of once for
-- each row: a foreign key makes the entry of a million visits twice as slow.
-- The rule is the same and keeps its name: every visit belongs to an eye of
-- its own centre. As a foreign key does, the check locks the eyes against
-- being removed or renumbered by another transaction that is still going on.

ALTER TABLE visit DROP CONSTRAINT visit_eye;

CREATE FUNCTION visit_eye_check() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    asked bigint;
    found bigint;
BEGIN
    SELECT count(*) INTO asked FROM (SELECT DISTINCT eye_id, centre_id FROM entered) e;
    SELECT count(*) INTO found FROM (
        SELECT 1 FROM eye
        JOIN (SELECT DISTINCT eye_id, centre_id FROM entered) e ON e.eye_id = eye.id AND e.centre_id = eye.centre_id
        FOR KEY SHARE OF eye) f;
    IF found < asked THEN
        RAISE EXCEPTION 'insert or update on table "visit" violates rule "visit_eye"'
            USING ERRCODE = 'foreign_key_violation', CONSTRAINT = 'visit_eye', TABLE = 'visit', SCHEMA = TG_TABLE_SCHEMA;
    END IF;
    RETURN NULL;
END $$;

CREATE TRIGGER visit_eye_on_insert AFTER INSERT ON visit
    REFERENCING NEW TABLE AS entered FOR EACH STATEMENT EXECUTE FUNCTION visit_eye_check();

-- A trigger with a transition table cannot name columns, so an update of any
-- kind is looked at, but only the visits whose eye or centre changed.
CREATE FUNCTION visit_eye_check_update() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    asked bigint;
    found bigint;
BEGIN
    SELECT count(*) INTO asked FROM (
        SELECT DISTINCT n.eye_id, n.centre_id FROM entered n JOIN replaced o ON o.id = n.id
        WHERE (n.eye_id, n.centre_id) IS DISTINCT FROM (o.eye_id, o.centre_id)
        UNION
        SELECT DISTINCT n.eye_id, n.centre_id FROM entered n WHERE NOT EXISTS (SELECT FROM replaced o WHERE o.id = n.id)) e;
    IF asked = 0 THEN
        RETURN NULL;
    END IF;
    SELECT count(*) INTO found FROM (
        SELECT 1 FROM eye
        JOIN (SELECT n.eye_id, n.centre_id FROM entered n JOIN replaced o ON o.id = n.id
              WHERE (n.eye_id, n.centre_id) IS DISTINCT FROM (o.eye_id, o.centre_id)
              UNION
              SELECT n.eye_id, n.centre_id FROM entered n WHERE NOT EXISTS (SELECT FROM replaced o WHERE o.id = n.id)) e
          ON e.eye_id = eye.id AND e.centre_id = eye.centre_id
        FOR KEY SHARE OF eye) f;
    IF found < asked THEN
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
CREATE TRIGGER eye_keeps_visits_on_truncate BEFORE TRUNCATE ON eye
    FOR EACH STATEMENT EXECUTE FUNCTION eye_is_not_truncated();
