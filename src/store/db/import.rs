//! A grove folder into the database: all or nothing, and the same folder twice changes nothing.
//!
//! What is stored is never overwritten silently. A row that is there under the same name with other
//! content is a flaw that names both, unless the user asked to take what is offered; the audit keeps
//! the old one.

use super::error::StoreError;
use super::sheets::{SHEETS, Sheet};
use super::{By, Database, GROVE, read};
use crate::grove::{Files, Parts, SETTINGS, Settings};
use crate::journal::JOURNAL;
use crate::store::folder;
use crate::text::{Cells, Findings, Flaw, FlawKind, Refused, Table, decode};
use chrono_tz::Tz;
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, params, params_from_iter};
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
    pub(super) connection: &'c Connection,
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
        self.write(by, |connection, path| {
            let told = |error: rusqlite::Error| super::told(path, &error);
            let counts = BTreeMap::new();
            let zone = parts.settings().zone;
            let mut importing =
                Importing { connection, zone, replace, counts, flaws: Vec::new(), progress };
            importing.all(&files, &parts, folder).map_err(|error| match error {
                ImportError::Sql(error) => told(error),
                ImportError::Store(error) => error,
            })?;
            let Importing { counts, flaws, .. } = importing;
            if !flaws.is_empty() {
                return Err(Refused { flaws }.into());
            }
            // Each row is sound; is all that is stored now one grove?
            read::parts(connection).map_err(|error| error.at(path))?;
            let files = counts.into_iter().map(|(file, count)| (file.to_owned(), count));
            Ok(Imported { files: files.collect() })
        })
    }
}

/// Why an import stops at once.
pub(super) enum ImportError {
    Sql(rusqlite::Error),
    Store(StoreError),
}

impl From<rusqlite::Error> for ImportError {
    fn from(error: rusqlite::Error) -> Self {
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
        let batch = self.batch("import")?;
        let bytes = |file: &str| files.get(file).copied().unwrap_or_default();
        self.observed(&parts.observed, bytes(crate::weather::parse::OBSERVED), batch)?;
        self.forecasts(&parts.forecasts, bytes(crate::weather::parse::FORECAST), batch)?;
        self.pulled(folder, batch)?;
        self.models(folder)
    }

