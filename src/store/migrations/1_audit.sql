-- The audit: every change of every table, by triggers, so that no write can forget it. Weather
-- comes in batches, which are audited; of its own rows only changes are told.

-- Who writes now, and since when: set at the head of each transaction and taken away at its end.
-- A write by nobody fails, as the audit needs a name.
CREATE TABLE acting (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    who TEXT,
    at_utc INTEGER
) STRICT;

INSERT INTO acting (one) VALUES (1);

-- Every change: who, when, before, after. Filled by triggers alone, and never changed.
CREATE TABLE audit (
    audit_id INTEGER PRIMARY KEY,
    at_utc INTEGER NOT NULL,
    who TEXT NOT NULL CHECK (who <> ''),
    what TEXT NOT NULL CHECK (what IN ('insert', 'update', 'delete')),
    table_name TEXT NOT NULL,
    "row" INTEGER NOT NULL,
    before TEXT,
    after TEXT
) STRICT;

CREATE TRIGGER audit_is_never_changed BEFORE UPDATE ON audit BEGIN
    SELECT RAISE(ABORT, 'the audit is never changed');
END;

CREATE TRIGGER audit_is_never_taken_out BEFORE DELETE ON audit BEGIN
    SELECT RAISE(ABORT, 'the audit is never changed');
END;

CREATE TRIGGER groves_insert_audited AFTER INSERT ON groves BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'groves', NEW.grove_id, NULL, json_object(
        'grove_id', NEW.grove_id, 'name', NEW.name, 'time_zone', NEW.time_zone,
        'latitude_deg', NEW.latitude_deg, 'longitude_deg', NEW.longitude_deg,
        'elevation_m', NEW.elevation_m, 'min_interval_days', NEW.min_interval_days,
        'settings_toml', NEW.settings_toml)
    FROM acting;
END;

CREATE TRIGGER groves_update_audited AFTER UPDATE ON groves BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'groves', NEW.grove_id, json_object(
        'grove_id', OLD.grove_id, 'name', OLD.name, 'time_zone', OLD.time_zone,
        'latitude_deg', OLD.latitude_deg, 'longitude_deg', OLD.longitude_deg,
        'elevation_m', OLD.elevation_m, 'min_interval_days', OLD.min_interval_days,
        'settings_toml', OLD.settings_toml),
        json_object(
        'grove_id', NEW.grove_id, 'name', NEW.name, 'time_zone', NEW.time_zone,
        'latitude_deg', NEW.latitude_deg, 'longitude_deg', NEW.longitude_deg,
        'elevation_m', NEW.elevation_m, 'min_interval_days', NEW.min_interval_days,
        'settings_toml', NEW.settings_toml)
    FROM acting;
END;

CREATE TRIGGER groves_delete_audited AFTER DELETE ON groves BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'groves', OLD.grove_id, json_object(
        'grove_id', OLD.grove_id, 'name', OLD.name, 'time_zone', OLD.time_zone,
        'latitude_deg', OLD.latitude_deg, 'longitude_deg', OLD.longitude_deg,
        'elevation_m', OLD.elevation_m, 'min_interval_days', OLD.min_interval_days,
        'settings_toml', OLD.settings_toml),
        NULL FROM acting;
END;

