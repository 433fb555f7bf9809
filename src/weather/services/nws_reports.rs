//! Reports of stations of the US National Weather Service: the latest one, or a collection.

use super::super::parse::RAIN;
use super::body::{self, at, number, time};
use super::error::ServiceError;
use super::reading::{Field, Ledger, Reading, Report, Steps, at_full_hours, hours};
use super::scale::metric;
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::units::{Latitude, Longitude};
use serde_json::Value;

const FIELDS: [(&str, Field); 6] = [
    ("temperature", Field::Air),
    ("dewpoint", Field::DewPoint),
    ("relativeHumidity", Field::RelHumidity),
    ("windSpeed", Field::Wind),
    ("barometricPressure", Field::Pressure),
    ("precipitationLastHour", Field::Rain),
];

/// Cover of the layers that reports name, %: the middle of the eighths that each word stands for
/// (WMO Manual on Codes, FM 15 METAR: few 1-2, scattered 3-4, broken 5-7, overcast 8; a hidden sky
/// counts as overcast). Instruments look straight up and not above some 3,600 m.
const LAYERS: [(&str, f64); 7] = [
    ("CLR", 0.0),
    ("SKC", 0.0),
    ("FEW", 100.0 * 1.5 / 8.0),
    ("SCT", 100.0 * 3.5 / 8.0),
    ("BKN", 100.0 * 6.0 / 8.0),
    ("OVC", 100.0),
    ("VV", 100.0),
];

/// Marks of the service's quality control for what failed it: rejected, questioned, found bad.
const FAILED: [&str; 3] = ["X", "Q", "B"];

/// The reports of an answer as they are, at the minute of each; none where the station sent none.
///
/// # Errors
/// [`ServiceError`] for everything that is neither a report nor a collection of them.
pub fn read_reports(bytes: &[u8]) -> Result<Vec<Reading>, ServiceError> {
    let mut ledger = Ledger::default();
    readings(&features(&body::json(bytes)?)?, &mut ledger)
}

/// The hours that reports tell. Each full hour takes one report from 20 min before it to 10 min
/// after: the fullest, since reports of 5 minutes are emptier, else the nearest.
///
/// # Errors
/// [`ServiceError::NoData`] where the station sent nothing, else as [`read_reports`].
pub fn parse_reports(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let value = body::json(bytes)?;
    let features = features(&value)?;
    let (mut ledger, mut notes) = (Ledger::default(), Vec::new());
    let readings = readings(&features, &mut ledger)?;
    let observed_until = readings.iter().map(|reading| reading.at).max();
    let reports = readings.into_iter().map(|reading| Report { reading, routine: true });
    let readings = at_full_hours(&reports.collect::<Vec<_>>(), &mut notes);
    if readings.is_empty() {
        return Err(ServiceError::NoData);
    }
    let hours = hours(readings, Steps::Any, &mut ledger, &mut notes)?;
    notes.extend(ledger.notes());
    let coordinate =
        |at: usize| features.first()?.pointer(&format!("/geometry/coordinates/{at}"))?.as_f64();
    let latitude = coordinate(1).and_then(|it| Latitude::new(it).ok());
    let longitude = coordinate(0).and_then(|it| Longitude::new(it).ok());
    let elevation = features.first().and_then(|it| at(it, &["properties", "elevation", "value"]));
    Ok(Answer {
        hours: vec![(None, hours)],
        position: latitude.zip(longitude),
        elevation_m: elevation.and_then(Value::as_f64),
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        observed_until,
        notes,
        ..Answer::default()
    })
}

/// The reports of a collection, which may be empty or null, or the only one.
fn features(value: &Value) -> Result<Vec<&Value>, ServiceError> {
    match (value.get("features"), value.get("properties")) {
        (Some(Value::Array(features)), _) => Ok(features.iter().collect()),
        (Some(Value::Null), _) => Ok(Vec::new()),
        (None, Some(_)) => Ok(vec![value]),
        _ => Err(ServiceError::Missing { place: "features" }),
    }
}

fn readings(features: &[&Value], ledger: &mut Ledger) -> Result<Vec<Reading>, ServiceError> {
    let reading = |(row, feature): (usize, &&Value)| {
        let properties =
            feature.get("properties").ok_or(ServiceError::Missing { place: "properties" })?;
        let when = time(properties.get("timestamp"), "timestamp")?;
        let mut reading = Reading::at(row as u64 + 1, when);
        for (name, field) in FIELDS {
            let value = properties.get(name).unwrap_or(&Value::Null);
            let Some(given) = number(value.get("value")) else {
                // No rain in the last hour is often told as none at all: no gap to count.
                if field.measure() != RAIN {
                    ledger.take(field.measure(), None, when);
                }
                continue;
            };
            if value
                .get("qualityControl")
                .and_then(Value::as_str)
                .is_some_and(|it| FAILED.contains(&it))
            {
                ledger.doubt(field.measure(), when);
                continue;
            }
            let unit = value.get("unitCode").and_then(Value::as_str).unwrap_or_default();
            let given = metric(field.measure(), name, unit)?.bring(given);
            reading.set(field, ledger.take(field.measure(), Some(given), when));
        }
        reading.set(Field::CloudCover, cloud_cover_pct(properties));
        Ok(reading)
    };
    features.iter().enumerate().map(reading).collect()
}

/// Each layer of a report covers what those below it do and more, so the largest one counts; none
/// where no layer was reported.
fn cloud_cover_pct(properties: &Value) -> Option<f64> {
    let layers = properties.get("cloudLayers")?.as_array()?.iter();
    let known = layers.filter_map(|layer| {
        let amount = layer.get("amount")?.as_str()?;
        LAYERS.iter().find(|(word, _)| *word == amount).map(|(_, cover_pct)| *cover_pct)
    });
    known.reduce(f64::max)
}
