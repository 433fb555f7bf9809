//! Weather as services answered: observed hours once each, issues as issued; the rules of
//! [`crate::store::pulled`], which keeps the same in a folder.

use super::error::StoreError;
use super::import::{ImportError, Importing};
use super::weather::{issue_id, time};
use super::{By, Database, GROVE};
use crate::store::pulled::{self, MOST_ISSUES, OBSERVED, PulledHour};
use crate::text::{FlawKind, with_offset};
use crate::units::{Celsius, Kilopascal, MetresPerSecond, Millimetres, WattsPerSquareMetre};
use crate::weather::{Flags, Forecast, Hour, Series, Span};
use chrono::{DateTime, Utc};
use rusqlite::{Connection, OptionalExtension, Row, Statement, params};
use std::path::Path;

/// Columns of an hour behind its place.
const HOUR: &str = "from_utc, to_utc, air_temp_c, vapour_pressure_kpa, wind_2m_m_s, \
                    shortwave_w_m2, rain_mm, pressure_kpa, soil_water_m3_m3, estimated, source, \
                    provider_reference_et_mm, provider_vpd_kpa";

fn hour(row: &Row, at: usize) -> rusqlite::Result<PulledHour> {
    Ok(PulledHour {
        hour: Hour {
            span: Span { from: time(row.get(at)?), to: time(row.get(at + 1)?) },
            air: Celsius::computed(row.get(at + 2)?),
            vapour_pressure: Kilopascal::computed(row.get(at + 3)?),
            wind_2m: MetresPerSecond::computed(row.get(at + 4)?),
            shortwave: WattsPerSquareMetre::computed(row.get(at + 5)?),
            rain: Millimetres::computed(row.get(at + 6)?),
            pressure: Kilopascal::computed(row.get(at + 7)?),
            soil_water_m3_m3: row.get(at + 8)?,
            flags: Flags::from_bits(row.get(at + 9)?),
        },
        source: row.get(at + 10)?,
        provider_reference_et_mm: row.get(at + 11)?,
        provider_vpd_kpa: row.get(at + 12)?,
    })
}

/// Observed hours, in order.
pub(super) fn observed(connection: &Connection) -> rusqlite::Result<Vec<PulledHour>> {
    let sql = format!("SELECT {HOUR} FROM weather_pulled WHERE grove_id = ?1 ORDER BY from_utc");
    let mut statement = connection.prepare_cached(&sql)?;
    statement.query_map([GROVE], |row| hour(row, 0))?.collect()
}

/// The same as a series; where two overlap, which no service gives, the earlier one holds.
pub(super) fn series(connection: &Connection) -> rusqlite::Result<Series> {
    let hours = observed(connection)?.into_iter().map(|pulled| pulled.hour).collect();
    Ok(apart(hours))
}

fn apart(mut hours: Vec<Hour>) -> Series {
    hours.sort_by_key(|hour| hour.span.from);
    let mut until = DateTime::<Utc>::MIN_UTC;
    hours.retain(|hour| {
        let free = hour.span.from >= until;
        until = if free { hour.span.to } else { until };
        free
    });
    Series::new(hours).unwrap_or_default()
}

/// All issues that were pulled: number, time and service, in order of issue.
pub(super) fn issues(
    connection: &Connection,
) -> rusqlite::Result<Vec<(i64, DateTime<Utc>, String)>> {
    connection
        .prepare_cached(
            "SELECT issue_id, issued_utc, source FROM forecasts
             WHERE grove_id = ?1 AND source IS NOT NULL ORDER BY issued_utc, source",
        )?
        .query_map([GROVE], |row| Ok((row.get(0)?, time(row.get(1)?), row.get(2)?)))?
        .collect()
}

/// Hours of an issue with their members.
pub(super) fn issue_hours(
    connection: &Connection,
    issue_id: i64,
) -> rusqlite::Result<Vec<(u32, PulledHour)>> {
    let sql = format!(
        "SELECT {HOUR}, member FROM forecast_pulled_hours WHERE issue_id = ?1
         ORDER BY member, from_utc"
    );
    let mut statement = connection.prepare_cached(&sql)?;
    statement.query_map([issue_id], |row| Ok((row.get("member")?, hour(row, 0)?)))?.collect()
}

/// The newest issues, as many as a folder gives.
pub(super) fn forecasts(connection: &Connection) -> rusqlite::Result<Vec<Forecast>> {
    let issues = issues(connection)?;
    let newest = issues.len().saturating_sub(MOST_ISSUES);
    let mut forecasts = Vec::new();
    for (issue_id, issued_at, source) in &issues[newest..] {
        let mut members: Vec<Vec<Hour>> = Vec::new();
        for (member, pulled) in issue_hours(connection, *issue_id)? {
            let member = member as usize;
            members.resize_with(members.len().max(member + 1), Vec::new);
            members[member].push(pulled.hour);
        }
        let members = members.into_iter().map(apart).collect();
        let (issued_at, source) = (Some(*issued_at), Some(source.clone()));
        forecasts.push(Forecast { issued_at, source, members });
    }
    Ok(forecasts)
}

