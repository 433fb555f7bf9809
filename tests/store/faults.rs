//! What goes wrong with files: one clear error each, and the data as before.

use super::groves::{Kept, ago, by, count, entry, full_folder, import, ml, now, start, wet};
use crate::means;
use rusqlite::Connection;
use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::Command;
use xylocast::app::log::{What, Wish, log};
use xylocast::grove::Seen;
use xylocast::journal::Act;
use xylocast::store::db::{Database, LATEST, StoreError};
use xylocast::store::home::Home;

fn opened(path: &Path) -> StoreError {
    Database::open(path, now()).expect_err("it must not open")
}

#[test]
fn what_is_no_database_of_ours_is_told_apart() {
    let at = tempfile::tempdir().unwrap();
    let path = |name: &str| at.path().join(name);
    assert!(matches!(opened(&path("none.db")), StoreError::Missing { .. }));
    assert!(!path("none.db").exists(), "asking makes no file");
    fs::write(path("text.db"), "tree_id,block\n".repeat(500)).unwrap();
    assert!(matches!(opened(&path("text.db")), StoreError::NotADatabase { .. }));
    assert!(matches!(opened(at.path()), StoreError::NotADatabase { .. }));
    let other = Connection::open(path("other.db")).unwrap();
    other.execute_batch("CREATE TABLE t (a)").unwrap();
    assert!(matches!(opened(&path("other.db")), StoreError::NotOurs { .. }));
    assert_eq!(count_tables(&other), 1, "and nothing was put into it");
    let error = opened(&path("text.db")).to_string();
    assert!(error.ends_with("this is not a SQLite database; name the grove's own file"), "{error}");
}

fn count_tables(connection: &Connection) -> i64 {
    connection.query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0)).unwrap()
}

#[test]
fn a_newer_schema_is_refused_and_left_alone() {
    let kept = Kept::full();
    let connection = Connection::open(&kept.file).unwrap();
    connection.pragma_update(None, "user_version", LATEST + 1).unwrap();
    drop(connection);
    let before = fs::read(&kept.file).unwrap();
    let error = opened(&kept.file);
    assert!(matches!(error, StoreError::Newer { found, known: LATEST, .. } if found == LATEST + 1));
    assert!(error.to_string().contains("written by a newer xylocast; update this one"));
    assert_eq!(fs::read(&kept.file).unwrap(), before);
}

#[test]
fn every_older_schema_is_brought_up_to_date_after_a_backup() {
    for version in 1..LATEST {
        let at = tempfile::tempdir().unwrap();
        let file = at.path().join("grove.db");
        let stored = format!("{}/tests/data/schema_{version}.sql", env!("CARGO_MANIFEST_DIR"));
        let text = fs::read_to_string(stored).expect("a stored file of each older schema");
        Connection::open(&file).unwrap().execute_batch(&text).unwrap();
        let mut database = Database::open(&file, now()).unwrap();
        let name = format!("grove.schema-{version}.2026-01-14T030000Z.db");
        let backup = at.path().join(name);
        assert_eq!(database.migrated(), Some(backup.as_path()));
        let old = Connection::open(&backup).unwrap();
        let told: i64 = old.pragma_query_value(None, "user_version", |row| row.get(0)).unwrap();
        assert_eq!(told, version);
        assert_eq!(database.soundness().unwrap().schema, LATEST);
        let grove = database.grove().unwrap();
        assert_eq!((grove.trees.len(), grove.draws.len()), (2, 2));
        assert_eq!(grove.draws[0].readings.len(), 2);
        assert_eq!((grove.draws[0].kit.as_deref(), grove.observed.hours().len()), (Some("K1"), 1));
        assert_eq!(count(&database, "SELECT count(*) FROM audit WHERE who = 'anna'"), 9);
        // What is new works on what is old: rules, journal, audit.
        let rises = Act::Seen { draw_id: "d2".into(), seen: Seen::Left(ml(900.0)) };
        assert!(database.append(&entry("k1", ago(60), rises), now()).is_err());
        database.append(&entry("k2", ago(60), wet("d2")), now()).unwrap();
        assert_eq!(count(&database, "SELECT count(*) FROM audit WHERE who = 'ben'"), 2);
        assert_eq!(database.soundness().unwrap().problems, [] as [&str; 0]);
        // And it is the schema that a new file has.
        let fresh = Kept::full();
        let schema = |database: &Database| -> Vec<String> {
            let sql = "SELECT type || ' ' || name FROM sqlite_schema ORDER BY 1";
            let mut statement = database.connection().unwrap().prepare(sql).unwrap();
            statement.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
        };
        assert_eq!(schema(&database), schema(&fresh.open()));
        drop(database);
        assert_eq!(Database::open(&file, now()).unwrap().migrated(), None, "once");
    }
}

