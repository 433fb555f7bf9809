//! The service's own file, `office.db` in its data folder: people, their sessions and tokens, the
//! audit of writes, what was sent, and which groves are kept.
//!
//! Secrets never come here: passwords come as Argon2 hashes, sessions and tokens as SHA-256 of 256
//! random bits. A kill in the middle of a write leaves the file as before: each write is one
//! transaction, and SQLite's log with `synchronous=FULL` covers the rest.

mod audit;
mod error;
mod groves;
mod people;
mod sent;
mod sessions;
#[cfg(test)]
mod tests;
mod tokens;

pub use audit::{How, Written};
pub use error::OfficeError;
pub use groves::KeptGrove;
pub use people::{Person, Role};
pub use sent::{KEPT_DAYS, Sending, Sent};
pub use sessions::{Lives, Session};
pub use tokens::Token;

use super::db::{BUSY_S, told};
use chrono::{DateTime, Utc};
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

/// SHA-256 of a session's or a token's 256 random bits.
pub type SecretHash = [u8; 32];

/// Its name in the data folder.
pub const OFFICE: &str = "office.db";

/// Marks a file as an office: "xyof" in ASCII.
const APPLICATION_ID: i64 = 0x7879_6f66;

/// What brings a file from each version to the next one.
const MIGRATIONS: [&str; 1] = [include_str!("1_office.sql")];

/// The version that this program writes.
const LATEST: i64 = MIGRATIONS.len() as i64;

/// An open office. Threads of one process take turns; processes wait for each other.
#[derive(Debug)]
pub struct Office {
    connection: Mutex<Connection>,
    path: PathBuf,
}

impl Office {
    /// Opens the office of a data folder; both are made where they are not there.
    ///
    /// # Errors
    /// [`OfficeError`] for a folder that cannot be made, and a file that is not an office, newer,
    /// damaged, or held by another.
    pub fn open(data: &Path) -> Result<Self, OfficeError> {
        fs::create_dir_all(data)
            .map_err(|error| OfficeError::Folder { path: data.to_owned(), error })?;
        let path = data.join(OFFICE);
        let failed = |error: rusqlite::Error| OfficeError::told(&path, &error);
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        let mut connection = Connection::open_with_flags(&path, flags).map_err(failed)?;
        only_for_its_owner(&path)?;
        connection.busy_timeout(Duration::from_secs(BUSY_S)).map_err(failed)?;
        connection.set_prepared_statement_cache_capacity(64);
        connection.pragma_update(None, "foreign_keys", true).map_err(failed)?;
        connection.pragma_update(None, "trusted_schema", false).map_err(failed)?;
        bring_up_to_date(&mut connection, &path)?;
        connection
            .pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))
            .and_then(|()| connection.pragma_update(None, "synchronous", "FULL"))
            .map_err(failed)?;
        let sound: String =
            connection.pragma_query_value(None, "quick_check", |row| row.get(0)).map_err(failed)?;
        if sound != "ok" {
            return Err(OfficeError::Damaged { path, reason: sound });
        }
        Ok(Self { connection: Mutex::new(connection), path })
    }

    /// An office in memory, for a service without a data folder: it ends with the service.
    ///
    /// # Errors
    /// [`OfficeError`] where there is no memory for it.
    pub fn fleeting() -> Result<Self, OfficeError> {
        let path = PathBuf::from(OFFICE);
        let opened = Connection::open_in_memory();
        let mut connection = opened.map_err(|error| OfficeError::told(&path, &error))?;
        bring_up_to_date(&mut connection, &path)?;
        Ok(Self { connection: Mutex::new(connection), path })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// Reads.
    fn read<T>(
        &self,
        work: impl FnOnce(&Connection) -> rusqlite::Result<T>,
    ) -> Result<T, OfficeError> {
        let connection = self.connection.lock().unwrap_or_else(PoisonError::into_inner);
        work(&connection).map_err(|error| OfficeError::told(&self.path, &error))
    }

    /// Writes all or nothing.
    fn write<T>(
        &self,
        work: impl FnOnce(&Transaction) -> Result<T, Undone>,
    ) -> Result<T, OfficeError> {
        let mut connection = self.connection.lock().unwrap_or_else(PoisonError::into_inner);
        let written = connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(Undone::Sql)
            .and_then(|transaction| {
                let done = work(&transaction)?;
                transaction.commit()?;
                Ok(done)
            });
        written.map_err(|undone| match undone {
            Undone::Sql(error) => OfficeError::told(&self.path, &error),
            Undone::Refused(refused) => refused,
        })
    }
}

/// Why a write was taken back.
enum Undone {
    Sql(rusqlite::Error),
    Refused(OfficeError),
}

impl From<rusqlite::Error> for Undone {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sql(error)
    }
}

impl From<OfficeError> for Undone {
    fn from(refused: OfficeError) -> Self {
        Self::Refused(refused)
    }
}

/// Hashes can be guessed at, so other users of the machine do not read them.
fn only_for_its_owner(path: &Path) -> Result<(), OfficeError> {
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::Permissions::from_mode(0o600);
        let is_so = fs::metadata(path).is_ok_and(|about| about.permissions().mode() & 0o077 == 0);
        if !is_so {
            fs::set_permissions(path, mode)
                .map_err(|error| OfficeError::Folder { path: path.to_owned(), error })?;
        }
    }
    Ok(())
}

fn bring_up_to_date(connection: &mut Connection, path: &Path) -> Result<(), OfficeError> {
    let failed = |error: rusqlite::Error| OfficeError::told(path, &error);
    // Another process may be quicker, so all is read inside.
    let transaction =
        connection.transaction_with_behavior(TransactionBehavior::Immediate).map_err(failed)?;
    let number = |pragma| transaction.pragma_query_value(None, pragma, |row| row.get::<_, i64>(0));
    let found = number("user_version").map_err(failed)?;
    let id = number("application_id").map_err(failed)?;
    let tables: i64 = transaction
        .query_row("SELECT count(*) FROM sqlite_schema", [], |row| row.get(0))
        .map_err(failed)?;
    if id != APPLICATION_ID && (tables > 0 || found > 0) {
        return Err(OfficeError::Foreign { path: path.to_owned() });
    }
    if found > LATEST {
        return Err(OfficeError::Newer { path: path.to_owned(), found, known: LATEST });
    }
    if found == LATEST {
        return Ok(());
    }
    let done = usize::try_from(found).unwrap_or(0);
    for text in MIGRATIONS.iter().skip(done) {
        transaction.execute_batch(text).map_err(failed)?;
    }
    transaction
        .pragma_update(None, "application_id", APPLICATION_ID)
        .and_then(|()| transaction.pragma_update(None, "user_version", LATEST))
        .and_then(|()| transaction.commit())
        .map_err(failed)
}

fn time(seconds: i64) -> DateTime<Utc> {
    DateTime::from_timestamp(seconds, 0).unwrap_or_default()
}

/// A name as it is kept: without blanks around it, and of letters that can be seen.
///
/// # Errors
/// [`OfficeError::Name`] for an empty or long one, and one with control characters.
fn name(typed: &str) -> Result<&str, OfficeError> {
    let name = typed.trim();
    let length = name.chars().count();
    if (1..=64).contains(&length) && !name.chars().any(char::is_control) {
        return Ok(name);
    }
    Err(OfficeError::Name { length })
}