CREATE TRIGGER blocks_insert_audited AFTER INSERT ON blocks BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'blocks', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'block', NEW.block,
        'leaf_on_from', NEW.leaf_on_from, 'leaf_off_from', NEW.leaf_off_from,
        'bloom_from', NEW.bloom_from, 'bloom_to', NEW.bloom_to, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER blocks_update_audited AFTER UPDATE ON blocks BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'blocks', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'block', OLD.block,
        'leaf_on_from', OLD.leaf_on_from, 'leaf_off_from', OLD.leaf_off_from,
        'bloom_from', OLD.bloom_from, 'bloom_to', OLD.bloom_to, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'block', NEW.block,
        'leaf_on_from', NEW.leaf_on_from, 'leaf_off_from', NEW.leaf_off_from,
        'bloom_from', NEW.bloom_from, 'bloom_to', NEW.bloom_to, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER blocks_delete_audited AFTER DELETE ON blocks BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'blocks', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'block', OLD.block,
        'leaf_on_from', OLD.leaf_on_from, 'leaf_off_from', OLD.leaf_off_from,
        'bloom_from', OLD.bloom_from, 'bloom_to', OLD.bloom_to, 'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER trees_insert_audited AFTER INSERT ON trees BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'trees', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'tree_id', NEW.tree_id, 'block', NEW.block,
        'species', NEW.species, 'circumference_cm', NEW.circumference_cm, 'dbh_cm', NEW.dbh_cm,
        'ports', NEW.ports, 'flares', NEW.flares, 'latitude_deg', NEW.latitude_deg,
        'longitude_deg', NEW.longitude_deg, 'row', NEW."row", 'position', NEW.position,
        'root_depth_m', NEW.root_depth_m, 'charge_ml', NEW.charge_ml,
        'last_treated', NEW.last_treated, 'hang', NEW.hang, 'note', NEW.note, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER trees_update_audited AFTER UPDATE ON trees BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'trees', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'tree_id', OLD.tree_id, 'block', OLD.block,
        'species', OLD.species, 'circumference_cm', OLD.circumference_cm, 'dbh_cm', OLD.dbh_cm,
        'ports', OLD.ports, 'flares', OLD.flares, 'latitude_deg', OLD.latitude_deg,
        'longitude_deg', OLD.longitude_deg, 'row', OLD."row", 'position', OLD.position,
        'root_depth_m', OLD.root_depth_m, 'charge_ml', OLD.charge_ml,
        'last_treated', OLD.last_treated, 'hang', OLD.hang, 'note', OLD.note, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'tree_id', NEW.tree_id, 'block', NEW.block,
        'species', NEW.species, 'circumference_cm', NEW.circumference_cm, 'dbh_cm', NEW.dbh_cm,
        'ports', NEW.ports, 'flares', NEW.flares, 'latitude_deg', NEW.latitude_deg,
        'longitude_deg', NEW.longitude_deg, 'row', NEW."row", 'position', NEW.position,
        'root_depth_m', NEW.root_depth_m, 'charge_ml', NEW.charge_ml,
        'last_treated', NEW.last_treated, 'hang', NEW.hang, 'note', NEW.note, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER trees_delete_audited AFTER DELETE ON trees BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'trees', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'tree_id', OLD.tree_id, 'block', OLD.block,
        'species', OLD.species, 'circumference_cm', OLD.circumference_cm, 'dbh_cm', OLD.dbh_cm,
        'ports', OLD.ports, 'flares', OLD.flares, 'latitude_deg', OLD.latitude_deg,
        'longitude_deg', OLD.longitude_deg, 'row', OLD."row", 'position', OLD.position,
        'root_depth_m', OLD.root_depth_m, 'charge_ml', OLD.charge_ml,
        'last_treated', OLD.last_treated, 'hang', OLD.hang, 'note', OLD.note, 'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER ports_insert_audited AFTER INSERT ON ports BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'ports', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'tree_id', NEW.tree_id, 'date', NEW.date,
        'hole', NEW."hole", 'height_cm', NEW.height_cm, 'azimuth_deg', NEW.azimuth_deg,
        'note', NEW.note, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER ports_update_audited AFTER UPDATE ON ports BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'ports', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'tree_id', OLD.tree_id, 'date', OLD.date,
        'hole', OLD."hole", 'height_cm', OLD.height_cm, 'azimuth_deg', OLD.azimuth_deg,
        'note', OLD.note, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'tree_id', NEW.tree_id, 'date', NEW.date,
        'hole', NEW."hole", 'height_cm', NEW.height_cm, 'azimuth_deg', NEW.azimuth_deg,
        'note', NEW.note, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER ports_delete_audited AFTER DELETE ON ports BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'ports', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'tree_id', OLD.tree_id, 'date', OLD.date,
        'hole', OLD."hole", 'height_cm', OLD.height_cm, 'azimuth_deg', OLD.azimuth_deg,
        'note', OLD.note, 'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER kits_insert_audited AFTER INSERT ON kits BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'kits', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'kit_id', NEW.kit_id,
        'capacity_ml', NEW.capacity_ml, 'tips', NEW.tips, 'bought', NEW.bought, 'note', NEW.note,
        'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER kits_update_audited AFTER UPDATE ON kits BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'kits', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'kit_id', OLD.kit_id,
        'capacity_ml', OLD.capacity_ml, 'tips', OLD.tips, 'bought', OLD.bought, 'note', OLD.note,
        'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'kit_id', NEW.kit_id,
        'capacity_ml', NEW.capacity_ml, 'tips', NEW.tips, 'bought', NEW.bought, 'note', NEW.note,
        'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER kits_delete_audited AFTER DELETE ON kits BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'kits', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'kit_id', OLD.kit_id,
        'capacity_ml', OLD.capacity_ml, 'tips', OLD.tips, 'bought', OLD.bought, 'note', OLD.note,
        'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER draws_insert_audited AFTER INSERT ON draws BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'draws', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id, 'tree_id', NEW.tree_id,
        'started_utc', NEW.started_utc, 'charge_ml', NEW.charge_ml, 'ports', NEW.ports,
        'head_m', NEW.head_m, 'last_wet_utc', NEW.last_wet_utc,
        'first_empty_utc', NEW.first_empty_utc, 'stripped_utc', NEW.stripped_utc,
        'left_ml', NEW.left_ml, 'crew', NEW.crew, 'kit_id', NEW.kit_id, 'note', NEW.note,
        'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER draws_update_audited AFTER UPDATE ON draws BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'draws', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id, 'tree_id', OLD.tree_id,
        'started_utc', OLD.started_utc, 'charge_ml', OLD.charge_ml, 'ports', OLD.ports,
        'head_m', OLD.head_m, 'last_wet_utc', OLD.last_wet_utc,
        'first_empty_utc', OLD.first_empty_utc, 'stripped_utc', OLD.stripped_utc,
        'left_ml', OLD.left_ml, 'crew', OLD.crew, 'kit_id', OLD.kit_id, 'note', OLD.note,
        'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id, 'tree_id', NEW.tree_id,
        'started_utc', NEW.started_utc, 'charge_ml', NEW.charge_ml, 'ports', NEW.ports,
        'head_m', NEW.head_m, 'last_wet_utc', NEW.last_wet_utc,
        'first_empty_utc', NEW.first_empty_utc, 'stripped_utc', NEW.stripped_utc,
        'left_ml', NEW.left_ml, 'crew', NEW.crew, 'kit_id', NEW.kit_id, 'note', NEW.note,
        'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER draws_delete_audited AFTER DELETE ON draws BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'draws', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id, 'tree_id', OLD.tree_id,
        'started_utc', OLD.started_utc, 'charge_ml', OLD.charge_ml, 'ports', OLD.ports,
        'head_m', OLD.head_m, 'last_wet_utc', OLD.last_wet_utc,
        'first_empty_utc', OLD.first_empty_utc, 'stripped_utc', OLD.stripped_utc,
        'left_ml', OLD.left_ml, 'crew', OLD.crew, 'kit_id', OLD.kit_id, 'note', OLD.note,
        'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER readings_insert_audited AFTER INSERT ON readings BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'readings', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id,
        'time_utc', NEW.time_utc, 'state', NEW.state, 'left_ml', NEW.left_ml,
        'added_ml', NEW.added_ml, 'by', NEW."by", 'note', NEW.note, 'nth', NEW.nth,
        'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER readings_update_audited AFTER UPDATE ON readings BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'readings', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id,
        'time_utc', OLD.time_utc, 'state', OLD.state, 'left_ml', OLD.left_ml,
        'added_ml', OLD.added_ml, 'by', OLD."by", 'note', OLD.note, 'nth', OLD.nth,
        'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id,
        'time_utc', NEW.time_utc, 'state', NEW.state, 'left_ml', NEW.left_ml,
        'added_ml', NEW.added_ml, 'by', NEW."by", 'note', NEW.note, 'nth', NEW.nth,
        'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER readings_delete_audited AFTER DELETE ON readings BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'readings', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id,
        'time_utc', OLD.time_utc, 'state', OLD.state, 'left_ml', OLD.left_ml,
        'added_ml', OLD.added_ml, 'by', OLD."by", 'note', OLD.note, 'nth', OLD.nth,
        'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER pauses_insert_audited AFTER INSERT ON pauses BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'pauses', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id,
        'from_utc', NEW.from_utc, 'to_utc', NEW.to_utc, 'why', NEW.why, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER pauses_update_audited AFTER UPDATE ON pauses BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'pauses', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id,
        'from_utc', OLD.from_utc, 'to_utc', OLD.to_utc, 'why', OLD.why, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id,
        'from_utc', NEW.from_utc, 'to_utc', NEW.to_utc, 'why', NEW.why, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER pauses_delete_audited AFTER DELETE ON pauses BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'pauses', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id,
        'from_utc', OLD.from_utc, 'to_utc', OLD.to_utc, 'why', OLD.why, 'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER intended_insert_audited AFTER INSERT ON intended BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'intended', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id, 'tree_id', NEW.tree_id,
        'start_utc', NEW.start_utc, 'charge_ml', NEW.charge_ml, 'ports', NEW.ports,
        'head_m', NEW.head_m, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER intended_update_audited AFTER UPDATE ON intended BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'intended', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id, 'tree_id', OLD.tree_id,
        'start_utc', OLD.start_utc, 'charge_ml', OLD.charge_ml, 'ports', OLD.ports,
        'head_m', OLD.head_m, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'draw_id', NEW.draw_id, 'tree_id', NEW.tree_id,
        'start_utc', NEW.start_utc, 'charge_ml', NEW.charge_ml, 'ports', NEW.ports,
        'head_m', NEW.head_m, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER intended_delete_audited AFTER DELETE ON intended BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'intended', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'draw_id', OLD.draw_id, 'tree_id', OLD.tree_id,
        'start_utc', OLD.start_utc, 'charge_ml', OLD.charge_ml, 'ports', OLD.ports,
        'head_m', OLD.head_m, 'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER applications_insert_audited AFTER INSERT ON applications BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'applications', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'application_id', NEW.application_id,
        'tree_id', NEW.tree_id, 'draw_id', NEW.draw_id, 'applied_utc', NEW.applied_utc,
        'product_name', NEW.product_name, 'registration_number', NEW.registration_number,
        'lot', NEW.lot, 'product_ml', NEW.product_ml, 'product_g', NEW.product_g,
        'water_ml', NEW.water_ml, 'recovered_ml', NEW.recovered_ml, 'leaked_ml', NEW.leaked_ml,
        'applicator', NEW.applicator, 'licence', NEW.licence,
        're_entry_until_utc', NEW.re_entry_until_utc, 'pre_harvest_until', NEW.pre_harvest_until,
        'note', NEW.note, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER applications_update_audited AFTER UPDATE ON applications BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'applications', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'application_id', OLD.application_id,
        'tree_id', OLD.tree_id, 'draw_id', OLD.draw_id, 'applied_utc', OLD.applied_utc,
        'product_name', OLD.product_name, 'registration_number', OLD.registration_number,
        'lot', OLD.lot, 'product_ml', OLD.product_ml, 'product_g', OLD.product_g,
        'water_ml', OLD.water_ml, 'recovered_ml', OLD.recovered_ml, 'leaked_ml', OLD.leaked_ml,
        'applicator', OLD.applicator, 'licence', OLD.licence,
        're_entry_until_utc', OLD.re_entry_until_utc, 'pre_harvest_until', OLD.pre_harvest_until,
        'note', OLD.note, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'application_id', NEW.application_id,
        'tree_id', NEW.tree_id, 'draw_id', NEW.draw_id, 'applied_utc', NEW.applied_utc,
        'product_name', NEW.product_name, 'registration_number', NEW.registration_number,
        'lot', NEW.lot, 'product_ml', NEW.product_ml, 'product_g', NEW.product_g,
        'water_ml', NEW.water_ml, 'recovered_ml', NEW.recovered_ml, 'leaked_ml', NEW.leaked_ml,
        'applicator', NEW.applicator, 'licence', NEW.licence,
        're_entry_until_utc', NEW.re_entry_until_utc, 'pre_harvest_until', NEW.pre_harvest_until,
        'note', NEW.note, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER applications_delete_audited AFTER DELETE ON applications BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'applications', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'application_id', OLD.application_id,
        'tree_id', OLD.tree_id, 'draw_id', OLD.draw_id, 'applied_utc', OLD.applied_utc,
        'product_name', OLD.product_name, 'registration_number', OLD.registration_number,
        'lot', OLD.lot, 'product_ml', OLD.product_ml, 'product_g', OLD.product_g,
        'water_ml', OLD.water_ml, 'recovered_ml', OLD.recovered_ml, 'leaked_ml', OLD.leaked_ml,
        'applicator', OLD.applicator, 'licence', OLD.licence,
        're_entry_until_utc', OLD.re_entry_until_utc, 'pre_harvest_until', OLD.pre_harvest_until,
        'note', OLD.note, 'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER batches_insert_audited AFTER INSERT ON batches BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'batches', NEW.batch_id, NULL, json_object(
        'batch_id', NEW.batch_id, 'grove_id', NEW.grove_id, 'what', NEW.what)
    FROM acting;
