//! Pulled weather in a grove folder: every observed hour once, every issued forecast as issued.
//!
//! `weather/pulled.csv` holds observed hours; `weather/forecasts/` one file an issue. Files are
//! written whole or not at all, and what is there is never overwritten by less.

use super::folder::write_atomically;
use crate::text::{harmless, plain};
use crate::units::{
    Celsius, Kilopascal, MetresPerSecond, Millimetres, OutOfRange, WattsPerSquareMetre,
};
use crate::weather::services::MOST_MEMBERS;
use crate::weather::{Flags, Forecast, Hour, Series, SeriesError, Span};
use chrono::{DateTime, Datelike, Utc};
use serde::{Deserialize, Serialize};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Observed hours in a grove folder.
pub const OBSERVED: &str = "weather/pulled.csv";
/// Issued forecasts in a grove folder.
pub const FORECASTS: &str = "weather/forecasts";
/// Forecast files that are read, newest first: some seven weeks at four a day. Older ones stay.
pub(super) const MOST_ISSUES: usize = 200;

/// Nothing is pulled for later than this.
const MOST_YEARS: f64 = 2100.0;

/// Why pulled weather cannot be read or kept.
#[derive(Debug, thiserror::Error)]
pub enum PulledError {
    /// The file system said no.
    #[error("{}: {error}", path.display())]
    File {
        /// Which file.
        path: PathBuf,
        /// Why.
        error: io::Error,
    },
    /// Not a file of ours, or edited beyond reading.
    #[error(
        "{} row {row}: {problem}; this file is written when weather is pulled: move it away and pull \
         again",
        path.display()
    )]
    Row {
        /// Which file.
        path: PathBuf,
        /// Line, from 1.
        row: usize,
        /// What is wrong.
        problem: String,
    },
}

/// One hour as it is kept.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Row {
    hour_starting: DateTime<Utc>,
    hour_ending: DateTime<Utc>,
    air_temp_c: f64,
    vapour_pressure_kpa: f64,
    wind_2m_m_s: f64,
    shortwave_w_m2: f64,
    rain_mm: f64,
    pressure_kpa: f64,
    soil_water_m3_m3: Option<f64>,
    estimated: u8,
    member: u32,
    source: String,
    provider_reference_et_mm: Option<f64>,
    provider_vpd_kpa: Option<f64>,
}

/// An hour with what its provider computed from it.
#[derive(Debug, Clone, PartialEq)]
pub struct PulledHour {
    /// The hour.
    pub hour: Hour,
    /// Who told it.
    pub source: String,
    /// The provider's own reference ET over the hour, mm.
    pub provider_reference_et_mm: Option<f64>,
    /// The provider's own VPD, kPa.
    pub provider_vpd_kpa: Option<f64>,
}

impl PulledHour {
    /// As it is kept: no value with more than five decimals.
    pub fn rounded(&self) -> Self {
        let fixed = |value: f64| (value * 1e5).round() / 1e5;
        let hour = &self.hour;
        Self {
            hour: Hour {
                span: hour.span,
                air: Celsius::computed(fixed(hour.air.value())),
                vapour_pressure: Kilopascal::computed(fixed(hour.vapour_pressure.value())),
                wind_2m: MetresPerSecond::computed(fixed(hour.wind_2m.value())),
                shortwave: WattsPerSquareMetre::computed(fixed(hour.shortwave.value())),
                rain: Millimetres::computed(fixed(hour.rain.value())),
                pressure: Kilopascal::computed(fixed(hour.pressure.value())),
                soil_water_m3_m3: hour.soil_water_m3_m3.map(fixed),
                flags: hour.flags,
            },
            source: self.source.clone(),
            provider_reference_et_mm: self.provider_reference_et_mm.map(fixed),
            provider_vpd_kpa: self.provider_vpd_kpa.map(fixed),
        }
    }
}

impl Row {
    fn of(pulled: &PulledHour, member: u32) -> Self {
        let pulled = pulled.rounded();
        let hour = &pulled.hour;
        Self {
            hour_starting: hour.span.from,
            hour_ending: hour.span.to,
            air_temp_c: hour.air.value(),
            vapour_pressure_kpa: hour.vapour_pressure.value(),
            wind_2m_m_s: hour.wind_2m.value(),
            shortwave_w_m2: hour.shortwave.value(),
            rain_mm: hour.rain.value(),
            pressure_kpa: hour.pressure.value(),
            soil_water_m3_m3: hour.soil_water_m3_m3,
            estimated: hour.flags.bits(),
            member,
            source: harmless(&pulled.source).into_owned(),
            provider_reference_et_mm: pulled.provider_reference_et_mm,
            provider_vpd_kpa: pulled.provider_vpd_kpa,
        }
    }

