//! The service's own file, `office.db` in its data folder, or its own tables at a server: people, their sessions and tokens, the
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
mod tokens;

pub use audit::{How, Written};
pub use error::OfficeError;
pub use groves::KeptGrove;
pub use people::{Person, Role};
pub use sent::{KEPT_DAYS, Sending, Sent};
pub use sessions::{Lives, Session};
pub use tokens::Token;

use super::db::server::met;
use super::db::{BUSY_S, keep_a_log, no_address, told};
use super::sql::postgres::{Opening, Room, Transaction};
use super::sql::{self, Address, Sql, SqlError};
use crate::journal::check_text;
use chrono::{DateTime, Utc};
use deadpool_postgres::Pool;
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
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

/// An open office. In a file, threads of one process take turns and processes wait for each other;
/// at a server, what must not cross another one's write takes turns.
#[derive(Debug)]
pub struct Office {
    engine: Engine,
    path: PathBuf,
}

#[derive(Debug)]
enum Engine {
    Sqlite(Mutex<Connection>),
    Postgres(Address, Pool),
}

/// The number of the turn that writers of a server's office take: "xyof" in ASCII.
const TURN: i64 = APPLICATION_ID;

impl Office {
    /// Opens the office of a data folder, or of a database server at its address, which several
    /// processes may share; it is made where it is not there.
    ///
    /// # Errors
    /// [`OfficeError`] for a folder that cannot be made, a file that is not an office, newer,
    /// damaged, or held by another, and a server that does not answer.
    pub fn open(data: &Path) -> Result<Self, OfficeError> {
        if Address::is_one(data) {
            let address = Address::try_from(data).map_err(no_address);
            return Self::at_server(&address.map_err(OfficeError::Store)?);
        }
        fs::create_dir_all(data)
            .map_err(|error| OfficeError::Folder { path: data.to_owned(), error })?;
        let path = data.join(OFFICE);
        let failed = |error: rusqlite::Error| OfficeError::told(&path, error.into());
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
        let mut connection = Connection::open_with_flags(&path, flags).map_err(failed)?;
        only_for_its_owner(&path)?;
        connection.busy_timeout(Duration::from_secs(BUSY_S)).map_err(failed)?;
        connection.set_prepared_statement_cache_capacity(64);
        connection.pragma_update(None, "foreign_keys", true).map_err(failed)?;
        connection.pragma_update(None, "trusted_schema", false).map_err(failed)?;
        bring_up_to_date(&mut connection, &path)?;
        keep_a_log(&connection).map_err(failed)?;
        let sound: String =
            connection.pragma_query_value(None, "quick_check", |row| row.get(0)).map_err(failed)?;
        if sound != "ok" {
            return Err(OfficeError::Damaged { path, reason: sound });
        }
        Ok(Self { engine: Engine::Sqlite(Mutex::new(connection)), path })
    }

    fn at_server(address: &Address) -> Result<Self, OfficeError> {
        let pool = met(address, Room::Office).map_err(OfficeError::Store)?;
        let address = address.of_grove(None);
        let path = address.shown();
        Ok(Self { engine: Engine::Postgres(address, pool), path })
    }

    /// An office in memory, for a service without a data folder: it ends with the service.
    ///
    /// # Errors
    /// [`OfficeError`] where there is no memory for it.
    pub fn fleeting() -> Result<Self, OfficeError> {
        let path = PathBuf::from(OFFICE);
        let opened = Connection::open_in_memory();
        let mut connection = opened.map_err(|error| OfficeError::told(&path, error.into()))?;
        bring_up_to_date(&mut connection, &path)?;
        Ok(Self { engine: Engine::Sqlite(Mutex::new(connection)), path })
    }

    /// Where it is, as it may be shown.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The server that it is at; none of a file.
    pub fn server(&self) -> Option<&Address> {
        match &self.engine {
            Engine::Sqlite(_) => None,
            Engine::Postgres(address, _) => Some(address),
        }
    }

    /// Tries a statement behind the office and takes it back, for tests: does the database bar it?
    ///
    /// # Errors
    /// What the database says.
    pub fn tried(&self, statement: &str) -> Result<(), String> {
        let tried = self.write(|sql| {
            sql.execute(statement, &[])?;
            Err::<(), _>(OfficeError::OnItsWay.into())
        });
        match tried {
            Err(OfficeError::OnItsWay) | Ok(()) => Ok(()),
            Err(error) => Err(error.to_string()),
        }
    }

    /// May other processes be at it?
    fn is_shared(&self) -> bool {
        self.server().is_some()
    }

    fn told(&self, error: SqlError) -> OfficeError {
        OfficeError::told(&self.path, error)
    }

    /// Reads.
    fn read<T>(&self, work: impl FnOnce(&Sql) -> sql::Result<T>) -> Result<T, OfficeError> {
        match &self.engine {
            Engine::Sqlite(connection) => {
                let connection = connection.lock().unwrap_or_else(PoisonError::into_inner);
                work(&Sql::Sqlite(&connection))
            }
            Engine::Postgres(_, pool) => Transaction::begin(pool, Opening::default())
                .and_then(|session| work(&Sql::Postgres(&session))),
        }
        .map_err(|error| self.told(error))
    }

    /// Writes all or nothing, while nobody else writes.
    fn write<T>(&self, work: impl FnOnce(&Sql) -> Result<T, Undone>) -> Result<T, OfficeError> {
        self.written(Some(TURN), work)
    }

    /// Writes all or nothing what may cross others' writes.
    fn note<T>(&self, work: impl FnOnce(&Sql) -> Result<T, Undone>) -> Result<T, OfficeError> {
        self.written(None, work)
    }

    fn written<T>(
        &self,
        turn: Option<i64>,
        work: impl FnOnce(&Sql) -> Result<T, Undone>,
    ) -> Result<T, OfficeError> {
        let written = match &self.engine {
            Engine::Sqlite(connection) => {
                let mut connection = connection.lock().unwrap_or_else(PoisonError::into_inner);
                connection
                    .transaction_with_behavior(TransactionBehavior::Immediate)
                    .map_err(Undone::from)
                    .and_then(|transaction| {
                        let done = work(&Sql::Sqlite(&transaction))?;
                        transaction.commit()?;
                        Ok(done)
                    })
            }
            Engine::Postgres(_, pool) => {
                let opening = Opening { by: Some((String::new(), 0)), turn, grove: None };
                Transaction::begin(pool, opening).map_err(Undone::Sql).and_then(|session| {
                    let done = work(&Sql::Postgres(&session))?;
                    session.commit()?;
                    Ok(done)
                })
            }
        };
        written.map_err(|undone| match undone {
            Undone::Sql(error) => self.told(error),
            Undone::Refused(refused) => refused,
        })
    }
}

/// Why a write was taken back.
enum Undone {
    Sql(SqlError),
    Refused(OfficeError),
}

impl From<SqlError> for Undone {
    fn from(error: SqlError) -> Self {
        Self::Sql(error)
    }
}

impl From<rusqlite::Error> for Undone {
    fn from(error: rusqlite::Error) -> Self {
        Self::Sql(error.into())
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
    let failed = |error: rusqlite::Error| OfficeError::told(path, error.into());
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

/// A name as it is kept: without blanks around it, and one that the journal can say who it was by.
///
/// # Errors
/// [`OfficeError::Name`] for an empty or long one, and one that the journal refuses.
fn name(typed: &str) -> Result<&str, OfficeError> {
    let name = typed.trim();
    let length = name.chars().count();
    if (1..=64).contains(&length) && check_text("name", name).is_ok() {
        return Ok(name);
    }
    Err(OfficeError::Name { length })
}
