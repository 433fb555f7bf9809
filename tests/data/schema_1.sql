-- A database of schema 1: its own text as it was then, with a few rows.
PRAGMA foreign_keys = OFF;
PRAGMA application_id = 2021223535;
PRAGMA user_version = 1;
BEGIN TRANSACTION;
CREATE TABLE acting (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    who TEXT,
    at_utc INTEGER
) STRICT;
INSERT INTO "acting" VALUES(1,NULL,NULL);
CREATE TABLE applications (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    application_id TEXT NOT NULL CHECK (length(application_id) BETWEEN 1 AND 64),
    tree_id TEXT NOT NULL,
    draw_id TEXT,
    applied_utc INTEGER NOT NULL CHECK (applied_utc BETWEEN 0 AND 4133980800),
    product_name TEXT,
    registration_number TEXT,
    lot TEXT,
    product_ml REAL CHECK (product_ml BETWEEN 0 AND 200000),
    product_g REAL CHECK (product_g BETWEEN 0 AND 200000),
    water_ml REAL CHECK (water_ml BETWEEN 0 AND 200000),
    recovered_ml REAL CHECK (recovered_ml BETWEEN 0 AND 200000),
    leaked_ml REAL CHECK (leaked_ml BETWEEN 0 AND 200000),
    applicator TEXT,
    licence TEXT,
    re_entry_until_utc INTEGER CHECK (re_entry_until_utc >= applied_utc),
    pre_harvest_until TEXT CHECK (date(pre_harvest_until) IS pre_harvest_until),
    note TEXT,
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, application_id),
    FOREIGN KEY (grove_id, tree_id) REFERENCES trees (grove_id, tree_id),
    FOREIGN KEY (grove_id, draw_id) REFERENCES draws (grove_id, draw_id),
    CHECK (product_ml IS NOT NULL OR product_g IS NOT NULL)
) STRICT;
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
INSERT INTO "audit" VALUES(1,1768170600,'anna','insert','groves',1,NULL,'{"grove_id":1,"name":"Home","time_zone":"Australia/Adelaide","latitude_deg":-34.5,"longitude_deg":138.7,"elevation_m":120.0,"min_interval_days":null,"settings_toml":"name = \"Home\"\ntime_zone = \"Australia/Adelaide\"\nlatitude_deg = -34.5\nlongitude_deg = 138.7\nelevation_m = 120\n"}');
INSERT INTO "audit" VALUES(2,1768170600,'anna','insert','trees',1,NULL,'{"seq":1,"grove_id":1,"tree_id":"A1","block":"North","species":"elm","circumference_cm":94.2,"dbh_cm":null,"ports":8,"flares":null,"latitude_deg":null,"longitude_deg":null,"row":null,"position":null,"root_depth_m":null,"charge_ml":null,"last_treated":null,"hang":null,"note":"by the gate","aside":"{\"colour\":\"rot\"}"}');
INSERT INTO "audit" VALUES(3,1768170600,'anna','insert','trees',2,NULL,'{"seq":2,"grove_id":1,"tree_id":"A2","block":"North","species":null,"circumference_cm":null,"dbh_cm":40.0,"ports":6,"flares":null,"latitude_deg":null,"longitude_deg":null,"row":null,"position":null,"root_depth_m":null,"charge_ml":null,"last_treated":null,"hang":null,"note":null,"aside":null}');
INSERT INTO "audit" VALUES(4,1768170600,'anna','insert','draws',1,NULL,'{"seq":1,"grove_id":1,"draw_id":"d1","tree_id":"A1","started_utc":1768170600,"charge_ml":1000.0,"ports":null,"head_m":null,"last_wet_utc":null,"first_empty_utc":null,"stripped_utc":1768181400,"left_ml":50.0,"crew":null,"kit_id":"K1","note":null,"aside":null}');
INSERT INTO "audit" VALUES(5,1768170600,'anna','insert','draws',2,NULL,'{"seq":2,"grove_id":1,"draw_id":"d2","tree_id":"A2","started_utc":1768170600,"charge_ml":800.0,"ports":null,"head_m":null,"last_wet_utc":null,"first_empty_utc":null,"stripped_utc":null,"left_ml":null,"crew":null,"kit_id":null,"note":null,"aside":null}');
INSERT INTO "audit" VALUES(6,1768170600,'anna','insert','readings',1,NULL,'{"seq":1,"grove_id":1,"draw_id":"d1","time_utc":1768172400,"state":null,"left_ml":600.0,"added_ml":null,"by":"ben","note":null,"nth":0,"aside":null}');
INSERT INTO "audit" VALUES(7,1768170600,'anna','insert','readings',2,NULL,'{"seq":2,"grove_id":1,"draw_id":"d1","time_utc":1768173000,"state":"refill","left_ml":null,"added_ml":200.0,"by":null,"note":null,"nth":0,"aside":null}');
INSERT INTO "audit" VALUES(8,1768170600,'anna','insert','pauses',1,NULL,'{"seq":1,"grove_id":1,"draw_id":"d2","from_utc":1768174000,"to_utc":null,"why":"wind","aside":null}');
INSERT INTO "audit" VALUES(9,1768170600,'anna','insert','batches',1,NULL,'{"batch_id":1,"grove_id":1,"what":"import"}');
CREATE TABLE batches (
    batch_id INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    what TEXT NOT NULL CHECK (what IN ('import', 'pull'))
) STRICT;
INSERT INTO "batches" VALUES(1,1,'import');
CREATE TABLE blocks (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    block TEXT NOT NULL CHECK (length(block) BETWEEN 1 AND 64),
    leaf_on_from TEXT,
    leaf_off_from TEXT,
    bloom_from TEXT,
    bloom_to TEXT,
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, block),
    CHECK ((bloom_from IS NULL) = (bloom_to IS NULL))
) STRICT;
CREATE TABLE draws (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    draw_id TEXT NOT NULL CHECK (length(draw_id) BETWEEN 1 AND 64),
    tree_id TEXT NOT NULL,
    started_utc INTEGER NOT NULL CHECK (started_utc BETWEEN 0 AND 4133980800),
    charge_ml REAL NOT NULL CHECK (charge_ml BETWEEN 10 AND 200000),
    ports INTEGER CHECK (ports BETWEEN 1 AND 40),
    head_m REAL CHECK (head_m BETWEEN 0.1 AND 10),
    last_wet_utc INTEGER CHECK (last_wet_utc >= started_utc),
    first_empty_utc INTEGER CHECK (first_empty_utc > started_utc),
    stripped_utc INTEGER CHECK (stripped_utc <= 4133980800),
    left_ml REAL CHECK (left_ml BETWEEN 0 AND 200000),
    crew TEXT,
    kit_id TEXT CHECK (length(kit_id) BETWEEN 1 AND 64),
    note TEXT,
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, draw_id),
    FOREIGN KEY (grove_id, tree_id) REFERENCES trees (grove_id, tree_id),
    CONSTRAINT empty_comes_after_wet CHECK (first_empty_utc > last_wet_utc),
    CONSTRAINT a_draw_ends_after_it_starts CHECK (
        stripped_utc >= started_utc
        AND stripped_utc >= ifnull(last_wet_utc, started_utc)
        AND stripped_utc >= ifnull(first_empty_utc, started_utc)
    ),
    CONSTRAINT what_is_left_is_read_at_the_strip CHECK (left_ml IS NULL OR stripped_utc IS NOT NULL)
) STRICT;
INSERT INTO "draws" VALUES(1,1,'d1','A1',1768170600,1000.0,NULL,NULL,NULL,NULL,1768181400,50.0,NULL,'K1',NULL,NULL);
INSERT INTO "draws" VALUES(2,1,'d2','A2',1768170600,800.0,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE forecast_hours (
    issue_id INTEGER NOT NULL REFERENCES forecasts,
    member TEXT NOT NULL,
    from_utc INTEGER NOT NULL CHECK (from_utc BETWEEN 0 AND 4133980800),
    to_utc INTEGER NOT NULL CHECK (to_utc > from_utc),
    air_temp_c REAL CHECK (air_temp_c BETWEEN -60 AND 60),
    air_temp_instant_c REAL CHECK (air_temp_instant_c BETWEEN -60 AND 60),
    rel_humidity_pct REAL CHECK (rel_humidity_pct BETWEEN 0 AND 100),
    dew_point_c REAL CHECK (dew_point_c BETWEEN -60 AND 60),
    vapour_pressure_kpa REAL CHECK (vapour_pressure_kpa BETWEEN 0 AND 12),
    wind_m_s REAL CHECK (wind_m_s BETWEEN 0 AND 75),
    shortwave_w_m2 REAL CHECK (shortwave_w_m2 BETWEEN 0 AND 1500),
    rain_mm REAL CHECK (rain_mm BETWEEN 0 AND 300),
    pressure_kpa REAL CHECK (pressure_kpa BETWEEN 40 AND 110),
    soil_water_m3_m3 REAL CHECK (soil_water_m3_m3 BETWEEN 0 AND 1),
    cloud_cover_pct REAL CHECK (cloud_cover_pct BETWEEN 0 AND 100),
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    PRIMARY KEY (issue_id, member, from_utc)
) STRICT, WITHOUT ROWID;
CREATE TABLE forecast_pulled_hours (
    issue_id INTEGER NOT NULL REFERENCES forecasts,
    member INTEGER NOT NULL CHECK (member >= 0),
    from_utc INTEGER NOT NULL CHECK (from_utc BETWEEN 0 AND 4133980800),
    to_utc INTEGER NOT NULL CHECK (to_utc > from_utc),
    air_temp_c REAL NOT NULL CHECK (air_temp_c BETWEEN -60 AND 60),
    vapour_pressure_kpa REAL NOT NULL CHECK (vapour_pressure_kpa BETWEEN 0 AND 110),
    wind_2m_m_s REAL NOT NULL CHECK (wind_2m_m_s BETWEEN 0 AND 75),
    shortwave_w_m2 REAL NOT NULL CHECK (shortwave_w_m2 BETWEEN 0 AND 1500),
    rain_mm REAL NOT NULL CHECK (rain_mm BETWEEN -5 AND 500),
    pressure_kpa REAL NOT NULL CHECK (pressure_kpa BETWEEN 0 AND 110),
    soil_water_m3_m3 REAL CHECK (soil_water_m3_m3 BETWEEN 0 AND 1),
    estimated INTEGER NOT NULL CHECK (estimated BETWEEN 0 AND 255),
    source TEXT NOT NULL CHECK (source <> ''),
    provider_reference_et_mm REAL,
    provider_vpd_kpa REAL,
    PRIMARY KEY (issue_id, member, from_utc)
) STRICT, WITHOUT ROWID;
CREATE TABLE forecasts (
    issue_id INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    issued_utc INTEGER CHECK (issued_utc BETWEEN 0 AND 4133980800),
    source TEXT CHECK (source <> ''),
    batch_id INTEGER NOT NULL REFERENCES batches,
    CHECK (source IS NULL OR issued_utc IS NOT NULL)
) STRICT;
CREATE TABLE groves (
    grove_id INTEGER PRIMARY KEY,
    name TEXT NOT NULL CHECK (name <> ''),
    time_zone TEXT NOT NULL CHECK (time_zone <> ''),
    latitude_deg REAL NOT NULL CHECK (latitude_deg BETWEEN -90 AND 90),
    longitude_deg REAL NOT NULL CHECK (longitude_deg BETWEEN -180 AND 180),
    elevation_m REAL NOT NULL CHECK (elevation_m BETWEEN -430 AND 6000),
    min_interval_days INTEGER CHECK (min_interval_days BETWEEN 0 AND 3650),
    -- grove.toml as it was typed, comments and all.
    settings_toml TEXT NOT NULL
) STRICT;
INSERT INTO "groves" VALUES(1,'Home','Australia/Adelaide',-34.5,138.7,120.0,NULL,'name = "Home"
time_zone = "Australia/Adelaide"
latitude_deg = -34.5
longitude_deg = 138.7
elevation_m = 120
');
CREATE TABLE intended (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    draw_id TEXT NOT NULL CHECK (length(draw_id) BETWEEN 1 AND 64),
    tree_id TEXT NOT NULL,
    start_utc INTEGER NOT NULL CHECK (start_utc BETWEEN 0 AND 4133980800),
    charge_ml REAL NOT NULL CHECK (charge_ml BETWEEN 10 AND 200000),
    ports INTEGER CHECK (ports BETWEEN 1 AND 40),
    head_m REAL CHECK (head_m BETWEEN 0.1 AND 10),
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, draw_id),
    FOREIGN KEY (grove_id, tree_id) REFERENCES trees (grove_id, tree_id)
) STRICT;
CREATE TABLE kits (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    kit_id TEXT NOT NULL CHECK (length(kit_id) BETWEEN 1 AND 64),
    capacity_ml REAL CHECK (capacity_ml BETWEEN 10 AND 200000),
    tips INTEGER CHECK (tips BETWEEN 1 AND 40),
    bought TEXT CHECK (date(bought) IS bought),
    note TEXT,
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, kit_id)
) STRICT;
CREATE TABLE models (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    name TEXT NOT NULL CHECK (name <> ''),
    layout INTEGER NOT NULL,
    fitted_utc INTEGER,
    rests_on_draws INTEGER NOT NULL CHECK (rests_on_draws >= 0),
    rests_on_trees INTEGER NOT NULL CHECK (rests_on_trees >= 0),
    model_json TEXT NOT NULL CHECK (json_valid(model_json)),
    UNIQUE (grove_id, name)
) STRICT;
CREATE TABLE pauses (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    draw_id TEXT NOT NULL,
    from_utc INTEGER NOT NULL CHECK (from_utc BETWEEN 0 AND 4133980800),
    to_utc INTEGER CHECK (to_utc > from_utc),
    why TEXT,
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, draw_id, from_utc),
    FOREIGN KEY (grove_id, draw_id) REFERENCES draws (grove_id, draw_id)
) STRICT;
INSERT INTO "pauses" VALUES(1,1,'d2',1768174000,NULL,'wind',NULL);
CREATE TABLE ports (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    tree_id TEXT NOT NULL,
    date TEXT NOT NULL CHECK (date(date) IS date),
    hole INTEGER NOT NULL CHECK (hole BETWEEN 1 AND 40),
    height_cm REAL NOT NULL CHECK (height_cm BETWEEN 0 AND 300),
    azimuth_deg REAL CHECK (azimuth_deg BETWEEN 0 AND 360),
    note TEXT,
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, tree_id, date, hole),
    FOREIGN KEY (grove_id, tree_id) REFERENCES trees (grove_id, tree_id)
) STRICT;
CREATE TABLE readings (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    draw_id TEXT NOT NULL,
    time_utc INTEGER NOT NULL CHECK (time_utc BETWEEN 0 AND 4133980800),
    state TEXT CHECK (state IN ('wet', 'empty', 'refill', 'leak')),
    left_ml REAL CHECK (left_ml BETWEEN 0 AND 200000),
    added_ml REAL CHECK (added_ml BETWEEN 1 AND 200000),
    "by" TEXT,
    note TEXT,
    -- Sets rows apart that repeat one another; 0 for all others.
    nth INTEGER NOT NULL DEFAULT 0 CHECK (nth >= 0),
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    FOREIGN KEY (grove_id, draw_id) REFERENCES draws (grove_id, draw_id),
    CHECK (state IS NOT NULL OR left_ml IS NOT NULL),
    CHECK ((state IS 'refill') = (added_ml IS NOT NULL)),
    CHECK (state IS NOT 'empty' OR ifnull(left_ml, 0) = 0)
) STRICT;
INSERT INTO "readings" VALUES(1,1,'d1',1768172400,NULL,600.0,NULL,'ben',NULL,0,NULL);
INSERT INTO "readings" VALUES(2,1,'d1',1768173000,'refill',NULL,200.0,NULL,NULL,0,NULL);
CREATE TABLE trees (
    seq INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    tree_id TEXT NOT NULL CHECK (length(tree_id) BETWEEN 1 AND 64),
    block TEXT NOT NULL CHECK (length(block) BETWEEN 1 AND 64),
    species TEXT,
    circumference_cm REAL CHECK (circumference_cm BETWEEN 10 AND 1500),
    dbh_cm REAL CHECK (dbh_cm BETWEEN 3 AND 478),
    ports INTEGER NOT NULL CHECK (ports BETWEEN 1 AND 40),
    flares INTEGER CHECK (flares BETWEEN 0 AND 40),
    latitude_deg REAL CHECK (latitude_deg BETWEEN -90 AND 90),
    longitude_deg REAL CHECK (longitude_deg BETWEEN -180 AND 180),
    "row" TEXT,
    position TEXT,
    root_depth_m REAL CHECK (root_depth_m BETWEEN 0.1 AND 10),
    charge_ml REAL CHECK (charge_ml BETWEEN 10 AND 200000),
    last_treated TEXT CHECK (date(last_treated) IS last_treated),
    hang TEXT CHECK (hang IN ('yes', 'no')),
    note TEXT,
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    UNIQUE (grove_id, tree_id),
    CHECK (circumference_cm IS NOT NULL OR dbh_cm IS NOT NULL),
    CHECK ((latitude_deg IS NULL) = (longitude_deg IS NULL))
) STRICT;
INSERT INTO "trees" VALUES(1,1,'A1','North','elm',94.2,NULL,8,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,'by the gate','{"colour":"rot"}');
INSERT INTO "trees" VALUES(2,1,'A2','North',NULL,NULL,40.0,6,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL,NULL);
CREATE TABLE weather_observed (
    grove_id INTEGER NOT NULL REFERENCES groves,
    from_utc INTEGER NOT NULL CHECK (from_utc BETWEEN 0 AND 4133980800),
    to_utc INTEGER NOT NULL CHECK (to_utc > from_utc),
    air_temp_c REAL CHECK (air_temp_c BETWEEN -60 AND 60),
    air_temp_instant_c REAL CHECK (air_temp_instant_c BETWEEN -60 AND 60),
    rel_humidity_pct REAL CHECK (rel_humidity_pct BETWEEN 0 AND 100),
    dew_point_c REAL CHECK (dew_point_c BETWEEN -60 AND 60),
    vapour_pressure_kpa REAL CHECK (vapour_pressure_kpa BETWEEN 0 AND 12),
    wind_m_s REAL CHECK (wind_m_s BETWEEN 0 AND 75),
    shortwave_w_m2 REAL CHECK (shortwave_w_m2 BETWEEN 0 AND 1500),
    rain_mm REAL CHECK (rain_mm BETWEEN 0 AND 300),
    pressure_kpa REAL CHECK (pressure_kpa BETWEEN 40 AND 110),
    soil_water_m3_m3 REAL CHECK (soil_water_m3_m3 BETWEEN 0 AND 1),
    cloud_cover_pct REAL CHECK (cloud_cover_pct BETWEEN 0 AND 100),
    aside TEXT CHECK (aside IS NULL OR json_valid(aside)),
    batch_id INTEGER NOT NULL REFERENCES batches,
    PRIMARY KEY (grove_id, from_utc)
) STRICT, WITHOUT ROWID;
INSERT INTO "weather_observed" VALUES(1,1768168800,1768172400,21.5,NULL,45.0,NULL,NULL,2.0,600.0,0.0,NULL,NULL,NULL,NULL,1);
CREATE TABLE weather_pulled (
    grove_id INTEGER NOT NULL REFERENCES groves,
    from_utc INTEGER NOT NULL CHECK (from_utc BETWEEN 0 AND 4133980800),
    to_utc INTEGER NOT NULL CHECK (to_utc > from_utc),
    air_temp_c REAL NOT NULL CHECK (air_temp_c BETWEEN -60 AND 60),
    vapour_pressure_kpa REAL NOT NULL CHECK (vapour_pressure_kpa BETWEEN 0 AND 110),
    wind_2m_m_s REAL NOT NULL CHECK (wind_2m_m_s BETWEEN 0 AND 75),
    shortwave_w_m2 REAL NOT NULL CHECK (shortwave_w_m2 BETWEEN 0 AND 1500),
    rain_mm REAL NOT NULL CHECK (rain_mm BETWEEN -5 AND 500),
    pressure_kpa REAL NOT NULL CHECK (pressure_kpa BETWEEN 0 AND 110),
    soil_water_m3_m3 REAL CHECK (soil_water_m3_m3 BETWEEN 0 AND 1),
    estimated INTEGER NOT NULL CHECK (estimated BETWEEN 0 AND 255),
    source TEXT NOT NULL CHECK (source <> ''),
    provider_reference_et_mm REAL,
    provider_vpd_kpa REAL,
    batch_id INTEGER NOT NULL REFERENCES batches,
    PRIMARY KEY (grove_id, from_utc)
) STRICT, WITHOUT ROWID;
CREATE INDEX draws_by_tree ON draws (grove_id, tree_id, started_utc);
CREATE INDEX draws_by_kit ON draws (grove_id, kit_id, started_utc) WHERE kit_id IS NOT NULL;
CREATE UNIQUE INDEX one_hanging_draw_per_kit
    ON draws (grove_id, kit_id) WHERE kit_id IS NOT NULL AND stripped_utc IS NULL;
CREATE UNIQUE INDEX readings_by_draw
    ON readings (grove_id, draw_id, time_utc, ifnull(state, ''), nth);
CREATE UNIQUE INDEX one_open_pause_per_draw ON pauses (grove_id, draw_id) WHERE to_utc IS NULL;
CREATE UNIQUE INDEX forecasts_by_issue
    ON forecasts (grove_id, ifnull(source, ''), ifnull(issued_utc, -1));
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
COMMIT;
