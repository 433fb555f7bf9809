//! Many at once, and killed at any moment: nothing is lost, nothing is there twice.

use super::{Folder, at, file, noted};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

fn start(folder: &Folder, line: &[&str]) -> Child {
    Command::new(env!("CARGO_BIN_EXE_xylocast"))
        .arg("log")
        .args(line)
        .args(["--as-of", "2026-01-14T12:00:00+10:30", "--grove"])
        .arg(folder.path("grove.toml").parent().unwrap())
        .env_remove("XYLOCAST_BY")
        .stdin(Stdio::null())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts")
}

fn rows(folder: &Folder, name: &str) -> usize {
    file(folder, name).lines().count() - 1
}

#[test]
fn a_dozen_processes_at_once_lose_nothing() {
    let folder = Folder::bare();
    for tree in ["T1", "T2"] {
        noted(&folder, "08:00", &["start", tree]);
    }
    let lines: Vec<Vec<String>> = (0..12)
        .map(|n| {
            let tree = if n % 2 == 0 { "T1" } else { "T2" };
            let (left, clock) = (900 - 10 * n, format!("09:{n:02}"));
            ["reading", tree, &left.to_string(), "--at", &clock].map(str::to_owned).to_vec()
        })
        .collect();
    let running: Vec<Child> = lines
        .iter()
        .map(|line| start(&folder, &line.iter().map(String::as_str).collect::<Vec<_>>()))
        .collect();
    for child in running {
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    }
    assert_eq!(rows(&folder, "readings.csv"), 12);
    assert_eq!(rows(&folder, "journal.csv"), 14);
    let draws = xylocast::store::read(folder.path("grove.toml").parent().unwrap()).unwrap().draws;
    assert!(draws.iter().all(|draw| draw.readings.len() == 6));
}

#[test]
fn the_same_send_from_many_is_noted_once() {
    let folder = Folder::bare();
    let running: Vec<Child> =
        (0..8).map(|_| start(&folder, &["start", "T1", "--key", "k"])).collect();
    let mut repeated = 0;
    for child in running {
        let output = child.wait_with_output().unwrap();
        assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
        repeated += usize::from(output.stdout.starts_with(b"Noted before"));
    }
    assert_eq!((repeated, rows(&folder, "draws.csv"), rows(&folder, "journal.csv")), (7, 1, 1));
}

/// Rounds of the kill; `XYLOCAST_LONG=1` for all 200.
fn kills() -> u32 {
    if std::env::var("XYLOCAST_LONG").is_ok_and(|long| long == "1") { 200 } else { 20 }
}

#[test]
fn killed_at_any_moment_and_sent_again_is_noted_once() {
    let folder = Folder::bare();
    let since = Instant::now();
    noted(&folder, "08:00", &["start", "T1", "--charge-ml", "100000"]);
    let one = since.elapsed();
    let (mut acknowledged, mut half) = (0, 0);
    for round in 0..kills() {
        let (key, left) = (format!("k{round}"), (99_000 - round * 100).to_string());
        let minute = 8 * 60 + 1 + round;
        let clock = format!("{:02}:{:02}", minute / 60, minute % 60);
        let line = ["reading", "T1", &left, "--key", &key, "--at", &clock];
        let mut child = start(&folder, &line);
        // From nothing done to all done.
        std::thread::sleep(one.mul_f64(f64::from(round % 20) / 16.0));
        let _ = child.kill();
        let output = child.wait_with_output().unwrap();
        let said = output.stdout.starts_with(b"Noted. ");
        acknowledged += u32::from(said);
        half += u32::from(!file(&folder, ".journal.lock").is_empty());
        let before = file(&folder, "journal.csv");
        let again = at(&folder, "12:00", &line);
        assert_eq!(again.code, 0, "round {round}: {}", again.err);
        if said {
            assert!(again.out.starts_with("Noted before"), "round {round}: {}", again.out);
        }
        assert_eq!(again.out.starts_with("Noted before"), before.contains(&format!("\n{key},")));
        let found = file(&folder, "readings.csv").matches(&format!(",{left},")).count();
        assert_eq!(found, 1, "round {round}");
    }
    assert_eq!(rows(&folder, "readings.csv"), kills() as usize);
    assert_eq!(rows(&folder, "journal.csv"), kills() as usize + 1);
    eprintln!("{} kills, {acknowledged} of them after the answer, {half} between files", kills());
}

#[test]
fn a_lock_that_is_held_is_waited_for() {
    let folder = Folder::bare();
    noted(&folder, "08:00", &["start", "T1"]);
    let lock = std::fs::File::open(folder.path(".journal.lock")).unwrap();
    lock.lock().unwrap();
    let mut child = start(&folder, &["reading", "T1", "wet"]);
    std::thread::sleep(Duration::from_millis(150));
    assert!(child.try_wait().unwrap().is_none(), "it did not wait");
    lock.unlock().unwrap();
    assert!(child.wait_with_output().unwrap().status.success());
}