#[test]
fn a_damaged_file_is_found_and_says_what_to_do() {
    let kept = Kept::full();
    let mut bytes = fs::read(&kept.file).unwrap();
    // Pages in the middle, as a bad disk leaves them.
    let middle = bytes.len() / 2 / 4096 * 4096;
    bytes[middle..middle + 8 * 4096].fill(0xA5);
    fs::write(&kept.file, &bytes).unwrap();
    let told = match Database::open(&kept.file, now()).and_then(|database| database.soundness()) {
        Ok(soundness) => soundness.problems.join("\n"),
        Err(error) => error.to_string(),
    };
    assert!(told.contains("malformed") || told.contains("page"), "{told}");
    let ran = xylocast(&["check", "--grove", kept.file.to_str().unwrap()]);
    assert_ne!(ran.0, 0);
    assert!(ran.1.contains("put the newest backup in its place"), "{}", ran.1);
}

/// Exit code, and all that the program said.
fn xylocast(line: &[&str]) -> (i32, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .env_remove("XYLOCAST_GROVE")
        .args(line)
        .output()
        .unwrap();
    let said = [output.stdout, output.stderr].concat();
    let said = String::from_utf8_lossy(&said).split_whitespace().collect::<Vec<_>>().join(" ");
    (output.status.code().unwrap_or(-1), said)
}

#[test]
fn a_rule_broken_behind_the_store_is_found_by_check() {
    let kept = Kept::full();
    let connection = Connection::open(&kept.file).unwrap();
    connection
        .execute_batch(
            "UPDATE acting SET who = 'x', at_utc = 1; DROP TRIGGER readings_tell_one_story_update;
             UPDATE readings SET left_ml = 5000 WHERE left_ml = 600;
             PRAGMA foreign_keys = OFF; DELETE FROM trees WHERE tree_id = 'A1';",
        )
        .unwrap();
    drop(connection);
    let problems = kept.open().soundness().unwrap().problems;
    assert!(problems.iter().any(|line| line.contains("is not in trees")), "{problems:?}");
    assert!(problems.iter().any(|line| line.starts_with("draw 'd1': a reading stands above")));
    let (code, said) = xylocast(&["check", "--grove", kept.file.to_str().unwrap()]);
    assert_eq!(code, 1, "{said}");
    let (code, said) = xylocast(&["check", "--grove", Kept::full().file.to_str().unwrap()]);
    assert_eq!(code, 0, "{said}");
    for told in ["database of schema", "SQLite 3.", "zone data 20"] {
        assert!(said.contains(told), "{told}: {said}");
    }
}

#[test]
fn a_file_held_by_another_is_waited_for_and_then_told() {
    let kept = Kept::bare();
    let mut database = kept.open();
    database.connection().unwrap().busy_timeout(std::time::Duration::from_millis(50)).unwrap();
    let other = Connection::open(&kept.file).unwrap();
    other.execute_batch("BEGIN IMMEDIATE").unwrap();
    let begun = entry("k", ago(5), Act::Start(start("d1", "A1")));
    let error = database.append(&begun, now()).unwrap_err().to_string();
    assert!(error.contains("another program holds the database"), "{error}");
    assert!(database.grove().is_ok(), "it can be read meanwhile");
    other.execute_batch("ROLLBACK").unwrap();
    database.append(&begun, now()).unwrap();
}

#[test]
fn a_full_database_keeps_what_it_had() {
    let kept = Kept::full();
    let mut database = kept.open();
    let pages = count(&database, "PRAGMA page_count");
    let most = format!("PRAGMA max_page_count = {pages}");
    let _: i64 = database.connection().unwrap().query_row(&most, [], |row| row.get(0)).unwrap();
    let many = full_folder();
    let trees = (0..2000).fold(
        String::from("tree_id,block,species,dbh_cm,ports\nA1,North,,30,8\nÄ2,South,,40,6\n"),
        |rows, n| rows + &format!("N{n},North,,30,8\n"),
    );
    fs::write(many.path().join("trees.csv"), trees).unwrap();
    let error = database.import(many.path(), by(), true, &mut |_, _, _| {}).unwrap_err();
    assert!(matches!(error, StoreError::Full { .. }), "{error}");
    assert_eq!(count(&database, "SELECT count(*) FROM trees"), 2);
    assert_eq!(database.soundness().unwrap().problems, [] as [&str; 0]);
}

/// A small file system of its own, taken away at the end.
struct Disk(tempfile::TempDir);

