//! Why a database cannot be used, and what to do: the engines' codes in plain words.

use crate::store::sql::{AddressError, SqlError, postgres};
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
    #[error(
        "{}: the database server does not answer, or lets nobody in ({reason}). What it \
         acknowledged is kept; try again when it runs",
        path.display()
    )]
    Away { path: PathBuf, reason: String },
    #[error(
        "{}: the role that the service connects with is a superuser or passes over row security, \
         and groves would see one another; connect with a plain role that owns the database",
        path.display()
    )]
    TooMighty { path: PathBuf },
    #[error(
        "{}: the address names no grove; put grove=NAME behind it, after ? or &",
        path.display()
    )]
    NamesNoGrove { path: PathBuf },
    #[error(
        "{}: a grove at a server is copied by the server's own tools (pg_dump, or a standby), or \
         taken out as a folder with `xylocast export`",
        path.display()
    )]
    CopiedByItsServer { path: PathBuf },
    #[error(transparent)]
    Address(AddressError),
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

pub(in crate::store) fn no_address(error: AddressError) -> StoreError {
    StoreError::Address(error)
}

/// An engine's error in plain words.
pub(in crate::store) fn told(path: &Path, error: SqlError) -> StoreError {
    match error {
        SqlError::Sqlite(error) => of_file(path, &error),
        SqlError::Postgres(error) => of_server(path, &error),
        SqlError::NoConnection(reason) => StoreError::Away { path: path.to_owned(), reason },
    }
}

/// A server's error in plain words.
fn of_server(path: &Path, error: &tokio_postgres::Error) -> StoreError {
    let (path, reason) = (path.to_owned(), postgres::words(error));
    let Some(code) = error.code() else {
        return match postgres::barred(error) {
            Some(reason) => StoreError::Barred { reason },
            None => StoreError::Away { path, reason },
        };
    };
    match code.code() {
        // A lock not given in time, a deadlock, a state that another one changed.
        "55P03" | "40P01" | "40001" => StoreError::Busy { path, waited_s: BUSY_S },
        "53100" => StoreError::Full { path },
        "25006" => StoreError::ReadOnly { path },
        "XX001" | "XX002" => StoreError::Damaged { path, reason },
        // It starts, stops or is full; the role or the database is none.
        code if ["08", "28", "3D", "53", "57"].contains(&&code[..2]) => {
            StoreError::Away { path, reason }
        }
        _ => match postgres::barred(error) {
            Some(reason) => StoreError::Barred { reason },
            None => StoreError::Sql { path, reason },
        },
    }
}

/// SQLite's error in plain words.
pub(in crate::store) fn of_file(path: &Path, error: &rusqlite::Error) -> StoreError {
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
