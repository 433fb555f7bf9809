//! Work that several processes share at a server: each takes what is due, for a while, under
//! `FOR UPDATE SKIP LOCKED`; nobody leads. What a job brought is stored in the transaction that
//! ends it, so that it is done once however often processes are killed.
//!
//! Times are the server's, since the processes' clocks need not agree.

use super::error::{StoreError, told};
use super::pulled::{keep_forecast, keep_observed};
use super::server::{AtServer, count_change, met};
use super::{By, models};
use crate::store::pulled::PulledHour;
use crate::store::sql::postgres::{Opening, Room, Transaction};
use crate::store::sql::{Address, Result as SqlResult, Sql};
use crate::uptake::model::ModelFile;
use chrono::{DateTime, Utc};
use rusqlite::params;
use std::result::Result;
use std::time::Duration;

/// Most groves that share one answer: what is stored at once stays small.
const MOST_TOGETHER: i64 = 50;

/// The server's clock in whole seconds.
const NOW: &str = "CAST(extract(epoch FROM clock_timestamp()) AS BIGINT)";

/// Work that this process has taken.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Claim {
    /// The cell of a pull, the grove of a refit.
    pub key: String,
    /// The groves that it is for.
    pub groves: Vec<String>,
    /// Times that it was begun since it was done last, this one with them.
    pub attempts: i64,
    kind: &'static str,
    holder: String,
}

/// What came for one grove.
#[derive(Debug, Clone)]
pub struct Came {
    /// Its name in addresses.
    pub grove: String,
    /// Observed hours.
    pub observed: Vec<PulledHour>,
    /// Hours ahead, by member.
    pub ahead: Vec<Vec<PulledHour>>,
    /// When the service gave them.
    pub issued_at: DateTime<Utc>,
    /// The service.
    pub source: String,
}

/// A writing transaction of no grove.
fn begun(address: &Address) -> Result<Transaction, StoreError> {
    let pool = met(address, Room::Groves)?;
    let opening = Opening { by: Some((String::new(), 0)), ..Opening::default() };
    Transaction::begin(&pool, opening).map_err(|error| told(&address.shown(), error))
}

/// Does something in one transaction of no grove.
fn done<T>(address: &Address, work: impl FnOnce(&Sql) -> SqlResult<T>) -> Result<T, StoreError> {
    let session = begun(address)?;
    let failed = |error| told(&address.shown(), error);
    let done = work(&Sql::Postgres(&session)).map_err(failed)?;
    session.commit().map_err(failed)?;
    Ok(done)
}

/// Groves whose cell nobody has looked up yet, a few of them.
///
/// # Errors
/// [`StoreError`] where the server does not answer.
pub fn without_cell(address: &Address) -> Result<Vec<String>, StoreError> {
    let some = "SELECT slug FROM homes WHERE cell IS NULL AND slug NOT LIKE 'unfinished-%'
                ORDER BY random() LIMIT 100";
    done(address, |sql| sql.rows(some, &[], |row| row.get(0)))
}

/// Puts a grove into the cell of its place, and makes its weather due now.
///
/// # Errors
/// [`StoreError`] where the server does not answer.
pub fn put_in_cell(address: &Address, grove: &str, place: &str) -> Result<(), StoreError> {
    done(address, |sql| {
        // One at a time fills the cells of a place.
        let turn = "SELECT 1 FROM (SELECT pg_advisory_xact_lock(hashtextextended(?1, 0))) AS turn";
        sql.first(turn, params![place], |_| Ok(()))?;
        let settled = "SELECT count(*) FROM homes WHERE slug = ?1 AND cell LIKE ?2 || ' #%'";
        if sql.value::<i64>(settled, params![grove, place])? > 0 {
            return Ok(());
        }
        let with_room = "SELECT cell FROM homes WHERE cell LIKE ?1 || ' #%'
                         GROUP BY cell HAVING count(*) < ?2 ORDER BY cell LIMIT 1";
        let found = sql.first(with_room, params![place, MOST_TOGETHER], |row| row.get(0))?;
        let cells = "SELECT count(DISTINCT cell) FROM homes WHERE cell LIKE ?1 || ' #%'";
        let cell = match found {
            Some(cell) => cell,
            None => format!("{place} #{}", sql.value::<i64>(cells, params![place])?),
        };
        sql.execute("UPDATE homes SET cell = ?2 WHERE slug = ?1", params![grove, cell])?;
        let due = format!(
            "INSERT INTO jobs (kind, key, due_utc) VALUES ('pull', ?1, {NOW})
             ON CONFLICT (kind, key) DO UPDATE SET due_utc = least(jobs.due_utc, excluded.due_utc)"
        );
        sql.execute(&due, params![cell]).map(|_| ())
    })
}

