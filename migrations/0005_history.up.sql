-- The history of clinical data and definitions, kept by the database itself:
-- every statement that enters, changes or deletes rows of a watched table
-- writes one entry. An entry says who, when and why, and holds for every row
-- its key and its mark: of the rows as they were, and as they became. For
-- changes and deletions the rows themselves are kept as well, before and
-- after; a row that was entered is its own record until it is changed.
--
-- key   16 bytes: the identity of the row, or the start of the SHA-256 of a
--       key of several columns.
-- mark  the first 16 bytes of the SHA-256 of the row in PostgreSQL's binary
--       form (record_send): of all columns, in their order, in UTF-8.
--
-- A program that enters many rows may hand their marks over, in the order of
-- the rows and in the setting keratally.marks as hexadecimal digits, and spare
-- the database the computing. Wrong marks can hide nothing: they are not those
-- of the rows, and the next verification says so.
--
-- Replaying the keys and marks of all entries in their order gives the mark
-- that each row should have now. A row that was altered, removed or put in
-- behind the back of the history has another, and is found by its key.
--
-- Entries are chained when their transaction commits: the hash of an entry is
-- the SHA-256 of the hash of the entry before and of everything it says. An
-- entry that was altered, removed or moved breaks the chain at its place. Who
-- may alter everything may also compute the whole chain anew from there on:
-- only a hash kept outside, printed each day, tells.

CREATE TABLE history_shape (
    id       integer PRIMARY KEY,
    relation text NOT NULL,
    key      text NOT NULL,
    columns  text[] NOT NULL
);
COMMENT ON TABLE history_shape IS 'The columns, in their order, that the marks of a watched table were made of, from the entry of action reshape or from the first on';
COMMENT ON COLUMN history_shape.key IS 'Expression of the key of a row r';

CREATE TABLE history (
    id       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at       timestamptz NOT NULL DEFAULT clock_timestamp(),
    person   text NOT NULL,
    reason   text NOT NULL,
    role     text NOT NULL DEFAULT session_user,
    batch_id uuid,
    relation text NOT NULL,
    shape    integer NOT NULL CONSTRAINT history_of_shape REFERENCES history_shape,
    action   text NOT NULL CONSTRAINT history_action_known CHECK (action IN ('found', 'insert', 'update', 'delete', 'reshape')),
    was_keys     bytea NOT NULL,
    was_marks    bytea NOT NULL,
    became_keys  bytea NOT NULL,
    became_marks bytea NOT NULL,
    images       bytea NOT NULL
);
-- Marks are as good as random: compressing them only takes time.
ALTER TABLE history ALTER COLUMN was_keys SET STORAGE EXTERNAL;
ALTER TABLE history ALTER COLUMN was_marks SET STORAGE EXTERNAL;
ALTER TABLE history ALTER COLUMN became_keys SET STORAGE EXTERNAL;
ALTER TABLE history ALTER COLUMN became_marks SET STORAGE EXTERNAL;
CREATE INDEX history_batch ON history (batch_id) WHERE batch_id IS NOT NULL;
COMMENT ON COLUMN history.person IS 'keratally.person of the transaction, or the role where nobody was named';
COMMENT ON COLUMN history.action IS 'found: rows that were there before their table was watched; reshape: the columns of the table changed';
COMMENT ON COLUMN history.was_keys IS 'Keys of the rows before, 16 bytes each; was_marks has their marks in the same order';
COMMENT ON COLUMN history.became_keys IS 'Keys of the rows after, 16 bytes each; became_marks has their marks in the same order';
COMMENT ON COLUMN history.images IS 'SHA-256 of the SHA-256 of each image in the order of their keys; empty where there are none';

CREATE TABLE history_image (
    entry  bigint NOT NULL,
    key    bytea NOT NULL,
    before jsonb,
    after  jsonb,
    PRIMARY KEY (entry, key)
);
CREATE INDEX history_image_key ON history_image (key);

CREATE TABLE history_link (
    seq       bigint PRIMARY KEY,
    entry     bigint NOT NULL,
    linked_at timestamptz NOT NULL,
    hash      bytea NOT NULL
);
CREATE UNIQUE INDEX history_link_entry ON history_link (entry);
CREATE INDEX history_link_day ON history_link (linked_at);
COMMENT ON COLUMN history_link.linked_at IS 'Never earlier than the link before, whatever the clock says';

