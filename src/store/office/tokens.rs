//! Tokens of programs: each acts for a person, with no more than that person's role.

use super::people::{PERSON, called, person};
use super::{Office, OfficeError, Person, Role, SecretHash, name, time};
use chrono::{DateTime, Utc};
use rusqlite::params;

/// That a token is in use is noted at most so often, s.
const NOTED_EVERY_S: i64 = 60;

/// A token, without its secret.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Token {
    /// What it is called.
    pub name: String,
    /// What it may do, at most.
    pub role: Role,
    /// For whom it acts.
    pub person: String,
    /// When it was made.
    pub created: DateTime<Utc>,
    /// When it was taken back, where it was.
    pub revoked: Option<DateTime<Utc>>,
    /// When it was last used, to a minute.
    pub used: Option<DateTime<Utc>>,
}

impl Office {
    /// Makes a token for somebody.
    ///
    /// # Errors
    /// [`OfficeError`] for a name that is none or taken, a person who is none or disabled, and a
    /// role above the person's.
    pub fn add_token(
        &self,
        typed: &str,
        role: Role,
        of: &str,
        secret: &SecretHash,
        now: DateTime<Utc>,
    ) -> Result<(), OfficeError> {
        let name = name(typed)?;
        self.write(|sql| {
            let Person { id, name: of, role: has, disabled, .. } = called(sql, of)?;
            if disabled {
                return Err(OfficeError::Disabled { name: of }.into());
            }
            if role > has {
                return Err(OfficeError::TokenAbove { name: of, has, asked: role }.into());
            }
            let taken = "SELECT EXISTS (SELECT 1 FROM tokens
                         WHERE name = ?1 COLLATE NOCASE AND revoked_utc IS NULL)";
            if sql.value(taken, params![name])? {
                return Err(OfficeError::TokenTaken { name: name.to_owned() }.into());
            }
            sql.execute(
                "INSERT INTO tokens (name, role, person_id, secret_sha256, created_utc)
                 VALUES (?1, ?2, ?3, ?4, ?5)",
                params![name, role, id, secret, now.timestamp()],
            )?;
            Ok(())
        })
    }

    /// All tokens, those in use first.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn tokens(&self) -> Result<Vec<Token>, OfficeError> {
        self.read(|sql| {
            let all =
                "SELECT tokens.name, tokens.role, people.name, created_utc, revoked_utc, used_utc
                 FROM tokens JOIN people USING (person_id)
                 ORDER BY revoked_utc IS NOT NULL, tokens.name COLLATE NOCASE, token_id";
            sql.rows(all, &[], |row| {
                Ok(Token {
                    name: row.get(0)?,
                    role: row.get(1)?,
                    person: row.get(2)?,
                    created: time(row.get(3)?),
                    revoked: row.get::<Option<i64>>(4)?.map(time),
                    used: row.get::<Option<i64>>(5)?.map(time),
                })
            })
        })
    }

    /// Takes a token back, at once and for good.
    ///
    /// # Errors
    /// [`OfficeError`] where none in use is called so.
    pub fn revoke_token(&self, typed: &str, now: DateTime<Utc>) -> Result<(), OfficeError> {
        let name = typed.trim();
        self.write(|sql| {
            let back = "UPDATE tokens SET revoked_utc = ?2
                        WHERE name = ?1 COLLATE NOCASE AND revoked_utc IS NULL";
            match sql.execute(back, params![name, now.timestamp()])? {
                0 => Err(OfficeError::NoToken { name: name.to_owned() }.into()),
                _ => Ok(()),
            }
        })
    }

    /// Does the token of a secret open anything? To look is no use of it.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read.
    pub fn token_lives(&self, secret: &SecretHash) -> Result<bool, OfficeError> {
        let in_use = "SELECT EXISTS (SELECT 1 FROM tokens JOIN people USING (person_id)
                      WHERE secret_sha256 = ?1 AND revoked_utc IS NULL AND NOT disabled)";
        self.read(|sql| sql.value(in_use, params![secret]))
    }

    /// For whom a token acts and with which role, if it is in use and its person is let in.
    ///
    /// # Errors
    /// [`OfficeError`] where the file cannot be read or written.
    pub fn token(
        &self,
        secret: &SecretHash,
        now: DateTime<Utc>,
    ) -> Result<Option<(Person, Role)>, OfficeError> {
        let now = now.timestamp();
        let in_use = format!(
            "SELECT {PERSON}, token_id, tokens.role, used_utc
             FROM tokens JOIN people USING (person_id)
             WHERE secret_sha256 = ?1 AND revoked_utc IS NULL AND NOT disabled"
        );
        let found = self.read(|sql| {
            sql.first(&in_use, params![secret], |row| {
                let used = row.get::<Option<i64>>(7)?;
                Ok((person(row)?, row.get::<i64>(5)?, row.get::<Role>(6)?, used))
            })
        })?;
        let Some((person, id, role, used)) = found else { return Ok(None) };
        if used.is_none_or(|used| now - used >= NOTED_EVERY_S) {
            self.note(|sql| {
                let used = "UPDATE tokens SET used_utc = ?2 WHERE token_id = ?1";
                Ok(sql.execute(used, params![id, now])?)
            })?;
        }
        let role = role.min(person.role);
        Ok(Some((person, role)))
    }
}
