//! A grove at a PostgreSQL server, which keeps many: found by its name in addresses, read and
//! written in transactions that are about it alone.

use super::By;
use super::error::{StoreError, told};
use crate::store::sql::postgres::{Opening, Room, Transaction, pool};
use crate::store::sql::{Address, Result as SqlResult, Sql, SqlError, Values};
use deadpool_postgres::Pool;
use rusqlite::params;
use std::collections::HashMap;
use std::path::{Path, PathBuf};
use std::result::Result;
use std::sync::{LazyLock, Mutex, PoisonError};

macro_rules! sql {
    ($($name:literal),*) => { &[$(include_str!(concat!("../migrations/", $name))),*] };
}

/// What brings each room's tables from each version to the next one.
const GROVES: [&[&str]; 1] = [sql!("server_1_groves.sql")];
const OFFICE: [&[&str]; 1] = [sql!("server_1_office.sql")];

/// One at a time brings tables up to date: "xylo" in ASCII.
const BRINGING_UP: i64 = 0x7879_6c6f;

/// Rooms of servers that this process has met, and the numbers of groves by their names.
type Met = HashMap<(String, Room), HashMap<String, i64>>;

static MET: LazyLock<Mutex<Met>> = LazyLock::new(Mutex::default);

/// The connections to a server whose tables are those that this program knows.
pub(in crate::store) fn met(address: &Address, room: Room) -> Result<Pool, StoreError> {
    let path = address.shown();
    let pool = pool(address, room).map_err(|error| told(&path, error))?;
    let place = (address.server_text(), room);
    if !MET.lock().unwrap_or_else(PoisonError::into_inner).contains_key(&place) {
        bring_up_to_date(&pool, room, path)?;
        MET.lock().unwrap_or_else(PoisonError::into_inner).entry(place).or_default();
    }
    Ok(pool)
}

fn bring_up_to_date(pool: &Pool, room: Room, path: PathBuf) -> Result<(), StoreError> {
    let migrations: &[&[&str]] = match room {
        Room::Groves => &GROVES,
        Room::Office => &OFFICE,
    };
    let known = i64::try_from(migrations.len()).unwrap_or(i64::MAX);
    let failed = |error: SqlError| told(&path, error);
    let by = Some((String::new(), 0));
    let opening = Opening { by, turn: Some(BRINGING_UP), ..Opening::default() };
    let session = Transaction::begin(pool, opening).map_err(failed)?;
    let sql = Sql::Postgres(&session);
    let mighty = "SELECT rolsuper OR rolbypassrls FROM pg_roles WHERE rolname = current_user";
    if sql.value(mighty, &[]).map_err(failed)? {
        return Err(StoreError::TooMighty { path });
    }
    let there = "SELECT to_regclass(current_schema() || '.about') IS NOT NULL
                 AND current_schema() = ?1";
    let schema = room.schema();
    let found: Option<bool> =
        sql.first(there, params![schema], |row| row.get(0)).map_err(failed)?;
    let version = "SELECT version FROM about";
    let found = match found {
        Some(true) => sql.value(version, &[]).map_err(failed)?,
        _ => 0,
    };
    if found > known {
        return Err(StoreError::Newer { path, found, known });
    }
    if found == known {
        return Ok(());
    }
    session.batch(&format!("CREATE SCHEMA IF NOT EXISTS {schema}")).map_err(failed)?;
    let done = usize::try_from(found).unwrap_or_default();
    for text in migrations.iter().skip(done).copied().flatten() {
        session.batch(text).map_err(failed)?;
    }
    let at = format!(
        "INSERT INTO about (one, version) VALUES (1, {known})
         ON CONFLICT (one) DO UPDATE SET version = excluded.version"
    );
    session.batch(&at).map_err(failed)?;
    session.commit().map_err(failed)
}

/// One grove of a server.
#[derive(Debug, Clone)]
pub(in crate::store) struct AtServer {
    pub(super) pool: Pool,
    pub(super) grove: i64,
}

impl AtServer {
    pub(super) fn open(address: &Address, make: bool) -> Result<Self, StoreError> {
        let path = address.shown();
        let Some(slug) = address.grove() else { return Err(StoreError::NamesNoGrove { path }) };
        let pool = met(address, Room::Groves)?;
        let place = (address.server_text(), Room::Groves);
        let known = |place| -> Option<i64> {
            let met = MET.lock().unwrap_or_else(PoisonError::into_inner);
            met.get(place)?.get(slug).copied()
        };
        if let Some(grove) = known(&place) {
            return Ok(Self { pool, grove });
        }
        let found = match make {
            true => make_home(&pool, slug).map(Some),
            false => number_of(&pool, slug),
        };
        let grove = found.map_err(|error| told(&path, error))?;
        let grove = grove.ok_or(StoreError::Missing { path })?;
        let mut met = MET.lock().unwrap_or_else(PoisonError::into_inner);
        met.entry(place).or_default().insert(slug.to_owned(), grove);
        Ok(Self { pool, grove })
    }

