//! What was sent with an idempotency key: sent twice, it is done once and answered twice alike.

use super::{Office, OfficeError, SecretHash};
use chrono::{DateTime, Duration, Utc};
use rusqlite::{OptionalExtension, params};

/// Answers are kept for so many days: a phone that was without signal for longer sends entries whose
/// own keys the grove's journal knows for ever.
pub const KEPT_DAYS: i64 = 60;

/// Something sent.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sending<'s> {
    /// By whom: keys of different people are different; empty where no log-in is asked for.
    pub person: &'s str,
    /// The key that they gave it.
    pub key: &'s str,
    /// Method and path.
    pub at: &'s str,
    /// SHA-256 of its body.
    pub body: SecretHash,
}

/// The answer it had.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Sent {
    /// Its status.
    pub status: u16,
    /// Its media type.
    pub media_type: Option<String>,
    /// The address that it led to.
    pub location: Option<String>,
    /// Its body.
    pub answer: Vec<u8>,
}

impl Office {
    /// Takes something on: none where it is to be done now, else the answer that it had.
    ///
    /// # Errors
    /// [`OfficeError::OtherBody`] where the key went with something else, and
    /// [`OfficeError::OnItsWay`] where its twin is not answered yet.
    pub fn take_on(
        &self,
        sending: &Sending,
        now: DateTime<Utc>,
    ) -> Result<Option<Sent>, OfficeError> {
        let length = sending.key.chars().count();
        if !(1..=255).contains(&length) {
            return Err(OfficeError::Key { length });
        }
        self.write(|connection| {
            let old = (now - Duration::days(KEPT_DAYS)).timestamp();
            connection.prepare_cached("DELETE FROM sent WHERE sent_utc < ?1")?.execute([old])?;
            let mut asked = connection.prepare_cached(
                "SELECT \"at\", body_sha256, status, media_type, location, answer FROM sent
                 WHERE person = ?1 AND \"key\" = ?2",
            )?;
            let found = asked
                .query_row([sending.person, sending.key], |row| {
                    let same = row.get::<_, String>(0)? == sending.at
                        && row.get::<_, SecretHash>(1)? == sending.body;
                    let status = row.get::<_, Option<u16>>(2)?;
                    let (media_type, location) = (row.get(3)?, row.get(4)?);
                    let sent = status.zip(row.get::<_, Option<Vec<u8>>>(5)?);
                    let sent =
                        sent.map(|(status, answer)| Sent { status, media_type, location, answer });
                    Ok((same, sent))
                })
                .optional()?;
            match found {
                Some((false, _)) => Err(OfficeError::OtherBody.into()),
                Some((true, None)) => Err(OfficeError::OnItsWay.into()),
                Some((true, sent)) => Ok(sent),
                None => {
                    connection
                        .prepare_cached(
                            "INSERT INTO sent (person, \"key\", \"at\", body_sha256, sent_utc)
                             VALUES (?1, ?2, ?3, ?4, ?5)",
                        )?
                        .execute(params![
                            sending.person,
                            sending.key,
                            sending.at,
                            sending.body,
                            now.timestamp()
                        ])?;
                    Ok(None)
                }
            }
        })
    }

    /// Keeps the answer of something that was taken on.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn answered(&self, person: &str, key: &str, sent: &Sent) -> Result<(), OfficeError> {
        self.write(|connection| {
            let sql = "UPDATE sent SET status = ?3, media_type = ?4, location = ?5, answer = ?6
                       WHERE person = ?1 AND \"key\" = ?2 AND status IS NULL";
            let values =
                params![person, key, sent.status, sent.media_type, sent.location, sent.answer];
            connection.prepare_cached(sql)?.execute(values)?;
            Ok(())
        })
    }

    /// Forgets something that was taken on and could not be done, so that it may be sent again.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn not_done(&self, person: &str, key: &str) -> Result<(), OfficeError> {
        self.write(|connection| {
            let sql = "DELETE FROM sent WHERE person = ?1 AND \"key\" = ?2 AND status IS NULL";
            connection.execute(sql, [person, key])?;
            Ok(())
        })
    }

    /// Forgets all that has no answer: what was on its way when the service last ended. Sent again,
    /// it is done anew; entries of a journal carry keys of their own, and are noted once all the
    /// same. To be called once, before the service answers anybody.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn forget_unanswered(&self) -> Result<usize, OfficeError> {
        self.write(
            |connection| Ok(connection.execute("DELETE FROM sent WHERE status IS NULL", [])?),
        )
    }
}