END;

CREATE TRIGGER batches_update_audited AFTER UPDATE ON batches BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'batches', NEW.batch_id, json_object(
        'batch_id', OLD.batch_id, 'grove_id', OLD.grove_id, 'what', OLD.what),
        json_object(
        'batch_id', NEW.batch_id, 'grove_id', NEW.grove_id, 'what', NEW.what)
    FROM acting;
END;

CREATE TRIGGER batches_delete_audited AFTER DELETE ON batches BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'batches', OLD.batch_id, json_object(
        'batch_id', OLD.batch_id, 'grove_id', OLD.grove_id, 'what', OLD.what),
        NULL FROM acting;
END;

CREATE TRIGGER weather_observed_update_audited AFTER UPDATE ON weather_observed BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'weather_observed', NEW.grove_id, json_object(
        'grove_id', OLD.grove_id, 'from_utc', OLD.from_utc, 'to_utc', OLD.to_utc,
        'air_temp_c', OLD.air_temp_c, 'air_temp_instant_c', OLD.air_temp_instant_c,
        'rel_humidity_pct', OLD.rel_humidity_pct, 'dew_point_c', OLD.dew_point_c,
        'vapour_pressure_kpa', OLD.vapour_pressure_kpa, 'wind_m_s', OLD.wind_m_s,
        'shortwave_w_m2', OLD.shortwave_w_m2, 'rain_mm', OLD.rain_mm,
        'pressure_kpa', OLD.pressure_kpa, 'soil_water_m3_m3', OLD.soil_water_m3_m3,
        'cloud_cover_pct', OLD.cloud_cover_pct, 'aside', OLD.aside, 'batch_id', OLD.batch_id),
        json_object(
        'grove_id', NEW.grove_id, 'from_utc', NEW.from_utc, 'to_utc', NEW.to_utc,
        'air_temp_c', NEW.air_temp_c, 'air_temp_instant_c', NEW.air_temp_instant_c,
        'rel_humidity_pct', NEW.rel_humidity_pct, 'dew_point_c', NEW.dew_point_c,
        'vapour_pressure_kpa', NEW.vapour_pressure_kpa, 'wind_m_s', NEW.wind_m_s,
        'shortwave_w_m2', NEW.shortwave_w_m2, 'rain_mm', NEW.rain_mm,
        'pressure_kpa', NEW.pressure_kpa, 'soil_water_m3_m3', NEW.soil_water_m3_m3,
        'cloud_cover_pct', NEW.cloud_cover_pct, 'aside', NEW.aside, 'batch_id', NEW.batch_id)
    FROM acting;
