//! A grove in one SQLite file. All SQL of the crate is in this room.
//!
//! Settings of every connection: write-ahead log, so that readers and one writer go side by side;
//! `synchronous=FULL`, so that what was acknowledged is on the disk; foreign keys on. Every write is
//! one IMMEDIATE transaction that says who acts, since the audit's triggers ask for a name.

mod error;
mod export;
mod import;
mod journal;
mod models;
mod pulled;
mod read;
mod schema;
mod sheets;
mod sound;
mod turn;
mod weather;

pub use error::{BUSY_S, REPAIR, StoreError};
pub(super) use export::{put_in_place, write_texts};
pub use import::{Counted, Imported, Progress};
pub use schema::{APPLICATION_ID, LATEST};
pub use sound::Soundness;

use chrono::{DateTime, Utc};
pub(super) use error::told;
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior, params};
use std::fs::{self, File};
use std::io::{ErrorKind, Read};
use std::path::{Path, PathBuf};
use std::time::Duration;

/// The grove of a file: one for now, so its number is always the same.
const GROVE: i64 = 1;

/// First bytes of every SQLite file.
const HEADER: &[u8; 16] = b"SQLite format 3\0";

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
    connection: Connection,
    path: PathBuf,
    /// Backup made before it was brought up to date.
    migrated: Option<PathBuf>,
}

/// Does a file look like a database: by its name, or by its first bytes?
pub fn is_database(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str());
    let named = matches!(ending, Some("db" | "sqlite" | "sqlite3"));
    !path.is_dir() && (named || has_header(path))
}

fn has_header(path: &Path) -> bool {
    let mut head = [0; HEADER.len()];
    let read = |mut file: File| file.read_exact(&mut head);
    path.is_file() && File::open(path).and_then(read).is_ok() && &head == HEADER
}

