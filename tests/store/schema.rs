//! The database itself bars what cannot be, whoever writes: one planted breach each.

use super::groves::{Kept, count};
use crate::means::postgres::is_at_server;
use xylocast::grove::READING_ERROR_ML;
use xylocast::store::db::{APPLICATION_ID, BUSY_S, Database, LATEST};
use xylocast::units::{
    Celsius, Centimetres, Circumference, Head, Metres, MetresPerSecond, Millilitres,
    WattsPerSquareMetre,
};

#[test]
fn settings_of_a_file_are_those_that_keep_what_was_acknowledged() {
    let database = Kept::full();
    let database = database.open();
    let connection = database.connection().unwrap();
    let pragma = |name: &str| count(&database, &format!("PRAGMA {name}"));
    let mode: String = connection.query_row("PRAGMA journal_mode", [], |row| row.get(0)).unwrap();
    assert_eq!(mode, "wal");
    assert_eq!(pragma("synchronous"), 2, "FULL");
    assert_eq!((pragma("foreign_keys"), pragma("trusted_schema")), (1, 0));
    assert_eq!(pragma("busy_timeout"), i64::try_from(BUSY_S).unwrap() * 1000);
    assert_eq!((pragma("application_id"), pragma("user_version")), (APPLICATION_ID, LATEST));
}

/// Tries statements in somebody's name, and takes them back.
fn tried(database: &Database, sql: &str) -> Result<(), String> {
    database.tried(Some("me"), sql).map(|_| ())
}

