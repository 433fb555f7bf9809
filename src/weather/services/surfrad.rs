//! NOAA SURFRAD: one day of a station minute by minute, UTC, blanks between, a flag behind each
//! value (0 is good), -9999.9 for missing. West is positive in its heading.
//!
//! Radiation is measured; there is no rain. A row is taken as the minute that begins at its stamp.

use super::bins;
use super::body;
use super::error::ServiceError;
use super::reading::{Field, Ledger, Reading, in_order};
use super::scale::Scale;
use super::table::{BadRows, in_our_years};
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::units::{Latitude, Longitude};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

/// Where each value stands; its flag is the next column.
const FIELDS: [(usize, Field, Scale); 5] = [
    (8, Field::Shortwave, Scale::ONE),
    (38, Field::Air, Scale::ONE),
    (40, Field::RelHumidity, Scale::ONE),
    (42, Field::WindMean, Scale::ONE),
    (46, Field::Pressure, Scale::HECTOPASCAL),
];

const WIDTH: usize = 48;
const MISSING: f64 = -9999.9;

/// The hours of a day.
///
/// # Errors
/// [`ServiceError`] for everything that is no such file.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let mut lines = body::text(bytes)?.lines().enumerate();
    let heading = lines.by_ref().take(2).last().map_or("", |(_, line)| line);
    let about: Vec<f64> = heading.split_whitespace().map_while(|it| it.parse().ok()).collect();
    let [latitude, west, elevation_m] = about[..] else {
        return Err(ServiceError::Missing { place: "the line of latitude, longitude, elevation" });
    };
    let (mut ledger, mut notes, mut bad) = (Ledger::default(), Vec::new(), BadRows::default());
    let mut readings = Vec::new();
    for (line, text) in lines.filter(|(_, text)| !text.trim().is_empty()) {
        let cells: Vec<&str> = text.split_whitespace().collect();
        match stamp(&cells) {
            Some(at) => readings.push(reading(line as u64 + 1, at, &cells, &mut ledger)),
            None => bad.add(line as u64 + 1),
        }
    }
    let alike = |one: &Reading, other: &Reading| *one == Reading { row: one.row, ..*other };
    in_order(&mut readings, |reading| reading.at, alike, &mut notes);
    let hours = bins::hours(&readings, TimeDelta::minutes(1), &mut notes);
    if hours.iter().all(|hour| hour.air.is_none()) {
        return Err(ServiceError::NoData);
    }
    notes.extend(bad.note());
    notes.extend(ledger.notes());
    Ok(Answer {
        observed_until: hours.last().map(|hour| hour.span.to),
        hours: vec![(None, hours)],
        position: Latitude::new(latitude).ok().zip(Longitude::new(-west).ok()),
        elevation_m: Some(elevation_m).filter(|it| it.is_finite()),
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        notes,
        ..Answer::default()
    })
}

fn stamp(cells: &[&str]) -> Option<DateTime<Utc>> {
    if cells.len() != WIDTH {
        return None;
    }
    let part = |at: usize| cells[at].parse::<u32>().ok();
    let date = NaiveDate::from_ymd_opt(i32::try_from(part(0)?).ok()?, part(2)?, part(3)?)?;
    in_our_years(date.and_hms_opt(part(4)?, part(5)?, 0)?.and_utc())
}

fn reading(row: u64, at: DateTime<Utc>, cells: &[&str], ledger: &mut Ledger) -> Reading {
    let mut reading = Reading::at(row, at);
    for (place, field, scale) in FIELDS {
        let value = cells[place].parse().unwrap_or(f64::NAN);
        let value = (value != MISSING).then_some(value);
        if value.is_some() && cells[place + 1] != "0" {
            ledger.doubt(field.measure(), at);
            continue;
        }
        let value = value.map(|value| scale.bring(value));
        reading.set(field, ledger.take(field.measure(), value, at));
    }
    reading
}
