//! US National Weather Service: points, gridpoint layers; reports of its stations.
//!
//! A layer's value holds for every hour of its interval; only the rain is a total of the interval,
//! shared out evenly here. Wind is at 10 m, not the fire weather's at 20 ft. No radiation is given;
//! the sky cover is kept so that it can be estimated.

use super::super::hour::Span;
use super::super::parse::{Measure, RawHour};
use super::body::{self, at, number, time};
use super::error::ServiceError;
use super::note::ServiceNote;
pub use super::nws_reports::{parse_reports, read_reports};
use super::reading::{Field, Ledger, Reading};
use super::scale::{Scale, metric};
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::text::{read_time, shown};
use crate::units::{Latitude, Longitude};
use chrono::{DateTime, TimeDelta, Utc};
use chrono_tz::Tz;
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};

const LAYERS: [(&str, Field); 5] = [
    ("temperature", Field::Air),
    ("dewpoint", Field::DewPoint),
    ("relativeHumidity", Field::RelHumidity),
    ("skyCover", Field::CloudCover),
    ("windSpeed", Field::Wind),
];

const RAIN: &str = "quantitativePrecipitation";

/// No forecast reaches further than this from its first hour.
const FARTHEST: TimeDelta = TimeDelta::days(40);

/// Where the service keeps what belongs to a point. Keep these; they change seldom.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Point {
    /// Address of the gridpoint's layers.
    pub forecast_grid_data: String,
    /// Address of the hourly forecast in words.
    pub forecast_hourly: String,
    /// Address of the list of stations near.
    pub observation_stations: String,
    /// IANA name of the local zone.
    pub time_zone: Option<String>,
}

/// The addresses that belong to a point. They are the service's: check their host before asking.
///
/// # Errors
/// [`ServiceError`]; [`ServiceError::OutOfCoverage`] outside the United States.
pub fn parse_point(bytes: &[u8]) -> Result<Point, ServiceError> {
    let value = body::json(bytes)?;
    let text = |key: &'static str| {
        let text = at(&value, &["properties", key]).and_then(Value::as_str);
        text.map(str::to_owned).ok_or(ServiceError::Missing { place: key })
    };
    Ok(Point {
        forecast_grid_data: text("forecastGridData")?,
        forecast_hourly: text("forecastHourly")?,
        observation_stations: text("observationStations")?,
        time_zone: text("timeZone").ok(),
    })
}

/// Identifiers of stations, the nearest first.
///
/// # Errors
/// [`ServiceError`].
pub fn parse_stations(bytes: &[u8]) -> Result<Vec<String>, ServiceError> {
    let value = body::json(bytes)?;
    let features = value.get("features").and_then(Value::as_array);
    let id = |feature: &Value| {
        let id = at(feature, &["properties", "stationIdentifier"])?.as_str()?;
        id.chars().all(|letter| letter.is_ascii_alphanumeric()).then(|| id.to_owned())
    };
    let features = features.ok_or(ServiceError::Missing { place: "features" })?;
    Ok(features.iter().filter_map(id).collect())
}

/// The hours of a gridpoint.
///
/// # Errors
/// [`ServiceError`] for everything that is no gridpoint.
pub fn parse_gridpoint(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let value = body::json(bytes)?;
    let properties =
        value.get("properties").ok_or(ServiceError::Missing { place: "properties" })?;
    let mut cells = Cells::default();
    let layers = LAYERS.into_iter().chain([(RAIN, Field::Rain)]);
    let read = layers.filter_map(|(name, field)| Layer::read(properties, name, field).transpose());
    let layers: Vec<Layer> = read.collect::<Result<_, _>>()?;
    let first = layers.iter().flat_map(|layer| &layer.intervals).map(|it| it.span.from).min();
    let first = first.ok_or(ServiceError::NoData)?;
    for layer in layers {
        cells.lay(&layer, first + FARTHEST);
    }
    let (hours, notes) = cells.hours()?;
    let (latitude, longitude) = corner(&value).unzip();
    let elevation = at(properties, &["elevation", "value"]).and_then(Value::as_f64);
    let unit = at(properties, &["elevation", "unitCode"]).and_then(Value::as_str);
    Ok(Answer {
        hours: vec![(None, hours)],
        position: latitude.zip(longitude),
        elevation_m: elevation.filter(|_| unit.is_some_and(|unit| unit.ends_with(":m"))),
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        issued_at: time(properties.get("updateTime"), "updateTime").ok(),
        observed_until: Some(first),
        notes,
        ..Answer::default()
    })
}

