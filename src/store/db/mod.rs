//! A grove in a database: one SQLite file of its own, or one of many groves at a PostgreSQL server.
//! SQL of the crate stands in this room and in `office`, and what both engines are asked is written
//! once.
//!
//! Every write is one transaction that says who acts, since the audit's triggers ask for a name;
//! what was acknowledged is on the disk. Writers of one grove take turns.

mod error;
mod export;
mod file;
mod import;
pub mod jobs;
mod journal;
mod models;
mod pulled;
mod read;
mod schema;
pub(super) mod server;
mod sheets;
mod sound;
mod turn;
mod watch;
mod weather;

pub use error::{BUSY_S, REPAIR, StoreError};
pub(super) use export::{put_in_place, write_texts};
pub use import::{Counted, Imported, Progress};
pub use schema::{APPLICATION_ID, LATEST};
pub use sound::Soundness;

use super::sql::{self, Address, Sql, SqlError};
use chrono::{DateTime, Utc};
pub(super) use error::{no_address, told};
pub(super) use file::keep_a_log;
use read::ReadError;
use rusqlite::types::Value;
use rusqlite::{Connection, TransactionBehavior, params};
use server::AtServer;
pub use server::{forget_empty, groves_at, version};
use std::fs;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};
pub use watch::watch;

/// Who writes, and when.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct By<'b> {
    /// Their name, as the audit keeps it.
    pub who: &'b str,
    /// The clock's time.
    pub at: DateTime<Utc>,
}

/// An open database.
#[derive(Debug)]
pub struct Database {
    engine: Engine,
    /// Where it is, as it may be shown.
    path: PathBuf,
    /// Backup made before it was brought up to date.
    migrated: Option<PathBuf>,
}

#[derive(Debug)]
enum Engine {
    Sqlite(Connection),
    Postgres(AtServer),
}

/// Does a path name a database: a server by its address, a file by its name or its first bytes?
pub fn is_database(path: &Path) -> bool {
    Address::is_one(path) || file::is_database(path)
}

/// A place as it may be shown: an address without its password.
pub fn shown(path: &Path) -> PathBuf {
    match Address::is_one(path) {
        true => Address::try_from(path).map_or_else(|_| "postgres://".into(), |at| at.shown()),
        false => path.to_owned(),
    }
}

impl Database {
    /// Opens a database; an older one is brought up to date, a file after a backup beside it.
    ///
    /// # Errors
    /// [`StoreError`] for one that is missing, not ours, newer, damaged, held by another, or at a
    /// server that does not answer.
    pub fn open(path: &Path, now: DateTime<Utc>) -> Result<Self, StoreError> {
        if Address::is_one(path) {
            return Self::at_server(path, false);
        }
        match fs::metadata(path) {
            Ok(_) => Self::open_or_create(path, now),
            Err(error) if error.kind() == ErrorKind::NotFound => {
                Err(StoreError::Missing { path: path.to_owned() })
            }
            Err(error) => Err(StoreError::File { path: path.to_owned(), error }),
        }
    }

    /// Opens a database, made where there is none.
    ///
    /// # Errors
    /// As [`Database::open`], and where it cannot be made.
    pub fn open_or_create(path: &Path, now: DateTime<Utc>) -> Result<Self, StoreError> {
        if Address::is_one(path) {
            return Self::at_server(path, true);
        }
        let (connection, migrated) = file::opened(path, now)?;
        Ok(Self { engine: Engine::Sqlite(connection), path: path.to_owned(), migrated })
    }