    fn pulled(&self) -> Result<PulledHour, OutOfRange> {
        self.provider_reference_et_mm.map(Millimetres::new).transpose()?;
        self.provider_vpd_kpa.map(Kilopascal::new).transpose()?;
        self.soil_water_m3_m3.map(|value| within("soil water", value, "m3/m3", 1.0)).transpose()?;
        let length_h = Span { from: self.hour_starting, to: self.hour_ending }.hours();
        within("length of an hour", length_h, "h", 1.0)?;
        within("an ensemble of", self.member.into(), "members", MOST_MEMBERS as f64)?;
        within("the year", self.hour_starting.year().into(), "CE", MOST_YEARS)?;
        Ok(PulledHour {
            hour: Hour {
                span: Span { from: self.hour_starting, to: self.hour_ending },
                air: Celsius::new(self.air_temp_c)?,
                vapour_pressure: Kilopascal::new(self.vapour_pressure_kpa)?,
                wind_2m: MetresPerSecond::new(self.wind_2m_m_s)?,
                shortwave: WattsPerSquareMetre::new(self.shortwave_w_m2)?,
                rain: Millimetres::new(self.rain_mm)?,
                pressure: Kilopascal::new(self.pressure_kpa)?,
                soil_water_m3_m3: self.soil_water_m3_m3,
                flags: Flags::from_bits(self.estimated),
            },
            source: plain(&self.source).to_owned(),
            provider_reference_et_mm: self.provider_reference_et_mm,
            provider_vpd_kpa: self.provider_vpd_kpa,
        })
    }
}

fn within(
    quantity: &'static str,
    value: f64,
    unit: &'static str,
    high: f64,
) -> Result<(), OutOfRange> {
    let low = 0.0;
    match (low..=high).contains(&value) {
        true => Ok(()),
        false => Err(OutOfRange { quantity, value, unit, low, high }),
    }
}

/// Observed hours kept in a folder, in order; none where nothing was pulled.
///
/// # Errors
/// [`PulledError`] where the file cannot be read.
pub fn observed(folder: &Path) -> Result<Vec<PulledHour>, PulledError> {
    let path = folder.join(OBSERVED);
    Ok(read(&path)?.into_iter().map(|(_, hour)| hour).collect())
}

/// Adds observed hours: those not there yet. One that is there stays as it is, except that a flag
/// less (measured now, estimated then) replaces it. The number added or bettered.
///
/// # Errors
/// [`PulledError`] where the file cannot be read or written; it is as before then.
pub fn keep_observed(folder: &Path, fresh: &[PulledHour]) -> Result<usize, PulledError> {
    let path = folder.join(OBSERVED);
    let mut all = observed(folder)?;
    let mut changed = 0;
    for pulled in fresh {
        match all.binary_search_by_key(&pulled.hour.span.from, |kept| kept.hour.span.from) {
            Ok(place) if pulled.hour.flags.count() < all[place].hour.flags.count() => {
                all[place] = pulled.clone();
                changed += 1;
            }
            Ok(_) => {}
            Err(place) => {
                all.insert(place, pulled.clone());
                changed += 1;
            }
        }
    }
    if changed > 0 {
        write(&path, all.iter().map(|hour| Row::of(hour, 0)))?;
    }
    Ok(changed)
}

/// Keeps an issue, one file of its own. Nothing is written, and none given back, where the newest
/// issue of the same source says the same for all the hours of this one.
///
/// # Errors
/// [`PulledError`] where a file cannot be read or written.
pub fn keep_forecast(
    folder: &Path,
    issued_at: DateTime<Utc>,
    source: &str,
    members: &[Vec<PulledHour>],
) -> Result<Option<PathBuf>, PulledError> {
    let rows: Vec<Row> = members
        .iter()
        .zip(0..)
        .flat_map(|(hours, member)| hours.iter().map(move |hour| Row::of(hour, member)))
        .collect();
    let newest = issue_files(folder)?.into_iter().rev().find(|(_, path)| of_source(path, source));
    if let Some((_, path)) = newest {
        let kept: Vec<Row> =
            read(&path)?.into_iter().map(|(member, hour)| Row::of(&hour, member)).collect();
        if rows.iter().all(|row| kept.contains(row)) {
            return Ok(None);
        }
    }
    let path = folder.join(FORECASTS).join(issue_name(issued_at, source));
    write(&path, rows)?;
    Ok(Some(path))
}

