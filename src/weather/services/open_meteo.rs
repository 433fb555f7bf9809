//! Open-Meteo: forecast, archive and ensemble answers.
//!
//! A stamp stands at the end of its hour. Shortwave is the mean and rain the sum of the hour before;
//! temperature, humidity, dew point, wind, pressure, clouds and soil water are instants at the
//! stamp. Ask with `timezone=GMT` and `timeformat=unixtime`: local labels keep one offset for the
//! whole answer, and where that offset has a part of an hour its values belong to the full hours of
//! UTC instead (a label of 00:00 at +5:30 is 00:30 there). Such labels are moved, and told.

use super::body;
use super::error::{ServiceError, in_words};
use super::grid::{Column, Grid};
use super::note::ServiceNote;
pub use super::open_meteo_csv::{Labels, parse_csv};
use super::{Answer, Reading};
use crate::text::{read_time, shown};
use crate::units::{Latitude, Longitude};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use serde_json::Value;

/// The answer for one place.
///
/// # Errors
/// [`ServiceError`] for everything that is no whole answer about one place.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let mut places = parse_places(bytes)?;
    match (places.len(), places.pop()) {
        (1, Some(place)) => place,
        (found, _) => Err(ServiceError::WrongPlaces { wanted: 1, found }),
    }
}

/// The answers for several places, in the order in which they were asked for. One of them may be
/// without weather while others have it.
///
/// # Errors
/// [`ServiceError`] where the body as a whole is no answer.
pub fn parse_places(bytes: &[u8]) -> Result<Vec<Result<Answer, ServiceError>>, ServiceError> {
    let value = body::json(bytes)?;
    match value {
        Value::Array(places) => Ok(places.iter().map(place).collect()),
        Value::Object(_) => Ok(vec![place(&value)]),
        _ => Err(ServiceError::Missing { place: "hourly" }),
    }
}

/// What the answer for one place tells for its stamps, as it stands there: instants as instants.
///
/// # Errors
/// As [`parse`].
pub fn read_stamps(bytes: &[u8]) -> Result<Vec<Reading>, ServiceError> {
    grid(&body::json(bytes)?)?.stamps()
}

fn place(value: &Value) -> Result<Answer, ServiceError> {
    let answer = grid(value)?.answer()?;
    let number = |key: &str| value.get(key).and_then(Value::as_f64);
    let latitude = number("latitude").and_then(|it| Latitude::new(it).ok());
    let longitude = number("longitude").and_then(|it| Longitude::new(it).ok());
    let position = latitude.zip(longitude);
    Ok(Answer { position, elevation_m: number("elevation"), ..answer })
}

fn grid(value: &Value) -> Result<Grid, ServiceError> {
    if value.get("error").and_then(Value::as_bool) == Some(true) {
        let reason = value.get("reason").and_then(Value::as_str).unwrap_or("no reason given");
        return Err(in_words(reason));
    }
    let hourly = value.get("hourly").and_then(Value::as_object);
    let hourly = hourly.ok_or(ServiceError::Missing { place: "hourly" })?;
    let unit = |name: &str| {
        let unit = body::at(value, &["hourly_units", name]).and_then(Value::as_str);
        unit.unwrap_or_default().to_owned()
    };
    let offset_s = value.get("utc_offset_seconds").and_then(Value::as_i64);
    let mut grid = Grid::default();
    let labels = hourly.get("time").and_then(Value::as_array);
    let labels = labels.ok_or(ServiceError::Missing { place: "hourly.time" })?;
    (grid.times, grid.notes) = times(labels, &unit("time"), offset_s)?;
    for (name, values) in hourly.iter().filter(|(name, _)| *name != "time") {
        let Some(values) = values.as_array() else { continue };
        let cells = values.iter().map(|value| body::number(Some(value))).collect();
        grid.columns.push(Column { name: name.clone(), unit: unit(name), cells });
    }
    Ok(grid)
}

const PLACE: &str = "hourly.time";

type Times = (Vec<DateTime<Utc>>, Vec<ServiceNote>);

fn times(labels: &[Value], unit: &str, offset_s: Option<i64>) -> Result<Times, ServiceError> {
    let offset_s = offset_s.map(|offset| i32::try_from(offset).unwrap_or(i32::MAX));
    match (unit, offset_s) {
        ("unixtime", offset) => {
            let stamps = labels.iter().map(stamp).collect::<Result<Vec<_>, _>>()?;
            at_full_hours(stamps, offset.unwrap_or(0), false)
        }
        ("iso8601", Some(offset)) => {
            let local = labels.iter().map(|label| body::time(Some(label), PLACE));
            from_local(local.collect::<Result<Vec<_>, _>>()?, offset)
        }
        ("iso8601", None) => Err(ServiceError::Missing { place: "utc_offset_seconds" }),
        _ => Err(ServiceError::UnknownUnit {
            variable: "time".to_owned(),
            unit: shown(unit),
            wanted: "timeformat=unixtime",
        }),
    }
}

fn stamp(value: &Value) -> Result<DateTime<Utc>, ServiceError> {
    const YEARS: std::ops::Range<i64> = 0..4_133_980_800; // 1970 to 2100
    let stamp = value.as_i64().filter(|stamp| YEARS.contains(stamp));
    stamp
        .and_then(|stamp| DateTime::from_timestamp(stamp, 0))
        .ok_or_else(|| ServiceError::BadTime { place: PLACE, text: shown(&value.to_string()) })
}

/// Local labels of one offset -> UTC.
pub(super) fn from_local(labels: Vec<DateTime<Utc>>, offset_s: i32) -> Result<Times, ServiceError> {
    if offset_s.unsigned_abs() > 14 * 3600 {
        let text = format!("an offset of {offset_s} s");
        return Err(ServiceError::BadTime { place: "utc_offset_seconds", text });
    }
    let offset = TimeDelta::seconds(offset_s.into());
    at_full_hours(labels.into_iter().map(|label| label - offset).collect(), offset_s, true)
}

/// Stamps of a zone with a part of an hour moved to the full hours that their values were read at.
fn at_full_hours(
    mut stamps: Vec<DateTime<Utc>>,
    offset_s: i32,
    local: bool,
) -> Result<Times, ServiceError> {
    let is_full = |stamp: &DateTime<Utc>| stamp.timestamp().rem_euclid(3600) == 0;
    let (part, mut notes) = (offset_s % 3600, Vec::new());
    if local && offset_s != 0 {
        notes.push(ServiceNote::LocalLabels { offset_s });
    }
    if part != 0 && !stamps.iter().all(is_full) {
        stamps.iter_mut().for_each(|stamp| *stamp += TimeDelta::seconds(part.into()));
        notes.push(ServiceNote::PartHourLabels { offset_s, moved_min: part / 60 });
    }
    match stamps.iter().find(|stamp| !is_full(stamp)) {
        Some(at) => Err(ServiceError::NotOnTheHour { at: *at }),
        None => Ok((stamps, notes)),
    }
}

/// A label of a CSV export: local time without offset.
pub(super) fn label(text: &str) -> Option<DateTime<Utc>> {
    read_time(text, Tz::UTC).ok().map(|read| read.at)
}