    fn at_server(path: &Path, make: bool) -> Result<Self, StoreError> {
        let address = Address::try_from(path).map_err(no_address)?;
        let path = address.shown();
        let engine = Engine::Postgres(AtServer::open(&address, make)?);
        Ok(Self { engine, path, migrated: None })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The backup that was made before this database was brought up to date; none where it was.
    pub fn migrated(&self) -> Option<&Path> {
        self.migrated.as_deref()
    }

    /// The connection to its file, for tests that look behind the store; none to a server.
    pub fn connection(&self) -> Option<&Connection> {
        match &self.engine {
            Engine::Sqlite(connection) => Some(connection),
            Engine::Postgres(_) => None,
        }
    }

    fn told(&self, error: SqlError) -> StoreError {
        told(&self.path, error)
    }

    /// Writes all or nothing, in the name of somebody.
    fn write<T, E: From<StoreError>>(
        &mut self,
        by: By,
        work: impl FnOnce(&Sql, &Path) -> Result<T, E>,
    ) -> Result<T, E> {
        let path = self.path.as_path();
        match &mut self.engine {
            Engine::Postgres(server) => {
                let session = server.write(by).map_err(|error| told(path, error))?;
                let done = work(&Sql::Postgres(&session), path)?;
                session.commit().map_err(|error| told(path, error))?;
                Ok(done)
            }
            Engine::Sqlite(connection) => {
                let told = |error: rusqlite::Error| told(path, error.into());
                let _turn = turn::take();
                let transaction = connection
                    .transaction_with_behavior(TransactionBehavior::Immediate)
                    .map_err(told)?;
                let acting = "UPDATE acting SET who = ?1, at_utc = ?2";
                transaction.execute(acting, params![by.who, by.at.timestamp()]).map_err(told)?;
                let done = work(&Sql::Sqlite(&transaction), path)?;
                transaction
                    .execute("UPDATE acting SET who = NULL, at_utc = NULL", [])
                    .and_then(|_| transaction.commit())
                    .map_err(told)?;
                Ok(done)
            }
        }
    }

    /// Reads of one state of the database, whatever others write meanwhile.
    fn reading<T>(&self, read: impl FnOnce(&Sql) -> Result<T, ReadError>) -> Result<T, StoreError> {
        match &self.engine {
            Engine::Sqlite(connection) => {
                let transaction = connection.unchecked_transaction();
                let transaction = transaction.map_err(|error| self.told(error.into()))?;
                read(&Sql::Sqlite(&transaction)).map_err(|error| error.at(&self.path))
            }
            Engine::Postgres(server) => {
                let session = server.read().map_err(|error| self.told(error))?;
                read(&Sql::Postgres(&session)).map_err(|error| error.at(&self.path))
            }
        }
    }

    /// What a question gives, row by row, for tests that look behind the store.
    ///
    /// # Errors
    /// [`StoreError`] where the database refuses it.
    pub fn look(&self, question: &str) -> Result<Vec<Vec<Value>>, StoreError> {
        self.reading(|sql| Ok(sql::look(sql, question)?))
    }

    /// Tries statements behind the store, in the name of somebody or of nobody, and takes them
    /// back: does the database itself bar them? Gives the newest change of the audit, for tests.
    ///
    /// # Errors
    /// What the database says.
    pub fn tried(&self, who: Option<&str>, statements: &str) -> Result<Vec<Vec<Value>>, String> {
        let newest = "SELECT who, at_utc, what, table_name, before, after FROM audit
                      ORDER BY audit_id DESC LIMIT 1";
        let told = |error: SqlError| error.to_string();
        match &self.engine {
            Engine::Sqlite(connection) => {
                let acting = "UPDATE acting SET who = ?1, at_utc = 77";
                let tried = connection
                    .execute_batch("BEGIN")
                    .and_then(|()| connection.execute(acting, [who]))
                    .and_then(|_| connection.execute_batch(statements))
                    .map_err(|error| error.to_string())
                    .and_then(|()| sql::look(&Sql::Sqlite(connection), newest).map_err(told));
                connection.execute_batch("ROLLBACK").map_err(|error| error.to_string())?;
                tried
            }
            Engine::Postgres(server) => {
                let at = DateTime::from_timestamp(77, 0).unwrap_or_default();
                let by = By { who: who.unwrap_or_default(), at };
                let session = server.write(by).map_err(told)?;
                session.batch(statements).map_err(told)?;
                sql::look(&Sql::Postgres(&session), newest).map_err(told)
            }
        }
    }

    /// Copies the database to a new file while others go on writing.
    ///
    /// # Errors
    /// [`StoreError`] where the file is there already or cannot be written, and for a grove at a
    /// server, whose own tools copy it.
    pub fn back_up(&self, to: &Path) -> Result<(), StoreError> {
        let Engine::Sqlite(connection) = &self.engine else {
            return Err(StoreError::CopiedByItsServer { path: self.path.clone() });
        };
        if to.exists() {
            let error = io::Error::new(
                ErrorKind::AlreadyExists,
                "this file is there already; name a new one",
            );
            return Err(StoreError::File { path: to.to_owned(), error });
        }
        file::copy(connection, &self.path, to)
    }
}
