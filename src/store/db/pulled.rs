//! Weather as services answered: observed hours once each, issues as issued; the rules of
//! [`crate::store::pulled`], which keeps the same in a folder.

use super::error::StoreError;
use super::import::{ImportError, Importing};
use super::weather::{issue_id, time};
use super::{By, Database};
use crate::store::pulled::{self, MOST_ISSUES, OBSERVED, PulledHour};
use crate::store::sql::{self, Row, Sql};
use crate::text::{FlawKind, with_offset};
use crate::units::{Celsius, Kilopascal, MetresPerSecond, Millimetres, WattsPerSquareMetre};
use crate::weather::{Flags, Forecast, Hour, Series, Span};
use chrono::{DateTime, Utc};
use rusqlite::params;
use rusqlite::types::Value;
use std::collections::HashMap;
use std::path::Path;

/// Columns of an hour behind its place.
const HOUR: &str = "from_utc, to_utc, air_temp_c, vapour_pressure_kpa, wind_2m_m_s, \
                    shortwave_w_m2, rain_mm, pressure_kpa, soil_water_m3_m3, estimated, source, \
                    provider_reference_et_mm, provider_vpd_kpa";

fn hour(row: &Row, at: usize) -> sql::Result<PulledHour> {
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
pub(super) fn observed(sql: &Sql) -> sql::Result<Vec<PulledHour>> {
    let all = format!("SELECT {HOUR} FROM weather_pulled WHERE grove_id = ?1 ORDER BY from_utc");
    sql.rows(&all, params![sql.grove()], |row| hour(row, 0))
}

/// The same as a series; where two overlap, which no service gives, the earlier one holds.
pub(super) fn series(sql: &Sql) -> sql::Result<Series> {
    let hours = observed(sql)?.into_iter().map(|pulled| pulled.hour).collect();
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
pub(super) fn issues(sql: &Sql) -> sql::Result<Vec<(i64, DateTime<Utc>, String)>> {
    sql.rows(
        "SELECT issue_id, issued_utc, source FROM forecasts
             WHERE grove_id = ?1 AND source IS NOT NULL ORDER BY issued_utc, source",
        params![sql.grove()],
        |row| Ok((row.get(0)?, time(row.get(1)?), row.get(2)?)),
    )
}

/// Hours of an issue with their members.
pub(super) fn issue_hours(sql: &Sql, issue_id: i64) -> sql::Result<Vec<(u32, PulledHour)>> {
    let all = format!(
        "SELECT member, {HOUR} FROM forecast_pulled_hours WHERE issue_id = ?1
         ORDER BY member, from_utc"
    );
    sql.rows(&all, params![issue_id], |row| Ok((row.get(0)?, hour(row, 1)?)))
}

/// The newest issues, as many as a folder gives.
pub(super) fn forecasts(sql: &Sql) -> sql::Result<Vec<Forecast>> {
    let issues = issues(sql)?;
    let newest = issues.len().saturating_sub(MOST_ISSUES);
    let mut forecasts = Vec::new();
    for (issue_id, issued_at, source) in &issues[newest..] {
        let mut members: Vec<Vec<Hour>> = Vec::new();
        for (member, pulled) in issue_hours(sql, *issue_id)? {
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
     ON CONFLICT (grove_id, from_utc) DO UPDATE SET to_utc = excluded.to_utc, air_temp_c = excluded.air_temp_c,
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

/// An hour's values behind what leads its key.
fn values(key: impl IntoIterator<Item = i64>, pulled: &PulledHour) -> Vec<Value> {
    let hour = &pulled.hour;
    let own = [
        hour.span.from.timestamp().into(),
        hour.span.to.timestamp().into(),
        hour.air.value().into(),
        hour.vapour_pressure.value().into(),
        hour.wind_2m.value().into(),
        hour.shortwave.value().into(),
        hour.rain.value().into(),
        hour.pressure.value().into(),
        hour.soil_water_m3_m3.into(),
        hour.flags.bits().into(),
        pulled.source.clone().into(),
        pulled.provider_reference_et_mm.into(),
        pulled.provider_vpd_kpa.into(),
    ];
    key.into_iter().map(Value::from).chain(own).collect()
}

fn observed_values(grove: i64, pulled: &PulledHour, batch: i64) -> Vec<Value> {
    let mut all = values([grove], pulled);
    all.push(batch.into());
    all
}

fn forecast_values((issue_id, member): (i64, u32), pulled: &PulledHour) -> Vec<Value> {
    values([issue_id, member.into()], pulled)
}

/// Hours of a span as they are stored, by their starts.
fn stored(sql: &Sql, from: DateTime<Utc>, to: DateTime<Utc>) -> sql::Result<Known> {
    let within = format!(
        "SELECT {HOUR} FROM weather_pulled
         WHERE grove_id = ?1 AND from_utc BETWEEN ?2 AND ?3"
    );
    let values = params![sql.grove(), from.timestamp(), to.timestamp()];
    let hours = sql.rows(&within, values, |row| hour(row, 0))?.into_iter();
    Ok(hours.map(|pulled| (pulled.hour.span.from, pulled)).collect())
}

type Known = HashMap<DateTime<Utc>, PulledHour>;

/// The stored hours among which some hours may stand.
fn stored_beside(sql: &Sql, hours: &[PulledHour]) -> sql::Result<Known> {
    let starts = || hours.iter().map(|pulled| pulled.hour.span.from);
    match (starts().min(), starts().max()) {
        (Some(first), Some(last)) => stored(sql, first, last),
        _ => Ok(Known::new()),
    }
}

/// Keeps hours that are new or better; how many were.
pub(super) fn keep_observed(sql: &Sql, fresh: &[PulledHour]) -> sql::Result<usize> {
    let known = stored_beside(sql, fresh)?;
    let is_wanted = |pulled: &&PulledHour| {
        let known = known.get(&pulled.hour.span.from);
        known.is_none_or(|known| pulled.hour.flags.count() < known.hour.flags.count())
    };
    let wanted: Vec<PulledHour> = fresh.iter().filter(is_wanted).map(PulledHour::rounded).collect();
    if wanted.is_empty() {
        return Ok(0);
    }
    let batch = new_batch(sql, "pull")?;
    let rows = wanted.iter().map(|pulled| observed_values(sql.grove(), pulled, batch));
    sql.put_whole(UPSERT_OBSERVED, rows.collect())?;
    Ok(wanted.len())
}

/// Keeps an issue that says something new. Was it kept?
pub(super) fn keep_forecast(
    sql: &Sql,
    issued_at: DateTime<Utc>,
    source: &str,
    members: &[Vec<PulledHour>],
) -> sql::Result<bool> {
    let hours: Vec<(u32, PulledHour)> = (0..)
        .zip(members)
        .flat_map(|(member, hours)| hours.iter().map(move |hour| (member, hour.rounded())))
        .collect();
    let of_source = |(_, _, name): &(i64, DateTime<Utc>, String)| name == source;
    let newest = issues(sql)?.into_iter().rev().find(of_source);
    if let Some((issue_id, ..)) = newest {
        let kept = issue_hours(sql, issue_id)?;
        if hours.iter().all(|hour| kept.contains(hour)) {
            return Ok(false);
        }
    }
    let batch = new_batch(sql, "pull")?;
    let (issue_id, is_new) = issue_id(sql, Some(issued_at.timestamp()), Some(source), batch)?;
    if is_new {
        let rows = hours.iter().map(|(member, hour)| forecast_values((issue_id, *member), hour));
        sql.put_whole(INSERT_FORECAST, rows.collect())?;
    }
    Ok(is_new)
}

impl Database {
    /// Observed hours that were pulled, in order.
    ///
    /// # Errors
    /// [`StoreError`] where the file cannot be read.
    pub fn pulled_series(&self) -> Result<Series, StoreError> {
        self.reading(|sql| Ok(series(sql)?))
    }

    /// Adds observed hours: those not there yet, and those that are less estimated than the ones
    /// there. The number added or bettered.
    ///
    /// # Errors
    /// [`StoreError`]; nothing is kept then.
    pub fn keep_observed(&mut self, fresh: &[PulledHour], by: By) -> Result<usize, StoreError> {
        self.write(by, |sql, path| {
            keep_observed(sql, fresh).map_err(|error| super::told(path, error))
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
        self.write(by, |sql, path| {
            let kept = keep_forecast(sql, issued_at, source, members);
            kept.map_err(|error| super::told(path, error))
        })
    }
}

/// Number of a new batch.
pub(super) fn new_batch(sql: &Sql, what: &str) -> sql::Result<i64> {
    let new = "INSERT INTO batches (grove_id, what) VALUES (?1, ?2) RETURNING batch_id";
    sql.value(new, params![sql.grove(), what])
}

impl Importing<'_, '_> {
    /// Keeps what was pulled into a folder.
    pub(super) fn pulled(&mut self, folder: &Path, batch: i64) -> Result<(), ImportError> {
        let sql = self.sql;
        let hours = pulled::observed(folder)?;
        let known = stored_beside(&sql, &hours)?;
        let mut rows = Vec::new();
        for ((row, pulled), done) in (2..).zip(&hours).zip(0..) {
            self.tick(OBSERVED, done, hours.len());
            let wanted = match known.get(&pulled.hour.span.from) {
                None => self.count(OBSERVED).fresh(),
                Some(known) if known == pulled => self.count(OBSERVED).same(),
                Some(_) if self.replace => self.count(OBSERVED).replaced(),
                Some(known) => {
                    let from = with_offset(pulled.hour.span.from, self.zone).to_rfc3339();
                    let words = (&*format!("the hour from {from}"), shown(known), shown(pulled));
                    self.conflict(OBSERVED, row, "an hour", words);
                    false
                }
            };
            if wanted {
                rows.push((row, observed_values(sql.grove(), pulled, batch)));
            }
        }
        self.put_all(OBSERVED, UPSERT_OBSERVED, rows)?;
        self.pulled_issues(folder, batch)
    }

    fn pulled_issues(&mut self, folder: &Path, batch: i64) -> Result<(), ImportError> {
        let sql = self.sql;
        for (issued_at, path) in pulled::issue_files(folder)? {
            let hours = pulled::read(&path)?;
            let Some(source) = hours.first().map(|(_, hour)| hour.source.clone()) else { continue };
            let issued = Some(issued_at.timestamp());
            let (issue_id, is_new) = issue_id(&sql, issued, Some(&source), batch)?;
            if !is_new {
                let known = issue_hours(&sql, issue_id)?;
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
            let rows = (2..)
                .zip(&hours)
                .map(|(row, (member, hour))| (row, forecast_values((issue_id, *member), hour)));
            self.put_all(pulled::FORECASTS, INSERT_FORECAST, rows.collect())?;
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