/// Takes a pull that is due, for so long; none where none is.
///
/// # Errors
/// [`StoreError`] where the server does not answer.
pub fn claim_pull(address: &Address, held: Duration) -> Result<Option<Claim>, StoreError> {
    claim(address, "pull", None, held)
}

/// Takes the refit of a grove, for so long; none where another process is at it.
///
/// # Errors
/// [`StoreError`] where the server does not answer.
pub fn claim_refit(address: &Address, held: Duration) -> Result<Option<Claim>, StoreError> {
    let grove = address.grove().unwrap_or_default();
    done(address, |sql| {
        let due = format!(
            "INSERT INTO jobs (kind, key, due_utc) VALUES ('refit', ?1, {NOW})
             ON CONFLICT (kind, key) DO UPDATE SET due_utc = least(jobs.due_utc, excluded.due_utc)"
        );
        sql.execute(&due, params![grove])
    })?;
    claim(address, "refit", Some(grove), held)
}

fn claim(
    address: &Address,
    kind: &'static str,
    key: Option<&str>,
    held: Duration,
) -> Result<Option<Claim>, StoreError> {
    let holder = format!("{:032x}", u128::from_le_bytes(random()));
    let take = format!(
        "UPDATE jobs SET holder = ?2, held_until_utc = {NOW} + ?3, attempts = attempts + 1
         WHERE kind = ?1 AND key = (
             SELECT key FROM jobs
             WHERE kind = ?1 AND due_utc <= {NOW} AND key = coalesce(?4, key)
                 AND (held_until_utc IS NULL OR held_until_utc < {NOW})
             ORDER BY due_utc LIMIT 1 FOR UPDATE SKIP LOCKED)
         RETURNING key, attempts"
    );
    let held = i64::try_from(held.as_secs()).unwrap_or(i64::MAX);
    done(address, |sql| {
        let taken = sql.first(&take, params![kind, holder, held, key], |row| {
            Ok((row.get::<String>(0)?, row.get::<i64>(1)?))
        })?;
        let Some((key, attempts)) = taken else { return Ok(None) };
        let all = "SELECT slug FROM homes WHERE cell = ?1 ORDER BY grove_id";
        let groves = match kind {
            "pull" => sql.rows(all, params![key], |row| row.get(0))?,
            _ => vec![key.clone()],
        };
        Ok(Some(Claim { key, groves, attempts, kind, holder: holder.clone() }))
    })
}

fn random() -> [u8; 16] {
    let mut bytes = [0; 16];
    getrandom::fill(&mut bytes).expect("the machine gives random bytes");
    bytes
}

