//! Which groves the service keeps; each is a file of its own beside the office.

use super::{Office, OfficeError, time};
use crate::store::db::{StoreError, no_address, server};
use crate::store::folder::sync_folder;
use crate::store::sql::Address;
use chrono::{DateTime, Duration, Utc};
use rusqlite::params;
use std::fs;
use std::io::ErrorKind;
use std::path::{Path, PathBuf};

/// A grove that is kept.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct KeptGrove {
    /// Its name in addresses and of its file, `<grove>.db`: small letters, digits and hyphens.
    pub grove: String,
    /// Its name.
    pub name: String,
    /// Its clock minus the machine's; nought but for copies of the demo.
    pub clock_offset: Duration,
    /// When it was added.
    pub added: DateTime<Utc>,
}

impl Office {
    /// All groves, in the order in which they came.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn groves(&self) -> Result<Vec<KeptGrove>, OfficeError> {
        self.read(|sql| {
            let all = "SELECT grove, name, clock_offset_s, added_utc FROM groves
                       ORDER BY added_utc, grove";
            sql.rows(all, &[], |row| {
                Ok(KeptGrove {
                    grove: row.get(0)?,
                    name: row.get(1)?,
                    clock_offset: Duration::seconds(row.get(2)?),
                    added: time(row.get(3)?),
                })
            })
        })
    }

    /// Where a grove's own database is.
    pub fn grove_file(&self, grove: &str) -> PathBuf {
        if let Some(server) = self.server() {
            return server.of_grove(Some(grove)).typed();
        }
        self.path().with_file_name(format!("{grove}.db"))
    }

    /// Keeps a grove: a finished database anywhere on the same disk is put in its place.
    ///
    /// # Errors
    /// [`OfficeError::GroveTaken`] where one is kept under its name in addresses, or a file of that
    /// name is there; nothing is changed then.
    pub fn take_grove_in(&self, finished: &Path, kept: &KeptGrove) -> Result<(), OfficeError> {
        self.keep_grove(kept)?;
        if self.server().is_some() {
            return self.rename(finished, kept);
        }
        let file = self.grove_file(&kept.grove);
        // Unlike a rename, a link never takes the place of another file; not every disk has links.
        let put = fs::hard_link(finished, &file)
            .and_then(|()| fs::remove_file(finished))
            .or_else(|error| match file.exists() {
                true => Err(error),
                false => fs::rename(finished, &file),
            })
            .and_then(|()| sync_folder(&file));
        put.map_err(|error| {
            let undone = self.let_grove_go(&kept.grove);
            match (error.kind(), undone) {
                (_, Err(undone)) => undone,
                (ErrorKind::AlreadyExists, _) => {
                    OfficeError::GroveTaken { grove: kept.grove.clone() }
                }
                _ => OfficeError::Folder { path: file, error },
            }
        })
    }

    fn rename(&self, finished: &Path, kept: &KeptGrove) -> Result<(), OfficeError> {
        let renamed = Address::try_from(finished)
            .map_err(no_address)
            .and_then(|address| server::rename(&address, &kept.grove));
        renamed.map_err(|error| match (error, self.let_grove_go(&kept.grove)) {
            (_, Err(undone)) => undone,
            (StoreError::Barred { .. }, _) => OfficeError::GroveTaken { grove: kept.grove.clone() },
            (error, _) => OfficeError::Store(error),
        })
    }

    /// Keeps a grove whose file is in its place.
    ///
    /// # Errors
    /// [`OfficeError::GroveTaken`] where one is kept under its name in addresses.
    pub fn keep_grove(&self, kept: &KeptGrove) -> Result<(), OfficeError> {
        self.write(|sql| {
            let taken = "SELECT EXISTS (SELECT 1 FROM groves WHERE grove = ?1)";
            if sql.value(taken, params![kept.grove])? {
                return Err(OfficeError::GroveTaken { grove: kept.grove.clone() }.into());
            }
            sql.execute(
                "INSERT INTO groves (grove, name, clock_offset_s, added_utc)
                 VALUES (?1, ?2, ?3, ?4)",
                params![
                    kept.grove,
                    kept.name,
                    kept.clock_offset.num_seconds(),
                    kept.added.timestamp()
                ],
            )?;
            Ok(())
        })
    }

    /// Keeps a grove no longer; its file stays.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn let_grove_go(&self, grove: &str) -> Result<(), OfficeError> {
        self.write(|sql| {
            sql.execute("DELETE FROM groves WHERE grove = ?1", params![grove])?;
            Ok(())
        })
    }
}
