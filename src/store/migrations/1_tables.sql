-- Schema 1: everything that a grove folder tells, kept for years.
--
-- Columns ending in _utc are whole seconds since 1970-01-01T00:00Z: they compare, subtract and
-- index as they are, and have one form each, which text with its offsets has not. The grove's zone
-- is put on at the edge. Days without a clock are text, YYYY-MM-DD. Other quantities wear their
-- unit.
--
-- Every table has a grove_id, so that one file can hold several groves. What the user calls a thing
-- (tree_id, draw_id, ...) is its key within the grove; seq keeps the order in which rows came.
-- `aside` holds cells of columns that are not known here, as a JSON object of text.

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

-- Port history: when, where, how many holes.
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

CREATE INDEX draws_by_tree ON draws (grove_id, tree_id, started_utc);
CREATE INDEX draws_by_kit ON draws (grove_id, kit_id, started_utc) WHERE kit_id IS NOT NULL;

CREATE UNIQUE INDEX one_hanging_draw_per_kit
    ON draws (grove_id, kit_id) WHERE kit_id IS NOT NULL AND stripped_utc IS NULL;

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

CREATE UNIQUE INDEX readings_by_draw
    ON readings (grove_id, draw_id, time_utc, ifnull(state, ''), nth);

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

CREATE UNIQUE INDEX one_open_pause_per_draw ON pauses (grove_id, draw_id) WHERE to_utc IS NULL;

-- What the user intends to hang.
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

-- Working records: what was put into which tree, by whom.
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

-- What came with one act of writing weather: its rows name it, and are not audited one by one.
CREATE TABLE batches (
    batch_id INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    what TEXT NOT NULL CHECK (what IN ('import', 'pull'))
) STRICT;

-- The user's own measured hours, as their file tells them: nothing is estimated here.
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

-- Observed hours as a service answered, complete; estimated is a set of bits, one an estimate.
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

-- Forecasts as issued; without a source it is the user's own.
CREATE TABLE forecasts (
    issue_id INTEGER PRIMARY KEY,
    grove_id INTEGER NOT NULL REFERENCES groves,
    issued_utc INTEGER CHECK (issued_utc BETWEEN 0 AND 4133980800),
    source TEXT CHECK (source <> ''),
    batch_id INTEGER NOT NULL REFERENCES batches,
    CHECK (source IS NULL OR issued_utc IS NOT NULL)
) STRICT;

CREATE UNIQUE INDEX forecasts_by_issue
    ON forecasts (grove_id, ifnull(source, ''), ifnull(issued_utc, -1));

-- The user's own forecast hours, as their file tells them; member is as it stands there, or ''.
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

-- Forecast hours as a service answered, complete.
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

-- Models as fitted: the file as written, when, and what it rests on.
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
