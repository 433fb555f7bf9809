//! Means that a test may lack: data beside the checkout.
//!
//! A test that lacks its means is not run, and says so where captured output cannot hide it:
//!
//! ```ignore
//! let Some(campaigns) = means::shared("sapflow") else { return };
//! ```
//!
//! With `XYLOCAST_REQUIRE=all` it fails instead. `XYLOCAST_SHARED` names another folder than
//! `shared` beside the checkout.
#![allow(dead_code)]

#[cfg(unix)]
pub mod postgres;

use std::env;
use std::ffi::OsString;
use std::fs::{self, OpenOptions};
use std::io::{self, IsTerminal, Write};
use std::path::{Path, PathBuf};

/// Set in a child process that proves this module: it has no terminal to speak to.
pub const PLANTED: &str = "XYLOCAST_PLANTED";

/// A file or folder of the shared data; where there is none, says that the test was not run.
///
/// # Panics
/// Where there is none and `XYLOCAST_REQUIRE=all`.
#[track_caller]
pub fn shared(name: &str) -> Option<PathBuf> {
    let folder = env::var_os("XYLOCAST_SHARED")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../shared"), PathBuf::from);
    let path = folder.join(name);
    if path.exists() {
        return Some(path);
    }
    not_run(&format!("there is no {}", path.display()));
    None
}

/// Says that a test was not run, and why.
///
/// # Panics
/// With `XYLOCAST_REQUIRE=all`.
#[track_caller]
pub fn not_run(why: &str) {
    let test = std::thread::current().name().unwrap_or("a test").to_owned();
    let line = format!("NOT RUN: {test}: {why}\n");
    tell(&line);
    note(&line);
    assert!(env::var_os("XYLOCAST_REQUIRE") != Some(OsString::from("all")), "{line}");
}

/// To the terminal. The test harness captures what macros print, not what handles are given.
pub fn tell(line: &str) {
    let mut stderr = io::stderr();
    let _ = stderr.write_all(line.as_bytes());
    if !stderr.is_terminal() && env::var_os(PLANTED).is_none() {
        let terminal = OpenOptions::new().write(true).open("/dev/tty");
        let _ = terminal.and_then(|mut terminal| terminal.write_all(line.as_bytes()));
    }
}

/// The tests of this run of cargo that were not run, and forgets those of all runs.
pub fn count_and_clear() -> usize {
    let lines = fs::read_to_string(list()).unwrap_or_default();
    let _ = fs::remove_file(list());
    lines.lines().filter(|line| line.starts_with(&run())).count()
}

fn note(line: &str) {
    let list = OpenOptions::new().create(true).append(true).open(list());
    let written = list.and_then(|mut list| list.write_all(format!("{}{line}", run()).as_bytes()));
    written.expect("the list of tests not run can be written");
}

/// `not-run.txt` in the target folder.
fn list() -> PathBuf {
    Path::new(env!("CARGO_TARGET_TMPDIR")).with_file_name("not-run.txt")
}

/// Marks one run of cargo, the parent of all its tests.
fn run() -> String {
    #[cfg(unix)]
    let parent = std::os::unix::process::parent_id();
    #[cfg(not(unix))]
    let parent = 0;
    format!("{parent} ")
}
