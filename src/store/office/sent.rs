//! What was sent with an idempotency key: sent twice, it is done once and answered twice alike.

use super::{Office, OfficeError, SecretHash};
use chrono::{DateTime, Duration, Utc};
use rusqlite::params;

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
        self.note(|sql| {
            let old = (now - Duration::days(KEPT_DAYS)).timestamp();
            sql.execute("DELETE FROM sent WHERE sent_utc < ?1", params![old])?;
            let abandoned = (now - self.on_its_way_at_most()).timestamp();
            let gone = "DELETE FROM sent
                        WHERE person = ?1 AND \"key\" = ?2 AND status IS NULL AND sent_utc < ?3";
            sql.execute(gone, params![sending.person, sending.key, abandoned])?;
            // Of twins one is put in; the other one finds it.
            let new = "INSERT INTO sent (person, \"key\", \"at\", body_sha256, sent_utc)
                       VALUES (?1, ?2, ?3, ?4, ?5) ON CONFLICT (person, \"key\") DO NOTHING";
            let Sending { person, key, at, body } = sending;
            if sql.execute(new, params![person, key, at, body, now.timestamp()])? > 0 {
                return Ok(None);
            }
            let found = sql.first(
                "SELECT \"at\", body_sha256, status, media_type, location, answer FROM sent
                 WHERE person = ?1 AND \"key\" = ?2",
                params![person, key],
                |row| {
                    let same = row.get::<String>(0)? == *at && row.get::<SecretHash>(1)? == *body;
                    let status = row.get::<Option<u16>>(2)?;
                    let (media_type, location) = (row.get(3)?, row.get(4)?);
                    let sent = status.zip(row.get::<Option<Vec<u8>>>(5)?);
                    let sent =
                        sent.map(|(status, answer)| Sent { status, media_type, location, answer });
                    Ok((same, sent))
                },
            )?;
            match found {
                Some((false, _)) => Err(OfficeError::OtherBody.into()),
                Some((true, Some(sent))) => Ok(Some(sent)),
                Some((true, None)) | None => Err(OfficeError::OnItsWay.into()),
            }
        })
    }

    /// Where several processes share an office, one that was killed leaves behind what it had taken
    /// on: after so long nobody is at it any more. A process alone forgets it when it starts.
    fn on_its_way_at_most(&self) -> Duration {
        match self.is_shared() {
            true => Duration::minutes(2),
            false => Duration::days(KEPT_DAYS),
        }
    }

    /// Keeps the answer of something that was taken on.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn answered(&self, person: &str, key: &str, sent: &Sent) -> Result<(), OfficeError> {
        self.note(|sql| {
            let change = "UPDATE sent SET status = ?3, media_type = ?4, location = ?5, answer = ?6
                       WHERE person = ?1 AND \"key\" = ?2 AND status IS NULL";
            let values =
                params![person, key, sent.status, sent.media_type, sent.location, sent.answer];
            sql.execute(change, values)?;
            Ok(())
        })
    }

    /// Forgets something that was taken on and could not be done, so that it may be sent again.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn not_done(&self, person: &str, key: &str) -> Result<(), OfficeError> {
        self.note(|sql| {
            let gone = "DELETE FROM sent WHERE person = ?1 AND \"key\" = ?2 AND status IS NULL";
            sql.execute(gone, params![person, key])?;
            Ok(())
        })
    }

    /// Forgets all that has no answer: what was on its way when the service last ended. Sent again,
    /// it is done anew; entries of a journal carry keys of their own, and are noted once all the
    /// same. To be called once, before the service answers anybody; where processes share the
    /// office, others may be at it, and nothing is forgotten.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn forget_unanswered(&self) -> Result<usize, OfficeError> {
        match self.is_shared() {
            true => Ok(0),
            false => {
                self.note(|sql| Ok(sql.execute("DELETE FROM sent WHERE status IS NULL", &[])?))
            }
        }
    }
}
