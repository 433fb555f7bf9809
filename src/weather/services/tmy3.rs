//! NREL typical meteorological year 3: a year of hours put together from months of different years.
//!
//! Labels 01:00 to 24:00 end their hour, in the local standard time that the first line gives.
//! Radiation and rain are of the hour before, the rest is at the label. -9900 stands for missing.

use super::body;
use super::error::ServiceError;
use super::reading::{Field, Ledger, Reading, Steps, hours};
use super::scale::Scale;
use super::table::{BadRows, Header, in_our_years, number, records};
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::units::{Latitude, Longitude};
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};

const DATE: &str = "Date (MM/DD/YYYY)";
const TIME: &str = "Time (HH:MM)";
const RAIN_HOURS: &str = "Lprecip quantity (hr)";

const FIELDS: [(&str, Field, Scale); 8] = [
    ("Dry-bulb (C)", Field::Air, Scale::ONE),
    ("Dew-point (C)", Field::DewPoint, Scale::ONE),
    ("RHum (%)", Field::RelHumidity, Scale::ONE),
    ("Wspd (m/s)", Field::Wind, Scale::ONE),
    ("Pressure (mbar)", Field::Pressure, Scale::HECTOPASCAL),
    ("TotCld (tenths)", Field::CloudCover, Scale::TENTHS),
    ("GHI (W/m^2)", Field::Shortwave, Scale::ONE),
    ("Lprecip depth (mm)", Field::Rain, Scale::ONE),
];

/// The hours of a year, in order of the years that its months come from.
///
/// # Errors
/// [`ServiceError`] for everything that is no such file.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let mut rows = records(body::text(bytes)?, b',');
    let about = rows.next().ok_or(ServiceError::Empty)?.1;
    let about = |at: usize| number(about.get(at).unwrap_or_default(), &[]);
    let zone = about(3).filter(|zone| zone.abs() <= 14.0);
    let zone = zone.ok_or(ServiceError::Missing { place: "the zone in the first line" })?;
    let east = TimeDelta::seconds((zone * 3600.0).round() as i64);
    let header = Header::of(&rows.next().ok_or(ServiceError::Empty)?.1);
    for name in [DATE, TIME, "Dry-bulb (C)"] {
        header.needs(name)?;
    }
    let (mut ledger, mut notes, mut bad) = (Ledger::default(), Vec::new(), BadRows::default());
    let mut readings = Vec::new();
    for (line, row) in rows {
        match stamp(header.cell(&row, DATE), header.cell(&row, TIME)) {
            Some(local) => readings.push(reading(line, local - east, &header, &row, &mut ledger)),
            None => bad.add(line),
        }
    }
    let hours = hours(readings, Steps::Hourly, &mut ledger, &mut notes)?;
    notes.extend(bad.note());
    notes.extend(ledger.notes());
    let latitude = about(4).and_then(|it| Latitude::new(it).ok());
    let longitude = about(5).and_then(|it| Longitude::new(it).ok());
    Ok(Answer {
        hours: vec![(None, hours)],
        position: latitude.zip(longitude),
        elevation_m: about(6).filter(|it| it.is_finite()),
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        notes,
        ..Answer::default()
    })
}

/// The end of the hour by the station's clock; 24:00 is the next midnight.
fn stamp(date: &str, clock: &str) -> Option<DateTime<Utc>> {
    let date = NaiveDate::parse_from_str(date, "%m/%d/%Y").ok()?;
    let (hour, minute) = clock.split_once(':')?;
    let (hour, minute) = (hour.parse::<u32>().ok()?, minute.parse::<u32>().ok()?);
    if hour > 24 || minute > 59 {
        return None;
    }
    let midnight = in_our_years(date.and_hms_opt(0, 0, 0)?.and_utc())?;
    Some(midnight + TimeDelta::minutes(i64::from(hour * 60 + minute)))
}

fn reading(
    row: u64,
    at: DateTime<Utc>,
    header: &Header,
    cells: &csv::StringRecord,
    ledger: &mut Ledger,
) -> Reading {
    let mut reading = Reading::at(row, at);
    let rain_of_one_hour = header.cell(cells, RAIN_HOURS) == "1" || !header.has(RAIN_HOURS);
    for (name, field, scale) in FIELDS.into_iter().filter(|(name, ..)| header.has(name)) {
        let value = number(header.cell(cells, name), &["-9900"]).map(|value| scale.bring(value));
        let value = value.filter(|_| field != Field::Rain || rain_of_one_hour);
        reading.set(field, ledger.take(field.measure(), value, at));
    }
    reading
}
