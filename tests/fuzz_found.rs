//! The seeds that fuzzing begins with, and what it found once (`tests/fuzz_found/TARGET`), through what the fuzz targets do: no
//! panic, no answer that is the service's own failure.
#![allow(missing_docs)]

#[path = "../fuzz/src/lib.rs"]
mod fuzz;

use std::fs;
use std::path::Path;

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR"))
}

/// What a target begins with, and what it found.
fn kept(target: &str) -> Vec<Vec<u8>> {
    assert!(fuzz::seeds::TARGETS.contains(&target), "{target} is no target");
    let mut all = fuzz::seeds::of(target, root());
    assert!(!all.is_empty(), "{target} has no seeds");
    for entry in fs::read_dir(root().join("tests/fuzz_found").join(target)).into_iter().flatten() {
        all.push(fs::read(entry.unwrap().path()).unwrap());
    }
    all
}

#[test]
fn weather() {
    for bytes in kept("weather") {
        fuzz::weather::weather(&bytes);
    }
}

/// Fuzzing gets nowhere from an answer that its reader refuses.
#[test]
fn every_reader_of_weather_reads_what_it_begins_with() {
    let mut readers = std::collections::BTreeSet::new();
    for bytes in fuzz::seeds::of("weather", root()) {
        let start = String::from_utf8_lossy(&bytes[1..]);
        let start: String = start.chars().take(60).collect();
        assert!(fuzz::weather::weather(&bytes), "reader {} refuses {start:?}", bytes[0]);
        readers.insert(bytes[0]);
    }
    assert!(readers.into_iter().eq(0..fuzz::weather::READERS));
}

#[test]
fn grove_files() {
    for bytes in kept("grove_files") {
        fuzz::folder::grove_files(&bytes);
    }
}

#[test]
fn model_file() {
    for bytes in kept("model_file") {
        fuzz::model_file(&bytes);
    }
}

#[test]
fn typed() {
    for bytes in kept("typed") {
        fuzz::typed::typed(&bytes);
    }
}

#[test]
fn api_bodies() {
    let service = fuzz::service::Service::open();
    for bytes in kept("api_bodies") {
        service.take(&bytes);
    }
}
