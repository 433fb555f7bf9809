//! DWD's table of a station's last day ("POI"): semicolons, decimal commas, `---` for missing,
//! `dd.mm.yy`, UTC, newest first, three lines of heading.
//!
//! Rain and global radiation are of the hour before the stamp, the rest is at it; the wind is the
//! mean of the last ten minutes at 10 m.

use super::body;
use super::error::ServiceError;
use super::reading::{Field, Ledger, Reading, Steps, hours};
use super::scale::{Scale, metric};
use super::table::{BadRows, Header, in_our_years, records};
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use chrono::{DateTime, NaiveDate, NaiveTime, Utc};

const FIELDS: [(&str, Field); 7] = [
    ("dry_bulb_temperature_at_2_meter_above_ground", Field::Air),
    ("relative_humidity", Field::RelHumidity),
    ("dew_point_temperature_at_2_meter_above_ground", Field::DewPoint),
    ("cloud_cover_total", Field::CloudCover),
    ("mean_wind_speed_during last_10_min_at_10_meters_above_ground", Field::Wind),
    ("global_radiation_last_hour", Field::Shortwave),
    ("precipitation_amount_last_hour", Field::Rain),
];

/// The hours of a table.
///
/// # Errors
/// [`ServiceError`] for everything that is no such table.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let mut rows = records(body::text(bytes)?, b';');
    let names = rows.next().ok_or(ServiceError::Empty)?.1;
    let units = rows.next().ok_or(ServiceError::Missing { place: "the line of units" })?.1;
    let header = Header::of(&names);
    header.needs("dry_bulb_temperature_at_2_meter_above_ground")?;
    let fields = fields(&header, &units)?;
    let (mut ledger, mut notes, mut bad) = (Ledger::default(), Vec::new(), BadRows::default());
    let mut readings = Vec::new();
    // The third line names the columns again, in German.
    for (line, row) in rows.skip(1) {
        let Some(at) = stamp(&row).filter(|_| row.len() == header.width) else {
            bad.add(line);
            continue;
        };
        let mut reading = Reading::at(line, at);
        for (name, field, scale) in &fields {
            let value = number(header.cell(&row, name)).map(|value| scale.bring(value));
            reading.set(*field, ledger.take(field.measure(), value, at));
        }
        readings.push(reading);
    }
    let observed_until = readings.iter().map(|reading| reading.at).max();
    let hours = hours(readings, Steps::Hourly, &mut ledger, &mut notes)?;
    notes.extend(bad.note());
    notes.extend(ledger.notes());
    let wind_height_m = Some(SERVICE_WIND_HEIGHT_M);
    Ok(Answer {
        hours: vec![(None, hours)],
        wind_height_m,
        observed_until,
        notes,
        ..Answer::default()
    })
}

type Known = (&'static str, Field, Scale);

fn fields(header: &Header, units: &csv::StringRecord) -> Result<Vec<Known>, ServiceError> {
    let known = FIELDS.into_iter().filter(|(name, _)| header.has(name));
    known
        .map(|(name, field)| {
            Ok((name, field, metric(field.measure(), name, header.cell(units, name))?))
        })
        .collect()
}

fn stamp(row: &csv::StringRecord) -> Option<DateTime<Utc>> {
    let date = NaiveDate::parse_from_str(row.get(0)?, "%d.%m.%y").ok()?;
    let clock = NaiveTime::parse_from_str(row.get(1)?, "%H:%M").ok()?;
    in_our_years(date.and_time(clock).and_utc())
}

fn number(cell: &str) -> Option<f64> {
    super::table::number(&cell.replace(',', "."), &["---"])
}
