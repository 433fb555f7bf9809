//! NOAA GHCN-hourly: a pipe table, UTC, each value with codes of quality and kind of report.
//!
//! Rows are in no order; routine reports (FM-15) and special ones (FM-16) mix, and a special one
//! tells rain since the last routine one only, so its rain is not taken.

use super::body;
use super::error::ServiceError;
use super::reading::{Field, Ledger, Reading, Report, Steps, at_full_hours, hours};
use super::scale::Scale;
use super::table::{BadRows, Header, in_our_years, number, records};
use super::{Answer, SERVICE_WIND_HEIGHT_M};
use crate::units::{Latitude, Longitude};
use chrono::{DateTime, NaiveDate, Utc};

const FIELDS: [(&str, Field, Scale); 6] = [
    ("temperature", Field::Air, Scale::ONE),
    ("dew_point_temperature", Field::DewPoint, Scale::ONE),
    ("relative_humidity", Field::RelHumidity, Scale::ONE),
    ("wind_speed", Field::Wind, Scale::ONE),
    ("station_level_pressure", Field::Pressure, Scale::HECTOPASCAL),
    ("precipitation", Field::Rain, Scale::ONE),
];

/// Quality codes for suspect and erroneous values.
const FAILED: [&str; 4] = ["2", "3", "6", "7"];

const SPECIAL: &str = "FM16";

/// The hours of a table; wind at 10 m.
///
/// # Errors
/// [`ServiceError`] for everything that is no such table.
pub fn parse(bytes: &[u8]) -> Result<Answer, ServiceError> {
    let (mut ledger, mut notes) = (Ledger::default(), Vec::new());
    let table = Reports::read(bytes, &mut ledger)?;
    let readings = at_full_hours(&table.reports, &mut notes);
    let observed_until = readings.iter().map(|reading| reading.at).max();
    let hours = hours(readings, Steps::Any, &mut ledger, &mut notes)?;
    notes.extend(table.bad.note());
    notes.extend(ledger.notes());
    Ok(Answer {
        hours: vec![(None, hours)],
        position: table.position,
        elevation_m: table.elevation_m,
        wind_height_m: Some(SERVICE_WIND_HEIGHT_M),
        observed_until,
        notes,
        ..Answer::default()
    })
}

/// The reports of a table as they are, at the minute of each.
///
/// # Errors
/// [`ServiceError`] for everything that is no such table.
pub fn read_reports(bytes: &[u8]) -> Result<Vec<Reading>, ServiceError> {
    let table = Reports::read(bytes, &mut Ledger::default())?;
    Ok(table.reports.into_iter().map(|report| report.reading).collect())
}

struct Reports {
    reports: Vec<Report>,
    position: Option<(Latitude, Longitude)>,
    elevation_m: Option<f64>,
    bad: BadRows,
}

impl Reports {
    fn read(bytes: &[u8], ledger: &mut Ledger) -> Result<Self, ServiceError> {
        let mut rows = records(body::text(bytes)?, b'|');
        let header = Header::of(&rows.next().ok_or(ServiceError::Empty)?.1);
        for name in ["Year", "Month", "Day", "Hour", "Minute", "temperature"] {
            header.needs(name)?;
        }
        let (position, elevation_m, bad) = (None, None, BadRows::default());
        let mut table = Self { reports: Vec::new(), position, elevation_m, bad };
        for (line, row) in rows {
            match stamp(&header, &row).filter(|_| row.len() == header.width) {
                Some(at) => table.add(&header, &row, Reading::at(line, at), ledger),
                None => table.bad.add(line),
            }
        }
        Ok(table)
    }

    fn add(
        &mut self,
        header: &Header,
        row: &csv::StringRecord,
        mut reading: Reading,
        ledger: &mut Ledger,
    ) {
        let at = reading.at;
        for (name, field, scale) in FIELDS {
            let quality = header.cell(row, &format!("{name}_Quality_Code"));
            let value = number(header.cell(row, name), &[]);
            if value.is_some() && FAILED.contains(&quality) {
                ledger.doubt(field.measure(), at);
                continue;
            }
            let value = value.map(|value| scale.bring(value));
            // Hours without rain are often told by an empty cell: no gap to count.
            if value.is_some() || field != Field::Rain {
                reading.set(field, ledger.take(field.measure(), value, at));
            }
        }
        let kind = header.cell(row, "temperature_Report_Type");
        self.reports.push(Report { reading, routine: !kind.starts_with(SPECIAL) });
        let degrees = |name: &str| number(header.cell(row, name), &[]);
        let latitude = degrees("Latitude").and_then(|it| Latitude::new(it).ok());
        let longitude = degrees("Longitude").and_then(|it| Longitude::new(it).ok());
        self.position = latitude.zip(longitude);
        self.elevation_m = degrees("Elevation").filter(|it| it.is_finite());
    }
}

fn stamp(header: &Header, row: &csv::StringRecord) -> Option<DateTime<Utc>> {
    let part = |name: &str| header.cell(row, name).parse::<u32>().ok();
    let year = i32::try_from(part("Year")?).ok()?;
    let date = NaiveDate::from_ymd_opt(year, part("Month")?, part("Day")?)?;
    in_our_years(date.and_hms_opt(part("Hour")?, part("Minute")?, 0)?.and_utc())
}
