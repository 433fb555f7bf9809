//! Is a database sound? The engine's own checks, references, and the rules that span several rows.

use super::error::StoreError;
use super::{Database, Engine, schema};
use crate::store::sql::{self, Sql};
use rusqlite::Connection;

/// What was found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Soundness {
    /// Version of the schema.
    pub schema: i64,
    /// The engine and its version.
    pub engine: String,
    /// What is wrong, a line each; none where it is sound.
    pub problems: Vec<String>,
}

/// Views that list what breaks a rule, and the rule in words.
const RULES: [(&str, &str); 5] = [
    ("readings_that_rise", "a reading stands above the one before, with no refill between"),
    ("readings_wet_after_empty", "the bag is wet after it was empty, with no refill between"),
    ("looks_outside_their_draw", "a look or a pause lies outside its draw"),
    ("pauses_that_overlap", "two pauses overlap"),
    ("kits_on_two_trees", "its kit hangs on two trees at a time"),
];

/// Lines of one kind that are told.
const MOST_LINES: usize = 20;

impl Database {
    /// Checks all of the grove; it may be long, and others may write meanwhile.
    ///
    /// # Errors
    /// [`StoreError`] where it cannot be read at all.
    pub fn soundness(&self) -> Result<Soundness, StoreError> {
        let told = |error: rusqlite::Error| self.told(error.into());
        let Engine::Sqlite(connection) = &self.engine else {
            // A server holds its files and references to be sound by itself.
            return self.reading(|sql| {
                let schema = sql.value("SELECT version FROM about", &[])?;
                let version: String = sql.value("SELECT current_setting('server_version')", &[])?;
                let problems = rules(sql)?;
                Ok(Soundness { schema, engine: format!("PostgreSQL {version}"), problems })
            });
        };
        let schema = schema::version(connection).map_err(told)?;
        let mut problems = integrity(connection).map_err(told)?;
        // What is damaged cannot be asked further.
        if problems.is_empty() {
            problems.extend(references(connection).map_err(told)?);
            problems.extend(rules(&Sql::Sqlite(connection)).map_err(|error| self.told(error))?);
        }
        Ok(Soundness { schema, engine: format!("SQLite {}", rusqlite::version()), problems })
    }
}

fn integrity(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare("PRAGMA integrity_check(20)")?;
    let lines: Vec<String> =
        statement.query_map([], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    Ok(lines.into_iter().filter(|line| line != "ok").collect())
}

fn references(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    let mut statement = connection.prepare("PRAGMA foreign_key_check")?;
    let lines = statement.query_map([], |row| {
        let (table, row, parent): (String, Option<i64>, String) =
            (row.get(0)?, row.get(1)?, row.get(2)?);
        let row = row.map_or_else(String::new, |row| format!(" {row}"));
        Ok(format!("{table}{row} names something that is not in {parent}"))
    })?;
    lines.take(MOST_LINES).collect()
}

fn rules(sql: &Sql) -> sql::Result<Vec<String>> {
    let mut problems = Vec::new();
    for (view, rule) in RULES {
        let breaches = format!("SELECT DISTINCT draw_id FROM {view} LIMIT {MOST_LINES}");
        let line = |row: &sql::Row| Ok(format!("draw '{}': {rule}", row.get::<String>(0)?));
        problems.extend(sql.rows(&breaches, &[], line)?);
    }
    Ok(problems)
}
