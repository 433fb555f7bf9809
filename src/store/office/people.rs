//! People: who may do what.

use super::{Office, OfficeError, Undone, name, time};
use crate::store::sql::{self, Row, Sql};
use chrono::{DateTime, Utc};
use rusqlite::params;
use rusqlite::types::{FromSql, FromSqlError, FromSqlResult, ToSql, ToSqlOutput, ValueRef};
use serde::{Deserialize, Serialize};
use std::fmt;
use std::str::FromStr;

/// What people may do; each may do what those before it may.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Reads.
    Reader,
    /// Logs readings too.
    Crew,
    /// Changes groves, models and people too.
    Manager,
}

impl Role {
    /// All of them, the least first.
    pub const ALL: [Self; 3] = [Self::Reader, Self::Crew, Self::Manager];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Reader => "reader",
            Self::Crew => "crew",
            Self::Manager => "manager",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// Not a role.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("'{0}' is no role: reader, crew or manager")]
pub struct NoRole(pub String);

impl FromStr for Role {
    type Err = NoRole;

    fn from_str(word: &str) -> Result<Self, NoRole> {
        let role = Self::ALL.into_iter().find(|role| role.word() == word);
        role.ok_or_else(|| NoRole(word.to_owned()))
    }
}

impl FromSql for Role {
    fn column_result(value: ValueRef) -> FromSqlResult<Self> {
        value.as_str()?.parse().map_err(|error| FromSqlError::Other(Box::new(error)))
    }
}

impl ToSql for Role {
    fn to_sql(&self) -> rusqlite::Result<ToSqlOutput<'_>> {
        Ok(self.word().into())
    }
}

/// One of the people.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Person {
    /// Their number here.
    pub id: i64,
    /// Their name.
    pub name: String,
    /// What they may do.
    pub role: Role,
    /// May they no longer log in?
    pub disabled: bool,
    /// When they were added.
    pub added: DateTime<Utc>,
}

/// Columns of `people` that make a [`Person`].
pub(super) const PERSON: &str =
    "people.person_id, people.name, people.role, people.disabled, people.added_utc";

pub(super) fn person(row: &Row) -> sql::Result<Person> {
    Ok(Person {
        id: row.get(0)?,
        name: row.get(1)?,
        role: row.get(2)?,
        disabled: row.get(3)?,
        added: time(row.get(4)?),
    })
}

/// Who is called so.
pub(super) fn called(sql: &Sql, typed: &str) -> Result<Person, Undone> {
    let named = format!("SELECT {PERSON} FROM people WHERE name = ?1");
    let found = sql.first(&named, params![typed.trim()], person)?;
    let nobody = || OfficeError::Nobody { name: typed.trim().to_owned() };
    Ok(found.ok_or_else(nobody)?)
}

/// Without a manager nobody could add another one.
fn keeps_a_manager(sql: &Sql, name: &str) -> Result<(), Undone> {
    let managers = "SELECT count(*) FROM people WHERE role = 'manager' AND NOT disabled";
    match sql.value::<i64>(managers, &[])? {
        0 => Err(OfficeError::LastManager { name: name.to_owned() }.into()),
        _ => Ok(()),
    }
}

/// Ends all sessions of somebody.
fn end_sessions(sql: &Sql, id: i64) -> sql::Result<()> {
    sql.execute("DELETE FROM sessions WHERE person_id = ?1", params![id]).map(|_| ())
}

impl Office {
    /// Is anybody here? Without people, no log-in is asked for.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn has_people(&self) -> Result<bool, OfficeError> {
        self.read(|sql| sql.value("SELECT EXISTS (SELECT 1 FROM people)", &[]))
    }

    /// All people, by name.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn people(&self) -> Result<Vec<Person>, OfficeError> {
        let all = format!("SELECT {PERSON} FROM people ORDER BY name");
        self.read(|sql| sql.rows(&all, &[], person))
    }

    /// Somebody with the hash of their password; none where nobody is called so.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn with_password(&self, typed: &str) -> Result<Option<(Person, String)>, OfficeError> {
        let named = format!("SELECT {PERSON}, password_hash FROM people WHERE name = ?1");
        self.read(|sql| {
            sql.first(&named, params![typed.trim()], |row| Ok((person(row)?, row.get(5)?)))
        })
    }

    /// Adds somebody. The first one must be a manager.
    ///
    /// # Errors
    /// [`OfficeError`] for a name that is none or taken, and a first person who is no manager.
    pub fn add_person(
        &self,
        typed: &str,
        role: Role,
        password_hash: &str,
        now: DateTime<Utc>,
    ) -> Result<Person, OfficeError> {
        let name = name(typed)?;
        self.write(|sql| {
            let taken = "SELECT EXISTS (SELECT 1 FROM people WHERE name = ?1)";
            if sql.value(taken, params![name])? {
                return Err(OfficeError::Taken { name: name.to_owned() }.into());
            }
            let first = "SELECT NOT EXISTS (SELECT 1 FROM people)";
            if role != Role::Manager && sql.value(first, &[])? {
                return Err(OfficeError::FirstIsManager { name: name.to_owned(), role }.into());
            }
            sql.execute(
                "INSERT INTO people (name, role, password_hash, added_utc) VALUES (?1, ?2, ?3, ?4)",
                params![name, role, password_hash, now.timestamp()],
            )?;
            called(sql, name)
        })
    }

    /// Gives somebody another role.
    ///
    /// # Errors
    /// [`OfficeError`] where nobody is called so, or no manager would be left.
    pub fn change_role(&self, typed: &str, role: Role) -> Result<(), OfficeError> {
        self.write(|sql| {
            let person = called(sql, typed)?;
            let change = "UPDATE people SET role = ?2 WHERE person_id = ?1";
            sql.execute(change, params![person.id, role])?;
            keeps_a_manager(sql, &person.name)
        })
    }

    /// Lets somebody in no longer, or again. Their sessions end at once.
    ///
    /// # Errors
    /// [`OfficeError`] where nobody is called so, or no manager would be left.
    pub fn disable(&self, typed: &str, disabled: bool) -> Result<(), OfficeError> {
        self.write(|sql| {
            let person = called(sql, typed)?;
            let change = "UPDATE people SET disabled = ?2 WHERE person_id = ?1";
            sql.execute(change, params![person.id, disabled])?;
            end_sessions(sql, person.id)?;
            keeps_a_manager(sql, &person.name)
        })
    }

    /// Gives somebody another password. Their sessions end at once.
    ///
    /// # Errors
    /// [`OfficeError`] where nobody is called so.
    pub fn change_password(&self, typed: &str, password_hash: &str) -> Result<(), OfficeError> {
        self.write(|sql| {
            let person = called(sql, typed)?;
            let change = "UPDATE people SET password_hash = ?2 WHERE person_id = ?1";
            sql.execute(change, params![person.id, password_hash])?;
            Ok(end_sessions(sql, person.id)?)
        })
    }
}