const UPSERT_OBSERVED: &str =
    "INSERT INTO weather_pulled (grove_id, from_utc, to_utc, air_temp_c, vapour_pressure_kpa,
         wind_2m_m_s, shortwave_w_m2, rain_mm, pressure_kpa, soil_water_m3_m3, estimated, source,
         provider_reference_et_mm, provider_vpd_kpa, batch_id)
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)
     ON CONFLICT DO UPDATE SET to_utc = excluded.to_utc, air_temp_c = excluded.air_temp_c,
         vapour_pressure_kpa = excluded.vapour_pressure_kpa, wind_2m_m_s = excluded.wind_2m_m_s,
         shortwave_w_m2 = excluded.shortwave_w_m2, rain_mm = excluded.rain_mm,
         pressure_kpa = excluded.pressure_kpa, soil_water_m3_m3 = excluded.soil_water_m3_m3,
         estimated = excluded.estimated, source = excluded.source,
         provider_reference_et_mm = excluded.provider_reference_et_mm,
         provider_vpd_kpa = excluded.provider_vpd_kpa, batch_id = excluded.batch_id";

const INSERT_FORECAST: &str =
    "INSERT INTO forecast_pulled_hours (issue_id, member, from_utc, to_utc, air_temp_c,
         vapour_pressure_kpa, wind_2m_m_s, shortwave_w_m2, rain_mm, pressure_kpa,
         soil_water_m3_m3, estimated, source, provider_reference_et_mm, provider_vpd_kpa)
     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)";

fn put_observed(
    statement: &mut Statement,
    pulled: &PulledHour,
    batch: i64,
) -> rusqlite::Result<usize> {
    let hour = &pulled.hour;
    statement.execute(params![
        GROVE,
        hour.span.from.timestamp(),
        hour.span.to.timestamp(),
        hour.air.value(),
        hour.vapour_pressure.value(),
        hour.wind_2m.value(),
        hour.shortwave.value(),
        hour.rain.value(),
        hour.pressure.value(),
        hour.soil_water_m3_m3,
        hour.flags.bits(),
        pulled.source,
        pulled.provider_reference_et_mm,
        pulled.provider_vpd_kpa,
        batch
    ])
}

fn put_forecast(
    statement: &mut Statement,
    (issue_id, member): (i64, u32),
    pulled: &PulledHour,
) -> rusqlite::Result<usize> {
    let hour = &pulled.hour;
    statement.execute(params![
        issue_id,
        member,
        hour.span.from.timestamp(),
        hour.span.to.timestamp(),
        hour.air.value(),
        hour.vapour_pressure.value(),
        hour.wind_2m.value(),
        hour.shortwave.value(),
        hour.rain.value(),
        hour.pressure.value(),
        hour.soil_water_m3_m3,
        hour.flags.bits(),
        pulled.source,
        pulled.provider_reference_et_mm,
        pulled.provider_vpd_kpa
    ])
}

fn stored(connection: &Connection, from: DateTime<Utc>) -> rusqlite::Result<Option<PulledHour>> {
    let sql = format!("SELECT {HOUR} FROM weather_pulled WHERE grove_id = ?1 AND from_utc = ?2");
    let mut statement = connection.prepare_cached(&sql)?;
    statement.query_row(params![GROVE, from.timestamp()], |row| hour(row, 0)).optional()
}

impl Database {
    /// Observed hours that were pulled, in order.
    ///
    /// # Errors
    /// [`StoreError`] where the file cannot be read.
    pub fn pulled_series(&self) -> Result<Series, StoreError> {
        self.reading(|connection| Ok(series(connection)?))
    }

    /// Adds observed hours: those not there yet, and those that are less estimated than the ones
    /// there. The number added or bettered.
    ///
    /// # Errors
    /// [`StoreError`]; nothing is kept then.
    pub fn keep_observed(&mut self, fresh: &[PulledHour], by: By) -> Result<usize, StoreError> {
        self.write(by, |connection, path| {
            let told = |error: rusqlite::Error| super::told(path, &error);
            let mut wanted = Vec::new();
            for pulled in fresh {
                let known = stored(connection, pulled.hour.span.from).map_err(told)?;
                if known.is_none_or(|known| pulled.hour.flags.count() < known.hour.flags.count()) {
                    wanted.push(pulled.rounded());
                }
            }
            if wanted.is_empty() {
                return Ok(0);
            }
            let keep = || {
                let batch = new_batch(connection)?;
                let mut statement = connection.prepare_cached(UPSERT_OBSERVED)?;
                wanted
                    .iter()
                    .try_for_each(|pulled| put_observed(&mut statement, pulled, batch).map(|_| ()))
            };
            keep().map_err(told)?;
            Ok(wanted.len())
        })
    }

