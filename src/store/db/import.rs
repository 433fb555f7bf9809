//! A grove folder into the database: all or nothing, and the same folder twice changes nothing.
//!
//! What is stored is never overwritten silently. A row that is there under the same name with other
//! content is a flaw that names both, unless the user asked to take what is offered; the audit keeps
//! the old one.

use super::error::StoreError;
use super::sheets::{SHEETS, Sheet};
use super::{By, Database, read};
use crate::grove::{Files, Parts, SETTINGS, Settings};
use crate::journal::JOURNAL;
use crate::store::folder;
use crate::store::sql::{self, Sql, SqlError};
use crate::text::{Cells, Findings, Flaw, FlawKind, Refused, Table, decode, shown};
use crate::weather::parse::{FORECAST, OBSERVED};
use chrono_tz::Tz;
use rusqlite::types::Value;
use rusqlite::{params, types::ToSql};
use std::collections::{BTreeMap, HashMap};
use std::path::Path;

/// Rows of one file and what became of them.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, serde::Serialize)]
pub struct Counted {
    /// Rows that were not there.
    pub new: usize,
    /// Rows that were there with the same content.
    pub same: usize,
    /// Rows that were there with other content, which the new one replaced.
    pub replaced: usize,
}

impl Counted {
    pub(super) fn fresh(&mut self) -> bool {
        self.new += 1;
        true
    }

    pub(super) fn same(&mut self) -> bool {
        self.same += 1;
        false
    }

    pub(super) fn replaced(&mut self) -> bool {
        self.replaced += 1;
        true
    }
}

/// What an import did, by file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct Imported {
    /// Rows by file.
    pub files: BTreeMap<String, Counted>,
}

impl Imported {
    /// Was all of it there already?
    pub fn changed_nothing(&self) -> bool {
        self.files.values().all(|count| count.new + count.replaced == 0)
    }
}

/// Called now and then: file, rows done, rows in all.
pub type Progress<'p> = dyn FnMut(&str, usize, usize) + 'p;

/// An import on its way.
pub(super) struct Importing<'c, 'p> {
    pub(super) sql: Sql<'c>,
    pub(super) zone: Tz,
    pub(super) replace: bool,
    counts: BTreeMap<&'static str, Counted>,
    flaws: Vec<Flaw>,
    progress: &'p mut Progress<'p>,
}

/// A row offered: its line, its values, and cells of columns not known here.
struct Offered {
    line: u64,
    values: Vec<Value>,
    aside: Option<String>,
    nth: i64,
}

impl Database {
    /// Brings a grove folder in. With `replace`, a row that differs from the one stored takes its
    /// place, and `hang.csv` is taken as the whole plan.
    ///
    /// # Errors
    /// [`StoreError::Refused`] with every flaw and every conflict; nothing is kept then.
    pub fn import(
        &mut self,
        folder: &Path,
        by: By,
        replace: bool,
        progress: &mut Progress,
    ) -> Result<Imported, StoreError> {
        let contents = folder::contents(folder)?;
        let files: Files = contents.iter().map(|(name, text)| (*name, text.as_slice())).collect();
        progress("reading", 0, 0);
        let parts = Parts::read(&files)?;
        self.write(by, |sql, path| {
            let told = |error: SqlError| super::told(path, error);
            let counts = BTreeMap::new();
            let zone = parts.settings().zone;
            let mut importing =
                Importing { sql: *sql, zone, replace, counts, flaws: Vec::new(), progress };
            importing.all(&files, &parts, folder).map_err(|error| match error {
                ImportError::Sql(error) => told(error),
                ImportError::Store(error) => error,
            })?;
            let Importing { counts, flaws, .. } = importing;
            if !flaws.is_empty() {
                return Err(Refused { flaws }.into());
            }
            // Each row is sound; is all that is stored now one grove?
            read::parts(sql).map_err(|error| error.at(path))?;
            let files = counts.into_iter().map(|(file, count)| (file.to_owned(), count));
            Ok(Imported { files: files.collect() })
        })
    }
}

/// Why an import stops at once.
pub(super) enum ImportError {
    Sql(SqlError),
    Store(StoreError),
}

impl From<SqlError> for ImportError {
    fn from(error: SqlError) -> Self {
        Self::Sql(error)
    }
}

impl<E: Into<StoreError>> From<E> for ImportError {
    fn from(error: E) -> Self {
        Self::Store(error.into())
    }
}

