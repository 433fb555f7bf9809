//! Open-Meteo's CSV export: lines about the place, an empty line, hours, and further tables that
//! are not read. A spreadsheet may have taken the first lines away.

use super::body;
use super::error::ServiceError;
use super::grid::{Column, Grid};
use super::open_meteo::{from_local, label};
use super::table::records;
use super::{Answer, note::ServiceNote};
use crate::units::{Latitude, Longitude};
use chrono::{DateTime, Utc};

/// How far the labels of an export are from UTC, in seconds; asked for where the file does not say.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Labels {
    /// Seconds east of UTC.
    pub offset_s: i32,
}

/// The hours of a CSV export.
///
/// The file's own `utc_offset_seconds` wins over `labels`.
///
/// # Errors
/// [`ServiceError`]; above all [`ServiceError::Missing`] where neither the file nor `labels` tells
/// the offset.
pub fn parse_csv(bytes: &[u8], labels: Option<Labels>) -> Result<Answer, ServiceError> {
    let rows: Vec<(u64, csv::StringRecord)> = records(body::text(bytes)?, b',').collect();
    let header = rows.iter().position(|(_, row)| row.get(0) == Some("time"));
    let header = header.ok_or(ServiceError::Missing { place: "time" })?;
    let about = About::read(&rows[..header]);
    let offset_s = about.number("utc_offset_seconds").map(|offset| offset as i32);
    let offset_s = offset_s.or(labels.map(|labels| labels.offset_s));
    let offset_s = offset_s.ok_or(ServiceError::Missing { place: "utc_offset_seconds" })?;
    let (mut grid, local) = hours(&rows[header].1, &rows[header + 1..]);
    let (times, notes) = from_local(local, offset_s)?;
    grid.times = times;
    grid.notes.extend(notes);
    let latitude = about.number("latitude").and_then(|it| Latitude::new(it).ok());
    let longitude = about.number("longitude").and_then(|it| Longitude::new(it).ok());
    Ok(Answer {
        position: latitude.zip(longitude),
        elevation_m: about.number("elevation"),
        ..grid.answer()?
    })
}

/// The lines about the place: names, then values.
struct About<'r>(Vec<(&'r str, &'r str)>);

impl<'r> About<'r> {
    fn read(rows: &'r [(u64, csv::StringRecord)]) -> Self {
        let [(_, names), (_, values), ..] = rows else { return Self(Vec::new()) };
        Self(names.iter().zip(values).collect())
    }

    fn number(&self, name: &str) -> Option<f64> {
        let (_, value) = self.0.iter().find(|(known, _)| *known == name)?;
        value.parse().ok().filter(|value: &f64| value.is_finite())
    }
}

/// The table of hours, to the first row that is none: a further table may follow.
fn hours(
    header: &csv::StringRecord,
    rows: &[(u64, csv::StringRecord)],
) -> (Grid, Vec<DateTime<Utc>>) {
    let mut grid = Grid::default();
    let heads = header.iter().skip(1).map(name_and_unit);
    grid.columns = heads.map(|(name, unit)| Column { name, unit, cells: Vec::new() }).collect();
    let (mut local, mut bad) = (Vec::new(), None);
    for (row, cells) in rows {
        let first = cells.get(0).unwrap_or_default();
        if first == "time" {
            break;
        }
        let Some(at) = label(first).filter(|_| cells.len() == header.len()) else {
            if !cells.iter().all(str::is_empty) {
                bad.get_or_insert((0, *row)).0 += 1;
            }
            continue;
        };
        local.push(at);
        for (column, cell) in grid.columns.iter_mut().zip(cells.iter().skip(1)) {
            column.cells.push(number(cell));
        }
    }
    let note = bad.map(|(count, first_row)| ServiceNote::BadRows { count, first_row });
    grid.notes.extend(note);
    (grid, local)
}

/// `temperature_2m (°C)` -> name and unit.
fn name_and_unit(head: &str) -> (String, String) {
    match head.split_once(" (") {
        Some((name, unit)) => (name.to_owned(), unit.trim_end_matches(')').to_owned()),
        None => (head.to_owned(), String::new()),
    }
}

fn number(cell: &str) -> Option<f64> {
    match cell {
        "" | "NaN" => None,
        _ => Some(cell.parse().unwrap_or(f64::NAN)),
    }
}
