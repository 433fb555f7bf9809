//! The database out as a grove folder: built beside, then put in place by one rename.

use super::error::StoreError;
use super::sheets::SHEETS;
use super::{Database, journal, models, pulled, read, weather};
use crate::grove::SETTINGS;
use crate::journal::JOURNAL;
use crate::store::folder::{sync_folder, write_atomically};
use crate::store::home::MODELS;
use crate::store::pulled::{FORECASTS, OBSERVED, issue_name, write_hours};
use chrono::{DateTime, Utc};
use rusqlite::params;
use std::fs;
use std::io;
use std::path::{Path, PathBuf};

/// Files of a folder by their names inside it.
pub type Written = Vec<String>;

impl Database {
    /// Writes the grove as a folder, of one state of the database. A folder that holds something is
    /// refused, or with `replace` kept beside under a name with the time. The names of the files
    /// written, and the old folder where one was kept.
    ///
    /// # Errors
    /// [`StoreError`]; no folder is left half-written then.
    pub fn export(
        &self,
        to: &Path,
        replace: bool,
        now: DateTime<Utc>,
    ) -> Result<(Written, Option<PathBuf>), StoreError> {
        put_in_place(to, replace, now, |unfinished| self.write_folder(unfinished))
    }

    fn write_folder(&self, folder: &Path) -> Result<Written, StoreError> {
        let (texts, observed, issues) = self
            .reading(|sql| {
                let Some(settings) = read::settings_text(sql)? else { return Ok(None) };
                let zone = read::zone(sql)?;
                let mut texts = vec![(SETTINGS.to_owned(), settings.into_bytes())];
                for sheet in &SHEETS {
                    let text = read::sheet_text(
                        sql,
                        sheet,
                        (read::ALL, params![sql.grove()]),
                        zone,
                        true,
                    )?;
                    texts.extend(text.map(|text| (sheet.file.to_owned(), text)));
                }
                let journal = journal::journal_text(sql, zone)?;
                texts.extend(journal.map(|text| (JOURNAL.to_owned(), text)));
                let own = weather::texts(sql, zone)?.into_iter();
                texts.extend(own.map(|(file, text)| (file.to_owned(), text)));
                let all = models::texts(sql)?.into_iter();
                texts.extend(
                    all.map(|(name, text)| (format!("{MODELS}/{name}"), text.into_bytes())),
                );
                let mut issues = Vec::new();
                for (issue_id, issued_at, source) in pulled::issues(sql)? {
                    let name = format!("{FORECASTS}/{}", issue_name(issued_at, &source));
                    issues.push((name, pulled::issue_hours(sql, issue_id)?));
                }
                Ok(Some((texts, pulled::observed(sql)?, issues)))
            })?
            .ok_or_else(|| StoreError::NoGrove { path: self.path.clone() })?;
        let mut written = write_texts(folder, texts)?;
        if !observed.is_empty() {
            let hours: Vec<_> = observed.into_iter().map(|hour| (0, hour)).collect();
            write_hours(&folder.join(OBSERVED), &hours)?;
            written.push(OBSERVED.to_owned());
        }
        for (name, hours) in issues {
            write_hours(&folder.join(&name), &hours)?;
            written.push(name);
        }
        Ok(written)
    }
}

/// Writes texts by their names inside a folder.
pub(in crate::store) fn write_texts(
    folder: &Path,
    texts: impl IntoIterator<Item = (String, Vec<u8>)>,
) -> Result<Written, StoreError> {
    let mut written = Vec::new();
    for (name, text) in texts {
        let path = folder.join(&name);
        let failed = |error: io::Error| StoreError::File { path: path.clone(), error };
        if let Some(parent) = path.parent() {
            fs::create_dir_all(parent).map_err(failed)?;
        }
        write_atomically(&path, &text).map_err(failed)?;
        written.push(name);
    }
    Ok(written)
}

/// Builds a folder beside its place and renames it there.
pub(in crate::store) fn put_in_place(
    to: &Path,
    replace: bool,
    now: DateTime<Utc>,
    build: impl FnOnce(&Path) -> Result<Written, StoreError>,
) -> Result<(Written, Option<PathBuf>), StoreError> {
    let failed = |error: io::Error| StoreError::File { path: to.to_owned(), error };
    let Some(name) = to.file_name() else {
        return Err(failed(io::Error::new(
            io::ErrorKind::InvalidInput,
            "the path names no folder",
        )));
    };
    let is_there = fs::symlink_metadata(to).is_ok();
    let is_empty = || fs::read_dir(to).is_ok_and(|mut entries| entries.next().is_none());
    if is_there && !is_empty() && !replace {
        return Err(StoreError::NotEmpty { path: to.to_owned() });
    }
    let beside = |mark: String| {
        let mut beside = name.to_owned();
        beside.push(mark);
        to.with_file_name(beside)
    };
    let unfinished = beside(format!(".{}.part", std::process::id()));
    fs::create_dir(&unfinished).map_err(failed)?;
    let built = build(&unfinished).and_then(|written| {
        let mut kept = None;
        if is_there && is_empty() {
            fs::remove_dir(to).map_err(failed)?;
        } else if is_there {
            let old = beside(format!(".before-{}", now.format("%Y-%m-%dT%H%M%SZ")));
            fs::rename(to, &old).map_err(failed)?;
            kept = Some(old);
        }
        fs::rename(&unfinished, to).map_err(failed)?;
        sync_folder(to).map_err(failed)?;
        Ok((written, kept))
    });
    if built.is_err() {
        let _ = fs::remove_dir_all(&unfinished);
    }
    built
}