impl Disk {
    /// None, told, where this user may not mount.
    fn of(size: &str) -> Option<Self> {
        let at = tempfile::tempdir().unwrap();
        let options = format!("size={size}");
        let mount = Command::new("mount")
            .args(["-t", "tmpfs", "-o", &options, "tmpfs"])
            .arg(at.path())
            .output();
        if mount.is_ok_and(|mount| mount.status.success()) {
            return Some(Self(at));
        }
        means::not_run("this user may not mount a small tmpfs");
        None
    }

    fn remount(&self, how: &str) {
        let options = format!("remount,{how}");
        let done = Command::new("mount").args(["-o", &options]).arg(self.0.path()).status();
        assert!(done.unwrap().success(), "{how}");
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = Command::new("umount").arg(self.0.path()).status();
    }
}

#[test]
fn a_full_disk_keeps_what_was_acknowledged() {
    let Some(disk) = Disk::of("1m") else { return };
    let bare = Kept::bare();
    let file = disk.0.path().join("grove.db");
    fs::copy(&bare.file, &file).unwrap();
    let mut database = Database::open(&file, now()).unwrap();
    let begun = entry("start", ago(900), Act::Start(start("d1", "A1")));
    database.append(&begun, now()).unwrap();
    let (mut acknowledged, mut told) = (Vec::new(), None);
    for number in 0..20_000 {
        let key = format!("k{number}");
        match database.append(&entry(&key, ago(800), wet("d1")), now()) {
            Ok(_) => acknowledged.push(key),
            Err(error) => {
                told = Some(error.to_string());
                break;
            }
        }
    }
    let told = told.expect("a megabyte is soon full");
    assert!(told.contains("no room left on the disk"), "{told}");
    drop(database);
    let database = Database::open(&file, now()).unwrap();
    assert_eq!(database.soundness().unwrap().problems, [] as [&str; 0]);
    for table in ["entries WHERE act = 'reading'", "readings"] {
        let found = count(&database, &format!("SELECT count(*) FROM {table}"));
        assert_eq!(found, i64::try_from(acknowledged.len()).unwrap(), "{table}");
    }
    // A copy that finds no room leaves no half copy.
    let copy = disk.0.path().join("copy.db");
    assert!(database.back_up(&copy).is_err());
    assert!(!copy.exists() && !disk.0.path().join("copy.db.part").exists());
}

/// A folder on a full disk: entries that found no room are refused in words and leave the files as they
/// were; those that were acknowledged stand, and more are taken once there is room again.
#[test]
fn a_full_disk_keeps_the_journal_of_a_folder() {
    let Some(disk) = Disk::of("512k") else { return };
    let folder = disk.0.path().join("grove");
    for file in fs::read_dir(full_folder().path()).unwrap() {
        let file = file.unwrap();
        if file.path().is_file() {
            fs::create_dir_all(&folder).unwrap();
            fs::copy(file.path(), folder.join(file.file_name())).unwrap();
        }
    }
    let home = Home::Folder(folder.clone());
    let note = |key: &str| {
        let wish = Wish {
            at: None,
            by: None,
            note: Some("a look that takes some room on the disk".repeat(8)),
            key: Some(key.to_owned()),
            what: What::Wet { on: "d2".into() },
        };
        log(&home, &wish, now(), 1).map_err(|error| error.to_string())
    };
    note("first").unwrap();
    // All but a few blocks are taken by something else.
    let ballast = disk.0.path().join("ballast");
    let mut room = fs::File::create(&ballast).unwrap();
    let mut taken = 0;
    while room.write_all(&[0; 4096]).is_ok() {
        taken += 4096;
    }
    room.set_len(taken - 10 * 4096).unwrap();
    let read = |name: &str| fs::read_to_string(folder.join(name)).unwrap_or_default();
    let all = || ["journal.csv", "readings.csv", "draws.csv"].map(read);
    let (mut acknowledged, mut told) = (vec!["first".to_owned()], None);
    for number in 0..1000 {
        let (key, before) = (format!("k{number}"), all());
        match note(&key) {
            Ok(_) => acknowledged.push(key),
            Err(error) => {
                told = Some(error);
                assert_eq!(all(), before, "a refused entry changes nothing");
                break;
            }
        }
    }
    let told = told.expect("a few blocks are soon full");
    assert!(told.contains("No space left") || told.contains("no room"), "{told}");
    assert!(acknowledged.len() > 2, "some found room");
    drop(room);
    fs::remove_file(ballast).unwrap();
    let rows = |name: &str, key: &str| read(name).matches(key).count();
    for key in &acknowledged {
        assert_eq!(rows("journal.csv", &format!("\n{key},")), 1, "{key}");
    }
    assert_eq!(rows("journal.csv", "\n") - 1, acknowledged.len());
    note("last").unwrap();
    assert_eq!(rows("journal.csv", "\n") - 2, acknowledged.len());
    assert!(home.grove(now()).is_ok(), "and it is a sound grove");
}

