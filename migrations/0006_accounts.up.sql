-- Who may use the pages: accounts, their sessions, what was tried, what was
-- refused, and the reports that were made there.

CREATE TABLE account (
    id           uuid PRIMARY KEY,
    name         text NOT NULL CONSTRAINT account_name_unique UNIQUE,
    role         text NOT NULL CONSTRAINT account_role_known CHECK (role IN ('data-entry', 'surgeon', 'fellow', 'audit-lead', 'administrator')),
    clinician    text,
    password     text NOT NULL,
    created_at   timestamptz NOT NULL DEFAULT now(),
    closed_at    timestamptz,
    failed       integer NOT NULL DEFAULT 0 CONSTRAINT account_failed_counted CHECK (failed >= 0),
    locked_until timestamptz,
    CONSTRAINT account_name_form CHECK (name ~ '^[a-z0-9][a-z0-9._-]{1,39}$'),
    CONSTRAINT account_clinician_of_surgeon CHECK (clinician IS NULL OR role = 'surgeon')
);
COMMENT ON COLUMN account.clinician IS 'code of the clinician whose eyes a surgeon reads; NULL reads none';
COMMENT ON COLUMN account.password IS 'argon2id in PHC form; never the password';
COMMENT ON COLUMN account.failed IS 'failed sign-ins since the last that worked or the last release';

CREATE TABLE session (
    token      bytea PRIMARY KEY CONSTRAINT session_token_length CHECK (length(token) = 32),
    account_id uuid NOT NULL CONSTRAINT session_account REFERENCES account ON DELETE CASCADE,
    created_at timestamptz NOT NULL,
    seen_at    timestamptz NOT NULL,
    agent      text NOT NULL,
    revoked_at timestamptz
);
CREATE INDEX session_of_account ON session (account_id, created_at);
COMMENT ON COLUMN session.token IS 'SHA-256 of the token that the browser holds';

CREATE TABLE sign_in_attempt (
    id      bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at      timestamptz NOT NULL DEFAULT now(),
    name    text NOT NULL,
    address text NOT NULL,
    outcome text NOT NULL CONSTRAINT sign_in_attempt_outcome_known CHECK (outcome IN ('signed in', 'refused', 'locked'))
);
CREATE INDEX sign_in_attempt_by_day ON sign_in_attempt (at);

CREATE TABLE access_refusal (
    id         bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at         timestamptz NOT NULL DEFAULT now(),
    account_id uuid NOT NULL CONSTRAINT access_refusal_account REFERENCES account ON DELETE CASCADE,
    method     text NOT NULL,
    path       text NOT NULL
);
COMMENT ON TABLE access_refusal IS 'Pages that an account asked for and its role may not open';

CREATE TABLE report_run (
    id          uuid PRIMARY KEY,
    kind        text NOT NULL CONSTRAINT report_run_kind_known CHECK (kind IN ('audit', 'own')),
    title       text NOT NULL,
    period_from date NOT NULL,
    period_to   date NOT NULL,
    clinician   text,
    person      text NOT NULL,
    asked_at    timestamptz NOT NULL DEFAULT now(),
    ended_at    timestamptz,
    state       text NOT NULL DEFAULT 'waiting' CONSTRAINT report_run_state_known CHECK (state IN ('waiting', 'working', 'ready', 'ended')),
    stage       text NOT NULL DEFAULT '',
    snapshot_id text,
    page        bytea,
    workbook    bytea,
    CONSTRAINT report_run_period_order CHECK (period_from <= period_to),
    CONSTRAINT report_run_whole CHECK (state <> 'ready' OR (page IS NOT NULL AND workbook IS NOT NULL AND snapshot_id IS NOT NULL))
);
CREATE INDEX report_run_by_day ON report_run (asked_at);
COMMENT ON COLUMN report_run.stage IS 'what is being done, or why it ended without a report';