/// Name of the file of an issue.
pub(super) fn issue_name(issued_at: DateTime<Utc>, source: &str) -> String {
    format!("{}_{source}.csv", issued_at.format("%Y-%m-%dT%H%M%SZ"))
}

/// Writes hours with their members to a file of this form.
pub(super) fn write_hours(path: &Path, hours: &[(u32, PulledHour)]) -> Result<(), PulledError> {
    write(path, hours.iter().map(|(member, hour)| Row::of(hour, *member)))
}

/// The newest issues kept in a folder, in order of issue.
///
/// # Errors
/// [`PulledError`] where a file cannot be read.
pub fn forecasts(folder: &Path) -> Result<Vec<Forecast>, PulledError> {
    let files = issue_files(folder)?;
    let newest = files.len().saturating_sub(MOST_ISSUES);
    files[newest..]
        .iter()
        .map(|(issued_at, path)| {
            let mut members: Vec<Vec<Hour>> = Vec::new();
            let mut source = None;
            for (member, pulled) in read(path)? {
                source = Some(pulled.source);
                let member = member as usize;
                members.resize_with(members.len().max(member + 1), Vec::new);
                members[member].push(pulled.hour);
            }
            let members = members
                .into_iter()
                .map(|hours| series(path, hours))
                .collect::<Result<Vec<_>, _>>()?;
            Ok(Forecast { issued_at: Some(*issued_at), source, members })
        })
        .collect()
}

/// Observed hours as a series.
///
/// # Errors
/// [`PulledError`] where hours overlap.
pub fn observed_series(folder: &Path) -> Result<Series, PulledError> {
    let hours = observed(folder)?.into_iter().map(|pulled| pulled.hour).collect();
    series(&folder.join(OBSERVED), hours)
}

fn series(path: &Path, hours: Vec<Hour>) -> Result<Series, PulledError> {
    let problem = |error: SeriesError| PulledError::Row {
        path: path.into(),
        row: 1,
        problem: error.to_string(),
    };
    Series::new(hours).map_err(problem)
}

/// Files of issues with their times, in order; other files in the folder are passed over.
pub(super) fn issue_files(folder: &Path) -> Result<Vec<(DateTime<Utc>, PathBuf)>, PulledError> {
    let folder = folder.join(FORECASTS);
    let entries = match fs::read_dir(&folder) {
        Ok(entries) => entries,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(PulledError::File { path: folder, error }),
    };
    let mut files: Vec<(DateTime<Utc>, PathBuf)> = entries
        .flatten()
        .filter_map(|entry| Some((issue_time(&entry.path())?, entry.path())))
        .collect();
    files.sort();
    Ok(files)
}

fn issue_time(path: &Path) -> Option<DateTime<Utc>> {
    let (time, _) = path.file_name()?.to_str()?.strip_suffix(".csv")?.split_once('_')?;
    Some(chrono::NaiveDateTime::parse_from_str(time, "%Y-%m-%dT%H%M%SZ").ok()?.and_utc())
}

fn of_source(path: &Path, source: &str) -> bool {
    path.file_stem()
        .and_then(|stem| stem.to_str())
        .is_some_and(|stem| stem.split_once('_').is_some_and(|(_, name)| name == source))
}

/// Rows of a file with their members; none where there is no file.
pub(super) fn read(path: &Path) -> Result<Vec<(u32, PulledHour)>, PulledError> {
    let bytes = match fs::read(path) {
        Ok(bytes) => bytes,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(Vec::new()),
        Err(error) => return Err(PulledError::File { path: path.into(), error }),
    };
    let flawed = |row: usize, problem: String| PulledError::Row { path: path.into(), row, problem };
    csv::Reader::from_reader(bytes.as_slice())
        .deserialize()
        .enumerate()
        .map(|(index, row): (usize, Result<Row, csv::Error>)| {
            let row = row.map_err(|error| flawed(index + 2, error.to_string()))?;
            let hour = row.pulled().map_err(|error| flawed(index + 2, error.to_string()))?;
            Ok((row.member, hour))
        })
        .collect()
}

fn write(path: &Path, rows: impl IntoIterator<Item = Row>) -> Result<(), PulledError> {
    let failed = |error: io::Error| PulledError::File { path: path.into(), error };
    let mut writer = csv::Writer::from_writer(Vec::new());
    for row in rows {
        writer.serialize(row).map_err(|error| failed(io::Error::other(error)))?;
    }
    let bytes = writer.into_inner().map_err(|error| failed(io::Error::other(error.to_string())))?;
    if let Some(folder) = path.parent() {
        fs::create_dir_all(folder).map_err(failed)?;
    }
    write_atomically(path, &bytes).map_err(failed)
}
