//! A grove's own SQLite file: opened, told from other files, copied.
//!
//! Settings of every connection: write-ahead log, so that readers and one writer go side by side;
//! `synchronous=FULL`, so that what was acknowledged is on the disk; foreign keys on. Every write
//! is one IMMEDIATE transaction.

use super::error::StoreError;
use super::error::of_file as told;
use super::{BUSY_S, schema};
use crate::store::folder::sync_folder;
use chrono::{DateTime, Utc};
use rusqlite::backup::{Backup, StepResult};
use rusqlite::{Connection, ErrorCode, OpenFlags};
use std::fs::{self, File};
use std::io::Read;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// First bytes of every SQLite file.
const HEADER: &[u8; 16] = b"SQLite format 3\0";

/// Does a file look like a database: by its name, or by its first bytes?
pub(super) fn is_database(path: &Path) -> bool {
    let ending = path.extension().and_then(|ending| ending.to_str());
    let named = matches!(ending, Some("db" | "sqlite" | "sqlite3"));
    !path.is_dir() && (named || has_header(path))
}

fn has_header(path: &Path) -> bool {
    let mut head = [0; HEADER.len()];
    let read = |mut file: File| file.read_exact(&mut head);
    path.is_file() && File::open(path).and_then(read).is_ok() && &head == HEADER
}

/// A connection, with the path of the backup where the file was brought up to date.
type Opened = (Connection, Option<PathBuf>);

/// Opens a file, made where there is none.
pub(super) fn opened(path: &Path, now: DateTime<Utc>) -> Result<Opened, StoreError> {
    if path.is_dir() {
        return Err(StoreError::NotADatabase { path: path.to_owned() });
    }
    match connected(path, now, false) {
        // A file written in WAL mode needs its neighbours, which cannot be made here. Without
        // a log there is nothing that they could add.
        Err(StoreError::Closed { .. } | StoreError::ReadOnly { .. }) if is_at_rest(path) => {
            connected(path, now, true)
        }
        opened => opened,
    }
}

fn connected(path: &Path, now: DateTime<Utc>, immutable: bool) -> Result<Opened, StoreError> {
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
        keep_a_log(&connection).map_err(told)?;
    }
    Ok((connection, migrated))
}

/// Writes through a log that is on the disk before anything is acknowledged. While another process
/// turns to the log SQLite answers at once that the file is busy, whatever its time to wait.
pub(in crate::store) fn keep_a_log(connection: &Connection) -> rusqlite::Result<()> {
    let until = Instant::now() + Duration::from_secs(BUSY_S);
    loop {
        let turned = connection.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()));
        match turned {
            Err(error)
                if error.sqlite_error_code() == Some(ErrorCode::DatabaseBusy)
                    && Instant::now() < until =>
            {
                std::thread::sleep(Duration::from_millis(20));
            }
            other => break other?,
        }
    }
    connection.pragma_update(None, "synchronous", "FULL")
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
pub(super) fn copy(from: &Connection, path: &Path, to: &Path) -> Result<(), StoreError> {
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
        sync_folder(to).map_err(failed)
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