/// A gridpoint's hours with those that a station near it reported before them; what was forecast
/// for a time that has been reported is dropped.
pub fn with_reports(mut gridpoint: Answer, reports: Answer) -> Answer {
    let Some(until) = reports.only().last().map(|hour| hour.span.to) else { return gridpoint };
    let ahead = gridpoint.only().iter().filter(|hour| hour.span.from >= until);
    let hours = reports.only().iter().chain(ahead).copied().collect();
    gridpoint.hours = vec![(None, hours)];
    gridpoint.observed_until = Some(until);
    gridpoint.notes.extend(reports.notes);
    gridpoint
}

/// The first corner of a gridpoint's square of some 2.5 km.
fn corner(value: &Value) -> Option<(Latitude, Longitude)> {
    let corner = value.pointer("/geometry/coordinates/0/0")?;
    let latitude = Latitude::new(corner.get(1)?.as_f64()?).ok()?;
    Some((latitude, Longitude::new(corner.get(0)?.as_f64()?).ok()?))
}

struct Interval {
    row: u64,
    span: Span,
    value: Option<f64>,
}

struct Layer {
    field: Field,
    intervals: Vec<Interval>,
}

impl Layer {
    /// None where the answer does not have the layer, or has it empty.
    fn read(properties: &Value, name: &str, field: Field) -> Result<Option<Self>, ServiceError> {
        let values = at(properties, &[name, "values"]).and_then(Value::as_array);
        let Some(values) = values.filter(|values| !values.is_empty()) else { return Ok(None) };
        let unit = at(properties, &[name, "uom"]).and_then(Value::as_str);
        let scale = metric(field.measure(), name, unit.unwrap_or_default())?;
        let interval = |(row, value): (usize, &Value)| Interval::read(row as u64 + 1, value, scale);
        let intervals = values.iter().enumerate().map(interval).collect::<Result<_, _>>()?;
        Ok(Some(Self { field, intervals }))
    }
}

impl Interval {
    fn read(row: u64, value: &Value, scale: Scale) -> Result<Self, ServiceError> {
        let text = value.get("validTime").and_then(Value::as_str).unwrap_or_default();
        let span = span(text);
        let bad = || ServiceError::BadTime { place: "validTime", text: shown(text) };
        let value = number(value.get("value")).map(|value| scale.bring(value));
        Ok(Self { row, span: span.ok_or_else(bad)?, value })
    }

    fn is_of_full_hours(&self) -> bool {
        let full = |at: DateTime<Utc>| at.timestamp().rem_euclid(3600) == 0;
        full(self.span.from) && full(self.span.to)
    }
}

/// `2019-07-04T18:00:00+00:00/PT3H` -> the span.
fn span(text: &str) -> Option<Span> {
    let (from, length) = text.split_once('/')?;
    let from = read_time(from, Tz::UTC).ok()?.at;
    Some(Span { from, to: from.checked_add_signed(duration(length)?)? })
}

/// An ISO 8601 duration of days, hours, minutes and seconds, longer than nothing and up to a year.
fn duration(text: &str) -> Option<TimeDelta> {
    const YEAR_S: i64 = 366 * 86_400;
    let (days, clock) = text
        .strip_prefix('P')?
        .split_once('T')
        .map_or_else(|| (text.strip_prefix('P'), None), |(days, clock)| (Some(days), Some(clock)));
    let mut seconds = parts(days?, &[('W', 604_800), ('D', 86_400)])?;
    if let Some(clock) = clock {
        seconds += parts(clock, &[('H', 3600), ('M', 60), ('S', 1)])?;
    }
    (1..=YEAR_S).contains(&seconds).then(|| TimeDelta::seconds(seconds))
}