/// What a server says where a file says this.
fn at_server(told: &'static str) -> &'static str {
    match told {
        "UNIQUE constraint failed: pauses" => "constraint \"one_open_pause_per_draw\"",
        "UNIQUE constraint failed: draws" => "constraint \"one_hanging_draw_per_kit\"",
        "FOREIGN KEY constraint failed" => "violates foreign key constraint",
        "first_empty_utc > started_utc" | "to_utc > from_utc" | "state IS 'refill'" => {
            "violates check constraint"
        }
        "cannot store TEXT value in REAL column" => "invalid input syntax for type double",
        same => same,
    }
}

/// 2026-01-12T09:00+10:30, when d1 of the full grove started; d2 did at +135000 s.
const D1: i64 = 1_768_170_600;

fn reading(draw: &str, at: i64, columns: &str, values: &str) -> String {
    format!(
        "INSERT INTO readings (grove_id, draw_id, time_utc, {columns})
         VALUES ((SELECT grove_id FROM groves), '{draw}', {at}, {values});"
    )
}

#[test]
fn every_rule_bars_its_breach_and_lets_the_sound_row_in() {
    let kept = Kept::full();
    let database = kept.open();
    let draw = |columns: &str, values: &str| {
        format!(
            "INSERT INTO draws (grove_id, draw_id, tree_id, started_utc, charge_ml, {columns})
             VALUES ((SELECT grove_id FROM groves), 'x', 'A1', {D1}, 1000, {values});"
        )
    };
    let pause = |draw: &str, from: i64, to: &str| {
        format!(
            "INSERT INTO pauses (grove_id, draw_id, from_utc, to_utc)
             VALUES ((SELECT grove_id FROM groves), '{draw}', {from}, {to});"
        )
    };
    let kit = |from: i64, to: &str| {
        format!(
            "INSERT INTO draws (grove_id, draw_id, tree_id, started_utc, charge_ml, stripped_utc,
                 kit_id) VALUES ((SELECT grove_id FROM groves), 'x', 'A1', {from}, 1000, {to}, 'K1');"
        )
    };
    let end = D1 + 3 * 3600;
    let cases: Vec<(&str, String, String)> = vec![
        (
            "a_draw_ends_after_it_starts",
            draw("stripped_utc", &(D1 - 1).to_string()),
            draw("stripped_utc", &D1.to_string()),
        ),
        (
            "first_empty_utc > started_utc",
            draw("first_empty_utc", &D1.to_string()),
            draw("first_empty_utc", &(D1 + 1).to_string()),
        ),
        (
            "empty_comes_after_wet",
            draw("last_wet_utc, first_empty_utc", &format!("{}, {}", D1 + 9, D1 + 9)),
            draw("last_wet_utc, first_empty_utc", &format!("{}, {}", D1 + 9, D1 + 10)),
        ),
        (
            "what_is_left_is_read_at_the_strip",
            draw("left_ml", "5"),
            draw("left_ml, stripped_utc", &format!("5, {}", D1 + 60)),
        ),
        (
            "a reading stands above the one before",
            reading("d1", D1 + 1801, "left_ml", "620.01"),
            reading("d1", D1 + 1801, "left_ml", "620"),
        ),
        (
            "a reading stands above the one before",
            reading("d1", D1 + 10, "left_ml", "500"),
            reading("d1", D1 + 10, "left_ml", "580"),
        ),
        (
            "a reading stands above the one before",
            format!(
                "DELETE FROM readings WHERE state = 'refill'; {}",
                reading("d1", D1 + 3000, "left_ml", "700")
            ),
            reading("d1", D1 + 3000, "left_ml", "700"),
        ),
        (
            "wet after it was empty",
            reading("d1", D1 + 3000, "state", "'empty'")
                + &reading("d1", D1 + 3100, "state", "'wet'"),
            reading("d1", D1 + 3000, "state", "'empty'")
                + &reading("d1", D1 + 3050, "state, added_ml", "'refill', 100")
                + &reading("d1", D1 + 3100, "state", "'wet'"),
        ),
        (
            "outside its draw",
            reading("d1", D1 - 1, "state", "'wet'"),
            reading("d1", D1, "state", "'wet'"),
        ),
        (
            "outside its draw",
            reading("d1", end + 1, "state", "'empty'"),
            reading("d1", end, "state", "'empty'"),
        ),
        (
            "UNIQUE constraint failed: pauses",
            pause("d2", D1 + 200_000, "NULL"),
            format!(
                "UPDATE pauses SET to_utc = from_utc + 9 WHERE draw_id = 'd2'; {}",
                pause("d2", D1 + 200_000, "NULL")
            ),
        ),
        (
            "two pauses of one draw overlap",
            pause("d1", D1 + 900, &(D1 + 1300).to_string()),
            pause("d1", D1 + 1200, &(D1 + 1300).to_string()),
        ),
        (
            "to_utc > from_utc",
            pause("d1", D1 + 5, &(D1 + 5).to_string()),
            pause("d1", D1 + 5, &(D1 + 6).to_string()),
        ),
        (
            "one kit on one tree at a time",
            kit(end - 1, &(end + 60).to_string()),
            kit(end, &(end + 60).to_string()),
        ),
        (
            "UNIQUE constraint failed: draws",
            kit(end + 500_000, "NULL"),
            kit(D1 - 600, &D1.to_string()),
        ),
        (
            "FOREIGN KEY constraint failed",
            reading("d9", D1, "state", "'wet'"),
            reading("d1", D1, "state", "'wet'"),
        ),
        (
            "FOREIGN KEY constraint failed",
            "DELETE FROM trees WHERE tree_id = 'A1'".into(),
            "DELETE FROM kits WHERE kit_id = 'K2'".into(),
        ),
        (
            "state IS 'refill'",
            reading("d1", D1, "state, added_ml", "'wet', 5"),
            reading("d1", D1, "state, added_ml", "'refill', 5"),
        ),
        (
            "cannot store TEXT value in REAL column",
            draw("left_ml, stripped_utc", &format!("'some', {end}")),
            draw("left_ml, stripped_utc", &format!("1, {end}")),
        ),
        ("the audit is never changed", "DELETE FROM audit".into(), "SELECT 1".into()),
    ];
    for (told, breach, sound) in cases {
        let error = tried(&database, &breach).expect_err(&breach);
        let told = if is_at_server() { at_server(told) } else { told };
        assert!(error.contains(told), "{breach}\n{error}");
        assert_eq!(tried(&database, &sound), Ok(()), "{sound}");
    }
    let by_nobody = database.tried(None, &reading("d1", D1, "state", "'wet'")).unwrap_err();
    let told = if is_at_server() { "somebody_acts" } else { "failed: audit.who" };
    assert!(by_nobody.contains(told), "{by_nobody}");
    assert_eq!(database.soundness().unwrap().problems, [] as [&str; 0]);
}

#[test]
fn the_tolerance_of_a_reading_is_that_of_files() {
    let database = Kept::full();
    let database = database.open();
    let at = |above: f64| reading("d1", D1 + 1801, "left_ml", &(600.0 + above).to_string());
    assert_eq!(tried(&database, &at(READING_ERROR_ML)), Ok(()));
    assert!(tried(&database, &at(READING_ERROR_ML + 0.001)).is_err());
}