#[test]
fn a_file_that_may_only_be_read_can_be_read() {
    let Some(disk) = Disk::of("8m") else { return };
    let file = disk.0.path().join("grove.db");
    fs::copy(Kept::bare().file, &file).unwrap();
    disk.remount("ro");
    let mut database = Database::open(&file, now()).unwrap();
    assert_eq!(database.grove().unwrap().trees.len(), 200);
    let begun = entry("k", ago(5), Act::Start(start("d1", "A1")));
    let error = database.append(&begun, now()).unwrap_err().to_string();
    assert!(error.contains("may only be read"), "{error}");
    let error = database.import(full_folder().path(), by(), false, &mut |_, _, _| {}).unwrap_err();
    assert!(matches!(error, StoreError::ReadOnly { .. }), "{error}");
    drop(database);
    disk.remount("rw");
}

#[test]
fn torn_writes_of_the_log_lose_nothing_that_came_before_them() {
    let kept = Kept::bare();
    let mut database = kept.open();
    database.append(&entry("s", ago(90), Act::Start(start("d1", "A1"))), now()).unwrap();
    for number in 0..30 {
        database.append(&entry(&format!("k{number}"), ago(60), wet("d1")), now()).unwrap();
    }
    let beside = |ending: &str| PathBuf::from(format!("{}{ending}", kept.file.display()));
    let (main, log) = (fs::read(&kept.file).unwrap(), fs::read(beside("-wal")).unwrap());
    assert!(log.len() > 100_000, "all of it still stands in the log: {}", log.len());
    // As a power cut leaves it: the log ends anywhere, or its last part is another's bytes.
    let mut lengths: Vec<usize> = (0..40).map(|step| log.len() * step / 40 + step * 7).collect();
    lengths.push(log.len());
    let mut found_before = 0;
    for length in lengths {
        for rubbish in [false, true] {
            let at = tempfile::tempdir().unwrap();
            let file = at.path().join("grove.db");
            fs::write(&file, &main).unwrap();
            let mut torn = log[..length.min(log.len())].to_vec();
            if rubbish {
                let from = torn.len().saturating_sub(1500);
                torn[from..].fill(0x5A);
            }
            fs::write(at.path().join("grove.db-wal"), torn).unwrap();
            let database = Database::open(&file, now()).unwrap();
            assert_eq!(database.soundness().unwrap().problems, [] as [&str; 0], "{length}");
            let looks = count(&database, "SELECT count(*) FROM readings");
            let entries = count(&database, "SELECT count(*) FROM entries WHERE act = 'reading'");
            assert_eq!(looks, entries, "an entry and what it does stand and fall together");
            if !rubbish {
                assert!(looks >= found_before, "more of the log tells no less");
                found_before = looks;
            }
        }
    }
    assert_eq!(found_before, 30);
}

#[test]
fn a_copy_is_made_while_others_write() {
    let kept = Kept::bare();
    kept.open().append(&entry("s", ago(90), Act::Start(start("d1", "A1"))), now()).unwrap();
    let stop = std::sync::atomic::AtomicBool::new(false);
    let order = std::sync::atomic::Ordering::Relaxed;
    std::thread::scope(|scope| {
        let writer = scope.spawn(|| {
            let (mut database, mut number) = (kept.open(), 0);
            while !stop.load(order) {
                number += 1;
                database.append(&entry(&format!("k{number}"), ago(60), wet("d1")), now()).unwrap();
            }
            number
        });
        for number in 0..5 {
            let copy = kept.at.path().join(format!("copy{number}.db"));
            kept.open().back_up(&copy).unwrap();
            let out = kept.at.path().join(format!("out{number}"));
            kept.open().export(&out, false, now()).unwrap();
            let copied = Database::open(&copy, now()).unwrap();
            assert_eq!(copied.soundness().unwrap().problems, [] as [&str; 0]);
            let looks = count(&copied, "SELECT count(*) FROM readings");
            let entries = count(&copied, "SELECT count(*) FROM entries WHERE act = 'reading'");
            assert_eq!(looks, entries);
            assert!(kept.open().back_up(&copy).is_err(), "an older copy is never written over");
            let again = kept.at.path().join(format!("again{number}.db"));
            import(&again, &out).unwrap();
        }
        stop.store(true, order);
        assert!(writer.join().unwrap() > 5);
    });
}
