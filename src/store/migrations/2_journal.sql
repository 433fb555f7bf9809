-- Schema 2: the journal, and how weather files name their hours. An entry is never changed or taken
-- out; what it does stands in draws, readings and pauses, written in the same transaction.

CREATE TABLE entries (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    -- What sets a repeated send apart from a second entry.
    key TEXT NOT NULL CHECK (length(key) BETWEEN 1 AND 64),
    -- Milliseconds, as they put entries of one second in order.
    noted_ms INTEGER NOT NULL CHECK (noted_ms BETWEEN 0 AND 4133980800000),
    at_utc INTEGER NOT NULL CHECK (at_utc BETWEEN 0 AND 4133980800),
    "by" TEXT,
    act TEXT NOT NULL CHECK (
        act IN ('start', 'reading', 'refill', 'leak', 'pause', 'resume', 'strip', 'undo')
    ),
    draw_id TEXT,
    tree_id TEXT,
    charge_ml REAL CHECK (charge_ml BETWEEN 10 AND 200000),
    ports INTEGER CHECK (ports BETWEEN 1 AND 40),
    head_m REAL CHECK (head_m BETWEEN 0.1 AND 10),
    kit_id TEXT,
    second_bag INTEGER NOT NULL CHECK (second_bag IN (0, 1)),
    state TEXT CHECK (state IN ('wet', 'empty')),
    left_ml REAL CHECK (left_ml BETWEEN 0 AND 200000),
    added_ml REAL CHECK (added_ml BETWEEN 1 AND 200000),
    why TEXT,
    -- The entry that an undo takes out.
    of_key TEXT,
    note TEXT,
    UNIQUE (grove_id, key),
    CHECK ((act = 'undo') = (of_key IS NOT NULL)),
    CHECK ((act = 'undo') = (draw_id IS NULL)),
    CHECK ((act = 'start') = (tree_id IS NOT NULL)),
    CHECK ((act = 'refill') = (added_ml IS NOT NULL)),
    FOREIGN KEY (grove_id, of_key) REFERENCES entries (grove_id, key)
) STRICT;

CREATE INDEX entries_by_draw ON entries (grove_id, draw_id);
CREATE UNIQUE INDEX an_entry_is_undone_once
    ON entries (grove_id, of_key) WHERE of_key IS NOT NULL;

CREATE TRIGGER entries_are_never_changed BEFORE UPDATE ON entries BEGIN
    SELECT RAISE(ABORT, 'an entry is never changed: undo it with another one');
END;

CREATE TRIGGER entries_are_never_taken_out BEFORE DELETE ON entries BEGIN
    SELECT RAISE(ABORT, 'an entry is never taken out: undo it with another one');
END;

-- Which entry told a reading, and when that was noted: of one instant, readings count in the order
-- of noting, whatever order they arrived in. What a file tells comes before.
ALTER TABLE readings ADD COLUMN noted_ms INTEGER;
ALTER TABLE readings ADD COLUMN entry_key TEXT;

CREATE VIEW readings_in_order AS
SELECT grove_id, draw_id, seq, time_utc, state, left_ml, added_ml,
    ifnull(noted_ms, 0) AS noted_ms, ifnull(entry_key, '') AS entry_key
FROM readings;

DROP VIEW readings_that_rise;
DROP VIEW readings_wet_after_empty;

-- A reading may stand 20 mL above the one before, as in history.rs.
CREATE VIEW readings_that_rise AS
SELECT r.grove_id, r.draw_id, r.seq FROM readings_in_order r
WHERE r.left_ml > 20.0 + ifnull(
    (
        SELECT CASE WHEN b.state = 'empty' THEN 0.0 ELSE b.left_ml END + (
            SELECT total(f.added_ml) FROM readings_in_order f
            WHERE f.grove_id = r.grove_id AND f.draw_id = r.draw_id
                AND (f.time_utc, f.noted_ms, f.entry_key, f.seq)
                    > (b.time_utc, b.noted_ms, b.entry_key, b.seq)
                AND (f.time_utc, f.noted_ms, f.entry_key, f.seq)
                    < (r.time_utc, r.noted_ms, r.entry_key, r.seq)
        )
        FROM readings_in_order b
        WHERE b.grove_id = r.grove_id AND b.draw_id = r.draw_id
            AND (b.time_utc, b.noted_ms, b.entry_key, b.seq)
                < (r.time_utc, r.noted_ms, r.entry_key, r.seq)
            AND (b.left_ml IS NOT NULL OR b.state = 'empty')
        ORDER BY b.time_utc DESC, b.noted_ms DESC, b.entry_key DESC, b.seq DESC LIMIT 1
    ),
    (
        SELECT d.charge_ml + (
            SELECT total(f.added_ml) FROM readings_in_order f
            WHERE f.grove_id = r.grove_id AND f.draw_id = r.draw_id
                AND (f.time_utc, f.noted_ms, f.entry_key, f.seq)
                    < (r.time_utc, r.noted_ms, r.entry_key, r.seq)
        )
        FROM draws d WHERE d.grove_id = r.grove_id AND d.draw_id = r.draw_id
    )
);

