//! The seeds that fuzzing begins with, and what it found once (`tests/fuzz_found/TARGET`), through what the fuzz targets do: no
//! panic, no answer that is the service's own failure.
#![allow(missing_docs)]

#[path = "../fuzz/src/lib.rs"]
mod fuzz;

use std::fs;
use std::path::Path;

fn kept(target: &str) -> Vec<Vec<u8>> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR"));
    let mut all: Vec<Vec<u8>> = fuzz::seeds::all(root)
        .into_iter()
        .find_map(|(name, seeds)| (name == target).then_some(seeds))
        .unwrap();
    assert!(!all.is_empty(), "{target} has no seeds");
    for entry in fs::read_dir(root.join("tests/fuzz_found").join(target)).into_iter().flatten() {
        all.push(fs::read(entry.unwrap().path()).unwrap());
    }
    all
}

#[test]
fn weather() {
    for bytes in kept("weather") {
        fuzz::weather(&bytes);
    }
}

#[test]
fn grove_files() {
    for bytes in kept("grove_files") {
        fuzz::grove_files(&bytes);
    }
}

#[test]
fn model_file() {
    for bytes in kept("model_file") {
        fuzz::model_file(&bytes);
    }
}

#[test]
fn api_bodies() {
    let service = fuzz::service::Service::open();
    for bytes in kept("api_bodies") {
        service.take(&bytes);
    }
}
