//! Why the office cannot be used, or says no.

use super::{Role, told};
use crate::store::db::StoreError;
use crate::store::sql::SqlError;
use std::io;
use std::path::{Path, PathBuf};

/// Why the office cannot be read or written, or refuses. Nothing of a refused write is kept.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum OfficeError {
    #[error("{}: {error}", path.display())]
    Folder { path: PathBuf, error: io::Error },
    #[error(
        "{}: this is not the file in which the service keeps its people; move it away, or name \
         another --data folder",
        path.display()
    )]
    Foreign { path: PathBuf },
    #[error(
        "{}: its schema is {found}, and this program knows up to {known}: it was written by a \
         newer xylocast; update this one. Nothing was changed",
        path.display()
    )]
    Newer { path: PathBuf, found: i64, known: i64 },
    #[error(
        "{}: the file is damaged ({reason}). Keep a copy of it with its -wal and -shm files, then \
         put a backup in its place; without one, move it away and add the people again: groves are \
         files of their own, and stay",
        path.display()
    )]
    Damaged { path: PathBuf, reason: String },
    #[error(transparent)]
    Store(StoreError),
    #[error(
        "a name has 1 to 64 characters, none of them a line break or another control character, and begins with none of = + - @; this one has {length}"
    )]
    Name { length: usize },
    #[error("somebody is called '{name}' already: choose another name")]
    Taken { name: String },
    #[error("nobody is called '{name}'")]
    Nobody { name: String },
    #[error(
        "the first person must be a manager, since only managers add others; '{name}' would be a {role}"
    )]
    FirstIsManager { name: String, role: Role },
    #[error("'{name}' is the only manager: make somebody else a manager first")]
    LastManager { name: String },
    #[error("'{name}' is disabled: a token of theirs would open nothing")]
    Disabled { name: String },
    #[error("a token called '{name}' is in use already: choose another name, or revoke it first")]
    TokenTaken { name: String },
    #[error("there is no token called '{name}' in use")]
    NoToken { name: String },
    #[error("'{name}' is a {has}: a token cannot do more than its person, and {asked} is more")]
    TokenAbove { name: String, has: Role, asked: Role },
    #[error("a key has 1 to 255 characters; this one has {length}")]
    Key { length: usize },
    #[error("this key was sent before with something else: a new wish needs a new key")]
    OtherBody,
    #[error("the same is on its way already: wait for its answer")]
    OnItsWay,
    #[error("a grove is kept as '{grove}' already")]
    GroveTaken { grove: String },
}

impl OfficeError {
    /// An engine's error in plain words.
    pub(super) fn told(path: &Path, error: SqlError) -> Self {
        match told(path, error) {
            StoreError::NotADatabase { path } => Self::Foreign { path },
            StoreError::Damaged { path, reason } => Self::Damaged { path, reason },
            other => Self::Store(other),
        }
    }
}