-- Fluid after empty, with no refill between.
CREATE VIEW readings_wet_after_empty AS
SELECT r.grove_id, r.draw_id, r.seq FROM readings_in_order r
WHERE (r.state = 'wet' OR r.left_ml > 0) AND 'empty' = (
    SELECT CASE WHEN b.state = 'empty' OR b.left_ml = 0 THEN 'empty' ELSE b.state END
    FROM readings_in_order b
    WHERE b.grove_id = r.grove_id AND b.draw_id = r.draw_id
        AND (b.time_utc, b.noted_ms, b.entry_key, b.seq)
            < (r.time_utc, r.noted_ms, r.entry_key, r.seq)
        AND (b.state IN ('empty', 'refill', 'wet') OR b.left_ml IS NOT NULL)
    ORDER BY b.time_utc DESC, b.noted_ms DESC, b.entry_key DESC, b.seq DESC LIMIT 1
);

DROP TRIGGER readings_insert_audited;
DROP TRIGGER readings_update_audited;
DROP TRIGGER readings_delete_audited;

CREATE TRIGGER readings_insert_audited AFTER INSERT ON readings BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'readings', NEW.seq,
        NULL,
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id,
        'time_utc', NEW.time_utc, 'state', NEW.state, 'left_ml', NEW.left_ml,
        'added_ml', NEW.added_ml, 'by', NEW."by", 'note', NEW.note, 'nth', NEW.nth,
        'aside', NEW.aside, 'noted_ms', NEW.noted_ms, 'entry_key', NEW.entry_key)
    FROM acting;
END;

CREATE TRIGGER readings_update_audited AFTER UPDATE ON readings BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'readings', NEW.seq,
        json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id,
        'time_utc', OLD.time_utc, 'state', OLD.state, 'left_ml', OLD.left_ml,
        'added_ml', OLD.added_ml, 'by', OLD."by", 'note', OLD.note, 'nth', OLD.nth,
        'aside', OLD.aside, 'noted_ms', OLD.noted_ms, 'entry_key', OLD.entry_key),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id,
        'time_utc', NEW.time_utc, 'state', NEW.state, 'left_ml', NEW.left_ml,
        'added_ml', NEW.added_ml, 'by', NEW."by", 'note', NEW.note, 'nth', NEW.nth,
        'aside', NEW.aside, 'noted_ms', NEW.noted_ms, 'entry_key', NEW.entry_key)
    FROM acting;
END;

CREATE TRIGGER readings_delete_audited AFTER DELETE ON readings BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'readings', OLD.seq,
        json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id,
        'time_utc', OLD.time_utc, 'state', OLD.state, 'left_ml', OLD.left_ml,
        'added_ml', OLD.added_ml, 'by', OLD."by", 'note', OLD.note, 'nth', OLD.nth,
        'aside', OLD.aside, 'noted_ms', OLD.noted_ms, 'entry_key', OLD.entry_key),
        NULL
    FROM acting;
END;

CREATE TRIGGER entries_insert_audited AFTER INSERT ON entries BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'entries', NEW.seq,
        NULL,
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'key', NEW.key, 'noted_ms', NEW.noted_ms,
        'at_utc', NEW.at_utc, 'by', NEW."by", 'act', NEW.act, 'draw_id', NEW.draw_id,
        'tree_id', NEW.tree_id, 'charge_ml', NEW.charge_ml, 'ports', NEW.ports,
        'head_m', NEW.head_m, 'kit_id', NEW.kit_id, 'second_bag', NEW.second_bag,
        'state', NEW.state, 'left_ml', NEW.left_ml, 'added_ml', NEW.added_ml, 'why', NEW.why,
        'of_key', NEW.of_key, 'note', NEW.note)
    FROM acting;
END;

-- How the user's own weather files name their hours, so that they are written as they were read:
-- where clocks change by half an hour, the two ways do not mean the same rows.
CREATE TABLE weather_files (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    file TEXT NOT NULL,
    time_column TEXT NOT NULL CHECK (time_column IN ('hour_ending', 'hour_starting')),
    UNIQUE (grove_id, file)
) STRICT;

CREATE TRIGGER weather_files_insert_audited AFTER INSERT ON weather_files BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'weather_files', NEW.seq,
        NULL,
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'file', NEW.file,
        'time_column', NEW.time_column)
    FROM acting;
END;

CREATE TRIGGER weather_files_update_audited AFTER UPDATE ON weather_files BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'weather_files', NEW.seq,
        json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'file', OLD.file,
        'time_column', OLD.time_column),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'file', NEW.file,
        'time_column', NEW.time_column)
    FROM acting;
END;

CREATE TRIGGER weather_files_delete_audited AFTER DELETE ON weather_files BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'weather_files', OLD.seq,
        json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'file', OLD.file,
        'time_column', OLD.time_column),
        NULL
    FROM acting;
END;