impl Importing<'_, '_> {
    fn all(&mut self, files: &Files, parts: &Parts, folder: &Path) -> Result<(), ImportError> {
        self.settings(files[SETTINGS], parts.settings())?;
        for sheet in &SHEETS {
            if let Some(bytes) = files.get(sheet.file) {
                self.sheet(sheet, bytes)?;
            }
        }
        if let Some(bytes) = files.get(JOURNAL) {
            self.journal(bytes)?;
        }
        let batch = super::pulled::new_batch(&self.sql, "import")?;
        let bytes = |file: &str| files.get(file).copied().unwrap_or_default();
        self.observed(&parts.observed, bytes(OBSERVED), batch)?;
        self.forecasts(&parts.forecasts, bytes(FORECAST), batch)?;
        self.pulled(folder, batch)?;
        self.models(folder)
    }

    /// What became of a file's rows so far.
    pub(super) fn count(&mut self, file: &'static str) -> &mut Counted {
        self.counts.entry(file).or_default()
    }

    /// Tells of progress, once in a while.
    pub(super) fn tick(&mut self, file: &str, done: usize, total: usize) {
        if done.is_multiple_of(10_000) && done > 0 {
            (self.progress)(file, done, total);
        }
    }

    /// Puts a row in. One that the database bars is one flaw more; any other error ends the import.
    pub(super) fn put(
        &mut self,
        file: &str,
        text: &str,
        row: u64,
        values: Vec<Value>,
    ) -> sql::Result<()> {
        self.put_all(file, text, vec![(row, values)])
    }

    /// Puts rows in by one statement, each with its line in the file.
    pub(super) fn put_all(
        &mut self,
        file: &str,
        text: &str,
        rows: Vec<(u64, Vec<Value>)>,
    ) -> sql::Result<()> {
        let (lines, rows): (Vec<u64>, Vec<Vec<Value>>) = rows.into_iter().unzip();
        for (at, reason) in self.sql.put_all(text, rows)? {
            self.flaw(file, lines[at], None, FlawKind::Barred { reason });
        }
        Ok(())
    }

    pub(super) fn flaws_of(&mut self, findings: Findings) {
        self.flaws.extend(findings.flaws);
    }

    pub(super) fn flaw(&mut self, file: &str, row: u64, column: Option<&str>, problem: FlawKind) {
        let (file, row, column) = (file.to_owned(), Some(row), column.map(str::to_owned));
        self.flaws.push(Flaw { file, row, column, problem });
    }

    pub(super) fn conflict(
        &mut self,
        file: &str,
        row: u64,
        column: &str,
        (id, stored, offered): (&str, String, String),
    ) {
        let id = id.to_owned();
        self.flaw(file, row, Some(column), FlawKind::Conflict { id, stored, offered });
    }

