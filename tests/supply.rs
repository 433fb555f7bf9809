//! What we are built of: where it comes from, under which licences, pinned; and the fault table of
//! SECURITY.md, whose every row names tests that are there.
#![allow(missing_docs)]

use serde_json::Value;
use spdx::{Expression, ParseMode};
use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const ROOT: &str = env!("CARGO_MANIFEST_DIR");
const REGISTRY: &str = "registry+https://github.com/rust-lang/crates.io-index";
/// Licences under which we take what others wrote; data under a licence of its own are named.
const LICENCES: [&str; 9] = [
    "MIT",
    "MIT-0",
    "Apache-2.0",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Zlib",
    "Unicode-3.0",
    // The list of certificate authorities.
    "CDLA-Permissive-2.0",
];
/// More crates than these behind the program, on any system, would be no longer few.
const MOST_CRATES: usize = 400;

/// Of all systems where their crates are at hand (`cargo fetch`), else of this one: its crates were
/// needed to build this test.
fn metadata() -> Value {
    let told = |filter: &[&str]| {
        Command::new(env!("CARGO"))
            .args(["metadata", "--format-version", "1", "--locked", "--offline"])
            .args(filter)
            .current_dir(ROOT)
            .output()
            .unwrap()
    };
    let mut output = told(&[]);
    if !output.status.success() {
        output = told(&["--filter-platform", host().trim()]);
    }
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The system that this is built on.
fn host() -> String {
    let output = Command::new("rustc").arg("-vV").current_dir(ROOT).output().unwrap();
    let told = String::from_utf8(output.stdout).unwrap();
    told.lines().find_map(|line| line.strip_prefix("host: ")).unwrap().to_owned()
}

fn allowed(licence: &str) -> Result<(), String> {
    let expression =
        Expression::parse_mode(licence, ParseMode::LAX).map_err(|error| error.to_string())?;
    let taken = |requirement: &spdx::LicenseReq| {
        requirement.license.id().is_some_and(|id| LICENCES.contains(&id.name))
    };
    match expression.evaluate(taken) {
        true => Ok(()),
        false => Err(format!("'{licence}' is not a licence that we take")),
    }
}

#[test]
fn every_crate_is_of_the_registry_and_under_a_licence_that_we_take() {
    let metadata = metadata();
    let packages = metadata["packages"].as_array().unwrap();
    assert!(packages.len() > 100 && packages.len() < MOST_CRATES, "{} crates", packages.len());
    let mut wrong = Vec::new();
    for package in packages {
        let name = package["name"].as_str().unwrap();
        match package["source"].as_str() {
            Some(REGISTRY) => {}
            None if name == env!("CARGO_PKG_NAME") => {}
            other => wrong.push(format!("{name} comes from {other:?}")),
        }
        let licence = package["license"].as_str().unwrap_or("");
        if let Err(told) = allowed(licence) {
            wrong.push(format!("{name}: {told}"));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    // The check itself can fail.
    assert!(allowed("AGPL-3.0-only").is_err() && allowed("").is_err());
    assert!(allowed("MIT AND GPL-3.0-only").is_err() && allowed("MIT OR GPL-3.0-only").is_ok());
}

#[test]
fn every_crate_is_pinned_by_its_checksum() {
    let lock: toml::Table =
        fs::read_to_string(Path::new(ROOT).join("Cargo.lock")).unwrap().parse().unwrap();
    for package in lock["package"].as_array().unwrap() {
        let name = package["name"].as_str().unwrap();
        if name != env!("CARGO_PKG_NAME") {
            let sum = package.get("checksum").and_then(|sum| sum.as_str()).unwrap_or("");
            assert_eq!(sum.len(), 64, "{name} has no checksum");
        }
    }
}

/// The texts of all our files of Rust below a folder, with their paths.
fn ours(folder: &str) -> Vec<(PathBuf, String)> {
    let (mut found, mut folders) = (Vec::new(), vec![Path::new(ROOT).join(folder)]);
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(folder).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|end| end == "rs") {
                let text = fs::read_to_string(&path).unwrap();
                found.push((path, text));
            }
        }
    }
    found
}

/// Our own code holds no unsafe block, and no part of it takes the ban back.
#[test]
fn nothing_of_ours_is_unsafe() {
    let files = ours("src");
    assert!(files.len() > 100);
    for (path, text) in files {
        let code = |line: &&str| !line.trim_start().starts_with("//");
        let is_breach = |line: &&str| {
            ["unsafe {", "unsafe fn", "allow(unsafe"].iter().any(|words| line.contains(words))
        };
        let breach = text.lines().filter(code).find(is_breach);
        assert_eq!(breach, None, "{}", path.display());
    }
}

/// Names of the functions that are tests: a line of their own after `#[test]` or alike, or inside
/// `proptest!`.
fn tests_there() -> BTreeSet<String> {
    let mut names = BTreeSet::new();
    for (_, text) in ours("tests").into_iter().chain(ours("src")) {
        let mut marked = false;
        for line in text.lines().map(str::trim) {
            if line.starts_with("#[test") || line.starts_with("#[tokio::test") {
                marked = true;
            } else if let (true, Some(after)) = (marked, line.split("fn ").nth(1)) {
                names.insert(after.split(['(', '<']).next().unwrap_or("").to_owned());
                marked = false;
            }
        }
    }
    names
}

#[test]
fn every_row_of_the_fault_table_names_tests_that_are_there() {
    let text = fs::read_to_string(Path::new(ROOT).join("SECURITY.md")).unwrap();
    let table =
        text.split("## Faults").nth(1).expect("a fault table").split("\n## ").next().unwrap();
    let there = tests_there();
    let mut rows = 0;
    for row in table.lines().filter(|line| line.starts_with("| ")).skip(2) {
        let held_by = row.trim_end_matches(" |").rsplit("| ").next().unwrap();
        let named: Vec<&str> = held_by.split('`').skip(1).step_by(2).collect();
        assert!(!named.is_empty(), "held by no test: {row}");
        for name in named {
            assert!(there.contains(name), "there is no test {name}: {row}");
        }
        rows += 1;
    }
    assert!(rows >= 16, "{rows} rows");
    assert!(!there.contains("a_test_that_nobody_wrote"));
}
