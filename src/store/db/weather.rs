//! The user's own weather: hours as their files tell them, in and out typed.

use super::import::Importing;
use crate::store::sql::{self, Row, Sql, Values};
use crate::text::{Findings, Table, Written, format_time, with_offset};
use crate::units::{
    Celsius, Kilopascal, MetresPerSecond, Millimetres, Percent, WattsPerSquareMetre,
};
use crate::weather::Span;
use crate::weather::parse::{
    FORECAST, MEASURES, OBSERVED, RawForecast, RawHour, RawSeries, file_columns,
};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use rusqlite::params;
use rusqlite::types::{Value, ValueRef};
use std::collections::{BTreeSet, HashMap};

/// Columns of an hour behind its place, in the order of [`MEASURES`].
const HOUR: &str = "from_utc, to_utc, air_temp_c, air_temp_instant_c, rel_humidity_pct, \
                    dew_point_c, vapour_pressure_kpa, wind_m_s, shortwave_w_m2, rain_mm, \
                    pressure_kpa, soil_water_m3_m3, cloud_cover_pct";

/// Values of an hour in that order.
fn values(hour: &RawHour) -> [Option<f64>; MEASURES.len()] {
    [
        hour.air.map(Celsius::value),
        hour.air_at_end.map(Celsius::value),
        hour.rel_humidity.map(Percent::value),
        hour.dew_point.map(Celsius::value),
        hour.vapour_pressure.map(Kilopascal::value),
        hour.wind.map(MetresPerSecond::value),
        hour.shortwave.map(WattsPerSquareMetre::value),
        hour.rain.map(Millimetres::value),
        hour.pressure.map(Kilopascal::value),
        hour.soil_water_m3_m3,
        hour.cloud_cover.map(Percent::value),
    ]
}

/// An hour from its columns, the first of them at `at`.
fn hour(row: &Row, at: usize, number: u64) -> sql::Result<RawHour> {
    let number_at = |measure: usize| row.get::<Option<f64>>(at + 2 + measure);
    Ok(RawHour {
        row: number,
        span: Span { from: time(row.get(at)?), to: time(row.get(at + 1)?) },
        air: number_at(0)?.map(Celsius::computed),
        air_at_end: number_at(1)?.map(Celsius::computed),
        rel_humidity: number_at(2)?.map(Percent::computed),
        dew_point: number_at(3)?.map(Celsius::computed),
        vapour_pressure: number_at(4)?.map(Kilopascal::computed),
        wind: number_at(5)?.map(MetresPerSecond::computed),
        shortwave: number_at(6)?.map(WattsPerSquareMetre::computed),
        rain: number_at(7)?.map(Millimetres::computed),
        pressure: number_at(8)?.map(Kilopascal::computed),
        soil_water_m3_m3: number_at(9)?,
        cloud_cover: number_at(10)?.map(Percent::computed),
    })
}

/// An instant from whole seconds, which the schema holds to the years of a calendar.
pub(super) fn time(seconds: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(seconds, 0).unwrap_or_default()
}

/// The grove's own observed hours.
pub(super) fn observed(sql: &Sql) -> sql::Result<RawSeries> {
    let all = format!("SELECT {HOUR} FROM weather_observed WHERE grove_id = ?1 ORDER BY from_utc");
    let mut number = 1;
    let hours = sql.rows(&all, params![sql.grove()], |row| {
        number += 1;
        hour(row, 0, number)
    })?;
    Ok(RawSeries::of(hours))
}

/// The grove's own forecasts, in order of issue, members in order of name.
pub(super) fn forecasts(sql: &Sql) -> sql::Result<Vec<RawForecast>> {
    let all = format!(
        "SELECT f.issue_id, f.issued_utc, h.member, {HOUR}
         FROM forecasts f JOIN forecast_hours h ON h.issue_id = f.issue_id
         WHERE f.grove_id = ?1 AND f.source IS NULL
         ORDER BY f.issued_utc NULLS FIRST, f.issue_id, h.member, h.from_utc"
    );
    let mut issues: Vec<RawForecast> = Vec::new();
    let (mut at, mut number): (Option<(i64, String)>, u64) = (None, 2);
    sql.rows(&all, params![sql.grove()], |row| {
        let place: (i64, String) = (row.get(0)?, row.get(2)?);
        if at.as_ref().is_none_or(|(issue, _)| *issue != place.0) {
            let issued_at = row.get::<Option<i64>>(1)?.map(time);
            issues.push(RawForecast { issued_at, members: Vec::new(), names: Vec::new() });
        }
        let Some(issue) = issues.last_mut() else { return Ok(()) };
        if at.as_ref() != Some(&place) {
            issue.members.push(RawSeries::default());
            issue.names.push((!place.1.is_empty()).then(|| place.1.clone()));
        }
        if let Some(member) = issue.members.last_mut() {
            member.hours.push(hour(row, 3, number)?);
        }
        (at, number) = (Some(place), number + 1);
        Ok(())
    })?;
    Ok(with_measures(issues))
}

