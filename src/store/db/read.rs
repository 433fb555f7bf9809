//! A grove out of the database: small tables as the texts that `grove` reads anyway, weather typed.

use super::error::StoreError;
use super::sheets::{SHEETS, Sheet};
use super::{Database, weather};
use crate::grove::{Files, Grove, Parts, SETTINGS, Settings, TREES};
use crate::store::sql::{self, Sql, SqlError, Values};
use crate::text::{Findings, Refused, Written};
use crate::weather::Forecasts;
use chrono_tz::Tz;
use rusqlite::params;

/// Which rows of a table are wanted, as SQL behind WHERE; `?1` is the grove.
pub(super) const ALL: &str = "grove_id = ?1";

/// `grove.toml` as it was typed; none where the database holds no grove yet.
pub(super) fn settings_text(sql: &Sql) -> sql::Result<Option<String>> {
    let text = "SELECT settings_toml FROM groves WHERE grove_id = ?1";
    sql.first(text, params![sql.grove()], |row| row.get(0))
}

/// The grove's zone, as its row names it.
pub(super) fn zone(sql: &Sql) -> sql::Result<Tz> {
    let text = "SELECT time_zone FROM groves WHERE grove_id = ?1";
    let name: Option<String> = sql.first(text, params![sql.grove()], |row| row.get(0))?;
    Ok(name.and_then(|name| name.parse().ok()).unwrap_or(Tz::UTC))
}

/// A table as its file would have it; none where no row is wanted. With `aside`, cells of columns
/// that are not known here too.
pub(super) fn sheet_text(
    sql: &Sql,
    sheet: &Sheet,
    wanted: (&str, Values),
    zone: Tz,
    aside: bool,
) -> sql::Result<Option<Vec<u8>>> {
    let text = format!(
        "SELECT {}, aside FROM {} WHERE {} ORDER BY {}",
        sheet.columns_sql(),
        sheet.table,
        wanted.0,
        order(sheet)
    );
    let width = sheet.columns.len();
    let rows = sql.rows(&text, wanted.1, |row| {
        let cell = |at: usize| Ok(sheet.columns[at].cell(row.value(at)?, zone));
        let cells: Vec<String> = (0..width).map(cell).collect::<sql::Result<_>>()?;
        let text: Option<String> = if aside { row.get(width)? } else { None };
        let others = text.and_then(|text| serde_json::from_str(&text).ok()).unwrap_or_default();
        Ok((cells, others))
    })?;
    let (cells, others): (Vec<_>, Vec<serde_json::Map<String, serde_json::Value>>) =
        rows.into_iter().unzip();
    // A grove whose trees are still to be added has a file of trees all the same.
    if cells.is_empty() && sheet.file != TREES {
        return Ok(None);
    }
    let has_value = |at: &usize| cells.iter().any(|row: &Vec<String>| !row[*at].is_empty());
    let is_shown = |at: &usize| cells.is_empty() || sheet.columns[*at].always || has_value(at);
    let shown: Vec<usize> = (0..width).filter(is_shown).collect();
    let mut names: Vec<&String> = others.iter().flat_map(serde_json::Map::keys).collect();
    names.sort_unstable();
    names.dedup();
    let known = shown.iter().map(|at| sheet.columns[*at].name);
    let mut written = Written::under(known.chain(names.iter().map(|name| name.as_str())));
    for (row, other) in cells.iter().zip(&others) {
        let own = shown.iter().map(|at| row[*at].as_str());
        let more = names
            .iter()
            .map(|name| other.get(*name).and_then(serde_json::Value::as_str).unwrap_or_default());
        written.push(own.chain(more));
    }
    Ok(Some(written.bytes()))
}

/// Rows come as they were put in; of one instant, readings come in the order of noting.
fn order(sheet: &Sheet) -> &'static str {
    match sheet.has_nth {
        true => "noted_ms IS NOT NULL, noted_ms, entry_key, seq",
        false => "seq",
    }
}