impl Claim {
    /// Stores what a pull brought and ends it, until it is due again: all in one transaction. False
    /// where another process has taken it over meanwhile; nothing is stored then.
    ///
    /// # Errors
    /// [`StoreError`]; nothing is stored then.
    pub fn keep_pulled(
        &self,
        address: &Address,
        came: &[Came],
        by: By,
        again: Duration,
    ) -> Result<bool, StoreError> {
        let numbers: Vec<i64> = came
            .iter()
            .map(|came| Ok(AtServer::open(&address.of_grove(Some(&came.grove)), false)?.grove))
            .collect::<Result<_, StoreError>>()?;
        let pool = met(address, Room::Groves)?;
        let keep = || -> SqlResult<bool> {
            let by = Some((by.who.to_owned(), by.at.timestamp()));
            let mut session = Transaction::begin(&pool, Opening { by, ..Opening::default() })?;
            if !self.end(&Sql::Postgres(&session), again)? {
                return Ok(false);
            }
            for (grove, came) in numbers.iter().zip(came) {
                session.turn_to(*grove)?;
                count_change(&session)?;
                let sql = Sql::Postgres(&session);
                keep_observed(&sql, &came.observed)?;
                keep_forecast(&sql, came.issued_at, &came.source, &came.ahead)?;
            }
            session.commit()?;
            Ok(true)
        };
        keep().map_err(|error| told(&address.shown(), error))
    }

    /// Keeps the model of a refit and ends it; its name. None where another process has taken the
    /// refit over meanwhile.
    ///
    /// # Errors
    /// [`StoreError`]; nothing is stored then.
    pub fn keep_model(
        &self,
        address: &Address,
        (as_of, file): (DateTime<Utc>, &ModelFile),
        by: By,
    ) -> Result<Option<String>, StoreError> {
        let server = AtServer::open(address, false)?;
        let keep = || -> SqlResult<Option<String>> {
            let session = server.write(by)?;
            let sql = Sql::Postgres(&session);
            if !self.end(&sql, Duration::ZERO)? {
                return Ok(None);
            }
            let name = models::keep(&sql, as_of, file)?;
            session.commit()?;
            Ok(Some(name))
        };
        keep().map_err(|error| told(&address.shown(), error))
    }

    /// Holds it for longer, from now on. False where another process has taken it over.
    ///
    /// # Errors
    /// [`StoreError`] where the server does not answer.
    pub fn hold_on(&self, address: &Address, held: Duration) -> Result<bool, StoreError> {
        let longer = format!(
            "UPDATE jobs SET held_until_utc = {NOW} + ?4
             WHERE kind = ?1 AND key = ?2 AND holder = ?3"
        );
        let held = i64::try_from(held.as_secs()).unwrap_or(i64::MAX);
        let values = params![self.kind, self.key, self.holder, held];
        done(address, |sql| Ok(sql.execute(&longer, values)? > 0))
    }

    /// Ends it where it is still held; due again after so long.
    fn end(&self, sql: &Sql, again: Duration) -> SqlResult<bool> {
        let ended = format!(
            "UPDATE jobs SET holder = NULL, held_until_utc = NULL, attempts = 0,
                 last_error = NULL, done_utc = {NOW}, due_utc = {NOW} + ?4
             WHERE kind = ?1 AND key = ?2 AND holder = ?3"
        );
        let again = i64::try_from(again.as_secs()).unwrap_or(i64::MAX);
        Ok(sql.execute(&ended, params![self.kind, self.key, self.holder, again])? > 0)
    }

    /// Gives it back undone, with why; it is due again after so long.
    ///
    /// # Errors
    /// [`StoreError`] where the server does not answer: then it falls to another process when its
    /// time is over.
    pub fn give_back(
        &self,
        address: &Address,
        why: &str,
        again: Duration,
    ) -> Result<(), StoreError> {
        let back = format!(
            "UPDATE jobs SET holder = NULL, held_until_utc = NULL, last_error = ?4,
                 due_utc = {NOW} + ?5
             WHERE kind = ?1 AND key = ?2 AND holder = ?3"
        );
        let again = i64::try_from(again.as_secs()).unwrap_or(i64::MAX);
        let values = params![self.kind, self.key, self.holder, why, again];
        done(address, |sql| sql.execute(&back, values).map(|_| ()))
    }
}