    /// Keeps an issue; not where the newest issue of the same service says the same for all the
    /// hours of this one. Was it kept?
    ///
    /// # Errors
    /// [`StoreError`]; nothing is kept then.
    pub fn keep_forecast(
        &mut self,
        issued_at: DateTime<Utc>,
        source: &str,
        members: &[Vec<PulledHour>],
        by: By,
    ) -> Result<bool, StoreError> {
        let hours: Vec<(u32, PulledHour)> = (0..)
            .zip(members)
            .flat_map(|(member, hours)| hours.iter().map(move |hour| (member, hour.rounded())))
            .collect();
        self.write(by, |connection, path| {
            let keep = || {
                let of_source = |(_, _, name): &(i64, DateTime<Utc>, String)| name == source;
                let newest = issues(connection)?.into_iter().rev().find(of_source);
                if let Some((issue_id, ..)) = newest {
                    let kept = issue_hours(connection, issue_id)?;
                    if hours.iter().all(|hour| kept.contains(hour)) {
                        return Ok(false);
                    }
                }
                let batch = new_batch(connection)?;
                let issued = Some(issued_at.timestamp());
                let (issue_id, is_new) = issue_id(connection, issued, Some(source), batch)?;
                if !is_new {
                    return Ok(false);
                }
                let mut statement = connection.prepare_cached(INSERT_FORECAST)?;
                for (member, hour) in &hours {
                    put_forecast(&mut statement, (issue_id, *member), hour)?;
                }
                Ok(true)
            };
            keep().map_err(|error: rusqlite::Error| super::told(path, &error))
        })
    }
}

fn new_batch(connection: &Connection) -> rusqlite::Result<i64> {
    let sql = "INSERT INTO batches (grove_id, what) VALUES (?1, 'pull')";
    connection.execute(sql, [GROVE])?;
    Ok(connection.last_insert_rowid())
}

impl Importing<'_, '_> {
    /// Keeps what was pulled into a folder.
    pub(super) fn pulled(&mut self, folder: &Path, batch: i64) -> Result<(), ImportError> {
        let connection = self.connection;
        let hours = pulled::observed(folder)?;
        let mut statement = connection.prepare_cached(UPSERT_OBSERVED)?;
        for ((row, pulled), done) in (2..).zip(&hours).zip(0..) {
            self.tick(OBSERVED, done, hours.len());
            let wanted = match stored(connection, pulled.hour.span.from)? {
                None => self.count(OBSERVED).fresh(),
                Some(known) if known == *pulled => self.count(OBSERVED).same(),
                Some(_) if self.replace => self.count(OBSERVED).replaced(),
                Some(known) => {
                    let from = with_offset(pulled.hour.span.from, self.zone).to_rfc3339();
                    let words = (&*format!("the hour from {from}"), shown(&known), shown(pulled));
                    self.conflict(OBSERVED, row, "an hour", words);
                    false
                }
            };
            if wanted {
                let written = put_observed(&mut statement, pulled, batch);
                self.put(OBSERVED, row, written)?;
            }
        }
        self.pulled_issues(folder, batch)
    }

    fn pulled_issues(&mut self, folder: &Path, batch: i64) -> Result<(), ImportError> {
        let connection = self.connection;
        let mut insert = connection.prepare_cached(INSERT_FORECAST)?;
        for (issued_at, path) in pulled::issue_files(folder)? {
            let hours = pulled::read(&path)?;
            let Some(source) = hours.first().map(|(_, hour)| hour.source.clone()) else { continue };
            let issued = Some(issued_at.timestamp());
            let (issue_id, is_new) = issue_id(connection, issued, Some(&source), batch)?;
            if !is_new {
                let known = issue_hours(connection, issue_id)?;
                if known == hours {
                    self.count(pulled::FORECASTS).same();
                } else {
                    let file = path.display().to_string();
                    let reason =
                        "an issue of this time is stored with other hours; an issue never \
                                  changes, so keep the file that is true"
                            .to_owned();
                    self.flaw(&file, 1, None, FlawKind::Barred { reason });
                }
                continue;
            }
            self.count(pulled::FORECASTS).fresh();
            for (row, (member, hour)) in (2..).zip(&hours) {
                let written = put_forecast(&mut insert, (issue_id, *member), hour);
                self.put(pulled::FORECASTS, row, written)?;
            }
        }
        Ok(())
    }
}

/// An hour in one line.
fn shown(pulled: &PulledHour) -> String {
    let hour = &pulled.hour;
    format!(
        "{} degC, {} kPa, {} m/s, {} W/m2, {} mm from {}",
        hour.air.value(),
        hour.vapour_pressure.value(),
        hour.wind_2m.value(),
        hour.shortwave.value(),
        hour.rain.value(),
        pulled.source
    )
}
