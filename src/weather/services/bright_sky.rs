//! DWD through Bright Sky, in its own units (`units=dwd`).
//!
//! A stamp stands at the end of its hour. Solar energy, rain and wind are of the hour before;
//! temperature, dew point, humidity and clouds are at the stamp. Observed hours have humidity and
//! mostly no solar, forecast hours solar and no humidity, and both a dew point. The pressure is
//! reduced to the sea and not used.

use super::body::{self, number, time};
use super::error::ServiceError;
use super::note::ServiceNote;
use super::reading::{Field, Ledger, Reading, Steps, hours};
use super::scale::Scale;
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::text::shown;
use crate::units::{Latitude, Longitude};
use serde_json::Value;

const FIELDS: [(&str, Field, Scale); 7] = [
    ("temperature", Field::Air, Scale::ONE),
    ("relative_humidity", Field::RelHumidity, Scale::ONE),
    ("dew_point", Field::DewPoint, Scale::ONE),
    ("cloud_cover", Field::CloudCover, Scale::ONE),
    ("wind_speed", Field::WindMean, Scale::KM_PER_HOUR),
    ("solar", Field::Shortwave, Scale::KWH_PER_M2),
    ("precipitation", Field::Rain, Scale::ONE),
];

/// The hours of an answer.
///
/// # Errors
/// [`ServiceError`] for everything that is no whole answer.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let value = body::json(bytes)?;
    let rows = value.get("weather").and_then(Value::as_array);
    let rows = rows.ok_or(ServiceError::Missing { place: "weather" })?;
    let sources = value.get("sources").and_then(Value::as_array).map_or(&[][..], Vec::as_slice);
    let (mut ledger, mut notes) = (Ledger::default(), Vec::new());
    let mut readings = Vec::with_capacity(rows.len());
    let mut observed_until = None;
    for (row, hour) in rows.iter().enumerate() {
        let at = time(hour.get("timestamp"), "weather.timestamp")?;
        let mut reading = Reading::at(row as u64 + 1, at);
        for (name, field, scale) in FIELDS {
            let value = number(hour.get(name)).map(|value| scale.bring(value));
            reading.set(field, ledger.take(field.measure(), value, at));
        }
        if is_observed(hour, sources) {
            observed_until = observed_until.max(Some(at));
        }
        readings.push(reading);
    }
    let hours = hours(readings, Steps::Hourly, &mut ledger, &mut notes)?;
    notes.extend(ledger.notes());
    notes.extend(stations(rows, sources));
    let first = |key: &str| sources.first()?.get(key)?.as_f64();
    let latitude = first("lat").and_then(|it| Latitude::new(it).ok());
    let longitude = first("lon").and_then(|it| Longitude::new(it).ok());
    Ok(Answer {
        hours: vec![(None, hours)],
        position: latitude.zip(longitude),
        elevation_m: first("height"),
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        observed_until,
        notes,
        ..Answer::default()
    })
}

fn is_observed(hour: &Value, sources: &[Value]) -> bool {
    let id = hour.get("source_id");
    let source = sources.iter().find(|source| id.is_some() && source.get("id") == id);
    let kind = source.and_then(|source| source.get("observation_type")?.as_str());
    kind.is_some_and(|kind| kind != "forecast")
}

fn stations(rows: &[Value], sources: &[Value]) -> Vec<ServiceNote> {
    let name = |source: &Value| {
        let text = |key: &str| source.get(key).and_then(Value::as_str).map(shown);
        let kind = text("observation_type").unwrap_or_default();
        Some(format!("{} ({kind})", text("station_name")?))
    };
    let names: Vec<String> = sources.iter().filter_map(name).collect();
    let has_others = |hour: &&Value| {
        let others = hour.get("fallback_source_ids").and_then(Value::as_object);
        others.is_some_and(|others| FIELDS.iter().any(|(name, ..)| others.contains_key(*name)))
    };
    let mixed = rows.iter().filter(has_others).count();
    let mut notes = Vec::new();
    notes.extend((!names.is_empty()).then_some(ServiceNote::Stations { names }));
    notes.extend((mixed > 0).then_some(ServiceNote::Mixed { hours: mixed }));
    notes
}
