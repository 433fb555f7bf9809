//! Kill -9 at random moments under a writing load: nothing acknowledged is lost, nothing is half
//! there. A kill proves nothing about power; that is what the torn log in `faults` is for.

use super::groves::{Kept, ago, count, entry, now, start, wet};
use chrono::Utc;
use rusqlite::types::Value;
use std::io::{BufRead, BufReader, Write};
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use xylocast::journal::Act;
use xylocast::store::db::Database;

const CHILD: &str = "XYLOCAST_TEST_WRITER";

/// Not a test: the writer that a parent starts and kills. Each key that it prints is acknowledged.
#[test]
fn writer() {
    let Ok(asked) = std::env::var(CHILD) else { return };
    let (file, mark) = asked.split_once('|').unwrap();
    let mut database = Database::open(Path::new(file), now()).unwrap();
    let mut out = std::io::stdout().lock();
    for number in 0.. {
        let key = format!("{mark}-{number}");
        database.append(&entry(&key, ago(60), wet("d1")), now()).unwrap();
        writeln!(out, "ack {key}").unwrap();
        out.flush().unwrap();
    }
}

/// How many rows each of these has, by one statement: a server can finish what a killed client had
/// sent between two of them.
fn at_once<const N: usize>(database: &Database, rows: [&str; N]) -> [i64; N] {
    let counts = rows.map(|of| format!("(SELECT count(*) FROM {of})")).join(", ");
    let found = database.look(&format!("SELECT {counts}")).unwrap();
    std::array::from_fn(|at| match found[0][at] {
        Value::Integer(number) => number,
        ref other => panic!("{}: {other:?}", rows[at]),
    })
}

fn kills() -> u64 {
    if std::env::var_os("XYLOCAST_LONG").is_some() { 200 } else { 20 }
}

#[test]
fn a_writer_killed_at_any_moment_loses_nothing_it_acknowledged() {
    let kept = Kept::bare();
    kept.open().append(&entry("s", ago(90), Act::Start(start("d1", "A1"))), now()).unwrap();
    let mut acknowledged: Vec<String> = Vec::new();
    let began = Instant::now();
    for kill in 0..kills() {
        let mut child = Command::new(std::env::current_exe().unwrap())
            .args(["--exact", "kills::writer", "--nocapture"])
            .env(CHILD, format!("{}|w{kill}", kept.file.display()))
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
        // Killed a random time after its first word, so that the load is on.
        let first = lines.by_ref().map_while(Result::ok).find(|line| line.contains("ack "));
        let first = first.expect("the writer writes");
        std::thread::sleep(Duration::from_micros(fastrand::u64(0..40_000)));
        child.kill().unwrap();
        child.wait().unwrap();
        let acks = [first].into_iter().chain(lines.map_while(Result::ok));
        acknowledged.extend(acks.filter_map(|line| Some(line.split_once("ack ")?.1.to_owned())));
        let database = kept.open();
        let [entries, looks, audited] = at_once(
            &database,
            ["entries WHERE act = 'reading'", "readings", "audit WHERE table_name = 'readings'"],
        );
        assert_eq!((looks, audited), (entries, entries), "nothing is half there");
        for keys in acknowledged.chunks(500) {
            let listed = keys.iter().map(|key| format!("'{key}'")).collect::<Vec<_>>().join(", ");
            let sql = format!("SELECT count(*) FROM entries WHERE key IN ({listed})");
            let found = usize::try_from(count(&database, &sql)).unwrap();
            assert_eq!(found, keys.len(), "nothing acknowledged is lost");
        }
    }
    assert_eq!(kept.open().soundness().unwrap().problems, [] as [&str; 0]);
    let more = count(&kept.open(), "SELECT count(*) FROM entries") - 1;
    let words = format!(
        "kill -9: {} kills in {:.0} s, {} entries acknowledged, {more} there\n",
        kills(),
        began.elapsed().as_secs_f64(),
        acknowledged.len()
    );
    std::io::stderr().write_all(words.as_bytes()).unwrap();
}

#[test]
fn the_program_killed_while_it_notes_has_noted_all_or_nothing() {
    let kept = Kept::bare();
    let run = |key: &str, tree: &str| {
        Command::new(env!("CARGO_BIN_EXE_xylocast"))
            .args(["log", "start", tree, "--key", key, "--grove"])
            .arg(&kept.file)
            .env_remove("XYLOCAST_GROVE")
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .unwrap()
    };
    let began = Instant::now();
    assert!(run("first", "A1").wait().unwrap().success());
    let usual = began.elapsed().max(Duration::from_millis(5));
    for number in 2..2 + kills() / 2 {
        let (key, tree) = (format!("k{number}"), format!("A{number}"));
        let mut child = run(&key, &tree);
        std::thread::sleep(usual.mul_f64(fastrand::f64() * 1.2));
        let _ = child.kill();
        let output = child.wait_with_output().unwrap();
        let said = String::from_utf8_lossy(&output.stdout).contains("Noted.");
        let database = kept.open();
        let [entries, draws] = at_once(
            &database,
            [&format!("entries WHERE key = '{key}'"), &format!("draws WHERE tree_id = '{tree}'")],
        );
        assert_eq!(entries, draws, "all or nothing");
        assert!(!said || entries == 1, "what it said it noted is there");
        drop(database);
        // Sent again with its key, it is there once.
        assert!(run(&key, &tree).wait().unwrap().success());
        let database = kept.open();
        let sql = format!("SELECT count(*) FROM draws WHERE tree_id = '{tree}'");
        assert_eq!(count(&database, &sql), 1);
    }
    assert!(Utc::now() > now(), "the program's own clock is past the entries of these tests");
}