    pub(super) fn batch(&self, what: &str) -> rusqlite::Result<i64> {
        let sql = "INSERT INTO batches (grove_id, what) VALUES (?1, ?2)";
        self.connection.execute(sql, params![GROVE, what])?;
        Ok(self.connection.last_insert_rowid())
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

    /// A row that the database bars is one flaw more; any other error ends the import.
    pub(super) fn put(
        &mut self,
        file: &str,
        row: u64,
        written: rusqlite::Result<usize>,
    ) -> rusqlite::Result<()> {
        match written {
            Ok(_) => Ok(()),
            Err(error)
                if error.sqlite_error_code() == Some(rusqlite::ErrorCode::ConstraintViolation) =>
            {
                self.flaw(file, row, None, FlawKind::Barred { reason: barred(&error) });
                Ok(())
            }
            Err(error) => Err(error),
        }
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

    fn settings(&mut self, bytes: &[u8], settings: &Settings) -> rusqlite::Result<()> {
        let text = String::from_utf8_lossy(bytes);
        let text = text.trim_start_matches('\u{feff}');
        let place = settings.place;
        let values = params![
            GROVE,
            settings.name,
            settings.zone.name(),
            place.latitude.value(),
            place.longitude.value(),
            place.elevation.value(),
            settings.label.min_interval_days,
            text
        ];
        let known: Option<(String, String)> = self
            .connection
            .query_row(
                "SELECT name, settings_toml FROM groves WHERE grove_id = ?1",
                [GROVE],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .optional()?;
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
        let count = self.count(SETTINGS);
        let _ = if is_new { count.fresh() } else { count.replaced() };
        self.connection.execute(
            "INSERT INTO groves (grove_id, name, time_zone, latitude_deg, longitude_deg,
                 elevation_m, min_interval_days, settings_toml)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
             ON CONFLICT DO UPDATE SET name = excluded.name, time_zone = excluded.time_zone,
                 latitude_deg = excluded.latitude_deg, longitude_deg = excluded.longitude_deg,
                 elevation_m = excluded.elevation_m,
                 min_interval_days = excluded.min_interval_days,
                 settings_toml = excluded.settings_toml",
            values,
        )?;
        Ok(())
    }

    fn sheet(&mut self, sheet: &Sheet, bytes: &[u8]) -> rusqlite::Result<()> {
        let offered = self.offered(sheet, bytes);
        let connection = self.connection;
        if sheet.table == "intended" && self.replace {
            self.forget_plans(sheet, &offered)?;
        }
        let is_new = super::weather::is_empty(connection, sheet.table)?;
        let mut select = connection.prepare_cached(&select_sql(sheet))?;
        let mut insert = connection.prepare_cached(&insert_sql(sheet))?;
        let mut update = connection.prepare_cached(&update_sql(sheet))?;
        let width = sheet.columns.len();
        for (done, row) in offered.iter().enumerate() {
            self.tick(sheet.file, done, offered.len());
            let key = row.key(sheet);
            let known = match is_new {
                true => None,
                false => select
                    .query_row(params_from_iter(&key), |known| {
                        let values = (0..width).map(|at| known.get(at));
                        let values: Vec<Value> = values.collect::<rusqlite::Result<_>>()?;
                        Ok((values, known.get(width)?, known.get(width + 1)?))
                    })
                    .optional()?,
            };
            let Some((values, aside, seq)) = known else {
                self.count(sheet.file).fresh();
                let written = insert.execute(params_from_iter(row.with_place(sheet)));
                self.put(sheet.file, row.line, written)?;
                continue;
            };
            if self.wants_row(sheet, row, &values, &aside) {
                let seq: i64 = seq;
                let own = row.values.iter().cloned().chain([text_or_null(&row.aside), seq.into()]);
                let written = update.execute(params_from_iter(own));
                self.put(sheet.file, row.line, written)?;
            }
        }
        Ok(())
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
            text => format!("'{}'", crate::text::shown(&text)),
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
    fn forget_plans(&mut self, sheet: &Sheet, offered: &[Offered]) -> rusqlite::Result<()> {
        let mut statement =
            self.connection.prepare("SELECT draw_id FROM intended WHERE grove_id = ?1")?;
        let stored: Vec<String> =
            statement.query_map([GROVE], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
        let at = sheet.place("draw_id");
        let still =
            |id: &String| offered.iter().any(|row| row.values[at] == Value::Text(id.clone()));
        for id in stored.iter().filter(|id| !still(id)) {
            let sql = "DELETE FROM intended WHERE grove_id = ?1 AND draw_id = ?2";
            self.connection.execute(sql, params![GROVE, id])?;
        }
        Ok(())
    }

    /// The rows of a file that was read as a grove's already, so that no cell of them is flawed.
    fn offered(&self, sheet: &Sheet, bytes: &[u8]) -> Vec<Offered> {
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
        if let Some(time) = sheet.in_order_of.map(|name| sheet.place(name)) {
            sort_by_draw_and_time(&mut rows, sheet.place("draw_id"), time);
        }
        if sheet.has_nth {
            let mut seen: HashMap<String, i64> = HashMap::new();
            for row in &mut rows {
                let next = seen.entry(format!("{:?}", row.key(sheet))).or_default();
                row.nth = *next;
                *next += 1;
            }
        }
        rows
    }
}

impl Offered {
    /// The grove and the values that name the row.
    fn key(&self, sheet: &Sheet) -> Vec<Value> {
        let own = sheet.key.iter().map(|name| self.values[sheet.place(name)].clone());
        let nth = sheet.has_nth.then_some(Value::Integer(self.nth));
        [Value::Integer(GROVE)].into_iter().chain(own).chain(nth).collect()
    }

    /// All values as [`insert_sql`] wants them.
    fn with_place(&self, sheet: &Sheet) -> Vec<Value> {
        let nth = sheet.has_nth.then_some(Value::Integer(self.nth));
        let head = [Value::Integer(GROVE)].into_iter().chain(self.values.iter().cloned());
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
            true => (format!("ifnull({column}, '')"), format!("ifnull(?{}, '')", at + 2)),
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
        Some(line) => format!("'{}'", crate::text::shown(line)),
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

/// What SQLite says of a row that it bars, without its own first words.
fn barred(error: &rusqlite::Error) -> String {
    let words = error.to_string();
    words.strip_prefix("CHECK constraint failed: ").unwrap_or(&words).to_owned()
}
