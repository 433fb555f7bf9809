//! `log` and `record` as their user meets them: the real binary on folders made here.

#[path = "cli/folder.rs"]
#[allow(dead_code, reason = "the other half of it is for tests/cli.rs")]
mod folder;
#[path = "log/noting.rs"]
mod noting;
#[path = "log/record.rs"]
mod record;
#[path = "log/together.rs"]
mod together;

use folder::{Folder, Ran, ran};

/// A log line at a time of 14 January 2026 in the grove, by Anna.
fn at(folder: &Folder, clock: &str, line: &[&str]) -> Ran {
    let as_of = format!("2026-01-14T{clock}:00+10:30");
    folder.run(&[&["log"], line, &["--as-of", &as_of]].concat())
}

/// The same, and it is noted.
fn noted(folder: &Folder, clock: &str, line: &[&str]) -> Ran {
    let ran = at(folder, clock, line);
    assert_eq!(ran.code, 0, "{line:?}: {}", ran.err);
    ran
}

fn file(folder: &Folder, name: &str) -> String {
    std::fs::read_to_string(folder.path(name)).unwrap_or_default()
}

fn shows(name: &str, text: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("snapshots");
    settings.set_prepend_module_to_snapshot(false);
    settings.bind(|| insta::assert_snapshot!(name, text));
}
