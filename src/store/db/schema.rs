//! The schema and its versions: an older database is brought up to date after a backup beside it,
//! a newer one is refused.

use super::error::{StoreError, of_file as told};
use super::file::copy;
use chrono::{DateTime, Utc};
use rusqlite::{Connection, TransactionBehavior};
use std::path::{Path, PathBuf};

/// Marks a file as ours: "xylo" in ASCII.
pub const APPLICATION_ID: i64 = 0x7879_6c6f;

macro_rules! sql {
    ($($name:literal),*) => { &[$(include_str!(concat!("../migrations/", $name))),*] };
}

/// What brings a database from each version to the next one.
const MIGRATIONS: [&[&str]; 2] =
    [sql!("1_tables.sql", "1_stories.sql", "1_audit.sql"), sql!("2_journal.sql", "2_dosing.sql")];

/// The version that this program writes.
pub const LATEST: i64 = MIGRATIONS.len() as i64;

/// Version of a database's schema; 0 of an empty file.
pub(super) fn version(connection: &Connection) -> rusqlite::Result<i64> {
    connection.pragma_query_value(None, "user_version", |row| row.get(0))
}

/// Holds the file to be ours and not newer; brings an older one up to date, after a backup. The
/// path of the backup, where one was made.
pub(super) fn bring_up_to_date(
    connection: &mut Connection,
    path: &Path,
    now: DateTime<Utc>,
) -> Result<Option<PathBuf>, StoreError> {
    let told = |error: rusqlite::Error| told(path, &error);
    let found = version(connection).map_err(told)?;
    let id: i64 =
        connection.pragma_query_value(None, "application_id", |row| row.get(0)).map_err(told)?;
    let tables: i64 = connection
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(told)?;
    let is_new = tables == 0 && found == 0;
    if !is_new && id != APPLICATION_ID {
        return Err(StoreError::NotOurs { path: path.to_owned() });
    }
    if found > LATEST {
        return Err(StoreError::Newer { path: path.to_owned(), found, known: LATEST });
    }
    if found == LATEST {
        return Ok(None);
    }
    let backup = if is_new { None } else { Some(back_up(connection, path, found, now)?) };
    migrate(connection).map_err(told)?;
    Ok(backup)
}

/// `grove.db` -> `grove.schema-1.2026-01-14T093000Z.db`.
fn back_up(
    connection: &Connection,
    path: &Path,
    version: i64,
    now: DateTime<Utc>,
) -> Result<PathBuf, StoreError> {
    let stem = path.file_stem().unwrap_or_default().to_string_lossy();
    let name = format!("{stem}.schema-{version}.{}.db", now.format("%Y-%m-%dT%H%M%SZ"));
    let backup = path.with_file_name(name);
    copy(connection, path, &backup)?;
    Ok(backup)
}

/// Another process may have been quicker, so the version is read again inside.
fn migrate(connection: &mut Connection) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let found = usize::try_from(version(&transaction)?).unwrap_or(MIGRATIONS.len());
    for texts in MIGRATIONS.iter().skip(found) {
        for text in *texts {
            transaction.execute_batch(text)?;
        }
    }
    transaction.pragma_update(None, "application_id", APPLICATION_ID)?;
    transaction.pragma_update(None, "user_version", LATEST)?;
    transaction.commit()
}
