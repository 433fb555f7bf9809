-- Schema 1 of the service's own file: who may do what, what was sent, what was written.
--
-- Columns ending in _utc are whole seconds since 1970-01-01T00:00Z. Of passwords, sessions and
-- tokens only hashes are kept: who reads this file can log in as nobody.

CREATE TABLE people (
    person_id INTEGER PRIMARY KEY,
    -- Ada and ada are one person.
    name TEXT NOT NULL UNIQUE COLLATE NOCASE CHECK (length(name) BETWEEN 1 AND 64),
    role TEXT NOT NULL CHECK (role IN ('reader', 'crew', 'manager')),
    -- Argon2id as a PHC string, with its salt and its cost.
    password_hash TEXT NOT NULL CHECK (password_hash LIKE '$argon2id$%'),
    disabled INTEGER NOT NULL DEFAULT 0 CHECK (disabled IN (0, 1)),
    added_utc INTEGER NOT NULL
) STRICT;

CREATE TABLE sessions (
    session_id INTEGER PRIMARY KEY,
    secret_sha256 BLOB NOT NULL UNIQUE CHECK (length(secret_sha256) = 32),
    person_id INTEGER NOT NULL REFERENCES people,
    created_utc INTEGER NOT NULL,
    seen_utc INTEGER NOT NULL CHECK (seen_utc >= created_utc),
    -- It ends here whatever is done,
    ends_utc INTEGER NOT NULL CHECK (ends_utc > created_utc),
    -- and before, where nothing is done for so long.
    idle_s INTEGER NOT NULL CHECK (idle_s > 0)
) STRICT;

CREATE INDEX sessions_by_person ON sessions (person_id);

CREATE TABLE tokens (
    token_id INTEGER PRIMARY KEY,
    name TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 64),
    secret_sha256 BLOB NOT NULL UNIQUE CHECK (length(secret_sha256) = 32),
    role TEXT NOT NULL CHECK (role IN ('reader', 'crew', 'manager')),
    person_id INTEGER NOT NULL REFERENCES people,
    created_utc INTEGER NOT NULL,
    revoked_utc INTEGER,
    used_utc INTEGER
) STRICT;

-- A revoked token's name may be given again.
CREATE UNIQUE INDEX one_live_token_of_a_name ON tokens (name COLLATE NOCASE)
    WHERE revoked_utc IS NULL;

-- Every write that was asked for. The row is there before the write is done; without a status, the
-- service ended before its answer.
CREATE TABLE audit (
    audit_id INTEGER PRIMARY KEY,
    at_utc INTEGER NOT NULL,
    who TEXT NOT NULL CHECK (who <> ''),
    how TEXT NOT NULL CHECK (how IN ('session', 'token', 'loopback', 'nobody')),
    method TEXT NOT NULL,
    path TEXT NOT NULL,
    grove TEXT,
    request_id TEXT,
    status INTEGER CHECK (status BETWEEN 100 AND 599)
) STRICT;

CREATE TRIGGER audit_is_changed_by_its_answer_alone BEFORE UPDATE ON audit
WHEN OLD.status IS NOT NULL OR NEW.status IS NULL
    OR (OLD.audit_id, OLD.at_utc, OLD.who, OLD.how, OLD.method, OLD.path, OLD.grove, OLD.request_id)
        IS NOT
       (NEW.audit_id, NEW.at_utc, NEW.who, NEW.how, NEW.method, NEW.path, NEW.grove, NEW.request_id)
BEGIN
    SELECT RAISE(ABORT, 'the audit is never changed');
END;

CREATE TRIGGER audit_is_never_taken_out BEFORE DELETE ON audit BEGIN
    SELECT RAISE(ABORT, 'the audit is never changed');
END;

-- What was sent with an idempotency key, and what was answered: sent again, it is answered again and
-- not done again. Without a status it is on its way.
CREATE TABLE sent (
    person TEXT NOT NULL,
    "key" TEXT NOT NULL CHECK (length("key") BETWEEN 1 AND 255),
    "at" TEXT NOT NULL,
    body_sha256 BLOB NOT NULL CHECK (length(body_sha256) = 32),
    sent_utc INTEGER NOT NULL,
    status INTEGER CHECK (status BETWEEN 100 AND 599),
    media_type TEXT,
    location TEXT,
    answer BLOB,
    PRIMARY KEY (person, "key"),
    CHECK ((status IS NULL) = (answer IS NULL))
) STRICT;

CREATE INDEX sent_by_time ON sent (sent_utc);

CREATE TABLE groves (
    grove TEXT PRIMARY KEY CHECK (length(grove) BETWEEN 1 AND 64),
    name TEXT NOT NULL CHECK (length(name) BETWEEN 1 AND 200),
    -- Its clock minus the machine's: not nought for a copy of the demo, which lives in its own time.
    clock_offset_s INTEGER NOT NULL,
    added_utc INTEGER NOT NULL
) STRICT;
