//! Models in the database: each as its file was written, with when it was fitted and what it rests
//! on.

use super::error::StoreError;
use super::import::{ImportError, Importing};
use super::{By, Database};
use crate::store::home::{MODELS, model_name};
use crate::store::sql::{self, Sql};
use crate::text::{Flaw, FlawKind, Refused};
use crate::uptake::model::ModelFile;
use chrono::{DateTime, Utc};
use rusqlite::params;
use std::fs;
use std::path::Path;

/// Names and texts of all models, in the order in which they came.
pub(super) fn texts(sql: &Sql) -> sql::Result<Vec<(String, String)>> {
    let all = "SELECT name, model_json FROM models WHERE grove_id = ?1 ORDER BY seq";
    sql.rows(all, params![sql.grove()], |row| Ok((row.get(0)?, row.get(1)?)))
}

fn put(sql: &Sql, name: &str, file: &ModelFile, text: &str) -> sql::Result<usize> {
    sql.execute(
            "INSERT INTO models (grove_id, name, layout, fitted_utc, rests_on_draws,
                 rests_on_trees, model_json)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
             ON CONFLICT (grove_id, name) DO UPDATE SET layout = excluded.layout, fitted_utc = excluded.fitted_utc,
                 rests_on_draws = excluded.rests_on_draws,
                 rests_on_trees = excluded.rests_on_trees, model_json = excluded.model_json",
        params![
            sql.grove(),
            name,
            file.schema,
            file.fitted_at.map(|at| at.timestamp()),
            i64::try_from(file.rests_on.draws).unwrap_or(i64::MAX),
            i64::try_from(file.rests_on.trees).unwrap_or(i64::MAX),
            text
        ],
    )
}

/// Keeps a model beside all that are there; its name.
pub(super) fn keep(sql: &Sql, as_of: DateTime<Utc>, file: &ModelFile) -> sql::Result<String> {
    let known = texts(sql)?;
    let name = model_name(as_of, |name| known.iter().any(|(taken, _)| taken == name));
    put(sql, &name, file, &file.to_json())?;
    Ok(name)
}

impl Database {
    /// Names and texts of the models that were fitted by `as_of`.
    ///
    /// # Errors
    /// [`StoreError`] where the file cannot be read.
    pub fn models(&self, as_of: DateTime<Utc>) -> Result<Vec<(String, String)>, StoreError> {
        self.reading(|sql| {
            let by_then = "SELECT name, model_json FROM models
                           WHERE grove_id = ?1 AND fitted_utc <= ?2 ORDER BY seq";
            let values = params![sql.grove(), as_of.timestamp()];
            Ok(sql.rows(by_then, values, |row| Ok((row.get(0)?, row.get(1)?)))?)
        })
    }

    /// Keeps a model beside all that are there; its name.
    ///
    /// # Errors
    /// [`StoreError`]; nothing is kept then.
    pub fn keep_model(
        &mut self,
        as_of: DateTime<Utc>,
        file: &ModelFile,
        by: By,
    ) -> Result<String, StoreError> {
        self.write(by, |sql, path| keep(sql, as_of, file).map_err(|error| super::told(path, error)))
    }
}

impl Importing<'_, '_> {
    /// Keeps the models of a folder.
    pub(super) fn models(&mut self, folder: &Path) -> Result<(), ImportError> {
        let Ok(entries) = fs::read_dir(folder.join(MODELS)) else { return Ok(()) };
        let mut paths: Vec<_> = entries.flatten().map(|entry| entry.path()).collect();
        paths.retain(|path| path.extension().is_some_and(|ending| ending == "json"));
        paths.sort();
        for path in paths {
            let name = path.file_name().unwrap_or_default().to_string_lossy().into_owned();
            let file = format!("{MODELS}/{name}");
            let text = fs::read_to_string(&path).map_err(|error| error.to_string());
            let read = text.and_then(|text| match ModelFile::from_json(&text) {
                Ok(model) => Ok((model, text)),
                Err(error) => Err(error.to_string()),
            });
            let (model, text) = match read {
                Ok(read) => read,
                Err(reason) => {
                    let problem = FlawKind::Unreadable { reason };
                    let flaw = Flaw { file, row: None, column: None, problem };
                    return Err(Refused::from(flaw).into());
                }
            };
            self.model(&file, &name, &model, &text)?;
        }
        Ok(())
    }

    fn model(&mut self, file: &str, name: &str, model: &ModelFile, text: &str) -> sql::Result<()> {
        let stored = "SELECT model_json FROM models WHERE grove_id = ?1 AND name = ?2";
        let values = params![self.sql.grove(), name];
        let known: Option<String> = self.sql.first(stored, values, |row| row.get(0))?;
        match known {
            Some(known) if known == text => {
                self.count(MODELS).same();
                return Ok(());
            }
            Some(_) if !self.replace => {
                let words = ("the model", "another fit".to_owned(), "this one".to_owned());
                self.conflict(file, 1, "the file", words);
                return Ok(());
            }
            Some(_) => self.count(MODELS).replaced(),
            None => self.count(MODELS).fresh(),
        };
        put(&self.sql, name, model, text).map(|_| ())
    }
}