-- The end of the chain: whoever commits next waits here for whoever commits.
CREATE TABLE history_head (
    is_end    boolean PRIMARY KEY DEFAULT true CONSTRAINT history_head_is_one CHECK (is_end),
    seq       bigint NOT NULL,
    linked_at timestamptz NOT NULL,
    hash      bytea NOT NULL
);
INSERT INTO history_head (seq, linked_at, hash) VALUES (0, '2000-01-01 00:00:00+00', sha256('keratally'));

CREATE FUNCTION history_record() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
    encoding text;
    marks CONSTANT text := 'SELECT string_agg(' || TG_ARGV[1] || ', ''''), string_agg(substr(sha256(record_send(r)), 1, 16), '''') FROM ';
    handed CONSTANT text := current_setting('keratally.marks', true);
    was_keys bytea := '';
    was_marks bytea := '';
    became_keys bytea := '';
    became_marks bytea := '';
    number bigint;
    digest bytea := '';
BEGIN
    IF TG_OP = 'INSERT' THEN
        IF NOT EXISTS (SELECT FROM entered) THEN RETURN NULL; END IF;
    ELSIF NOT EXISTS (SELECT FROM replaced) THEN
        RETURN NULL;
    END IF;
    -- record_send writes texts in the encoding of the client.
    encoding := pg_client_encoding();
    IF encoding <> 'UTF8' THEN PERFORM set_config('client_encoding', 'UTF8', true); END IF;

    number := nextval(pg_get_serial_sequence('public.history', 'id'));
    IF TG_OP <> 'INSERT' THEN EXECUTE marks || 'replaced r' INTO was_keys, was_marks; END IF;
    IF TG_OP = 'INSERT' AND handed <> '' THEN
        EXECUTE 'SELECT string_agg(' || TG_ARGV[1] || ', '''') FROM entered r' INTO became_keys;
        became_marks := decode(handed, 'hex');
        IF octet_length(became_marks) <> octet_length(became_keys) THEN
            RAISE EXCEPTION '% marks were handed over for % rows of table "%"',
                octet_length(became_marks) / 16, octet_length(became_keys) / 16, TG_TABLE_NAME USING ERRCODE = 'data_exception';
        END IF;
        PERFORM set_config('keratally.marks', '', true);
    ELSIF TG_OP <> 'DELETE' THEN
        EXECUTE marks || 'entered r' INTO became_keys, became_marks;
    END IF;
    IF TG_OP = 'UPDATE' THEN
        EXECUTE format($q$
            INSERT INTO public.history_image (entry, key, before, after)
            SELECT $1, key, o.image, n.image
            FROM (SELECT %1$s AS key, to_jsonb(r) AS image FROM replaced r) o
            FULL JOIN (SELECT %1$s AS key, to_jsonb(r) AS image FROM entered r) n USING (key)$q$, TG_ARGV[1]) USING number;
    ELSIF TG_OP = 'DELETE' THEN
        EXECUTE format('INSERT INTO public.history_image (entry, key, before) SELECT $1, %s, to_jsonb(r) FROM replaced r', TG_ARGV[1]) USING number;
    END IF;
    IF TG_OP <> 'INSERT' THEN
        SELECT sha256(string_agg(sha256(convert_to(jsonb_build_array(encode(i.key, 'hex'), i.before, i.after)::text, 'UTF8')), '' ORDER BY i.key))
        INTO digest FROM public.history_image i WHERE i.entry = number;
    END IF;
    INSERT INTO public.history (id, person, reason, batch_id, relation, shape, action, was_keys, was_marks, became_keys, became_marks, images) OVERRIDING SYSTEM VALUE
    VALUES (number, coalesce(nullif(current_setting('keratally.person', true), ''), session_user),
            coalesce(current_setting('keratally.reason', true), ''), nullif(current_setting('keratally.batch', true), '')::uuid,
            TG_TABLE_NAME, TG_ARGV[0]::integer, lower(TG_OP), was_keys, was_marks, became_keys, became_marks, digest);

    IF encoding <> 'UTF8' THEN PERFORM set_config('client_encoding', encoding, true); END IF;
    RETURN NULL;
END $$;

-- Links an entry to the chain. It runs at the end of the transaction, so that
-- a long one keeps nobody waiting, and so that the chain has no entry of a
-- transaction that was given up.
CREATE FUNCTION history_chain() RETURNS trigger LANGUAGE plpgsql SECURITY DEFINER
SET search_path = pg_catalog, public, pg_temp AS $$
DECLARE
    encoding text := pg_client_encoding();
    head public.history_head;
BEGIN
    IF encoding <> 'UTF8' THEN PERFORM set_config('client_encoding', 'UTF8', true); END IF;
    SELECT * INTO STRICT head FROM public.history_head FOR UPDATE;
    head.seq := head.seq + 1;
    head.linked_at := greatest(clock_timestamp(), head.linked_at);
    head.hash := sha256(head.hash || record_send(ROW(head.seq, head.linked_at, NEW.id, NEW.at, NEW.person, NEW.reason, NEW.role, NEW.batch_id,
                                                     NEW.relation, NEW.shape, NEW.action, NEW.was_keys, NEW.was_marks, NEW.became_keys, NEW.became_marks,
                                                     NEW.images)));
    INSERT INTO public.history_link (seq, entry, linked_at, hash) VALUES (head.seq, NEW.id, head.linked_at, head.hash);
    UPDATE public.history_head SET seq = head.seq, linked_at = head.linked_at, hash = head.hash;
    IF encoding <> 'UTF8' THEN PERFORM set_config('client_encoding', encoding, true); END IF;
    RETURN NULL;
END $$;
CREATE CONSTRAINT TRIGGER history_chain AFTER INSERT ON history
    DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION history_chain();

-- What is written is never changed, for nobody: not for the owner either,
-- who would have to take these triggers off first.
CREATE FUNCTION history_is_kept() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'table "%" is only ever added to', TG_TABLE_NAME USING ERRCODE = 'insufficient_privilege';
END $$;
CREATE TRIGGER history_is_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON history FOR EACH STATEMENT EXECUTE FUNCTION history_is_kept();
CREATE TRIGGER history_is_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON history_image FOR EACH STATEMENT EXECUTE FUNCTION history_is_kept();
CREATE TRIGGER history_is_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON history_link FOR EACH STATEMENT EXECUTE FUNCTION history_is_kept();
CREATE TRIGGER history_is_kept BEFORE UPDATE OR DELETE OR TRUNCATE ON history_shape FOR EACH STATEMENT EXECUTE FUNCTION history_is_kept();

-- The head moves on from history_chain alone, one trigger above this one.
CREATE TRIGGER history_is_kept BEFORE UPDATE ON history_head FOR EACH STATEMENT
    WHEN (pg_trigger_depth() < 1) EXECUTE FUNCTION history_is_kept();
CREATE TRIGGER history_stays BEFORE INSERT OR DELETE OR TRUNCATE ON history_head FOR EACH STATEMENT EXECUTE FUNCTION history_is_kept();

CREATE FUNCTION watched_is_not_truncated() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'table "%" is watched by the history and cannot be truncated: rows are deleted one statement at a time', TG_TABLE_NAME
        USING ERRCODE = 'object_not_in_prerequisite_state';
END $$;

-- Watches a table, or watches it anew after its columns changed: a step of the
-- schema that changes the columns of a watched table calls it in the same step.
-- Rows that are there are recorded as found; on a change of columns they are
-- recorded as they were in the columns before, and as they are in those of now.
CREATE FUNCTION history_watch(watched regclass, row_key text) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
    known history_shape;
    name text;
    names text[];
    number integer;
    was_keys bytea := '';
    was_marks bytea := '';
    became_keys bytea;
    became_marks bytea;
BEGIN
    SELECT relname INTO name FROM pg_class WHERE oid = watched;
    SELECT array_agg(attname::text ORDER BY attnum) INTO names FROM pg_attribute WHERE attrelid = watched AND attnum > 0 AND NOT attisdropped;
    SELECT * INTO known FROM history_shape WHERE relation = name ORDER BY id DESC LIMIT 1;
    SELECT coalesce(max(id), 0) + 1 INTO number FROM history_shape;
    INSERT INTO history_shape (id, relation, key, columns) VALUES (number, name, row_key, names);
    IF known.id IS NOT NULL THEN
        EXECUTE format('DROP TRIGGER history_on_insert ON %s', watched);
        EXECUTE format('DROP TRIGGER history_on_update ON %s', watched);
        EXECUTE format('DROP TRIGGER history_on_delete ON %s', watched);
        EXECUTE format('DROP TRIGGER watched_is_not_truncated ON %s', watched);
        IF known.columns <@ names THEN
            EXECUTE format('SELECT coalesce(string_agg(%s, ''''), ''''), coalesce(string_agg(substr(sha256(record_send(ROW(%s))), 1, 16), ''''), '''') FROM %s r', known.key,
                (SELECT string_agg('r.' || quote_ident(c), ', ' ORDER BY at) FROM unnest(known.columns) WITH ORDINALITY AS k (c, at)), watched) INTO was_keys, was_marks;
        END IF;
    END IF;
    EXECUTE format('CREATE TRIGGER history_on_insert AFTER INSERT ON %s REFERENCING NEW TABLE AS entered '
                   'FOR EACH STATEMENT EXECUTE FUNCTION history_record(%L, %L)', watched, number, row_key);
    EXECUTE format('CREATE TRIGGER history_on_update AFTER UPDATE ON %s REFERENCING OLD TABLE AS replaced NEW TABLE AS entered '
                   'FOR EACH STATEMENT EXECUTE FUNCTION history_record(%L, %L)', watched, number, row_key);
    EXECUTE format('CREATE TRIGGER history_on_delete AFTER DELETE ON %s REFERENCING OLD TABLE AS replaced '
                   'FOR EACH STATEMENT EXECUTE FUNCTION history_record(%L, %L)', watched, number, row_key);
    EXECUTE format('CREATE TRIGGER watched_is_not_truncated AFTER TRUNCATE ON %s '
                   'FOR EACH STATEMENT EXECUTE FUNCTION watched_is_not_truncated()', watched);
    EXECUTE format('SELECT string_agg(%s, ''''), string_agg(substr(sha256(record_send(r)), 1, 16), '''') FROM %s r', row_key, watched)
    INTO became_keys, became_marks;
    IF became_keys IS NOT NULL THEN
        INSERT INTO history (person, reason, relation, shape, action, was_keys, was_marks, became_keys, became_marks, images)
        VALUES (session_user, CASE WHEN known.id IS NULL THEN 'there before the table was watched' ELSE 'the columns of the table changed' END,
                name, number, CASE WHEN known.id IS NULL THEN 'found' ELSE 'reshape' END, was_keys, was_marks, became_keys, became_marks, '');
    END IF;
END $$;

SELECT history_watch(watched, 'uuid_send(r.id)')
FROM unnest(ARRAY['centre', 'intake_batch', 'clinician', 'patient', 'eye', 'protocol', 'treatment', 'visit', 'complication', 'surgery',
                  'follow_up_end', 'query', 'export_log']::regclass[]) AS watched;
SELECT history_watch('protocol_zone', $$substr(sha256(convert_to(jsonb_build_array(r.protocol_id, r.zone_order)::text, 'UTF8')), 1, 16)$$);
SELECT history_watch('treatment_zone', $$substr(sha256(convert_to(jsonb_build_array(r.treatment_id, r.zone_order)::text, 'UTF8')), 1, 16)$$);
SELECT history_watch('pachymetry_step', $$substr(sha256(convert_to(jsonb_build_array(r.treatment_id, r.step)::text, 'UTF8')), 1, 16)$$);
SELECT history_watch('demarcation', $$substr(sha256(convert_to(jsonb_build_array(r.visit_id, r.zone, r.observer)::text, 'UTF8')), 1, 16)$$);
SELECT history_watch('definition', $$substr(sha256(convert_to(jsonb_build_array(r.kind, r.name, r.version)::text, 'UTF8')), 1, 16)$$);