#[test]
fn ranges_are_those_of_the_quantities() {
    let database = Kept::full();
    let database = database.open();
    let ranges = [
        ("trees", "dbh_cm", Centimetres::LOW, Centimetres::HIGH),
        ("trees", "circumference_cm", Circumference::LOW, Circumference::HIGH),
        ("trees", "ports", 1.0, 40.0),
        ("groves", "elevation_m", Metres::LOW, Metres::HIGH),
        ("groves", "latitude_deg", -90.0, 90.0),
        ("draws", "head_m", Head::LOW, Head::HIGH),
        ("intended", "charge_ml", 10.0, Millilitres::HIGH),
        ("applications", "water_ml", 0.0, Millilitres::HIGH),
        ("weather_observed", "air_temp_c", Celsius::LOW, Celsius::HIGH),
        ("weather_observed", "rel_humidity_pct", 0.0, 100.0),
        ("weather_observed", "shortwave_w_m2", WattsPerSquareMetre::LOW, WattsPerSquareMetre::HIGH),
        ("weather_pulled", "wind_2m_m_s", MetresPerSecond::LOW, MetresPerSecond::HIGH),
        ("forecast_hours", "rain_mm", 0.0, 300.0),
        ("forecast_pulled_hours", "air_temp_c", Celsius::LOW, Celsius::HIGH),
        ("ports", "azimuth_deg", 0.0, 360.0),
        ("kits", "capacity_ml", 10.0, Millilitres::HIGH),
    ];
    for (table, column, low, high) in ranges {
        let set = |value: f64| tried(&database, &format!("UPDATE {table} SET {column} = {value}"));
        assert_eq!((set(low), set(high)), (Ok(()), Ok(())), "{table}.{column}");
        for outside in [low - 1.0, high + 1.0] {
            let error = set(outside).expect_err(column);
            let told = if is_at_server() {
                "violates check constraint"
            } else {
                "CHECK constraint failed"
            };
            assert!(error.contains(told), "{table}.{column}: {error}");
        }
    }
}

#[test]
fn every_change_of_a_file_is_in_the_audit_with_who_before_and_after() {
    let kept = Kept::full();
    let database = kept.open();
    let connection = database.connection().unwrap();
    let bulk = ["weather_observed", "weather_pulled", "forecast_hours", "forecast_pulled_hours"];
    let never = ["audit", "acting"];
    let mut tables = connection
        .prepare("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'")
        .unwrap();
    let tables: Vec<String> =
        tables.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap();
    assert!(tables.len() > 15, "{tables:?}");
    for table in tables.iter().filter(|table| !never.contains(&table.as_str())) {
        let audited = |what: &str| {
            let sql = format!(
                "SELECT count(*) FROM sqlite_schema WHERE type = 'trigger'
                 AND name = '{table}_{what}_audited'"
            );
            count(&database, &sql) == 1
        };
        assert_eq!(audited("insert"), !bulk.contains(&table.as_str()), "{table}");
        // Entries can be neither changed nor taken out.
        let changes = table != "entries";
        assert_eq!((audited("update"), audited("delete")), (changes, changes), "{table}");
    }
    connection.execute_batch("BEGIN; UPDATE acting SET who = 'eva', at_utc = 77").unwrap();
    connection.execute("UPDATE trees SET note = 'felled' WHERE tree_id = 'A1'", []).unwrap();
    let (who, at, what, before, after): (String, i64, String, String, String) = connection
        .query_row(
            "SELECT who, at_utc, what, before ->> 'note', after ->> 'note' FROM audit
             ORDER BY audit_id DESC LIMIT 1",
            [],
            |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?, row.get(4)?)),
        )
        .unwrap();
    assert_eq!((who.as_str(), at, what.as_str(), after.as_str()), ("eva", 77, "update", "felled"));
    assert_eq!(before, "by \"the\" gate,\nsecond line");
    connection.execute_batch("ROLLBACK").unwrap();
    let draws = "SELECT count(*) FROM audit WHERE table_name = 'draws' AND who = 'anna'";
    assert_eq!(count(&database, draws), 2);
    assert_eq!(count(&database, "SELECT count(*) FROM acting WHERE who IS NULL"), 1);
}