    fn settings(&mut self, bytes: &[u8], settings: &Settings) -> sql::Result<()> {
        let sql = self.sql;
        let text = String::from_utf8_lossy(bytes);
        let text = text.trim_start_matches('\u{feff}');
        let place = settings.place;
        let grove = sql.grove();
        let values = params![
            grove,
            settings.name,
            settings.zone.name(),
            place.latitude.value(),
            place.longitude.value(),
            place.elevation.value(),
            settings.label.min_interval_days,
            text
        ];
        let stored = "SELECT name, settings_toml FROM groves WHERE grove_id = ?1";
        let known: Option<(String, String)> =
            sql.first(stored, params![grove], |row| Ok((row.get(0)?, row.get(1)?)))?;
        let is_new = known.is_none();
        if let Some((name, known)) = known {
            if known == text {
                self.count(SETTINGS).same();
                return Ok(());
            } else if !self.replace {
                let (line, old, new) = first_difference(&known, text);
                let id = format!("the settings of {name}");
                self.conflict(SETTINGS, line, "a line", (&id, old, new));
                return Ok(());
            }
        }
        let station = settings.weather.station.as_ref();
        if let Some(file) = station.filter(|it| it.leads_out()).and_then(|it| it.file.as_ref()) {
            let (column, text) = (Some("weather.station.file".to_owned()), shown(file));
            let problem = FlawKind::LeadsOut { text };
            self.flaws.push(Flaw { file: SETTINGS.into(), row: None, column, problem });
        }
        let count = self.count(SETTINGS);
        let _ = if is_new { count.fresh() } else { count.replaced() };
        sql.execute(
            "INSERT INTO groves (grove_id, name, time_zone, latitude_deg, longitude_deg,
                 elevation_m, min_interval_days, settings_toml)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
             ON CONFLICT (grove_id) DO UPDATE SET name = excluded.name, time_zone = excluded.time_zone,
                 latitude_deg = excluded.latitude_deg, longitude_deg = excluded.longitude_deg,
                 elevation_m = excluded.elevation_m,
                 min_interval_days = excluded.min_interval_days,
                 settings_toml = excluded.settings_toml",
            values,
        )?;
        Ok(())
    }

    fn sheet(&mut self, sheet: &Sheet, bytes: &[u8]) -> sql::Result<()> {
        let offered = self.offered(sheet, bytes);
        let (sql, grove) = (self.sql, self.sql.grove());
        if sheet.table == "intended" && self.replace {
            self.forget_plans(sheet, &offered)?;
        }
        let is_new = super::weather::is_empty(&sql, sheet.table)?;
        let (select, insert, update) = (select_sql(sheet), insert_sql(sheet), update_sql(sheet));
        let width = sheet.columns.len();
        let mut fresh = Vec::new();
        for (done, row) in offered.iter().enumerate() {
            self.tick(sheet.file, done, offered.len());
            let key = row.key(sheet, grove);
            let key: Vec<&dyn ToSql> = key.iter().map(|value| value as &dyn ToSql).collect();
            let known = match is_new {
                true => None,
                false => sql.first(&select, &key, |known| {
                    let values = (0..width).map(|at| known.get(at));
                    let values: Vec<Value> = values.collect::<sql::Result<_>>()?;
                    Ok((values, known.get(width)?, known.get(width + 1)?))
                })?,
            };
            let Some((values, aside, seq)) = known else {
                self.count(sheet.file).fresh();
                fresh.push((row.line, row.with_place(sheet, grove)));
                // Of a table that is not empty each row is held against all before it.
                if !is_new {
                    self.put_all(sheet.file, &insert, std::mem::take(&mut fresh))?;
                }
                continue;
            };
            if self.wants_row(sheet, row, &values, &aside) {
                let seq: i64 = seq;
                let own = row.values.iter().cloned().chain([text_or_null(&row.aside), seq.into()]);
                self.put(sheet.file, &update, row.line, own.collect())?;
            }
        }
        self.put_all(sheet.file, &insert, fresh)
    }

    /// Is a stored row to be changed?
    fn wants_row(
        &mut self,
        sheet: &Sheet,
        row: &Offered,
        values: &[Value],
        aside: &Option<String>,
    ) -> bool {
        if *values == row.values && *aside == row.aside {
            return self.count(sheet.file).same();
        }
        if self.replace {
            return self.count(sheet.file).replaced();
        }
        let zone = self.zone;
        let cell = |at: usize, value: &Value| match sheet.columns[at].cell(value.into(), zone) {
            text if text.is_empty() => "nothing".to_owned(),
            text => format!("'{}'", shown(&text)),
        };
        let id: Vec<String> = sheet
            .key
            .iter()
            .map(|name| sheet.place(name))
            .filter(|at| row.values[*at] != Value::Null)
            .map(|at| sheet.columns[at].cell((&row.values[at]).into(), zone))
            .collect();
        let id = format!("'{}'", id.join(" "));
        for (at, (old, new)) in values.iter().zip(&row.values).enumerate() {
            if old != new {
                let pair = (&*id, cell(at, old), cell(at, new));
                self.conflict(sheet.file, row.line, sheet.columns[at].name, pair);
            }
        }
        if *aside != row.aside {
            let words = |aside: &Option<String>| aside.clone().unwrap_or("nothing".to_owned());
            let pair = (&*id, words(aside), words(&row.aside));
            self.conflict(sheet.file, row.line, "other columns", pair);
        }
        false
    }

    /// Plans that are not in the file any more.
    fn forget_plans(&mut self, sheet: &Sheet, offered: &[Offered]) -> sql::Result<()> {
        let (sql, grove) = (self.sql, self.sql.grove());
        let all = "SELECT draw_id FROM intended WHERE grove_id = ?1";
        let stored: Vec<String> = sql.rows(all, params![grove], |row| row.get(0))?;
        let at = sheet.place("draw_id");
        let still =
            |id: &String| offered.iter().any(|row| row.values[at] == Value::Text(id.clone()));
        for id in stored.iter().filter(|id| !still(id)) {
            let gone = "DELETE FROM intended WHERE grove_id = ?1 AND draw_id = ?2";
            sql.execute(gone, params![grove, id])?;
        }
        Ok(())
    }

    /// The rows of a file that was read as a grove's already, so that no cell is flawed that it knows;
    /// others are told here.
    fn offered(&mut self, sheet: &Sheet, bytes: &[u8]) -> Vec<Offered> {
        let mut findings = Findings::default();
        let columns = sheet.file_columns();
        let Some(text) = decode(sheet.file, bytes, &mut findings) else { return Vec::new() };
        let Some(table) = Table::read(sheet.file, text, columns, &mut findings) else {
            return Vec::new();
        };
        let others = table.others(columns);
        let mut rows = table.each(self.zone, &mut findings, |cells| {
            let values = sheet
                .columns
                .iter()
                .map(|column| column.value(cells.text(column.name).as_deref(), self.zone));
            let values = values.collect::<Option<_>>()?;
            Some(Offered { line: cells.line(), values, aside: aside(cells, &others), nth: 0 })
        });
        self.flaws_of(findings);
        if let Some(time) = sheet.in_order_of.map(|name| sheet.place(name)) {
            sort_by_draw_and_time(&mut rows, sheet.place("draw_id"), time);
        }
        if sheet.has_nth {
            let mut seen: HashMap<String, i64> = HashMap::new();
            for row in &mut rows {
                let next = seen.entry(format!("{:?}", row.key(sheet, 0))).or_default();
                row.nth = *next;
                *next += 1;
            }
        }
        rows
    }
}