/// A grove's parts, all but the weather, from rows that `wanted` picks of each table.
pub(super) fn parts(sql: &Sql) -> Result<Option<Parts>, ReadError> {
    let Some(settings) = settings_text(sql)? else { return Ok(None) };
    let zone = zone(sql)?;
    let mut texts: Vec<(&str, Vec<u8>)> = vec![(SETTINGS, settings.into_bytes())];
    for sheet in &SHEETS {
        let text = sheet_text(sql, sheet, (ALL, params![sql.grove()]), zone, false)?;
        texts.extend(text.map(|text| (sheet.file, text)));
    }
    Ok(Some(read_parts(texts)?))
}

pub(super) fn read_parts(texts: Vec<(&str, Vec<u8>)>) -> Result<Parts, ReadError> {
    let files: Files = texts.iter().map(|(name, text)| (*name, text.as_slice())).collect();
    Ok(Parts::read(&files)?)
}

/// Why rows do not read as a grove.
#[derive(Debug)]
pub(super) enum ReadError {
    Sql(SqlError),
    Refused(crate::text::Refused),
}

impl From<SqlError> for ReadError {
    fn from(error: SqlError) -> Self {
        Self::Sql(error)
    }
}

impl From<crate::text::Refused> for ReadError {
    fn from(refused: crate::text::Refused) -> Self {
        Self::Refused(refused)
    }
}

impl ReadError {
    pub(super) fn at(self, path: &std::path::Path) -> StoreError {
        match self {
            Self::Sql(error) => super::told(path, error),
            Self::Refused(refused) => StoreError::Refused(refused),
        }
    }
}

impl Database {
    /// The grove, with its weather: its own hours, then those pulled where it has none.
    ///
    /// # Errors
    /// [`StoreError`] where the file cannot be read, or its rows make no grove.
    pub fn grove(&self) -> Result<Grove, StoreError> {
        self.reading(|sql| {
            let Some(mut parts) = parts(sql)? else { return Ok(None) };
            parts.observed = weather::observed(sql)?;
            parts.forecasts = weather::forecasts(sql)?;
            let mut grove = parts.whole();
            let pulled = super::pulled::series(sql)?;
            grove.observed = grove.observed.filled_from(&pulled);
            let own = grove.forecasts.issues().iter().cloned();
            let issues = own.chain(super::pulled::forecasts(sql)?);
            grove.forecasts = Forecasts::new(issues.collect());
            Ok(Some(grove))
        })?
        .ok_or_else(|| StoreError::NoGrove { path: self.path.clone() })
    }

    /// What `grove.toml` says.
    ///
    /// # Errors
    /// [`StoreError`] where it cannot be read, or there is no grove.
    pub fn settings(&self) -> Result<Settings, StoreError> {
        let text = self.reading(|sql| Ok(settings_text(sql)?))?;
        let text = text.ok_or_else(|| StoreError::NoGrove { path: self.path.clone() })?;
        let mut findings = Findings::default();
        let settings = Settings::read(&text, &mut findings);
        settings.ok_or_else(|| Refused { flaws: findings.flaws }.into())
    }

    /// `grove.toml` and `trees.csv`, the two files that every grove folder has.
    ///
    /// # Errors
    /// [`StoreError`] where the file cannot be read, or holds no grove.
    pub fn least_files(&self) -> Result<[(&'static str, Vec<u8>); 2], StoreError> {
        let files = self.reading(|sql| {
            let Some(settings) = settings_text(sql)? else { return Ok(None) };
            let zone = zone(sql)?;
            let mut trees = Vec::new();
            for sheet in SHEETS.iter().filter(|sheet| sheet.file == TREES) {
                let text = sheet_text(sql, sheet, (ALL, params![sql.grove()]), zone, true)?;
                trees.extend(text.unwrap_or_default());
            }
            Ok(Some([(SETTINGS, settings.into_bytes()), (TREES, trees)]))
        })?;
        files.ok_or_else(|| StoreError::NoGrove { path: self.path.clone() })
    }
}