/// What any row of a file has, all its members have.
fn with_measures(mut issues: Vec<RawForecast>) -> Vec<RawForecast> {
    let mut measured = BTreeSet::new();
    for issue in &mut issues {
        for member in &mut issue.members {
            *member = RawSeries::of(std::mem::take(&mut member.hours));
            measured.extend(member.measured.iter().copied());
        }
    }
    for member in issues.iter_mut().flat_map(|issue| &mut issue.members) {
        member.measured.clone_from(&measured);
    }
    issues
}

/// SQL that puts an hour in, or changes the one that is there; `keys` name its place.
fn upsert(sql: &Sql, table: &str, keys: &str, more: &str) -> String {
    let place = sql.key(&format!("{keys}, from_utc"));
    let columns: Vec<&str> = HOUR.split(", ").chain(["aside"]).collect();
    let count = keys.split(", ").count() + columns.len() + usize::from(!more.is_empty());
    let marks: Vec<String> = (1..=count).map(|n| format!("?{n}")).collect();
    let changed: Vec<String> = columns
        .iter()
        .filter(|column| **column != "from_utc")
        .map(|column| format!("{column} = excluded.{column}"))
        .collect();
    let more = if more.is_empty() { String::new() } else { format!(", {more}") };
    format!(
        "INSERT INTO {table} ({keys}, {}{more}) VALUES ({}) ON CONFLICT ({place}) DO UPDATE SET {}",
        columns.join(", "),
        marks.join(", "),
        changed.join(", ")
    )
}

/// An hour offered, with the cells of columns not known here.
struct Offered<'h> {
    hour: &'h RawHour,
    aside: Option<&'h String>,
}

impl Offered<'_> {
    fn ends(&self) -> (i64, i64) {
        (self.hour.span.from.timestamp(), self.hour.span.to.timestamp())
    }
}

type Stored = Option<(RawHour, Option<String>)>;

/// An hour's values between what leads its key and what stands behind it.
fn row(key: impl IntoIterator<Item = Value>, offered: &Offered) -> Vec<Value> {
    let (from, to) = offered.ends();
    let measures = values(offered.hour).into_iter().map(Value::from);
    let aside = offered.aside.cloned().into();
    key.into_iter().chain([from.into(), to.into()]).chain(measures).chain([aside]).collect()
}

impl Importing<'_, '_> {
    /// Keeps the grove's own observed hours.
    pub(super) fn observed(
        &mut self,
        series: &RawSeries,
        bytes: &[u8],
        batch: i64,
    ) -> sql::Result<()> {
        let (sql, grove) = (self.sql, self.sql.grove());
        let select = format!(
            "SELECT {HOUR}, aside FROM weather_observed WHERE grove_id = ?1 AND from_utc = ?2"
        );
        let is_new = is_empty(&sql, "weather_observed")?;
        self.file_of_hours(OBSERVED, bytes)?;
        let asides = self.asides(OBSERVED, bytes);
        let mut rows = Vec::new();
        for (done, hour) in series.hours.iter().enumerate() {
            self.tick(OBSERVED, done, series.hours.len());
            let offered = Offered { hour, aside: asides.get(&hour.row) };
            let known = match is_new {
                true => None,
                false => stored(&sql, &select, params![grove, offered.ends().0])?,
            };
            if self.wants(OBSERVED, &offered, known, "") {
                let mut values = row([grove.into()], &offered);
                values.push(batch.into());
                rows.push((hour.row, values));
            }
        }
        let upsert = upsert(&sql, "weather_observed", "grove_id", "batch_id");
        self.put_all(OBSERVED, &upsert, rows)
    }

    /// Cells of columns that are not known here, by row of the file, as JSON; one that cannot be kept
    /// as it is, is told.
    fn asides(&mut self, file: &str, bytes: &[u8]) -> HashMap<u64, String> {
        let Ok(text) = std::str::from_utf8(bytes) else { return HashMap::new() };
        let header = text.lines().next().unwrap_or_default();
        let columns = file_columns(file);
        let known =
            |name: &str| columns.all().any(|column| column == name.trim().trim_matches('"'));
        if header.trim_start_matches('\u{feff}').split(',').all(known) {
            return HashMap::new();
        }
        let mut findings = Findings::default();
        let Some(table) = Table::read(file, text, columns, &mut findings) else {
            return HashMap::new();
        };
        let others = table.others(columns);
        let rows = table.each(self.zone, &mut findings, |cells| {
            let aside = super::import::aside(cells, &others)?;
            Some((cells.line(), aside))
        });
        self.flaws_of(findings);
        rows.into_iter().collect()
    }

