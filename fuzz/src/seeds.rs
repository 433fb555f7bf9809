//! What fuzzing begins with: the invented answers of `tests/services`, the demo grove, the prior, and
//! bodies of every kind that the service takes.

use std::path::Path;
use xylocast::grove::FILES;
use xylocast::store::demo;
use xylocast::uptake::model::ModelFile;

/// Answers of services, and the readers of [`super::weather`] that they are for.
const ANSWERS: [(&str, &[u8]); 10] = [
    ("open_meteo_half_hour.json", &[0, 2]),
    ("open_meteo_odd.json", &[0]),
    ("open_meteo_ensemble.json", &[0]),
    ("open_meteo_places.json", &[1]),
    ("met_norway_compact.json", &[4]),
    ("bright_sky.json", &[5]),
    ("nws_gridpoint.json", &[8]),
    ("nws_observations.json", &[9]),
    ("asos_reports.csv", &[10]),
    ("logger_10min.csv", &[3, 15, 16]),
];

/// Bodies, and where [`super::service::Service::take`] sends them.
const BODIES: [(u8, &str); 10] = [
    (0, r#"{"key":"k","at":"10:00","act":{"kind":"start","tree_id":"E01","charge_ml":1000}}"#),
    (0, r#"{"act":{"kind":"left","on":"E05","left_ml":200}}"#),
    (1, r#"[{"key":"a","at":"2026-01-01T10:00:00+10:30","kind":"wet","on":"E05","ml":""}]"#),
    (2, "on=E05&kind=left&ml=200&unit=mL&key=k&form=look"),
    (
        3,
        "name=Home&time_zone=Australia%2FAdelaide&latitude_deg=-34&longitude_deg=138&elevation_m=9",
    ),
    (
        4,
        "--x\r\nContent-Disposition: form-data; name=\"files\"; filename=\"trees.csv\"\r\n\r\n\
         tree_id,block\r\n--x--\r\n",
    ),
    (
        5,
        "--x\r\nContent-Disposition: form-data; name=\"files\"; filename=\"draws.csv\"\r\n\r\n\
         draw_id,tree_id\r\n--x--\r\n",
    ),
    (6, "tree_id=Z1&block=A&circumference_cm=90"),
    (7, "name=a&password=b"),
    (8, "units=us"),
];

/// Targets, each with its seeds; `root` is the folder of the crate above.
///
/// # Panics
/// Where an answer of `tests/services` is not there.
pub fn all(root: &Path) -> [(&'static str, Vec<Vec<u8>>); 4] {
    let answer = |name: &str| std::fs::read(root.join("tests/services").join(name)).expect(name);
    let weather = ANSWERS
        .iter()
        .flat_map(|(name, readers)| readers.iter().map(move |reader| told(*reader, &answer(name))));
    let demo = demo::files();
    let files = (0..).zip(FILES).filter_map(|(place, name)| Some(told(place, demo.get(name)?)));
    [
        ("weather", weather.collect()),
        ("grove_files", files.collect()),
        ("model_file", vec![ModelFile::prior().to_json().into_bytes()]),
        ("api_bodies", BODIES.iter().map(|(to, body)| told(*to, body.as_bytes())).collect()),
    ]
}

fn told(which: u8, bytes: &[u8]) -> Vec<u8> {
    [&[which], bytes].concat()
}