/// Whole numbers, each before its letter.
fn parts(text: &str, letters: &[(char, i64)]) -> Option<i64> {
    let (mut rest, mut seconds) = (text, 0_i64);
    while !rest.is_empty() {
        let end = rest.find(|letter: char| !letter.is_ascii_digit())?;
        let count: i64 = rest[..end].parse().ok().filter(|count| *count < 1_000_000)?;
        let (_, worth) = letters.iter().find(|(letter, _)| rest[end..].starts_with(*letter))?;
        seconds += count * worth;
        rest = &rest[end + 1..];
    }
    Some(seconds)
}

/// Values hour by hour as layers are laid upon each other.
#[derive(Default)]
struct Cells {
    hours: BTreeMap<DateTime<Utc>, Reading>,
    ledger: Ledger,
    odd: usize,
    shared: (usize, usize),
    clashes: BTreeSet<(DateTime<Utc>, Measure)>,
}

impl Cells {
    fn lay(&mut self, layer: &Layer, end: DateTime<Utc>) {
        let mut laid: BTreeMap<DateTime<Utc>, (u64, Option<f64>)> = BTreeMap::new();
        for interval in &layer.intervals {
            if !interval.is_of_full_hours() || interval.span.to > end {
                self.odd += 1;
                continue;
            }
            let hours = (interval.span.hours().round() as usize).max(1);
            let value = self.hourly(layer.field, interval, hours);
            for hour in 0..hours {
                let from = interval.span.from + TimeDelta::hours(hour as i64);
                let there = laid.entry(from).or_insert((interval.row, value));
                if there.1 != value {
                    there.1 = None;
                    self.clashes.insert((from, layer.field.measure()));
                }
            }
        }
        for (from, (row, value)) in laid {
            let value = self.ledger.take(layer.field.measure(), value, from);
            self.hours
                .entry(from)
                .or_insert_with(|| Reading::at(row, from))
                .set(layer.field, value);
        }
    }

    /// What each hour of an interval has.
    fn hourly(&mut self, field: Field, interval: &Interval, hours: usize) -> Option<f64> {
        let value = interval.value?;
        if field != Field::Rain {
            return Some(value);
        }
        if hours > 1 && value > 0.0 {
            self.shared.0 += 1;
            self.shared.1 += hours;
        }
        Some(value / hours as f64)
    }

    fn hours(mut self) -> Result<(Vec<RawHour>, Vec<ServiceNote>), ServiceError> {
        let mut hours = Vec::with_capacity(self.hours.len());
        for (from, mut reading) in self.hours {
            self.ledger.judge_dew(reading.air, &mut reading.dew_point, from);
            hours.push(hour(from, &reading));
        }
        if hours.iter().all(|hour| hour.air.is_none()) {
            return Err(ServiceError::NoData);
        }
        let mut notes = self.ledger.notes();
        let (intervals, shared) = self.shared;
        let rain = ServiceNote::RainShared { intervals, hours: shared };
        notes.extend((intervals > 0).then_some(rain));
        notes.extend((self.odd > 0).then_some(ServiceNote::OddIntervals { count: self.odd }));
        let count = self.clashes.len();
        let first = self.clashes.into_iter().next().map(|(first, _)| first);
        notes.extend(first.map(|first| ServiceNote::Differing { count, first }));
        Ok((hours, notes))
    }
}

/// An hour through which its values hold.
fn hour(from: DateTime<Utc>, reading: &Reading) -> RawHour {
    RawHour {
        air: reading.air,
        rel_humidity: reading.rel_humidity,
        dew_point: reading.dew_point,
        wind: reading.wind,
        rain: reading.rain,
        cloud_cover: reading.cloud_cover,
        ..RawHour::unknown(reading.row, Span::hour_from(from))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn durations() {
        for (text, hours) in
            [("PT1H", 1), ("P7DT14H", 182), ("P1D", 24), ("PT90M", -1), ("P1W", 168)]
        {
            let duration = duration(text).unwrap();
            let whole = duration.num_seconds() % 3600 == 0;
            assert_eq!(if whole { duration.num_hours() } else { -1 }, hours, "{text}");
        }
        for text in
            ["", "P", "PT", "1H", "PT1", "PTH", "PT-1H", "P1M", "P999999999D", "PT0H", "PT1Hé"]
        {
            assert_eq!(duration(text), None, "{text}");
        }
    }
}
