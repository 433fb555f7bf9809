//! The user's own weather: hours as their files tell them, in and out typed.

use super::GROVE;
use super::import::Importing;
use crate::text::{Findings, Table, format_time, with_offset};
use crate::units::{
    Celsius, Kilopascal, MetresPerSecond, Millimetres, Percent, WattsPerSquareMetre,
};
use crate::weather::Span;
use crate::weather::parse::{
    FORECAST, MEASURES, OBSERVED, RawForecast, RawHour, RawSeries, file_columns,
};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use rusqlite::types::ValueRef;
use rusqlite::{Connection, OptionalExtension, Params, Row, Statement, params};
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
fn hour(row: &Row, at: usize, number: u64) -> rusqlite::Result<RawHour> {
    let number_at = |measure: usize| row.get::<_, Option<f64>>(at + 2 + measure);
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
pub(super) fn observed(connection: &Connection) -> rusqlite::Result<RawSeries> {
    let sql = format!("SELECT {HOUR} FROM weather_observed WHERE grove_id = ?1 ORDER BY from_utc");
    let mut statement = connection.prepare_cached(&sql)?;
    let mut rows = statement.query([GROVE])?;
    let mut hours = Vec::new();
    while let Some(row) = rows.next()? {
        hours.push(hour(row, 0, hours.len() as u64 + 2)?);
    }
    Ok(RawSeries::of(hours))
}

/// The grove's own forecasts, in order of issue, members in order of name.
pub(super) fn forecasts(connection: &Connection) -> rusqlite::Result<Vec<RawForecast>> {
    let sql = format!(
        "SELECT f.issue_id, f.issued_utc, h.member, {HOUR}
         FROM forecasts f JOIN forecast_hours h ON h.issue_id = f.issue_id
         WHERE f.grove_id = ?1 AND f.source IS NULL
         ORDER BY f.issued_utc, f.issue_id, h.member, h.from_utc"
    );
    let mut statement = connection.prepare_cached(&sql)?;
    let mut rows = statement.query([GROVE])?;
    let mut issues: Vec<RawForecast> = Vec::new();
    let (mut at, mut number): (Option<(i64, String)>, u64) = (None, 2);
    while let Some(row) = rows.next()? {
        let place: (i64, String) = (row.get(0)?, row.get(2)?);
        if at.as_ref().is_none_or(|(issue, _)| *issue != place.0) {
            let issued_at = row.get::<_, Option<i64>>(1)?.map(time);
            issues.push(RawForecast { issued_at, members: Vec::new(), names: Vec::new() });
        }
        let Some(issue) = issues.last_mut() else { continue };
        if at.as_ref() != Some(&place) {
            issue.members.push(RawSeries::default());
            issue.names.push((!place.1.is_empty()).then(|| place.1.clone()));
        }
        if let Some(member) = issue.members.last_mut() {
            member.hours.push(hour(row, 3, number)?);
        }
        (at, number) = (Some(place), number + 1);
    }
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

/// Cells of columns that are not known here, by row of the file, as JSON.
fn asides(file: &str, bytes: &[u8]) -> HashMap<u64, String> {
    let Ok(text) = std::str::from_utf8(bytes) else { return HashMap::new() };
    let header = text.lines().next().unwrap_or_default();
    let columns = file_columns(file);
    let known = |name: &str| columns.all().any(|column| column == name.trim().trim_matches('"'));
    if header.trim_start_matches('\u{feff}').split(',').all(known) {
        return HashMap::new();
    }
    let mut findings = Findings::default();
    let Some(table) = Table::read(file, text, columns, &mut findings) else {
        return HashMap::new();
    };
    let others = table.others(columns);
    let rows = table.each(chrono_tz::UTC, &mut findings, |cells| {
        let aside = super::import::aside(cells, &others)?;
        Some((cells.line(), aside))
    });
    rows.into_iter().collect()
}

/// SQL that puts an hour in, or changes the one that is there; `keys` name its place.
fn upsert(table: &str, keys: &str, more: &str) -> String {
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
        "INSERT INTO {table} ({keys}, {}{more}) VALUES ({}) ON CONFLICT DO UPDATE SET {}",
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

impl Importing<'_, '_> {
    /// Keeps the grove's own observed hours.
    pub(super) fn observed(
        &mut self,
        series: &RawSeries,
        bytes: &[u8],
        batch: i64,
    ) -> rusqlite::Result<()> {
        let connection = self.connection;
        let sql = format!(
            "SELECT {HOUR}, aside FROM weather_observed WHERE grove_id = ?1 AND from_utc = ?2"
        );
        let mut select = connection.prepare_cached(&sql)?;
        let mut write =
            connection.prepare_cached(&upsert("weather_observed", "grove_id", "batch_id"))?;
        let is_new = is_empty(connection, "weather_observed")?;
        self.file_of_hours(OBSERVED, bytes)?;
        let asides = asides(OBSERVED, bytes);
        for (done, hour) in series.hours.iter().enumerate() {
            self.tick(OBSERVED, done, series.hours.len());
            let offered = Offered { hour, aside: asides.get(&hour.row) };
            let (from, to) = offered.ends();
            let known = match is_new {
                true => None,
                false => stored(&mut select, params![GROVE, from])?,
            };
            if self.wants(OBSERVED, &offered, known, "") {
                let v = values(hour);
                let written = write.execute(params![
                    GROVE,
                    from,
                    to,
                    v[0],
                    v[1],
                    v[2],
                    v[3],
                    v[4],
                    v[5],
                    v[6],
                    v[7],
                    v[8],
                    v[9],
                    v[10],
                    offered.aside,
                    batch
                ]);
                self.put(OBSERVED, hour.row, written)?;
            }
        }
        Ok(())
    }

    /// Keeps the grove's own forecasts.
    pub(super) fn forecasts(
        &mut self,
        issues: &[RawForecast],
        bytes: &[u8],
        batch: i64,
    ) -> rusqlite::Result<()> {
        let connection = self.connection;
        let sql = format!(
            "SELECT {HOUR}, aside FROM forecast_hours
             WHERE issue_id = ?1 AND member = ?2 AND from_utc = ?3"
        );
        let mut select = connection.prepare_cached(&sql)?;
        let mut write =
            connection.prepare_cached(&upsert("forecast_hours", "issue_id, member", ""))?;
        let asides = asides(FORECAST, bytes);
        self.file_of_hours(FORECAST, bytes)?;
        let total = issues.iter().flat_map(|issue| &issue.members).map(|m| m.hours.len()).sum();
        let mut done = 0;
        for issue in issues {
            let issued = issue.issued_at.map(|at| at.timestamp());
            let (issue_id, is_new) = issue_id(connection, issued, None, batch)?;
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
                    let (from, to) = offered.ends();
                    let known = match is_new {
                        true => None,
                        false => stored(&mut select, params![issue_id, name, from])?,
                    };
                    if self.wants(FORECAST, &offered, known, &named) {
                        let v = values(hour);
                        let written = write.execute(params![
                            issue_id,
                            name,
                            from,
                            to,
                            v[0],
                            v[1],
                            v[2],
                            v[3],
                            v[4],
                            v[5],
                            v[6],
                            v[7],
                            v[8],
                            v[9],
                            v[10],
                            offered.aside
                        ]);
                        self.put(FORECAST, hour.row, written)?;
                    }
                }
            }
        }
        Ok(())
    }

    /// Keeps by which end a file names its hours.
    fn file_of_hours(&self, file: &str, bytes: &[u8]) -> rusqlite::Result<()> {
        let end = bytes.iter().position(|byte| *byte == b'\n').unwrap_or(bytes.len());
        let header = String::from_utf8_lossy(&bytes[..end]);
        let named = ["hour_ending", "hour_starting"].into_iter().find(|name| header.contains(name));
        let Some(column) = named else { return Ok(()) };
        if time_column(self.connection, file)? != Some(column.to_owned()) {
            self.connection.execute(
                "INSERT INTO weather_files (grove_id, file, time_column) VALUES (?1, ?2, ?3)
                 ON CONFLICT DO UPDATE SET time_column = excluded.time_column",
                params![GROVE, file, column],
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
fn time_column(connection: &Connection, file: &str) -> rusqlite::Result<Option<String>> {
    let sql = "SELECT time_column FROM weather_files WHERE grove_id = ?1 AND file = ?2";
    connection.query_row(sql, params![GROVE, file], |row| row.get(0)).optional()
}

fn stored(select: &mut Statement, place: impl Params) -> rusqlite::Result<Stored> {
    select.query_row(place, |row| Ok((hour(row, 0, 0)?, row.get("aside")?))).optional()
}

/// Has a table no row yet?
pub(super) fn is_empty(connection: &Connection, table: &str) -> rusqlite::Result<bool> {
    let sql = format!("SELECT NOT EXISTS (SELECT 1 FROM {table})");
    connection.query_row(&sql, [], |row| row.get(0))
}

/// Number of an issue, and whether it is new.
pub(super) fn issue_id(
    connection: &Connection,
    issued_utc: Option<i64>,
    source: Option<&str>,
    batch: i64,
) -> rusqlite::Result<(i64, bool)> {
    let known = connection
        .prepare_cached(
            "SELECT issue_id FROM forecasts
             WHERE grove_id = ?1 AND ifnull(source, '') = ifnull(?2, '')
                 AND ifnull(issued_utc, -1) = ifnull(?3, -1)",
        )?
        .query_row(params![GROVE, source, issued_utc], |row| row.get(0))
        .optional()?;
    if let Some(known) = known {
        return Ok((known, false));
    }
    connection
        .prepare_cached(
            "INSERT INTO forecasts (grove_id, source, issued_utc, batch_id)
             VALUES (?1, ?2, ?3, ?4)",
        )?
        .execute(params![GROVE, source, issued_utc, batch])?;
    Ok((connection.last_insert_rowid(), true))
}

/// The two files of the grove's own weather, as they are written out.
pub(super) fn texts(
    connection: &Connection,
    zone: Tz,
) -> rusqlite::Result<Vec<(&'static str, Vec<u8>)>> {
    let observed =
        format!("SELECT {HOUR}, aside FROM weather_observed WHERE grove_id = ?1 ORDER BY from_utc");
    let forecast = format!(
        "SELECT {HOUR}, aside, f.issued_utc, h.member
         FROM forecasts f JOIN forecast_hours h ON h.issue_id = f.issue_id
         WHERE f.grove_id = ?1 AND f.source IS NULL
         ORDER BY f.issued_utc, f.issue_id, h.member, h.from_utc"
    );
    let mut texts = Vec::new();
    for (file, sql) in [(OBSERVED, observed), (FORECAST, forecast)] {
        let by = time_column(connection, file)?.unwrap_or_else(|| "hour_starting".to_owned());
        let text = text(connection, &sql, (&by, file == FORECAST), zone)?;
        texts.extend(text.map(|text| (file, text)));
    }
    Ok(texts)
}

fn text(
    connection: &Connection,
    sql: &str,
    (by, issued): (&str, bool),
    zone: Tz,
) -> rusqlite::Result<Option<Vec<u8>>> {
    let end = usize::from(by == "hour_ending");
    let known = MEASURES.len() + 2;
    let mut names: BTreeSet<String> = BTreeSet::new();
    let (mut has, mut has_issue, mut has_member) = ([false; MEASURES.len()], false, false);
    let mut statement = connection.prepare(sql)?;
    let mut rows = statement.query([GROVE])?;
    let mut any = false;
    while let Some(row) = rows.next()? {
        any = true;
        for (at, has) in has.iter_mut().enumerate() {
            *has |= row.get_ref(2 + at)? != ValueRef::Null;
        }
        names.extend(others(row, known)?.into_iter().map(|(name, _)| name));
        if issued {
            has_issue |= row.get_ref(known + 1)? != ValueRef::Null;
            has_member |= !row.get::<_, String>(known + 2)?.is_empty();
        }
    }
    drop(rows);
    if !any {
        return Ok(None);
    }
    let shown: Vec<usize> = (0..MEASURES.len()).filter(|at| has[*at]).collect();
    let mut header = vec![by];
    header.extend(has_issue.then_some("issued_at"));
    header.extend(has_member.then_some("member"));
    header.extend(shown.iter().map(|at| MEASURES[*at]));
    header.extend(names.iter().map(String::as_str));
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut written = writer.write_record(&header);
    let mut rows = statement.query([GROVE])?;
    while let Some(row) = rows.next()? {
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
        written = written.and_then(|()| writer.write_record(&cells));
    }
    written.expect("rows of equal length into memory");
    Ok(Some(writer.into_inner().expect("memory can be flushed")))
}

/// Cells of columns that are not known here.
fn others(row: &Row, at: usize) -> rusqlite::Result<serde_json::Map<String, serde_json::Value>> {
    let text: Option<String> = row.get(at)?;
    Ok(text.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default())
}
