//! The demo as it is printed, word for word: a change here is a change that people see.

use super::folder::demo;

fn shows(name: &str, line: &[&str]) {
    let ran = demo(line);
    assert_eq!(ran.code, 0, "{}", ran.err);
    let mut settings = insta::Settings::clone_current();
    settings.set_snapshot_path("../snapshots");
    settings.set_prepend_module_to_snapshot(false);
    settings.bind(|| insta::assert_snapshot!(name, ran.out));
}

#[test]
fn tomorrow() {
    shows("tomorrow", &["tomorrow"]);
}

#[test]
fn outlook() {
    shows("outlook", &["outlook"]);
}

#[test]
fn window() {
    shows("window", &["window"]);
}

#[test]
fn times() {
    shows("times", &["times"]);
}

#[test]
fn overnight() {
    shows("overnight", &["overnight"]);
}

#[test]
fn today() {
    shows("today", &["today"]);
}

#[test]
fn compare() {
    shows("compare", &["compare"]);
}

#[test]
fn check() {
    shows("check", &["check"]);
}

#[test]
fn refit() {
    shows("refit", &["refit", "--dry-run"]);
}

#[test]
fn backtest() {
    shows("backtest", &["backtest", "--as-of", "2025-10-13T00:00+10:30"]);
}
