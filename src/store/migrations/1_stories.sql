-- What no single row can hold to: a draw's looks tell one story, pauses are apart, a kit hangs on
-- one tree at a time. Each view lists what breaks its rule, so that `check` can ask it too; triggers
-- keep it empty.

-- A bag is read to about half a mark, so a reading may stand 20 mL above the one before; history.rs
-- has the same figure, and a test holds the two together.
CREATE VIEW readings_that_rise AS
SELECT r.grove_id, r.draw_id, r.seq FROM readings r
WHERE r.left_ml > 20.0 + ifnull(
    (
        SELECT CASE WHEN b.state = 'empty' THEN 0.0 ELSE b.left_ml END + (
            SELECT total(f.added_ml) FROM readings f
            WHERE f.grove_id = r.grove_id AND f.draw_id = r.draw_id
                AND (f.time_utc, f.seq) > (b.time_utc, b.seq)
                AND (f.time_utc, f.seq) < (r.time_utc, r.seq)
        )
        FROM readings b
        WHERE b.grove_id = r.grove_id AND b.draw_id = r.draw_id
            AND (b.time_utc, b.seq) < (r.time_utc, r.seq)
            AND (b.left_ml IS NOT NULL OR b.state = 'empty')
        ORDER BY b.time_utc DESC, b.seq DESC LIMIT 1
    ),
    (
        SELECT d.charge_ml + (
            SELECT total(f.added_ml) FROM readings f
            WHERE f.grove_id = r.grove_id AND f.draw_id = r.draw_id
                AND (f.time_utc, f.seq) < (r.time_utc, r.seq)
        )
        FROM draws d WHERE d.grove_id = r.grove_id AND d.draw_id = r.draw_id
    )
);

-- Fluid after empty, with no refill between.
CREATE VIEW readings_wet_after_empty AS
SELECT r.grove_id, r.draw_id, r.seq FROM readings r
WHERE (r.state = 'wet' OR r.left_ml > 0) AND 'empty' = (
    SELECT CASE WHEN b.state = 'empty' OR b.left_ml = 0 THEN 'empty' ELSE b.state END
    FROM readings b
    WHERE b.grove_id = r.grove_id AND b.draw_id = r.draw_id
        AND (b.time_utc, b.seq) < (r.time_utc, r.seq)
        AND (b.state IN ('empty', 'refill', 'wet') OR b.left_ml IS NOT NULL)
    ORDER BY b.time_utc DESC, b.seq DESC LIMIT 1
);

CREATE VIEW looks_outside_their_draw AS
SELECT d.grove_id, d.draw_id FROM draws d
WHERE EXISTS (
    SELECT 1 FROM readings r WHERE r.grove_id = d.grove_id AND r.draw_id = d.draw_id
        AND (r.time_utc < d.started_utc OR r.time_utc > d.stripped_utc)
) OR EXISTS (
    SELECT 1 FROM pauses p WHERE p.grove_id = d.grove_id AND p.draw_id = d.draw_id
        AND (p.from_utc < d.started_utc OR max(p.from_utc, ifnull(p.to_utc, 0)) > d.stripped_utc)
);

CREATE VIEW pauses_that_overlap AS
SELECT p.grove_id, p.draw_id, p.seq FROM pauses p
WHERE EXISTS (
    SELECT 1 FROM pauses o WHERE o.grove_id = p.grove_id AND o.draw_id = p.draw_id
        AND o.seq <> p.seq AND o.from_utc < ifnull(p.to_utc, 9e18)
        AND p.from_utc < ifnull(o.to_utc, 9e18)
);

-- Only neighbours in time need be held against each other, as all others are apart already. A draw
-- that is not stripped yet may be older than others: its strip is still to be noted.
CREATE VIEW kits_on_two_trees AS
SELECT d.grove_id, d.draw_id, d.kit_id FROM draws d
WHERE d.kit_id IS NOT NULL AND (
    d.started_utc < (
        SELECT o.stripped_utc FROM draws o
        WHERE o.grove_id = d.grove_id AND o.kit_id = d.kit_id AND o.seq <> d.seq
            AND o.started_utc <= d.started_utc AND o.stripped_utc IS NOT NULL
        ORDER BY o.started_utc DESC LIMIT 1
    ) OR d.stripped_utc > (
        SELECT o.started_utc FROM draws o
        WHERE o.grove_id = d.grove_id AND o.kit_id = d.kit_id AND o.seq <> d.seq
            AND o.started_utc >= d.started_utc
        ORDER BY o.started_utc LIMIT 1
    )
);

CREATE TRIGGER readings_tell_one_story_insert AFTER INSERT ON readings BEGIN
    SELECT RAISE(ABORT, 'a reading stands above the one before, with no refill between')
    FROM readings_that_rise
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'the bag is wet after it was empty, with no refill between')
    FROM readings_wet_after_empty
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'a look or a pause lies outside its draw, from start to strip')
    FROM looks_outside_their_draw
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
END;

CREATE TRIGGER readings_tell_one_story_update AFTER UPDATE ON readings BEGIN
    SELECT RAISE(ABORT, 'a reading stands above the one before, with no refill between')
    FROM readings_that_rise
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'the bag is wet after it was empty, with no refill between')
    FROM readings_wet_after_empty
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'a look or a pause lies outside its draw, from start to strip')
    FROM looks_outside_their_draw
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
END;

CREATE TRIGGER readings_tell_one_story_delete AFTER DELETE ON readings BEGIN
    SELECT RAISE(ABORT, 'a reading stands above the one before, with no refill between')
    FROM readings_that_rise
    WHERE grove_id = OLD.grove_id AND draw_id = OLD.draw_id;
    SELECT RAISE(ABORT, 'the bag is wet after it was empty, with no refill between')
    FROM readings_wet_after_empty
    WHERE grove_id = OLD.grove_id AND draw_id = OLD.draw_id;
END;

CREATE TRIGGER pauses_are_apart_insert AFTER INSERT ON pauses BEGIN
    SELECT RAISE(ABORT, 'two pauses of one draw overlap')
    FROM pauses_that_overlap
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'a look or a pause lies outside its draw, from start to strip')
    FROM looks_outside_their_draw
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
END;

CREATE TRIGGER pauses_are_apart_update AFTER UPDATE ON pauses BEGIN
    SELECT RAISE(ABORT, 'two pauses of one draw overlap')
    FROM pauses_that_overlap
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'a look or a pause lies outside its draw, from start to strip')
    FROM looks_outside_their_draw
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
END;

CREATE TRIGGER draws_hold_insert AFTER INSERT ON draws BEGIN
    SELECT RAISE(ABORT, 'the kit hangs elsewhere at that time: one kit on one tree at a time')
    FROM kits_on_two_trees
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
END;

CREATE TRIGGER draws_hold_update AFTER UPDATE ON draws BEGIN
    SELECT RAISE(ABORT, 'the kit hangs elsewhere at that time: one kit on one tree at a time')
    FROM kits_on_two_trees
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'a look or a pause lies outside its draw, from start to strip')
    FROM looks_outside_their_draw
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
    SELECT RAISE(ABORT, 'a reading stands above the one before, with no refill between')
    FROM readings_that_rise
    WHERE grove_id = NEW.grove_id AND draw_id = NEW.draw_id;
END;
