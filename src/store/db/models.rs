//! Models in the database: each as its file was written, with when it was fitted and what it rests
//! on.

use super::error::StoreError;
use super::import::{ImportError, Importing};
use super::{By, Database, GROVE};
use crate::store::home::MODELS;
use crate::text::{Flaw, FlawKind, Refused};
use crate::uptake::model::ModelFile;
use chrono::{DateTime, Utc};
use rusqlite::{Connection, OptionalExtension, params};
use std::fs;
use std::path::Path;

/// Names and texts of all models, in the order in which they came.
pub(super) fn texts(connection: &Connection) -> rusqlite::Result<Vec<(String, String)>> {
    connection
        .prepare_cached("SELECT name, model_json FROM models WHERE grove_id = ?1 ORDER BY seq")?
        .query_map([GROVE], |row| Ok((row.get(0)?, row.get(1)?)))?
        .collect()
}

fn put(
    connection: &Connection,
    name: &str,
    file: &ModelFile,
    text: &str,
) -> rusqlite::Result<usize> {
    connection
        .prepare_cached(
            "INSERT INTO models (grove_id, name, layout, fitted_utc, rests_on_draws,
                 rests_on_trees, model_json)
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
             ON CONFLICT DO UPDATE SET layout = excluded.layout, fitted_utc = excluded.fitted_utc,
                 rests_on_draws = excluded.rests_on_draws,
                 rests_on_trees = excluded.rests_on_trees, model_json = excluded.model_json",
        )?
        .execute(params![
            GROVE,
            name,
            file.schema,
            file.fitted_at.map(|at| at.timestamp()),
            i64::try_from(file.rests_on.draws).unwrap_or(i64::MAX),
            i64::try_from(file.rests_on.trees).unwrap_or(i64::MAX),
            text
        ])
}

impl Database {
    /// Name and text of the newest model that was fitted by `as_of`.
    ///
    /// # Errors
    /// [`StoreError`] where the file cannot be read.
    pub fn newest_model(
        &self,
        as_of: DateTime<Utc>,
    ) -> Result<Option<(String, String)>, StoreError> {
        self.reading(|connection| {
            let newest = connection
                .prepare_cached(
                    "SELECT name, model_json FROM models
                     WHERE grove_id = ?1 AND fitted_utc <= ?2 ORDER BY fitted_utc DESC LIMIT 1",
                )?
                .query_row(params![GROVE, as_of.timestamp()], |row| Ok((row.get(0)?, row.get(1)?)))
                .optional()?;
            Ok(newest)
        })
    }

    /// Keeps a model under a name.
    ///
    /// # Errors
    /// [`StoreError`]; nothing is kept then.
    pub fn keep_model(&mut self, name: &str, file: &ModelFile, by: By) -> Result<(), StoreError> {
        self.write(by, |connection, path| {
            put(connection, name, file, &file.to_json())
                .map(|_| ())
                .map_err(|error| super::told(path, &error))
        })
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

    fn model(
        &mut self,
        file: &str,
        name: &str,
        model: &ModelFile,
        text: &str,
    ) -> rusqlite::Result<()> {
        let sql = "SELECT model_json FROM models WHERE grove_id = ?1 AND name = ?2";
        let known: Option<String> =
            self.connection.query_row(sql, params![GROVE, name], |row| row.get(0)).optional()?;
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
        put(self.connection, name, model, text).map(|_| ())
    }
}
