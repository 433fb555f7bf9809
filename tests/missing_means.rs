//! A test that lacks its means cannot hide it.

mod means;

use std::process::{Command, Output};

/// Looks for what a parent process names: the tests below run it as a child.
#[test]
fn planted() {
    if let Ok(name) = std::env::var(means::PLANTED) {
        means::shared(&name);
    }
}

fn looks_for(name: &str, require: &str) -> Output {
    Command::new(std::env::current_exe().unwrap())
        .args(["--exact", "planted"])
        .env(means::PLANTED, name)
        .env("XYLOCAST_SHARED", env!("CARGO_MANIFEST_DIR"))
        .env("XYLOCAST_REQUIRE", require)
        .output()
        .unwrap()
}

#[test]
fn it_is_seen_although_output_is_captured() {
    let Output { status, stderr, .. } = looks_for("nowhere", "");
    assert!(status.success());
    let stderr = String::from_utf8_lossy(&stderr);
    assert!(stderr.starts_with("NOT RUN: planted: there is no "), "{stderr}");
}

#[test]
fn it_is_a_failure_where_all_means_are_required() {
    assert!(!looks_for("nowhere", "all").status.success());
}

#[test]
fn what_is_there_is_found() {
    let Output { status, stderr, .. } = looks_for("Cargo.toml", "all");
    assert!(status.success() && stderr.is_empty());
}
