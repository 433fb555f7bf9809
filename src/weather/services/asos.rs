//! Airport reports as CSV in degF, knots or mph, and inches.
//!
//! Two forms: reports at their minute (`valid` in UTC, `tmpf`, `dwpf`, `relh`, `sknt`, `p01i`), and
//! hours already (`time_hour` in UTC, `temp`, `dewp`, `humid`, `wind_speed`, `precip`). Rain of a
//! report is counted since the last routine one, so only routine reports tell it: those at the
//! minute of the hour at which the station reports most often. Pressure is reduced to the sea and
//! not used.

use super::body;
use super::error::ServiceError;
use super::reading::{Field, Ledger, Reading, Report, Steps, at_full_hours, hours};
use super::scale::Scale;
use super::table::{BadRows, Header, number, records};
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::text::read_time;
use chrono::{DateTime, Timelike, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

const MISSING: [&str; 2] = ["M", "NA"];

/// A trace of rain, less than can be measured.
const TRACE: &str = "T";

const TIMES: [&str; 2] = ["valid", "time_hour"];

const FIELDS: [(&str, Field, Scale); 10] = [
    ("tmpf", Field::Air, Scale::FAHRENHEIT),
    ("temp", Field::Air, Scale::FAHRENHEIT),
    ("dwpf", Field::DewPoint, Scale::FAHRENHEIT),
    ("dewp", Field::DewPoint, Scale::FAHRENHEIT),
    ("relh", Field::RelHumidity, Scale::ONE),
    ("humid", Field::RelHumidity, Scale::ONE),
    ("sknt", Field::Wind, Scale::KNOTS),
    ("wind_speed", Field::Wind, Scale::MILES_PER_HOUR),
    ("p01i", Field::Rain, Scale::INCHES),
    ("precip", Field::Rain, Scale::INCHES),
];

/// The hours of one station's table; wind at 10 m.
///
/// # Errors
/// [`ServiceError`] for everything that is no such table.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let (mut ledger, mut notes, mut bad) = (Ledger::default(), Vec::new(), BadRows::default());
    let readings = readings(body::text(bytes)?, &mut ledger, &mut bad)?;
    let routine = usual_minute(&readings);
    let report = |reading: Reading| Report { routine: reading.at.minute() == routine, reading };
    let reports: Vec<Report> = readings.into_iter().map(report).collect();
    let readings = at_full_hours(&reports, &mut notes);
    let observed_until = readings.iter().map(|reading| reading.at).max();
    if readings.is_empty() {
        return Err(ServiceError::NoData);
    }
    let hours = hours(readings, Steps::Any, &mut ledger, &mut notes)?;
    notes.extend(bad.note());
    notes.extend(ledger.notes());
    Ok(Answer {
        hours: vec![(None, hours)],
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        observed_until,
        notes,
        ..Answer::default()
    })
}

fn readings(
    text: &str,
    ledger: &mut Ledger,
    bad: &mut BadRows,
) -> Result<Vec<Reading>, ServiceError> {
    // Lines that begin with # are the archive's own remarks.
    let mut rows =
        records(text, b',').filter(|(_, row)| !row.get(0).unwrap_or("").starts_with('#'));
    let header = Header::of(&rows.next().ok_or(ServiceError::Empty)?.1);
    let time = TIMES.into_iter().find(|name| header.has(name));
    let time = time.ok_or(ServiceError::Missing { place: "valid" })?;
    let mut readings = Vec::new();
    for (line, row) in rows {
        match stamp(header.cell(&row, time)).filter(|_| row.len() == header.width) {
            Some(at) => readings.push(reading(line, at, &header, &row, ledger)),
            None => bad.add(line),
        }
    }
    Ok(readings)
}

fn stamp(text: &str) -> Option<DateTime<Utc>> {
    read_time(text, Tz::UTC).ok().map(|read| read.at)
}

fn reading(
    row: u64,
    at: DateTime<Utc>,
    header: &Header,
    cells: &csv::StringRecord,
    ledger: &mut Ledger,
) -> Reading {
    let mut reading = Reading::at(row, at);
    for (name, field, scale) in FIELDS.into_iter().filter(|(name, ..)| header.has(name)) {
        let cell = header.cell(cells, name);
        let value = if cell == TRACE { Some(0.0) } else { number(cell, &MISSING) };
        let value = value.map(|value| scale.bring(value));
        reading.set(field, ledger.take(field.measure(), value, at));
    }
    reading
}

/// The minute of the hour at which most reports stand.
fn usual_minute(readings: &[Reading]) -> u32 {
    let mut counts: BTreeMap<u32, usize> = BTreeMap::new();
    for reading in readings {
        *counts.entry(reading.at.minute()).or_default() += 1;
    }
    counts.into_iter().max_by_key(|(_, count)| *count).map_or(0, |(minute, _)| minute)
}
