//! Sessions: who has logged in, and until when.

use super::people::{PERSON, person};
use super::{Office, OfficeError, Person, SecretHash, time};
use chrono::{DateTime, Duration, Utc};
use rusqlite::params;

/// That a session is in use is noted at most so often, s.
const NOTED_EVERY_S: i64 = 60;

/// How long a session lives.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Lives {
    /// At most, whatever is done.
    pub at_most: Duration,
    /// Where nothing is done.
    pub idle: Duration,
}

/// A session in use.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Session {
    /// Who has logged in.
    pub person: Person,
    /// When.
    pub created: DateTime<Utc>,
    /// When it ends at the latest.
    pub ends: DateTime<Utc>,
}

impl Office {
    /// Opens a session; those that have run out are taken away.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn open_session(
        &self,
        person: &Person,
        secret: &SecretHash,
        lives: Lives,
        now: DateTime<Utc>,
    ) -> Result<(), OfficeError> {
        let (at_most, idle) = (lives.at_most.num_seconds(), lives.idle.num_seconds());
        let now = now.timestamp();
        self.note(|sql| {
            let over = "DELETE FROM sessions WHERE ends_utc <= ?1 OR seen_utc + idle_s <= ?1";
            sql.execute(over, params![now])?;
            sql.execute(
                "INSERT INTO sessions
                     (secret_sha256, person_id, created_utc, seen_utc, ends_utc, idle_s)
                 VALUES (?1, ?2, ?3, ?3, ?4, ?5)",
                params![secret, person.id, now, now + at_most, idle],
            )?;
            Ok(())
        })
    }

    /// The session of a secret, if it lives and its person is let in; it is in use then.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read or written.
    pub fn session(
        &self,
        secret: &SecretHash,
        now: DateTime<Utc>,
    ) -> Result<Option<Session>, OfficeError> {
        let now = now.timestamp();
        let living = format!(
            "SELECT {PERSON}, session_id, created_utc, ends_utc, seen_utc
             FROM sessions JOIN people USING (person_id)
             WHERE secret_sha256 = ?1 AND NOT disabled
                 AND ends_utc > ?2 AND seen_utc + idle_s > ?2 AND created_utc <= ?2"
        );
        let found = self.read(|sql| {
            sql.first(&living, params![secret, now], |row| {
                let (created, ends) = (time(row.get(6)?), time(row.get(7)?));
                let session = Session { person: person(row)?, created, ends };
                Ok((session, row.get::<i64>(5)?, row.get::<i64>(8)?))
            })
        })?;
        let Some((session, id, seen)) = found else { return Ok(None) };
        if now - seen >= NOTED_EVERY_S {
            self.note(|sql| {
                let seen = "UPDATE sessions SET seen_utc = ?2 WHERE session_id = ?1";
                Ok(sql.execute(seen, params![id, now])?)
            })?;
        }
        Ok(Some(session))
    }

    /// Does the session of a secret live? To look is no use of it.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn session_lives(
        &self,
        secret: &SecretHash,
        now: DateTime<Utc>,
    ) -> Result<bool, OfficeError> {
        let living = "SELECT EXISTS (SELECT 1 FROM sessions JOIN people USING (person_id)
                      WHERE secret_sha256 = ?1 AND NOT disabled AND ends_utc > ?2
                          AND seen_utc + idle_s > ?2 AND created_utc <= ?2)";
        self.read(|sql| sql.value(living, params![secret, now.timestamp()]))
    }

    /// Ends a session; one that is none is no error.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn close_session(&self, secret: &SecretHash) -> Result<(), OfficeError> {
        self.note(|sql| {
            sql.execute("DELETE FROM sessions WHERE secret_sha256 = ?1", params![secret])?;
            Ok(())
        })
    }
}
