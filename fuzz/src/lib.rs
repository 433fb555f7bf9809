//! What each fuzz target does with its bytes. `tests/fuzz_found.rs` of the crate above includes this
//! file and runs all that was ever found through it, so that what is found once stays mended.

pub mod seeds;
pub mod service;

use chrono_tz::Australia::Adelaide;
use std::collections::BTreeMap;
use xylocast::grove::{FILES, Files, Grove};
use xylocast::store::demo;
use xylocast::text::Findings;
use xylocast::uptake::model::{Model, ModelFile};
use xylocast::weather::parse::{parse_forecast, parse_observed};
use xylocast::weather::services::{
    asos, bright_sky, dwd_poi, ghcn_hourly, met_norway, nws, open_meteo, surfrad, tmy3,
};

/// Number of ways in which [`weather`] reads its bytes.
pub const READERS: u8 = 17;

/// The first byte says which reader; the rest is an answer of a service, or a file of weather.
pub fn weather(data: &[u8]) {
    let Some((which, bytes)) = data.split_first() else { return };
    match which % READERS {
        0 => drop(open_meteo::parse(bytes)),
        1 => drop(open_meteo::parse_places(bytes)),
        2 => drop(open_meteo::read_stamps(bytes)),
        3 => drop(open_meteo::parse_csv(bytes, None)),
        4 => drop(met_norway::parse(bytes)),
        5 => drop(bright_sky::parse(bytes)),
        6 => drop(nws::parse_point(bytes)),
        7 => drop(nws::parse_stations(bytes)),
        8 => drop(nws::parse_gridpoint(bytes)),
        9 => drop(nws::parse_reports(bytes)),
        10 => drop(asos::parse(bytes)),
        11 => drop(ghcn_hourly::parse(bytes)),
        12 => drop(dwd_poi::parse(bytes)),
        13 => drop(surfrad::parse(bytes)),
        14 => drop(tmy3::parse(bytes)),
        15 => drop(parse_observed(
            &String::from_utf8_lossy(bytes),
            Adelaide,
            &mut Findings::default(),
        )),
        _ => drop(parse_forecast(
            &String::from_utf8_lossy(bytes),
            Adelaide,
            &mut Findings::default(),
        )),
    }
}

/// The first byte names a file of the demo grove; the rest stands in its place.
pub fn grove_files(data: &[u8]) {
    let Some((which, bytes)) = data.split_first() else { return };
    let name = FILES[usize::from(*which) % FILES.len()];
    let mut files: Files = small(demo::files());
    files.insert(name, bytes);
    match Grove::read(&files) {
        Ok(grove) => assert!(
            grove.trees.iter().all(|tree| tree.dbh.value().is_finite()),
            "a number that is none came through"
        ),
        Err(refused) => assert!(!refused.to_string().is_empty(), "refused without a word"),
    }
}

/// Weather is long and has its own target: without it a run takes microseconds.
fn small(files: Files<'static>) -> BTreeMap<&'static str, &'static [u8]> {
    files.into_iter().filter(|(name, _)| !name.starts_with("weather/")).collect()
}

/// A model file: what is read can be written and read again, and a model that stands predicts.
pub fn model_file(data: &[u8]) {
    let Ok(text) = std::str::from_utf8(data) else { return };
    let Ok(file) = ModelFile::from_json(text) else { return };
    let again = ModelFile::from_json(&file.to_json()).expect("what was read is written so");
    assert_eq!(again.to_json(), file.to_json());
    if file.rows.len() < 50 {
        drop(Model::from_file(file));
    }
}