END;

CREATE TRIGGER weather_observed_delete_audited AFTER DELETE ON weather_observed BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'weather_observed', OLD.grove_id, json_object(
        'grove_id', OLD.grove_id, 'from_utc', OLD.from_utc, 'to_utc', OLD.to_utc,
        'air_temp_c', OLD.air_temp_c, 'air_temp_instant_c', OLD.air_temp_instant_c,
        'rel_humidity_pct', OLD.rel_humidity_pct, 'dew_point_c', OLD.dew_point_c,
        'vapour_pressure_kpa', OLD.vapour_pressure_kpa, 'wind_m_s', OLD.wind_m_s,
        'shortwave_w_m2', OLD.shortwave_w_m2, 'rain_mm', OLD.rain_mm,
        'pressure_kpa', OLD.pressure_kpa, 'soil_water_m3_m3', OLD.soil_water_m3_m3,
        'cloud_cover_pct', OLD.cloud_cover_pct, 'aside', OLD.aside, 'batch_id', OLD.batch_id),
        NULL FROM acting;
END;

CREATE TRIGGER weather_pulled_update_audited AFTER UPDATE ON weather_pulled BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'weather_pulled', NEW.grove_id, json_object(
        'grove_id', OLD.grove_id, 'from_utc', OLD.from_utc, 'to_utc', OLD.to_utc,
        'air_temp_c', OLD.air_temp_c, 'vapour_pressure_kpa', OLD.vapour_pressure_kpa,
        'wind_2m_m_s', OLD.wind_2m_m_s, 'shortwave_w_m2', OLD.shortwave_w_m2,
        'rain_mm', OLD.rain_mm, 'pressure_kpa', OLD.pressure_kpa,
        'soil_water_m3_m3', OLD.soil_water_m3_m3, 'estimated', OLD.estimated,
        'source', OLD.source, 'provider_reference_et_mm', OLD.provider_reference_et_mm,
        'provider_vpd_kpa', OLD.provider_vpd_kpa, 'batch_id', OLD.batch_id),
        json_object(
        'grove_id', NEW.grove_id, 'from_utc', NEW.from_utc, 'to_utc', NEW.to_utc,
        'air_temp_c', NEW.air_temp_c, 'vapour_pressure_kpa', NEW.vapour_pressure_kpa,
        'wind_2m_m_s', NEW.wind_2m_m_s, 'shortwave_w_m2', NEW.shortwave_w_m2,
        'rain_mm', NEW.rain_mm, 'pressure_kpa', NEW.pressure_kpa,
        'soil_water_m3_m3', NEW.soil_water_m3_m3, 'estimated', NEW.estimated,
        'source', NEW.source, 'provider_reference_et_mm', NEW.provider_reference_et_mm,
        'provider_vpd_kpa', NEW.provider_vpd_kpa, 'batch_id', NEW.batch_id)
    FROM acting;
