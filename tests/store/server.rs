//! What is of a server alone: many groves in one database, each by itself; a server that goes away.

use super::groves::{Kept, ago, by, entry, full_folder, import, now, put, start, wet};
use crate::means::postgres::{Server, name_of};
use rusqlite::types::Value;
use std::path::{Path, PathBuf};
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};
use xylocast::app::founding::copy_demo;
use xylocast::app::shared::RefitTurn;
use xylocast::journal::Act;
use xylocast::store::db::jobs::claim_refit;
use xylocast::store::db::{Database, StoreError, groves_at, version};
use xylocast::store::home::Home;
use xylocast::store::office::Office;
use xylocast::store::sql::Address;
use xylocast::uptake::model::ModelFile;

fn grove(database: &Path, name: &str) -> PathBuf {
    format!("{}&grove={name}", database.display()).into()
}

fn opened(place: &Path) -> Database {
    Database::open(place, now()).unwrap()
}

fn refused(place: &Path) -> StoreError {
    Database::open(place, now()).expect_err("it must not open")
}

/// Every table that keeps something of a grove.
const TABLES: &str = "SELECT relname::text FROM pg_class
                      WHERE relnamespace = 'xylocast'::regnamespace AND relkind IN ('r', 'p')
                          AND relname NOT IN ('about', 'homes', 'jobs') ORDER BY 1";

fn texts(rows: Vec<Vec<Value>>) -> Vec<String> {
    let text = |row: Vec<Value>| match &row[0] {
        Value::Text(text) => text.clone(),
        other => panic!("{other:?}"),
    };
    rows.into_iter().map(text).collect()
}

#[test]
fn groves_of_one_database_see_nothing_of_one_another() {
    let Some(server) = Server::start() else { return };
    let database = server.database();
    let (west, east) = (grove(&database, "west"), grove(&database, "east"));
    let folder = full_folder();
    import(&west, folder.path()).unwrap();
    import(&east, folder.path()).unwrap();
    let tables = texts(opened(&west).look(TABLES).unwrap());
    assert!(tables.len() > 18, "{tables:?}");
    for table in &tables {
        // A question that forgets to name its grove.
        let own = |place| opened(place).look(&format!("SELECT grove_id FROM {table}")).unwrap();
        let (in_west, in_east) = (own(&west), own(&east));
        assert_eq!(in_west.len(), in_east.len(), "{table}");
        assert!(in_west.iter().all(|row| row[0] == Value::Integer(1)), "{table}: {in_west:?}");
        assert!(in_east.iter().all(|row| row[0] == Value::Integer(2)), "{table}: {in_east:?}");
    }
    // And a write that does, or that means another grove.
    let many = "DELETE FROM kits; DELETE FROM intended";
    opened(&west).tried(Some("me"), many).unwrap();
    let foreign = "INSERT INTO kits (grove_id, kit_id) VALUES (2, 'K9')";
    let barred = opened(&west).tried(Some("me"), foreign).unwrap_err();
    assert!(barred.contains("row-level security"), "{barred}");
    // Where row security is off the test sees it: it can fail.
    server.sql(
        "grower",
        name_of(&database),
        "ALTER TABLE xylocast.kits NO FORCE ROW LEVEL SECURITY",
    );
    let seen = opened(&west).look("SELECT DISTINCT grove_id FROM kits").unwrap();
    assert_eq!(seen.len(), 2);
}