    /// A transaction that reads one state.
    pub(super) fn read(&self) -> SqlResult<Transaction> {
        let opening = Opening { grove: Some(self.grove), ..Opening::default() };
        Transaction::begin(&self.pool, opening)
    }

    /// A transaction that writes. Its first act locks the grove's row and counts the change, so that
    /// writers of a grove take turns, and all who keep something of it in memory can tell.
    pub(super) fn write(&self, by: By) -> SqlResult<Transaction> {
        let by = Some((by.who.to_owned(), by.at.timestamp()));
        let opening = Opening { grove: Some(self.grove), by, turn: None };
        let session = Transaction::begin(&self.pool, opening)?;
        count_change(&session)?;
        Ok(session)
    }
}

/// Locks the row of the grove that a transaction is about, and counts a change.
pub(super) fn count_change(session: &Transaction) -> SqlResult<()> {
    let counted = "UPDATE homes SET version = version + 1 WHERE grove_id = ?1";
    let sql = Sql::Postgres(session);
    sql.execute(counted, params![sql.grove()]).map(|_| ())
}

/// How often a grove at a server was written to; none where the server does not answer. Where this
/// process listens to the server, it knows without asking.
pub fn version(place: &Path) -> Option<i64> {
    let address = Address::try_from(place).ok()?;
    if let Some(known) = super::watch::version(&address) {
        return Some(known);
    }
    let server = AtServer::open(&address, false).ok()?;
    let session = server.read().ok()?;
    let counted = "SELECT version FROM homes WHERE grove_id = ?1";
    Sql::Postgres(&session).first(counted, params![server.grove], |row| row.get(0)).ok()?
}

/// The names in addresses of all groves of a server, in order.
///
/// # Errors
/// [`StoreError`] where the server does not answer.
pub fn groves_at(address: &Address) -> Result<Vec<String>, StoreError> {
    let pool = met(address, Room::Groves)?;
    let all = "SELECT slug FROM homes WHERE slug NOT LIKE 'unfinished-%' ORDER BY slug";
    let read = Transaction::begin(&pool, Opening::default())
        .and_then(|session| Sql::Postgres(&session).rows(all, &[], |row| row.get(0)));
    read.map_err(|error| told(&address.shown(), error))
}

/// Gives a grove the name that it is to have from now on.
///
/// # Errors
/// [`StoreError`] where the name is taken or the server does not answer.
pub(in crate::store) fn rename(address: &Address, to: &str) -> Result<(), StoreError> {
    let path = address.shown();
    let from = address.grove().unwrap_or_default();
    let pool = met(address, Room::Groves)?;
    let renamed = "UPDATE homes SET slug = ?2, version = version + 1 WHERE slug = ?1";
    changed(&pool, renamed, &[&from, &to]).map_err(|error| told(&path, error))?;
    forget(address);
    Ok(())
}

/// Takes a home away in which no grove was ever kept; one with a grove is held by its rows.
pub fn forget_empty(place: &Path) {
    let Ok(address) = &Address::try_from(place) else { return };
    let (true, Some(slug)) = (Address::is_one(place), address.grove()) else { return };
    let Ok(pool) = met(address, Room::Groves) else { return };
    if changed(&pool, "DELETE FROM homes WHERE slug = ?1", &[&slug]).is_ok() {
        forget(address);
    }
}

/// The number under which this process knows a grove holds no longer.
fn forget(address: &Address) {
    let mut met = MET.lock().unwrap_or_else(PoisonError::into_inner);
    if let Some(groves) = met.get_mut(&(address.server_text(), Room::Groves)) {
        groves.remove(address.grove().unwrap_or_default());
    }
}

fn changed(pool: &Pool, text: &str, values: Values) -> SqlResult<()> {
    let by = Some((String::new(), 0));
    let session = Transaction::begin(pool, Opening { by, ..Opening::default() })?;
    Sql::Postgres(&session).execute(text, values)?;
    session.commit()
}

fn number_of(pool: &Pool, slug: &str) -> SqlResult<Option<i64>> {
    let session = Transaction::begin(pool, Opening::default())?;
    let named = "SELECT grove_id FROM homes WHERE slug = ?1";
    Sql::Postgres(&session).first(named, params![slug], |row| row.get(0))
}

fn make_home(pool: &Pool, slug: &str) -> SqlResult<i64> {
    if let Some(known) = number_of(pool, slug)? {
        return Ok(known);
    }
    let opening = Opening { by: Some((String::new(), 0)), ..Opening::default() };
    let session = Transaction::begin(pool, opening)?;
    let new = "INSERT INTO homes (slug) VALUES (?1)
               ON CONFLICT (slug) DO UPDATE SET slug = excluded.slug RETURNING grove_id";
    let grove = Sql::Postgres(&session).value(new, params![slug])?;
    session.commit()?;
    Ok(grove)
}
