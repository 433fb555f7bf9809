//! Reading the reference tables, and short ways to make quantities.
#![allow(dead_code, missing_docs)]

use std::collections::HashMap;
use xylocast::evapo::humidity::{HumidityRange, TemperatureRange};
use xylocast::evapo::sun::DayOfYear;
use xylocast::units::*;

pub struct Row(HashMap<String, String>);

impl Row {
    pub fn text(&self, column: &str) -> &str {
        self.0.get(column).unwrap_or_else(|| panic!("no column {column}"))
    }

    pub fn given(&self, column: &str) -> Option<f64> {
        let text = self.text(column);
        (!text.is_empty()).then(|| number(text))
    }

    pub fn number(&self, column: &str) -> f64 {
        number(self.text(column))
    }
}

pub fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("{text:?} is no number"))
}

pub fn table(name: &str) -> Vec<Row> {
    let path = format!("{}/tests/reference/{name}", env!("CARGO_MANIFEST_DIR"));
    let mut reader = csv::Reader::from_path(&path).unwrap();
    reader.deserialize().map(|row| Row(row.unwrap())).collect()
}

#[track_caller]
pub fn within(actual: f64, expected: f64, tolerance: f64, what: &str) {
    assert!(
        (actual - expected).abs() <= tolerance,
        "{what}: {actual} differs from {expected} by more than {tolerance}"
    );
}

#[track_caller]
pub fn relative(actual: f64, expected: f64, share: f64, what: &str) {
    // 1e-9 absolute for figures printed as 0
    within(actual, expected, (share * expected.abs()).max(1e-9), what);
}

pub fn celsius(value: f64) -> Celsius {
    Celsius::new(value).unwrap()
}

pub fn kpa(value: f64) -> Kilopascal {
    Kilopascal::new(value).unwrap()
}

pub fn mj(value: f64) -> Megajoules {
    Megajoules::new(value).unwrap()
}

pub fn metres(value: f64) -> Metres {
    Metres::new(value).unwrap()
}

pub fn wind(value: f64) -> MetresPerSecond {
    MetresPerSecond::new(value).unwrap()
}

pub fn percent(value: f64) -> Percent {
    Percent::new(value).unwrap()
}

pub fn latitude(value: f64) -> Latitude {
    Latitude::new(value).unwrap()
}

pub fn longitude(value: f64) -> Longitude {
    Longitude::new(value).unwrap()
}

pub fn day_of_year(value: f64) -> DayOfYear {
    DayOfYear::new(value as u32).unwrap()
}

pub fn place(latitude_deg: f64, longitude_deg: f64, elevation_m: f64) -> Place {
    Place {
        latitude: latitude(latitude_deg),
        longitude: longitude(longitude_deg),
        elevation: metres(elevation_m),
    }
}

pub fn temperatures(min: f64, max: f64) -> TemperatureRange {
    TemperatureRange::new(celsius(min), celsius(max)).unwrap()
}

pub fn humidities(min: f64, max: f64) -> HumidityRange {
    HumidityRange::new(percent(min), percent(max)).unwrap()
}