#[test]
fn every_change_is_in_the_audit_of_a_server_too() {
    let Some(server) = Server::start() else { return };
    let place = grove(&server.database(), "west");
    import(&place, full_folder().path()).unwrap();
    let database = opened(&place);
    let bulk = ["weather_observed", "weather_pulled", "forecast_hours", "forecast_pulled_hours"];
    for table in texts(database.look(TABLES).unwrap()) {
        let kinds = |bits: u8| {
            format!(
                "SELECT tgtype::BIGINT & {bits} FROM pg_trigger
                 WHERE tgrelid = 'xylocast.{table}'::regclass AND tgname = '{table}_audited'"
            )
        };
        let audited = |bits| database.look(&kinds(bits)).unwrap();
        let forced = format!(
            "SELECT relrowsecurity AND relforcerowsecurity FROM pg_class
             WHERE oid = 'xylocast.{table}'::regclass"
        );
        assert_eq!(database.look(&forced).unwrap(), [[Value::Integer(1)]], "{table}");
        if table == "audit" {
            continue;
        }
        // As pg_trigger counts: 4 an insert, 8 a delete, 16 an update.
        assert_eq!(audited(24), [[Value::Integer(24)]], "{table}");
        let inserts = if bulk.contains(&table.as_str()) { 0 } else { 4 };
        assert_eq!(audited(4), [[Value::Integer(inserts)]], "{table}");
    }
    let felled = "UPDATE trees SET note = 'felled' WHERE tree_id = 'A1'";
    let newest = database.tried(Some("eva"), felled).unwrap();
    let Value::Text(before) = &newest[0][4] else { panic!("{newest:?}") };
    let Value::Text(after) = &newest[0][5] else { panic!("{newest:?}") };
    assert_eq!(newest[0][..2], [Value::Text("eva".into()), Value::Integer(77)]);
    let note =
        |text: &str| serde_json::from_str::<serde_json::Value>(text).unwrap()["note"].clone();
    assert_eq!(
        (note(before), note(after)),
        ("by \"the\" gate,\nsecond line".into(), "felled".into())
    );
}

#[test]
fn a_server_that_goes_away_is_told_once_and_comes_back() {
    let Some(mut server) = Server::start() else { return };
    let place = grove(&server.database(), "west");
    let kept = Kept::bare();
    let out = kept.at.path().join("out");
    kept.open().export(&out, false, now()).unwrap();
    import(&place, &out).unwrap();
    let mut database = opened(&place);
    let begun = entry("s", ago(90), Act::Start(start("d1", "A1")));
    database.append(&begun, now()).unwrap();
    let before = version(&place);
    server.stop();
    let look = entry("k", ago(60), wet("d1"));
    for _ in 0..3 {
        let error = database.append(&look, now()).unwrap_err().to_string();
        assert!(error.contains("the database server does not answer"), "{error}");
        assert!(error.starts_with("postgres://grower@/"), "{error}");
        assert!(!error.contains('\n'), "{error}");
    }
    assert_eq!(version(&place), None);
    server.start_again();
    // What was acknowledged is there; connections that broke are not used again.
    assert_eq!(version(&place), before);
    database.append(&look, now()).unwrap();
    assert_eq!(database.look("SELECT count(*) FROM entries").unwrap(), [[Value::Integer(2)]]);
    assert!(version(&place) > before, "each write is counted");
}

#[test]
fn addresses_that_lead_nowhere_are_told_apart() {
    let Some(server) = Server::start() else { return };
    let database = server.database();
    let west = grove(&database, "west");
    assert!(matches!(refused(&west), StoreError::Missing { .. }));
    assert!(matches!(refused(&database), StoreError::NamesNoGrove { .. }));
    let no_database = west.to_str().unwrap().replace("@/d", "@/nowhere");
    let error = refused(Path::new(&no_database));
    assert!(matches!(error, StoreError::Away { .. }), "{error}");
    let secret = west
        .to_str()
        .unwrap()
        .replace("grower@", "grower:pass-word@")
        .replace("host=", "host=/none");
    let error = refused(Path::new(&secret));
    assert!(matches!(error, StoreError::Away { .. }), "{error}");
    assert!(
        !format!("{error} {error:?} {:?}", Home::of(Some(Path::new(&secret))))
            .contains("pass-word")
    );
    let mighty = west.to_str().unwrap().replace("grower@", "postgres@");
    let error = refused(Path::new(&mighty));
    assert!(matches!(error, StoreError::TooMighty { .. }), "{error}");
    // A grove that is flawed leaves no name behind.
    let folder = full_folder();
    put(folder.path(), "trees.csv", "tree_id,block,species,dbh_cm,ports\nA1,n,,1,99\n");
    let at: Address = west.as_path().try_into().unwrap();
    let error =
        xylocast::app::exchange::import(folder.path(), Some(&west), by(), false, &mut |_, _, _| {});
    assert!(error.is_err());
    assert_eq!(groves_at(&at).unwrap(), [] as [&str; 0]);
    // What a newer program wrote is left alone.
    import(&west, full_folder().path()).unwrap();
    server.sql("grower", name_of(&database), "UPDATE xylocast.about SET version = 99");
    let again = format!("{}&application_name=again&grove=west", database.display());
    let error = refused(Path::new(&again));
    assert!(matches!(error, StoreError::Newer { found: 99, .. }), "{error}");
}