    /// Keeps the grove's own forecasts.
    pub(super) fn forecasts(
        &mut self,
        issues: &[RawForecast],
        bytes: &[u8],
        batch: i64,
    ) -> sql::Result<()> {
        let sql = self.sql;
        let select = format!(
            "SELECT {HOUR}, aside FROM forecast_hours
             WHERE issue_id = ?1 AND member = ?2 AND from_utc = ?3"
        );
        let asides = self.asides(FORECAST, bytes);
        self.file_of_hours(FORECAST, bytes)?;
        let total = issues.iter().flat_map(|issue| &issue.members).map(|m| m.hours.len()).sum();
        let mut done = 0;
        let mut rows = Vec::new();
        for issue in issues {
            let issued = issue.issued_at.map(|at| at.timestamp());
            let (issue_id, is_new) = issue_id(&sql, issued, None, batch)?;
            let named = issue
                .issued_at
                .map(|at| format!(" of the issue {}", with_offset(at, self.zone).to_rfc3339()));
            let named = named.unwrap_or_default();
            for (member, name) in issue.members.iter().zip(&issue.names) {
                let name = name.as_deref().unwrap_or_default();
                for hour in &member.hours {
                    self.tick(FORECAST, done, total);
                    done += 1;
                    let offered = Offered { hour, aside: asides.get(&hour.row) };
                    let from = offered.ends().0;
                    let known = match is_new {
                        true => None,
                        false => stored(&sql, &select, params![issue_id, name, from])?,
                    };
                    if self.wants(FORECAST, &offered, known, &named) {
                        let key = [issue_id.into(), Value::Text(name.to_owned())];
                        rows.push((hour.row, row(key, &offered)));
                    }
                }
            }
        }
        let upsert = upsert(&sql, "forecast_hours", "issue_id, member", "");
        self.put_all(FORECAST, &upsert, rows)
    }

    /// Keeps by which end a file names its hours.
    fn file_of_hours(&self, file: &str, bytes: &[u8]) -> sql::Result<()> {
        let end = bytes.iter().position(|byte| *byte == b'\n').unwrap_or(bytes.len());
        let header = String::from_utf8_lossy(&bytes[..end]);
        let named = ["hour_ending", "hour_starting"].into_iter().find(|name| header.contains(name));
        let Some(column) = named else { return Ok(()) };
        if time_column(&self.sql, file)? != Some(column.to_owned()) {
            self.sql.execute(
                "INSERT INTO weather_files (grove_id, file, time_column) VALUES (?1, ?2, ?3)
                 ON CONFLICT (grove_id, file) DO UPDATE SET time_column = excluded.time_column",
                params![self.sql.grove(), file, column],
            )?;
        }
        Ok(())
    }

    /// Is an offered hour to be written? Where another one is stored, every value that differs is
    /// a flaw, unless what is offered is to be taken.
    fn wants(&mut self, file: &'static str, offered: &Offered, known: Stored, named: &str) -> bool {
        let Some((known, aside)) = known else { return self.count(file).fresh() };
        let (old, new) = (values(&known), values(offered.hour));
        let same = old == new && known.span == offered.hour.span;
        if same && aside.as_ref() == offered.aside {
            return self.count(file).same();
        }
        if self.replace {
            return self.count(file).replaced();
        }
        let from = with_offset(offered.hour.span.from, self.zone).to_rfc3339();
        let id = format!("the hour from {from}{named}");
        let words = |value: Option<f64>| value.map_or("nothing".to_owned(), |v| v.to_string());
        for ((column, old), new) in MEASURES.iter().zip(old).zip(new).filter(|((_, o), n)| o != n) {
            self.conflict(file, offered.hour.row, column, (&id, words(old), words(new)));
        }
        if same {
            let words = |aside: Option<&String>| aside.cloned().unwrap_or("nothing".to_owned());
            let pair = (words(aside.as_ref()), words(offered.aside));
            self.conflict(file, offered.hour.row, "other columns", (&id, pair.0, pair.1));
        } else if old == new {
            let words = |span: Span| with_offset(span.to, self.zone).to_rfc3339();
            let pair = (words(known.span), words(offered.hour.span));
            self.conflict(file, offered.hour.row, "hour_ending", (&id, pair.0, pair.1));
        }
        false
    }
}

/// The column by which a file names its hours.
fn time_column(sql: &Sql, file: &str) -> sql::Result<Option<String>> {
    let named = "SELECT time_column FROM weather_files WHERE grove_id = ?1 AND file = ?2";
    sql.first(named, params![sql.grove(), file], |row| row.get(0))
}

fn stored(sql: &Sql, select: &str, place: Values) -> sql::Result<Stored> {
    let aside = 2 + MEASURES.len();
    sql.first(select, place, |row| Ok((hour(row, 0, 0)?, row.get(aside)?)))
}

