//! A grove between its forms: a folder into a database, a grove out as a folder, a database copied
//! while it is used.

use super::desk::{About, DeskError};
use crate::store::db::{By, Counted, Database, Progress, forget_empty, shown};
use crate::store::home::Home;
use crate::store::sql::Address;
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::collections::BTreeMap;
use std::ffi::OsString;
use std::fs;
use std::path::{Path, PathBuf};

/// An import.
#[derive(Debug, Serialize)]
pub struct Import {
    /// The database.
    pub database: PathBuf,
    /// Was everything there already?
    pub changed_nothing: bool,
    /// Rows by file.
    pub files: BTreeMap<String, Counted>,
}

/// An export.
#[derive(Debug, Serialize)]
pub struct Export {
    /// The folder.
    pub folder: PathBuf,
    /// Files in it.
    pub files: Vec<String>,
    /// The folder that stood there before, where one did.
    pub kept: Option<PathBuf>,
}

/// A copy of a database.
#[derive(Debug, Serialize)]
pub struct Backup {
    /// The database.
    pub database: PathBuf,
    /// Its copy.
    pub backup: PathBuf,
    /// Size of the copy, bytes.
    pub bytes: u64,
}

fn database(grove: Option<&Path>) -> Result<&Path, DeskError> {
    let ask = |fact| DeskError::Ask { fact, about: About::Database };
    let path = grove.ok_or_else(|| ask("no database was named".into()))?;
    if path.is_dir() {
        return Err(ask(format!("{} is a folder; name a database", path.display())));
    }
    Ok(path)
}

/// Imports a grove folder into a database, made where there is none.
///
/// # Errors
/// [`DeskError`] with every flaw and conflict; the database is as it was then.
pub fn import(
    folder: &Path,
    grove: Option<&Path>,
    by: By,
    replace: bool,
    progress: &mut Progress,
) -> Result<Import, DeskError> {
    let path = database(grove)?;
    let was_there = Address::is_one(path) || path.exists();
    let imported = Database::open_or_create(path, by.at)
        .and_then(|mut database| database.import(folder, by, replace, progress));
    if imported.is_err() {
        forget_empty(path);
    }
    if imported.is_err() && !was_there {
        for ending in ["", "-wal", "-shm"] {
            let mut file = OsString::from(path);
            file.push(ending);
            let _ = fs::remove_file(file);
        }
    }
    let imported = imported?;
    let changed_nothing = imported.changed_nothing();
    Ok(Import { database: shown(path), changed_nothing, files: imported.files })
}

/// Exports a database, or the demo, as a grove folder.
///
/// # Errors
/// [`DeskError`]; no folder is left half-written then.
pub fn export(
    grove: Option<&Path>,
    to: &Path,
    replace: bool,
    now: DateTime<Utc>,
) -> Result<Export, DeskError> {
    match Home::of(grove).export(to, replace, now)? {
        Some((files, kept)) => Ok(Export { folder: to.to_owned(), files, kept }),
        None => {
            let words = "this grove is a folder already: copy it as any folder";
            Err(DeskError::Unanswerable(words.into()))
        }
    }
}

/// Copies a database while others use it.
///
/// # Errors
/// [`DeskError`]; no half copy is left then.
pub fn backup(grove: Option<&Path>, to: &Path, now: DateTime<Utc>) -> Result<Backup, DeskError> {
    let path = database(grove)?;
    Database::open(path, now)?.back_up(to)?;
    let bytes = fs::metadata(to).map_or(0, |about| about.len());
    Ok(Backup { database: shown(path), backup: to.to_owned(), bytes })
}
