-- A server's schema 1 of the service's own tables, as 1_office.sql has them in a file: who may do
-- what, what was sent, what was written.
--
-- Of passwords, sessions and tokens only hashes are kept: who reads this can log in as nobody.

CREATE TABLE about (
    one BIGINT PRIMARY KEY CHECK (one = 1),
    version BIGINT NOT NULL
);

-- Ada and ada are one person.
CREATE COLLATION nocase (provider = icu, locale = 'und-u-ks-level2', deterministic = false);

CREATE TABLE people (
    person_id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name TEXT COLLATE nocase NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 64),
    role TEXT COLLATE "C" NOT NULL CHECK (role IN ('reader', 'crew', 'manager')),
    -- Argon2id as a PHC string, with its salt and its cost.
    password_hash TEXT COLLATE "C" NOT NULL CHECK (password_hash LIKE '$argon2id$%'),
    disabled BOOLEAN NOT NULL DEFAULT FALSE,
    added_utc BIGINT NOT NULL
);

CREATE TABLE sessions (
    session_id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    secret_sha256 BYTEA NOT NULL UNIQUE CHECK (length(secret_sha256) = 32),
    person_id BIGINT NOT NULL REFERENCES people,
    created_utc BIGINT NOT NULL,
    seen_utc BIGINT NOT NULL CHECK (seen_utc >= created_utc),
    -- It ends here whatever is done,
    ends_utc BIGINT NOT NULL CHECK (ends_utc > created_utc),
    -- and before, where nothing is done for so long.
    idle_s BIGINT NOT NULL CHECK (idle_s > 0)
);

CREATE INDEX sessions_by_person ON sessions (person_id);

CREATE TABLE tokens (
    token_id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name TEXT COLLATE nocase NOT NULL CHECK (length(name) BETWEEN 1 AND 64),
    secret_sha256 BYTEA NOT NULL UNIQUE CHECK (length(secret_sha256) = 32),
    role TEXT COLLATE "C" NOT NULL CHECK (role IN ('reader', 'crew', 'manager')),
    person_id BIGINT NOT NULL REFERENCES people,
    created_utc BIGINT NOT NULL,
    revoked_utc BIGINT,
    used_utc BIGINT
);

-- A revoked token's name may be given again.
CREATE UNIQUE INDEX one_live_token_of_a_name ON tokens (name) WHERE revoked_utc IS NULL;

-- Every write that was asked for. The row is there before the write is done; without a status, the
-- service ended before its answer.
CREATE TABLE audit (
    audit_id BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    at_utc BIGINT NOT NULL,
    who TEXT COLLATE "C" NOT NULL CHECK (who <> ''),
    how TEXT COLLATE "C" NOT NULL CHECK (how IN ('session', 'token', 'loopback', 'nobody')),
    method TEXT COLLATE "C" NOT NULL,
    path TEXT COLLATE "C" NOT NULL,
    grove TEXT COLLATE "C",
    request_id TEXT COLLATE "C",
    status BIGINT CHECK (status BETWEEN 100 AND 599)
);

CREATE FUNCTION audit_is_never_changed() RETURNS TRIGGER LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'the audit is never changed';
END $$;

CREATE TRIGGER audit_is_changed_by_its_answer_alone BEFORE UPDATE ON audit FOR EACH ROW
    WHEN (
        OLD.status IS NOT NULL OR NEW.status IS NULL
        OR (to_jsonb(OLD) - 'status') <> (to_jsonb(NEW) - 'status')
    ) EXECUTE FUNCTION audit_is_never_changed();

CREATE TRIGGER audit_is_never_taken_out BEFORE DELETE ON audit FOR EACH ROW
    EXECUTE FUNCTION audit_is_never_changed();

-- What was sent with an idempotency key, and what was answered: sent again, it is answered again and
-- not done again. Without a status it is on its way.
CREATE TABLE sent (
    person TEXT COLLATE "C" NOT NULL,
    "key" TEXT COLLATE "C" NOT NULL CHECK (length("key") BETWEEN 1 AND 255),
    "at" TEXT COLLATE "C" NOT NULL,
    body_sha256 BYTEA NOT NULL CHECK (length(body_sha256) = 32),
    sent_utc BIGINT NOT NULL,
    status BIGINT CHECK (status BETWEEN 100 AND 599),
    media_type TEXT COLLATE "C",
    location TEXT COLLATE "C",
    answer BYTEA,
    PRIMARY KEY (person, "key"),
    CHECK ((status IS NULL) = (answer IS NULL))
);

CREATE INDEX sent_by_time ON sent (sent_utc);

CREATE TABLE groves (
    grove TEXT COLLATE "C" PRIMARY KEY CHECK (length(grove) BETWEEN 1 AND 64),
    name TEXT COLLATE "C" NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    -- Its clock minus the machine's: not nought for a copy of the demo, which lives in its own time.
    clock_offset_s BIGINT NOT NULL,
    added_utc BIGINT NOT NULL
);
