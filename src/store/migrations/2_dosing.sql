-- Schema 2: what a dose has to know of blocks and trees: areas, maxima, what was given already.

ALTER TABLE blocks ADD COLUMN area_ha REAL CHECK (area_ha BETWEEN 0.0001 AND 100000);
ALTER TABLE blocks ADD COLUMN area_acres REAL CHECK (area_acres BETWEEN 0.001 AND 247000);
ALTER TABLE trees ADD COLUMN product_at_most_ml REAL CHECK (product_at_most_ml BETWEEN 0 AND 200000);
ALTER TABLE trees ADD COLUMN product_at_most_g REAL CHECK (product_at_most_g BETWEEN 0 AND 200000);
ALTER TABLE trees ADD COLUMN given_this_season_ml REAL CHECK (given_this_season_ml BETWEEN 0 AND 200000);
ALTER TABLE trees ADD COLUMN given_this_season_g REAL CHECK (given_this_season_g BETWEEN 0 AND 200000);

DROP TRIGGER blocks_insert_audited;
DROP TRIGGER blocks_update_audited;
DROP TRIGGER blocks_delete_audited;
DROP TRIGGER trees_insert_audited;
DROP TRIGGER trees_update_audited;
DROP TRIGGER trees_delete_audited;

CREATE TRIGGER blocks_insert_audited AFTER INSERT ON blocks BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'insert', 'blocks', NEW.seq, NULL, json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'block', NEW.block,
        'leaf_on_from', NEW.leaf_on_from, 'leaf_off_from', NEW.leaf_off_from,
        'area_ha', NEW.area_ha, 'area_acres', NEW.area_acres,
        'bloom_from', NEW.bloom_from, 'bloom_to', NEW.bloom_to, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER blocks_update_audited AFTER UPDATE ON blocks BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'update', 'blocks', NEW.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'block', OLD.block,
        'leaf_on_from', OLD.leaf_on_from, 'leaf_off_from', OLD.leaf_off_from,
        'area_ha', OLD.area_ha, 'area_acres', OLD.area_acres,
        'bloom_from', OLD.bloom_from, 'bloom_to', OLD.bloom_to, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'block', NEW.block,
        'leaf_on_from', NEW.leaf_on_from, 'leaf_off_from', NEW.leaf_off_from,
        'area_ha', NEW.area_ha, 'area_acres', NEW.area_acres,
        'bloom_from', NEW.bloom_from, 'bloom_to', NEW.bloom_to, 'aside', NEW.aside)
    FROM acting;
END;

CREATE TRIGGER blocks_delete_audited AFTER DELETE ON blocks BEGIN
    INSERT INTO audit (at_utc, who, what, table_name, row, before, after)
    SELECT at_utc, who, 'delete', 'blocks', OLD.seq, json_object(
        'seq', OLD.seq, 'grove_id', OLD.grove_id, 'block', OLD.block,
        'leaf_on_from', OLD.leaf_on_from, 'leaf_off_from', OLD.leaf_off_from,
        'area_ha', OLD.area_ha, 'area_acres', OLD.area_acres,
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
        'last_treated', NEW.last_treated,
        'product_at_most_ml', NEW.product_at_most_ml,
        'product_at_most_g', NEW.product_at_most_g,
        'given_this_season_ml', NEW.given_this_season_ml,
        'given_this_season_g', NEW.given_this_season_g,
        'hang', NEW.hang, 'note', NEW.note, 'aside', NEW.aside)
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
        'last_treated', OLD.last_treated,
        'product_at_most_ml', OLD.product_at_most_ml,
        'product_at_most_g', OLD.product_at_most_g,
        'given_this_season_ml', OLD.given_this_season_ml,
        'given_this_season_g', OLD.given_this_season_g,
        'hang', OLD.hang, 'note', OLD.note, 'aside', OLD.aside),
        json_object(
        'seq', NEW.seq, 'grove_id', NEW.grove_id, 'tree_id', NEW.tree_id, 'block', NEW.block,
        'species', NEW.species, 'circumference_cm', NEW.circumference_cm, 'dbh_cm', NEW.dbh_cm,
        'ports', NEW.ports, 'flares', NEW.flares, 'latitude_deg', NEW.latitude_deg,
        'longitude_deg', NEW.longitude_deg, 'row', NEW."row", 'position', NEW.position,
        'root_depth_m', NEW.root_depth_m, 'charge_ml', NEW.charge_ml,
        'last_treated', NEW.last_treated,
        'product_at_most_ml', NEW.product_at_most_ml,
        'product_at_most_g', NEW.product_at_most_g,
        'given_this_season_ml', NEW.given_this_season_ml,
        'given_this_season_g', NEW.given_this_season_g,
        'hang', NEW.hang, 'note', NEW.note, 'aside', NEW.aside)
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
        'last_treated', OLD.last_treated,
        'product_at_most_ml', OLD.product_at_most_ml,
        'product_at_most_g', OLD.product_at_most_g,
        'given_this_season_ml', OLD.given_this_season_ml,
        'given_this_season_g', OLD.given_this_season_g,
        'hang', OLD.hang, 'note', OLD.note, 'aside', OLD.aside),
        NULL FROM acting;
END;
