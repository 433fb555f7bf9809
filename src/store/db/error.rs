//! Why a database cannot be used, and what to do: SQLite's codes in plain words.

use crate::text::Refused;
use rusqlite::ErrorCode;
use std::io;
use std::path::{Path, PathBuf};

/// Why a database cannot be read or written. Nothing of a refused write is kept.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum StoreError {
    #[error("{}: there is no such database", path.display())]
    Missing { path: PathBuf },
    #[error("{}: this is not a SQLite database; name the grove's own file", path.display())]
    NotADatabase { path: PathBuf },
    #[error(
        "{}: this is a SQLite database of another program; name the grove's own file",
        path.display()
    )]
    NotOurs { path: PathBuf },
    #[error(
        "{}: its schema is {found}, and this program knows up to {known}: it was written by a \
         newer xylocast; update this one. Nothing was changed",
        path.display()
    )]
    Newer { path: PathBuf, found: i64, known: i64 },
    #[error(
        "{}: the database is damaged ({reason}). {REPAIR}",
        path.display()
    )]
    Damaged { path: PathBuf, reason: String },
    #[error(
        "{}: another program holds the database, and did not let go within {waited_s} s; try \
         again. Nothing was changed",
        path.display()
    )]
    Busy { path: PathBuf, waited_s: u64 },
    #[error(
        "{}: the file or its folder may only be read; allow writing to both (beside it stand its \
         -wal and -shm files). Nothing was changed",
        path.display()
    )]
    ReadOnly { path: PathBuf },
    #[error(
        "{}: there is no room left on the disk; make room and try again. Nothing was changed",
        path.display()
    )]
    Full { path: PathBuf },
    #[error("{}: the database cannot be opened ({reason})", path.display())]
    Closed { path: PathBuf, reason: String },
    #[error("{}: {error}", path.display())]
    File { path: PathBuf, error: io::Error },
    #[error("the database refuses the row: {reason}")]
    Barred { reason: String },
    #[error("{}: the database holds no grove yet; import one first", path.display())]
    NoGrove { path: PathBuf },
    #[error(
        "{}: it holds other things already; name a new folder",
        path.display()
    )]
    NotEmpty { path: PathBuf },
    #[error("{}: {reason}", path.display())]
    Sql { path: PathBuf, reason: String },
    #[error(transparent)]
    Refused(#[from] Refused),
    #[error(transparent)]
    Pulled(#[from] crate::store::pulled::PulledError),
}

/// What to do about a damaged database.
pub const REPAIR: &str = "Keep a copy of the file as it is with its -wal and -shm files, then put \
                          the newest backup in its place. Without a backup, `sqlite3 FILE \
                          \".recover\" | sqlite3 NEW` saves what can be read: check the new file \
                          before you use it";

/// Longest wait for another writer, s.
pub const BUSY_S: u64 = 10;

/// SQLite's error in plain words.
pub fn told(path: &Path, error: &rusqlite::Error) -> StoreError {
    let (path, reason) = (path.to_owned(), error.to_string());
    match error.sqlite_error_code() {
        Some(ErrorCode::NotADatabase) => StoreError::NotADatabase { path },
        Some(ErrorCode::DatabaseCorrupt) => StoreError::Damaged { path, reason },
        Some(ErrorCode::DatabaseBusy | ErrorCode::DatabaseLocked) => {
            StoreError::Busy { path, waited_s: BUSY_S }
        }
        Some(ErrorCode::ReadOnly | ErrorCode::PermissionDenied) => StoreError::ReadOnly { path },
        Some(ErrorCode::DiskFull) => StoreError::Full { path },
        Some(ErrorCode::CannotOpen) => StoreError::Closed { path, reason },
        Some(ErrorCode::ConstraintViolation) => StoreError::Barred { reason },
        _ => StoreError::Sql { path, reason },
    }
}