END;

CREATE TRIGGER weather_pulled_delete_audited AFTER DELETE ON weather_pulled BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'weather_pulled', OLD.grove_id, json_object(
        'grove_id', OLD.grove_id, 'from_utc', OLD.from_utc, 'to_utc', OLD.to_utc,
        'air_temp_c', OLD.air_temp_c, 'vapour_pressure_kpa', OLD.vapour_pressure_kpa,
        'wind_2m_m_s', OLD.wind_2m_m_s, 'shortwave_w_m2', OLD.shortwave_w_m2,
        'rain_mm', OLD.rain_mm, 'pressure_kpa', OLD.pressure_kpa,
        'soil_water_m3_m3', OLD.soil_water_m3_m3, 'estimated', OLD.estimated,
        'source', OLD.source, 'provider_reference_et_mm', OLD.provider_reference_et_mm,
        'provider_vpd_kpa', OLD.provider_vpd_kpa, 'batch_id', OLD.batch_id),
        NULL FROM acting;
END;

CREATE TRIGGER forecasts_insert_audited AFTER INSERT ON forecasts BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'forecasts', NEW.issue_id, NULL, json_object(
        'issue_id', NEW.issue_id, 'grove_id', NEW.grove_id, 'issued_utc', NEW.issued_utc,
        'source', NEW.source, 'batch_id', NEW.batch_id)
    FROM acting;