/// Has a table no row of this grove yet?
pub(super) fn is_empty(sql: &Sql, table: &str) -> sql::Result<bool> {
    sql.value(&format!("SELECT NOT EXISTS (SELECT 1 FROM {table})"), &[])
}

/// Number of an issue, and whether it is new.
pub(super) fn issue_id(
    sql: &Sql,
    issued_utc: Option<i64>,
    source: Option<&str>,
    batch: i64,
) -> sql::Result<(i64, bool)> {
    let known = sql.first(
        "SELECT issue_id FROM forecasts
         WHERE grove_id = ?1 AND coalesce(source, '') = coalesce(?2, '')
             AND coalesce(issued_utc, -1) = coalesce(?3, CAST(-1 AS BIGINT))",
        params![sql.grove(), source, issued_utc],
        |row| row.get(0),
    )?;
    if let Some(known) = known {
        return Ok((known, false));
    }
    let new = "INSERT INTO forecasts (grove_id, source, issued_utc, batch_id)
               VALUES (?1, ?2, ?3, ?4) RETURNING issue_id";
    Ok((sql.value(new, params![sql.grove(), source, issued_utc, batch])?, true))
}

/// The two files of the grove's own weather, as they are written out.
pub(super) fn texts(sql: &Sql, zone: Tz) -> sql::Result<Vec<(&'static str, Vec<u8>)>> {
    let observed =
        format!("SELECT {HOUR}, aside FROM weather_observed WHERE grove_id = ?1 ORDER BY from_utc");
    let forecast = format!(
        "SELECT {HOUR}, aside, f.issued_utc, h.member
         FROM forecasts f JOIN forecast_hours h ON h.issue_id = f.issue_id
         WHERE f.grove_id = ?1 AND f.source IS NULL
         ORDER BY f.issued_utc NULLS FIRST, f.issue_id, h.member, h.from_utc"
    );
    let mut texts = Vec::new();
    for (file, wanted) in [(OBSERVED, observed), (FORECAST, forecast)] {
        let by = time_column(sql, file)?.unwrap_or_else(|| "hour_starting".to_owned());
        let text = text(sql, &wanted, (&by, file == FORECAST), zone)?;
        texts.extend(text.map(|text| (file, text)));
    }
    Ok(texts)
}

fn text(
    sql: &Sql,
    wanted: &str,
    (by, issued): (&str, bool),
    zone: Tz,
) -> sql::Result<Option<Vec<u8>>> {
    let end = usize::from(by == "hour_ending");
    let known = MEASURES.len() + 2;
    let mut names: BTreeSet<String> = BTreeSet::new();
    let (mut has, mut has_issue, mut has_member) = ([false; MEASURES.len()], false, false);
    let mut any = false;
    sql.rows(wanted, params![sql.grove()], |row| {
        any = true;
        for (at, has) in has.iter_mut().enumerate() {
            *has |= row.value(2 + at)? != ValueRef::Null;
        }
        names.extend(others(row, known)?.into_iter().map(|(name, _)| name));
        if issued {
            has_issue |= row.value(known + 1)? != ValueRef::Null;
            has_member |= !row.get::<String>(known + 2)?.is_empty();
        }
        Ok(())
    })?;
    if !any {
        return Ok(None);
    }
    let shown: Vec<usize> = (0..MEASURES.len()).filter(|at| has[*at]).collect();
    let mut header = vec![by];
    header.extend(has_issue.then_some("issued_at"));
    header.extend(has_member.then_some("member"));
    header.extend(shown.iter().map(|at| MEASURES[*at]));
    header.extend(names.iter().map(String::as_str));
    let mut written = Written::under(&header);
    sql.rows(wanted, params![sql.grove()], |row| {
        let mut cells = vec![format_time(time(row.get(end)?), zone)];
        if has_issue {
            let issued: Option<i64> = row.get(known + 1)?;
            cells.push(issued.map_or_else(String::new, |at| format_time(time(at), zone)));
        }
        if has_member {
            cells.push(row.get(known + 2)?);
        }
        for at in &shown {
            let value: Option<f64> = row.get(2 + at)?;
            cells.push(value.map_or_else(String::new, |value| value.to_string()));
        }
        let others = others(row, known)?;
        cells.extend(names.iter().map(|name| {
            others.get(name).and_then(serde_json::Value::as_str).unwrap_or_default().to_owned()
        }));
        written.push(&cells);
        Ok(())
    })?;
    Ok(Some(written.bytes()))
}

/// Cells of columns that are not known here.
fn others(row: &Row, at: usize) -> sql::Result<serde_json::Map<String, serde_json::Value>> {
    let text: Option<String> = row.get(at)?;
    Ok(text.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}