impl Offered {
    /// The grove and the values that name the row.
    fn key(&self, sheet: &Sheet, grove: i64) -> Vec<Value> {
        let own = sheet.key.iter().map(|name| self.values[sheet.place(name)].clone());
        let nth = sheet.has_nth.then_some(Value::Integer(self.nth));
        [Value::Integer(grove)].into_iter().chain(own).chain(nth).collect()
    }

    /// All values as [`insert_sql`] wants them.
    fn with_place(&self, sheet: &Sheet, grove: i64) -> Vec<Value> {
        let nth = sheet.has_nth.then_some(Value::Integer(self.nth));
        let head = [Value::Integer(grove)].into_iter().chain(self.values.iter().cloned());
        head.chain([text_or_null(&self.aside)]).chain(nth).collect()
    }
}

/// Draws stay in the order of the file.
fn sort_by_draw_and_time(rows: &mut [Offered], draw: usize, time: usize) {
    let mut first: HashMap<String, usize> = HashMap::new();
    for (at, row) in rows.iter().enumerate() {
        if let Value::Text(draw) = &row.values[draw] {
            first.entry(draw.clone()).or_insert(at);
        }
    }
    rows.sort_by_key(|row| match (&row.values[draw], &row.values[time]) {
        (Value::Text(draw), Value::Integer(at)) => (first.get(draw).copied(), *at),
        _ => (None, i64::MIN),
    });
}

fn text_or_null(text: &Option<String>) -> Value {
    text.clone().map_or(Value::Null, Value::Text)
}

/// Cells of columns that are not known here, as a JSON object; none where they are all empty.
pub(super) fn aside(cells: &mut Cells, others: &[&str]) -> Option<String> {
    let own = others.iter().filter_map(|name| Some((*name, cells.text(name)?)));
    let map: BTreeMap<&str, String> = own.collect();
    (!map.is_empty()).then(|| serde_json::to_string(&map).expect("a map of texts"))
}

fn select_sql(sheet: &Sheet) -> String {
    let mut place = String::from("grove_id = ?1");
    for (at, name) in sheet.key.iter().enumerate() {
        let column = sheet.columns[sheet.place(name)].sql();
        let (column, mark) = match sheet.has_nth && *name == "state" {
            true => (format!("coalesce({column}, '')"), format!("coalesce(?{}, '')", at + 2)),
            false => (column, format!("?{}", at + 2)),
        };
        place += &format!(" AND {column} = {mark}");
    }
    if sheet.has_nth {
        place += &format!(" AND nth = ?{}", sheet.key.len() + 2);
    }
    format!("SELECT {}, aside, seq FROM {} WHERE {place}", sheet.columns_sql(), sheet.table)
}

fn insert_sql(sheet: &Sheet) -> String {
    let nth = if sheet.has_nth { ", nth" } else { "" };
    let count = sheet.columns.len() + 2 + usize::from(sheet.has_nth);
    let marks: Vec<String> = (1..=count).map(|at| format!("?{at}")).collect();
    format!(
        "INSERT INTO {} (grove_id, {}, aside{nth}) VALUES ({})",
        sheet.table,
        sheet.columns_sql(),
        marks.join(", ")
    )
}

fn update_sql(sheet: &Sheet) -> String {
    let set: Vec<String> = sheet
        .columns
        .iter()
        .enumerate()
        .map(|(at, column)| format!("{} = ?{}", column.sql(), at + 1))
        .collect();
    let aside = sheet.columns.len() + 1;
    format!(
        "UPDATE {} SET {}, aside = ?{aside} WHERE seq = ?{}",
        sheet.table,
        set.join(", "),
        aside + 1
    )
}

/// The first line in which two texts differ, from 1, with both.
fn first_difference(old: &str, new: &str) -> (u64, String, String) {
    let mut lines = (old.lines(), new.lines());
    let words = |line: Option<&str>| match line {
        Some(line) => format!("'{}'", shown(line)),
        None => "nothing".to_owned(),
    };
    let mut at = 1;
    loop {
        let (old, new) = (lines.0.next(), lines.1.next());
        if old != new || old.is_none() {
            return (at, words(old), words(new));
        }
        at += 1;
    }
}
