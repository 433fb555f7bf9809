//! The audit of writes: a row before each write is done, and its status after.

use super::{Office, OfficeError, time};
use crate::store::sql::Row;
use chrono::{DateTime, Utc};
use rusqlite::params;
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};

/// How somebody proved who they are.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum How {
    /// By a password, once.
    Session,
    /// By a token.
    Token,
    /// By sitting at the machine itself, while no people are kept.
    Loopback,
    /// Not at all: a log-in is on its way.
    Nobody,
}

impl How {
    const ALL: [Self; 4] = [Self::Session, Self::Token, Self::Loopback, Self::Nobody];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Session => "session",
            Self::Token => "token",
            Self::Loopback => "loopback",
            Self::Nobody => "nobody",
        }
    }
}

impl ToSql for How {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.word().into())
    }
}

impl FromSql for How {
    fn column_result(value: ValueRef) -> FromSqlResult<Self> {
        let word = value.as_str()?;
        Self::ALL.into_iter().find(|how| how.word() == word).ok_or(FromSqlError::InvalidType)
    }
}

/// A write that was asked for.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Written {
    /// When.
    pub at: DateTime<Utc>,
    /// By whom.
    pub who: String,
    /// How they proved it.
    pub how: How,
    /// GET is no write; POST, PUT, PATCH, DELETE are.
    pub method: String,
    /// Where.
    pub path: String,
    /// To which grove; none for the service's own.
    pub grove: Option<String>,
    /// The name of the question in the log.
    pub request_id: Option<String>,
    /// Status of the answer; none where there was none.
    pub status: Option<u16>,
}

impl Office {
    /// Notes that a write is asked for; its number.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written: then nothing should be.
    pub fn write_asked(&self, asked: &Written) -> Result<i64, OfficeError> {
        self.note(|sql| {
            let new =
                "INSERT INTO audit (at_utc, who, how, method, path, grove, request_id, status)
                       VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) RETURNING audit_id";
            let Written { who, how, method, path, grove, request_id, status, .. } = asked;
            let at = asked.at.timestamp();
            let values = params![at, who, how, method, path, grove, request_id, status];
            Ok(sql.value(new, values)?)
        })
    }

    /// Notes what a write was answered.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be written.
    pub fn write_answered(&self, number: i64, status: u16) -> Result<(), OfficeError> {
        self.note(|sql| {
            let change = "UPDATE audit SET status = ?2 WHERE audit_id = ?1";
            sql.execute(change, params![number, status])?;
            Ok(())
        })
    }

    /// The last writes, the newest first.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn last_writes(&self, at_most: u32) -> Result<Vec<Written>, OfficeError> {
        self.read(|sql| {
            let last = "SELECT at_utc, who, how, method, path, grove, request_id, status
                        FROM audit ORDER BY audit_id DESC LIMIT ?1";
            sql.rows(last, params![at_most], |row: &Row| {
                Ok(Written {
                    at: time(row.get(0)?),
                    who: row.get(1)?,
                    how: row.get(2)?,
                    method: row.get(3)?,
                    path: row.get(4)?,
                    grove: row.get(5)?,
                    request_id: row.get(6)?,
                    status: row.get(7)?,
                })
            })
        })
    }
}