impl Database {
    /// Opens a database; an older one is brought up to date, after a backup beside it.
    ///
    /// # Errors
    /// [`StoreError`] for a file that is missing, not ours, newer, damaged, or held by another.
    pub fn open(path: &Path, now: DateTime<Utc>) -> Result<Self, StoreError> {
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
    /// As [`Database::open`], and where the file cannot be made.
    pub fn open_or_create(path: &Path, now: DateTime<Utc>) -> Result<Self, StoreError> {
        if path.is_dir() {
            return Err(StoreError::NotADatabase { path: path.to_owned() });
        }
        match Self::connected(path, now, false) {
            // A file written in WAL mode needs its neighbours, which cannot be made here. Without
            // a log there is nothing that they could add.
            Err(StoreError::Closed { .. } | StoreError::ReadOnly { .. }) if is_at_rest(path) => {
                Self::connected(path, now, true)
            }
            opened => opened,
        }
    }

    fn connected(path: &Path, now: DateTime<Utc>, immutable: bool) -> Result<Self, StoreError> {
        let told = |error: rusqlite::Error| told(path, &error);
        let mut connection = if immutable {
            let flags = OpenFlags::SQLITE_OPEN_READ_ONLY | OpenFlags::SQLITE_OPEN_URI;
            Connection::open_with_flags(immutable_uri(path), flags)
        } else {
            let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_CREATE;
            Connection::open_with_flags(path, flags)
        }
        .map_err(told)?;
        connection.busy_timeout(Duration::from_secs(BUSY_S)).map_err(told)?;
        connection.set_prepared_statement_cache_capacity(64);
        connection.pragma_update(None, "foreign_keys", true).map_err(told)?;
        connection.pragma_update(None, "trusted_schema", false).map_err(told)?;
        let migrated = schema::bring_up_to_date(&mut connection, path, now)?;
        if !connection.is_readonly("main").map_err(told)? {
            let mode = "journal_mode";
            connection.pragma_update_and_check(None, mode, "WAL", |_| Ok(())).map_err(told)?;
            connection.pragma_update(None, "synchronous", "FULL").map_err(told)?;
        }
        Ok(Self { connection, path: path.to_owned(), migrated })
    }

    /// Where it is.
    pub fn path(&self) -> &Path {
        &self.path
    }

    /// The backup that was made before this database was brought up to date; none where it was.
    pub fn migrated(&self) -> Option<&Path> {
        self.migrated.as_deref()
    }

    /// Its connection, for tests that look behind the store.
    pub fn connection(&self) -> &Connection {
        &self.connection
    }

    fn told(&self, error: &rusqlite::Error) -> StoreError {
        told(&self.path, error)
    }

    /// Writes all or nothing, in the name of somebody.
    fn write<T, E: From<StoreError>>(
        &mut self,
        by: By,
        work: impl FnOnce(&Transaction, &Path) -> Result<T, E>,
    ) -> Result<T, E> {
        let path = self.path.as_path();
        let told = |error: rusqlite::Error| told(path, &error);
        let _turn = turn::take();
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(told)?;
        let acting = "UPDATE acting SET who = ?1, at_utc = ?2";
        transaction.execute(acting, params![by.who, by.at.timestamp()]).map_err(told)?;
        let done = work(&transaction, path)?;
        transaction
            .execute("UPDATE acting SET who = NULL, at_utc = NULL", [])
            .and_then(|_| transaction.commit())
            .map_err(told)?;
        Ok(done)
    }

    /// Copies the database to a new file while others go on writing.
    ///
    /// # Errors
    /// [`StoreError`] where the file is there already or cannot be written.
    pub fn back_up(&self, to: &Path) -> Result<(), StoreError> {
        if to.exists() {
            let error = std::io::Error::new(
                ErrorKind::AlreadyExists,
                "this file is there already; name a new one",
            );
            return Err(StoreError::File { path: to.to_owned(), error });
        }
        copy(&self.connection, &self.path, to)
    }
}

/// No log stands beside the file.
fn is_at_rest(path: &Path) -> bool {
    let mut log = path.as_os_str().to_owned();
    log.push("-wal");
    path.is_file() && fs::metadata(log).map_or(true, |log| log.len() == 0)
}

fn immutable_uri(path: &Path) -> String {
    let mut uri = String::from("file:");
    for &byte in path.as_os_str().as_encoded_bytes() {
        match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'/' | b'-' | b'_' | b'.' => {
                uri.push(byte.into());
            }
            _ => uri.push_str(&format!("%{byte:02X}")),
        }
    }
    uri + "?immutable=1"
}

/// Copies an open database to a file, whole or not at all.
fn copy(from: &Connection, path: &Path, to: &Path) -> Result<(), StoreError> {
    let mut unfinished = to.as_os_str().to_owned();
    unfinished.push(".part");
    let unfinished = PathBuf::from(unfinished);
    let _ = fs::remove_file(&unfinished);
    let copied = copy_pages(from, &unfinished).map_err(|error| match told(to, &error) {
        StoreError::Damaged { reason, .. } => StoreError::Damaged { path: path.to_owned(), reason },
        other => other,
    });
    let failed = |error| StoreError::File { path: to.to_owned(), error };
    let finished = copied.and_then(|()| {
        let synced = File::open(&unfinished).and_then(|file| file.sync_all());
        synced.and_then(|()| fs::rename(&unfinished, to)).map_err(failed)?;
        super::folder::sync_folder(to).map_err(failed)
    });
    if finished.is_err() {
        let _ = fs::remove_file(&unfinished);
    }
    finished
}

/// In one step, which holds off writers' checkpoints but not writers: what is copied is one state.
fn copy_pages(from: &Connection, to: &Path) -> rusqlite::Result<()> {
    let mut target = Connection::open(to)?;
    {
        let backup = Backup::new(from, &mut target)?;
        while matches!(backup.step(-1)?, StepResult::Busy | StepResult::Locked) {
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    // The copy is a file of its own, with no log beside it.
    target.pragma_update_and_check(None, "journal_mode", "DELETE", |_| Ok(()))?;
    target.close().map_err(|(_, error)| error)
}