/// What a killed process had begun falls to another one when its time is over; one that lives holds on.
#[test]
fn a_refit_is_one_process_s_at_a_time_and_falls_to_another_one_after_a_kill() {
    let Some(server) = Server::start() else { return };
    let database = server.database();
    let place = grove(&database, "west");
    import(&place, full_folder().path()).unwrap();
    let at = Address::try_from(place.as_path()).unwrap();
    let sql = |text: &str| server.sql("postgres", name_of(&database), text);
    let a_minute_later = "UPDATE xylocast.jobs SET held_until_utc = held_until_utc - 60";
    let models = "SELECT count(*) FROM xylocast.models";
    let before = sql(models);

    let held = Duration::from_secs(15);
    let killed = claim_refit(&at, held).unwrap().expect("nobody is at it");
    assert_eq!(claim_refit(&at, held).unwrap(), None, "one at a time");
    sql(a_minute_later);
    let next = claim_refit(&at, held).unwrap().expect("its time is over");
    assert_eq!((killed.attempts, next.attempts), (1, 2));
    assert!(!killed.hold_on(&at, held).unwrap() && next.hold_on(&at, held).unwrap());
    let model = (now(), &ModelFile::prior());
    assert_eq!(killed.keep_model(&at, model, by()).unwrap(), None, "it was taken over");
    assert_eq!(sql(models), before);
    assert!(next.keep_model(&at, model, by()).unwrap().is_some());
    assert_ne!(sql(models), before);

    let home = Home::Database(place);
    let turn = RefitTurn::take(&home).unwrap();
    sql(a_minute_later);
    let is_held = "SELECT held_until_utc > extract(epoch FROM now()) FROM xylocast.jobs
                   WHERE kind = 'refit'";
    let from = Instant::now();
    while sql(is_held) != "t" {
        assert!(from.elapsed() < Duration::from_secs(60), "who works on it holds on to it");
        sleep(Duration::from_millis(100));
    }
    assert!(RefitTurn::take(&home).unwrap_err().to_string().contains("on its way"));
    drop(turn);
    RefitTurn::take(&home).unwrap();
}

#[test]
fn the_service_founds_groves_at_its_server() {
    let Some(server) = Server::start() else { return };
    let database = server.database();
    let office = Office::open(&database).unwrap();
    let first = copy_demo(&office, by()).unwrap();
    let second = copy_demo(&office, by()).unwrap();
    assert_eq!((&*first.kept.grove, &*second.kept.grove), ("my-demo", "my-demo-2"));
    let at: Address = database.as_path().try_into().unwrap();
    assert_eq!(groves_at(&at).unwrap(), ["my-demo", "my-demo-2"]);
    let kept = office.groves().unwrap();
    assert_eq!(kept.len(), 2);
    let (folder, home) = (Home::Demo, Home::Database(second.file));
    assert_eq!(home.grove(now()).unwrap().trees.len(), folder.grove(now()).unwrap().trees.len());
}

