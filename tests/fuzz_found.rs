//! What fuzzing found once, and the seeds that it began with, through what the fuzz targets do: no
//! panic, no answer that is the service's own failure.
#![allow(missing_docs)]

#[path = "../fuzz/src/lib.rs"]
mod fuzz;

use std::fs;
use std::path::PathBuf;

fn kept(target: &str) -> Vec<(PathBuf, Vec<u8>)> {
    let folder =
        PathBuf::from(concat!(env!("CARGO_MANIFEST_DIR"), "/tests/fuzz_found")).join(target);
    let mut paths: Vec<PathBuf> =
        fs::read_dir(&folder).unwrap().map(|entry| entry.unwrap().path()).collect();
    paths.sort();
    assert!(!paths.is_empty(), "{} is empty", folder.display());
    paths.into_iter().map(|path| (path.clone(), fs::read(path).unwrap())).collect()
}

#[test]
fn weather() {
    for (_, bytes) in kept("weather") {
        fuzz::weather(&bytes);
    }
}

#[test]
fn grove_files() {
    for (_, bytes) in kept("grove_files") {
        fuzz::grove_files(&bytes);
    }
}

#[test]
fn model_file() {
    for (_, bytes) in kept("model_file") {
        fuzz::model_file(&bytes);
    }
}

#[test]
fn api_bodies() {
    let service = fuzz::service::Service::open();
    for (_, bytes) in kept("api_bodies") {
        service.take(&bytes);
    }
}