END;

CREATE TRIGGER forecasts_update_audited AFTER UPDATE ON forecasts BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'forecasts', NEW.issue_id, json_object(
        'issue_id', OLD.issue_id, 'grove_id', OLD.grove_id, 'issued_utc', OLD.issued_utc,
        'source', OLD.source, 'batch_id', OLD.batch_id),
        json_object(
        'issue_id', NEW.issue_id, 'grove_id', NEW.grove_id, 'issued_utc', NEW.issued_utc,
        'source', NEW.source, 'batch_id', NEW.batch_id)
    FROM acting;
END;

CREATE TRIGGER forecasts_delete_audited AFTER DELETE ON forecasts BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'forecasts', OLD.issue_id, json_object(
        'issue_id', OLD.issue_id, 'grove_id', OLD.grove_id, 'issued_utc', OLD.issued_utc,
        'source', OLD.source, 'batch_id', OLD.batch_id),
        NULL FROM acting;
END;

CREATE TRIGGER forecast_hours_update_audited AFTER UPDATE ON forecast_hours BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'forecast_hours', NEW.issue_id, json_object(
        'issue_id', OLD.issue_id, 'member', OLD.member, 'from_utc', OLD.from_utc,
        'to_utc', OLD.to_utc, 'air_temp_c', OLD.air_temp_c,
        'air_temp_instant_c', OLD.air_temp_instant_c, 'rel_humidity_pct', OLD.rel_humidity_pct,
        'dew_point_c', OLD.dew_point_c, 'vapour_pressure_kpa', OLD.vapour_pressure_kpa,
        'wind_m_s', OLD.wind_m_s, 'shortwave_w_m2', OLD.shortwave_w_m2, 'rain_mm', OLD.rain_mm,
        'pressure_kpa', OLD.pressure_kpa, 'soil_water_m3_m3', OLD.soil_water_m3_m3,
        'cloud_cover_pct', OLD.cloud_cover_pct, 'aside', OLD.aside),
        json_object(
        'issue_id', NEW.issue_id, 'member', NEW.member, 'from_utc', NEW.from_utc,
        'to_utc', NEW.to_utc, 'air_temp_c', NEW.air_temp_c,
        'air_temp_instant_c', NEW.air_temp_instant_c, 'rel_humidity_pct', NEW.rel_humidity_pct,
        'dew_point_c', NEW.dew_point_c, 'vapour_pressure_kpa', NEW.vapour_pressure_kpa,
        'wind_m_s', NEW.wind_m_s, 'shortwave_w_m2', NEW.shortwave_w_m2, 'rain_mm', NEW.rain_mm,
        'pressure_kpa', NEW.pressure_kpa, 'soil_water_m3_m3', NEW.soil_water_m3_m3,
        'cloud_cover_pct', NEW.cloud_cover_pct, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER forecast_hours_delete_audited AFTER DELETE ON forecast_hours BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'forecast_hours', OLD.issue_id, json_object(
        'issue_id', OLD.issue_id, 'member', OLD.member, 'from_utc', OLD.from_utc,
        'to_utc', OLD.to_utc, 'air_temp_c', OLD.air_temp_c,
        'air_temp_instant_c', OLD.air_temp_instant_c, 'rel_humidity_pct', OLD.rel_humidity_pct,
        'dew_point_c', OLD.dew_point_c, 'vapour_pressure_kpa', OLD.vapour_pressure_kpa,
        'wind_m_s', OLD.wind_m_s, 'shortwave_w_m2', OLD.shortwave_w_m2, 'rain_mm', OLD.rain_mm,
        'pressure_kpa', OLD.pressure_kpa, 'soil_water_m3_m3', OLD.soil_water_m3_m3,
        'cloud_cover_pct', OLD.cloud_cover_pct, 'aside', OLD.aside),
        NULL FROM acting;
END;

CREATE TRIGGER forecast_pulled_hours_update_audited AFTER UPDATE ON forecast_pulled_hours BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'forecast_pulled_hours', NEW.issue_id, json_object(
        'issue_id', OLD.issue_id, 'member', OLD.member, 'from_utc', OLD.from_utc,
        'to_utc', OLD.to_utc, 'air_temp_c', OLD.air_temp_c,
        'vapour_pressure_kpa', OLD.vapour_pressure_kpa, 'wind_2m_m_s', OLD.wind_2m_m_s,
        'shortwave_w_m2', OLD.shortwave_w_m2, 'rain_mm', OLD.rain_mm,
        'pressure_kpa', OLD.pressure_kpa, 'soil_water_m3_m3', OLD.soil_water_m3_m3,
        'estimated', OLD.estimated, 'source', OLD.source,
        'provider_reference_et_mm', OLD.provider_reference_et_mm,
        'provider_vpd_kpa', OLD.provider_vpd_kpa),
        json_object(
        'issue_id', NEW.issue_id, 'member', NEW.member, 'from_utc', NEW.from_utc,
        'to_utc', NEW.to_utc, 'air_temp_c', NEW.air_temp_c,
        'vapour_pressure_kpa', NEW.vapour_pressure_kpa, 'wind_2m_m_s', NEW.wind_2m_m_s,
        'shortwave_w_m2', NEW.shortwave_w_m2, 'rain_mm', NEW.rain_mm,
        'pressure_kpa', NEW.pressure_kpa, 'soil_water_m3_m3', NEW.soil_water_m3_m3,
        'estimated', NEW.estimated, 'source', NEW.source,
        'provider_reference_et_mm', NEW.provider_reference_et_mm,
        'provider_vpd_kpa', NEW.provider_vpd_kpa)
    FROM acting;
END;

CREATE TRIGGER forecast_pulled_hours_delete_audited AFTER DELETE ON forecast_pulled_hours BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'forecast_pulled_hours', OLD.issue_id, json_object(
        'issue_id', OLD.issue_id, 'member', OLD.member, 'from_utc', OLD.from_utc,
        'to_utc', OLD.to_utc, 'air_temp_c', OLD.air_temp_c,
        'vapour_pressure_kpa', OLD.vapour_pressure_kpa, 'wind_2m_m_s', OLD.wind_2m_m_s,
        'shortwave_w_m2', OLD.shortwave_w_m2, 'rain_mm', OLD.rain_mm,
        'pressure_kpa', OLD.pressure_kpa, 'soil_water_m3_m3', OLD.soil_water_m3_m3,
        'estimated', OLD.estimated, 'source', OLD.source,
        'provider_reference_et_mm', OLD.provider_reference_et_mm,
        'provider_vpd_kpa', OLD.provider_vpd_kpa),
        NULL FROM acting;
END;

CREATE TRIGGER models_insert_audited AFTER INSERT ON models BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'models', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'name', NEW.name, 'layout', NEW.layout,
        'fitted_utc', NEW.fitted_utc, 'rests_on_draws', NEW.rests_on_draws,
        'rests_on_trees', NEW.rests_on_trees, 'model_json', NEW.model_json)
    FROM acting;
END;

CREATE TRIGGER models_update_audited AFTER UPDATE ON models BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'models', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'name', OLD.name, 'layout', OLD.layout,
        'fitted_utc', OLD.fitted_utc, 'rests_on_draws', OLD.rests_on_draws,
        'rests_on_trees', OLD.rests_on_trees, 'model_json', OLD.model_json),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'name', NEW.name, 'layout', NEW.layout,
        'fitted_utc', NEW.fitted_utc, 'rests_on_draws', NEW.rests_on_draws,
        'rests_on_trees', NEW.rests_on_trees, 'model_json', NEW.model_json)
    FROM acting;
END;

CREATE TRIGGER models_delete_audited AFTER DELETE ON models BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'models', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'name', OLD.name, 'layout', OLD.layout,
        'fitted_utc', OLD.fitted_utc, 'rests_on_draws', OLD.rests_on_draws,
        'rests_on_trees', OLD.rests_on_trees, 'model_json', OLD.model_json),
        NULL FROM acting;
END;
