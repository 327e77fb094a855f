-- The log of research exports: what was released, to whom and what for, and
-- all that it takes to make the same bytes again.

CREATE TABLE export_snapshot (
    id      text PRIMARY KEY CONSTRAINT export_snapshot_id_form CHECK (id ~ '^[0-9a-f]{64}$'),
    cut_off date NOT NULL,
    content bytea NOT NULL
);
ALTER TABLE export_snapshot ALTER COLUMN content SET STORAGE EXTERNAL;
COMMENT ON TABLE export_snapshot IS 'The snapshots that exports were made from, each once, in their file form, which is compressed.';

CREATE TABLE export_log (
    id             uuid PRIMARY KEY,
    made_at        timestamptz NOT NULL DEFAULT now(),
    purpose        text NOT NULL CONSTRAINT export_log_purpose_given CHECK (btrim(purpose) <> ''),
    person         text NOT NULL CONSTRAINT export_log_person_given CHECK (btrim(person) <> ''),
    cohort         text NOT NULL,
    snapshot_id    text NOT NULL CONSTRAINT export_log_snapshot REFERENCES export_snapshot,
    cut_off        date NOT NULL,
    options        text NOT NULL,
    definitions    text NOT NULL,
    program        text NOT NULL,
    smallest_cell  integer NOT NULL,
    small_cells    integer NOT NULL,
    accepted       text CONSTRAINT export_log_small_cells_accepted CHECK (small_cells = 0 OR btrim(accepted) <> ''),
    files          jsonb NOT NULL
);
CREATE INDEX export_log_by_time ON export_log (made_at, id);
COMMENT ON COLUMN export_log.person IS 'to whom the export was released';
COMMENT ON COLUMN export_log.cohort IS 'the cohort in its text form';
COMMENT ON COLUMN export_log.options IS 'JSON object: format, ages, the key of the numbers and the other choices';
COMMENT ON COLUMN export_log.definitions IS 'JSON: the definitions as they stand in definitions.json of the export';
COMMENT ON COLUMN export_log.smallest_cell IS 'patients of the smallest group alike in sex, age, diagnosis and protocol; 0 for an empty cohort';
COMMENT ON COLUMN export_log.small_cells IS 'groups of fewer patients than the threshold that were released';
COMMENT ON COLUMN export_log.accepted IS 'why small cells were released; NULL where there were none';
COMMENT ON COLUMN export_log.files IS 'JSON array: name, bytes and SHA-256 of every file';

-- A log is added to, never changed.
CREATE FUNCTION export_log_stays() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the log of exports is added to, never changed'
        USING ERRCODE = 'integrity_constraint_violation', CONSTRAINT = 'export_log_stays', TABLE = TG_TABLE_NAME, SCHEMA = TG_TABLE_SCHEMA;
END $$;
CREATE TRIGGER export_log_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON export_log
    FOR EACH STATEMENT EXECUTE FUNCTION export_log_stays();
CREATE TRIGGER export_snapshot_stays BEFORE UPDATE OR DELETE OR TRUNCATE ON export_snapshot
    FOR EACH STATEMENT EXECUTE FUNCTION export_log_stays();

-- The secret of this registry from which the numbers of an export are drawn,
-- so that nobody who has an export can work out the registry's order.
CREATE TABLE export_secret (
    one    boolean PRIMARY KEY DEFAULT true CONSTRAINT export_secret_one CHECK (one),
    secret bytea NOT NULL CONSTRAINT export_secret_length CHECK (length(secret) = 32)
);