#[test]
fn every_command_takes_an_address() {
    let Some(server) = Server::start() else { return };
    let place = grove(&server.database(), "west");
    let folder = super::groves::demo_folder();
    let run = |line: &[&str]| {
        let output = Command::new(env!("CARGO_BIN_EXE_xylocast"))
            .args(line)
            .arg("--grove")
            .arg(&place)
            .env_remove("XYLOCAST_GROVE")
            .output()
            .unwrap();
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        // An answer may be no, which is a code of its own.
        assert!(output.stderr.is_empty(), "{line:?}: {}", text(&output.stderr));
        text(&output.stdout)
    };
    let imported = run(&["import", folder.path().to_str().unwrap()]);
    assert!(imported.contains("grove=west") && imported.contains("trees.csv"), "{imported}");
    let check = run(&["check"]);
    assert!(check.contains("PostgreSQL") && check.contains("database of schema 1"), "{check}");
    let at = ["--as-of", "2026-01-14T18:00:00+10:30"];
    let tomorrow = run(&[&["tomorrow"], &at[..]].concat());
    let of_the_folder = Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .args([&["tomorrow"], &at[..], &["--grove"]].concat())
        .arg(folder.path())
        .output()
        .unwrap();
    assert_eq!(tomorrow, String::from_utf8_lossy(&of_the_folder.stdout));
    run(&["export", folder.path().join("out").to_str().unwrap()]);
}

/// What the real program says of a grove at an address, with the certificates that it is to trust.
fn checked(place: &str, trusted: Option<&Path>) -> (bool, String) {
    let trusted = trusted.map_or(String::new(), |file| format!("&sslrootcert={}", file.display()));
    let mut program = Command::new(env!("CARGO_BIN_EXE_xylocast"));
    let output = program.args(["check", "--grove", &format!("{place}{trusted}")]).output().unwrap();
    let said = [output.stdout, output.stderr].concat();
    (output.status.success(), String::from_utf8(said).unwrap())
}

#[test]
fn a_way_that_can_be_listened_to_is_encrypted_and_the_server_is_who_it_says() {
    let Some(mut server) = Server::start() else { return };
    let database = server.database();
    let folder = full_folder();
    import(&grove(&database, "west"), folder.path()).unwrap();
    let name = name_of(&database);
    let pem = |name: &str| Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/access").join(name);
    let (cert, key) = (pem("cert.pem"), pem("key.pem"));
    let at = |host: &str, port: u16, mode: &str| {
        format!("postgres://grower@{host}:{port}/{name}?grove=west&sslmode={mode}")
    };

    let port = server.listen(None);
    let (done, said) = checked(&at("127.0.0.1", port, "require"), None);
    let advised = said.contains("write sslmode=disable in the address");
    assert!(!done && advised && !server.log().contains("user=grower"), "{said}");
    let (done, said) = checked(&at("127.0.0.1", port, "disable"), None);
    assert!(done && server.log().contains("user=grower"), "{said}");

    let port = server.listen(Some((&cert, &key)));
    let (done, said) = checked(&at("127.0.0.1", port, "verify-full"), Some(&cert));
    assert!(done && said.contains("PostgreSQL"), "{said}");
    let log = server.log();
    let ways: Vec<&str> = log.lines().filter(|line| line.contains("user=grower")).collect();
    assert!(!ways.is_empty() && ways.iter().all(|way| way.contains("SSL enabled")), "{log}");
    // Of another name, and by nobody whom the machine trusts.
    for (host, trusted) in [("127.0.0.2", Some(cert.as_path())), ("127.0.0.1", None)] {
        let (done, said) = checked(&at(host, port, "require"), trusted);
        let advised = said.contains("invalid peer certificate") && said.contains("sslrootcert");
        assert!(!done && advised, "{host}: {said}");
    }
    assert_eq!(server.log().matches("user=grower").count(), ways.len());
}
