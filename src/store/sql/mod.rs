//! One way to speak SQL to two engines: the embedded SQLite, and a PostgreSQL server.
//!
//! The texts are the same for both as far as can be: parameters are written `?1`, values are
//! rusqlite's own, and what the engines call by different names is asked of `Sql`. Not an ORM:
//! who reads a statement sees what is run.

mod address;
pub(in crate::store) mod postgres;
pub(in crate::store) mod way;

pub use address::{Address, AddressError};

use rusqlite::types::{FromSql, ToSql, Value, ValueRef};
use rusqlite::{Connection, ErrorCode, params_from_iter};
use std::result;

/// Values of parameters, as `rusqlite::params!` makes them.
pub(in crate::store) type Values<'v> = &'v [&'v dyn ToSql];

/// An open transaction in either engine.
#[derive(Debug, Clone, Copy)]
pub(in crate::store) enum Sql<'c> {
    /// In a file.
    Sqlite(&'c Connection),
    /// At a server.
    Postgres(&'c postgres::Transaction),
}

/// The grove of a SQLite file: one for now, so its number is always the same.
const OF_A_FILE: i64 = 1;

/// What an engine says no with.
#[derive(Debug, thiserror::Error)]
pub(in crate::store) enum SqlError {
    #[error(transparent)]
    Sqlite(#[from] rusqlite::Error),
    #[error("{}", postgres::words(.0))]
    Postgres(#[from] tokio_postgres::Error),
    /// No connection came in time: the server does not answer, or all are in use.
    #[error("{0}")]
    NoConnection(String),
}

pub(in crate::store) type Result<T> = result::Result<T, SqlError>;

impl SqlError {
    /// A row that a rule bars, in the rule's words; none for any other error.
    pub(in crate::store) fn barred(&self) -> Option<String> {
        match self {
            Self::Sqlite(error) => {
                let bars = error.sqlite_error_code() == Some(ErrorCode::ConstraintViolation);
                bars.then(|| {
                    let words = error.to_string();
                    words.strip_prefix("CHECK constraint failed: ").unwrap_or(&words).to_owned()
                })
            }
            Self::Postgres(error) => postgres::barred(error),
            Self::NoConnection(_) => None,
        }
    }
}

/// A row of an answer.
#[derive(Debug)]
pub(in crate::store) enum Row<'r> {
    Sqlite(&'r rusqlite::Row<'r>),
    Postgres(&'r [Value]),
}

impl Row<'_> {
    fn width(&self) -> usize {
        match self {
            Self::Sqlite(row) => row.as_ref().column_count(),
            Self::Postgres(cells) => cells.len(),
        }
    }

    /// The value of a column.
    pub(in crate::store) fn get<T: FromSql>(&self, at: usize) -> Result<T> {
        match self {
            Self::Sqlite(row) => Ok(row.get(at)?),
            Self::Postgres(_) => {
                let value = self.value(at)?;
                T::column_result(value).map_err(|error| {
                    let (of, error) = (value.data_type(), Box::new(error));
                    rusqlite::Error::FromSqlConversionFailure(at, of, error).into()
                })
            }
        }
    }

    /// The same, of whatever kind it is.
    pub(in crate::store) fn value(&self, at: usize) -> Result<ValueRef<'_>> {
        match self {
            Self::Sqlite(row) => Ok(row.get_ref(at)?),
            Self::Postgres(cells) => {
                let cell = cells.get(at).ok_or(rusqlite::Error::InvalidColumnIndex(at))?;
                Ok(cell.into())
            }
        }
    }
}

impl Sql<'_> {
    /// Number of the grove that this transaction is about.
    pub(in crate::store) fn grove(&self) -> i64 {
        match self {
            Self::Sqlite(_) => OF_A_FILE,
            Self::Postgres(session) => session.grove(),
        }
    }

    /// Changes rows; how many were.
    pub(in crate::store) fn execute(&self, sql: &str, values: Values) -> Result<usize> {
        match self {
            Self::Sqlite(connection) => Ok(connection.prepare_cached(sql)?.execute(values)?),
            Self::Postgres(session) => session.execute(sql, owned(values)?),
        }
    }

    /// What `read` makes of each row.
    pub(in crate::store) fn rows<T>(
        &self,
        sql: &str,
        values: Values,
        mut read: impl FnMut(&Row) -> Result<T>,
    ) -> Result<Vec<T>> {
        match self {
            Self::Sqlite(connection) => {
                let mut statement = connection.prepare_cached(sql)?;
                let mut rows = statement.query(values)?;
                let mut all = Vec::new();
                while let Some(row) = rows.next()? {
                    all.push(read(&Row::Sqlite(row))?);
                }
                Ok(all)
            }
            Self::Postgres(session) => {
                let rows = session.rows(sql, owned(values)?)?;
                rows.iter().map(|cells| read(&Row::Postgres(cells))).collect()
            }
        }
    }

    /// The first row, where there is one.
    pub(in crate::store) fn first<T>(
        &self,
        sql: &str,
        values: Values,
        read: impl FnOnce(&Row) -> Result<T>,
    ) -> Result<Option<T>> {
        match self {
            Self::Sqlite(connection) => {
                let mut statement = connection.prepare_cached(sql)?;
                let mut rows = statement.query(values)?;
                let row = rows.next()?;
                row.map(|row| read(&Row::Sqlite(row))).transpose()
            }
            Self::Postgres(session) => {
                let rows = session.rows(sql, owned(values)?)?;
                rows.first().map(|cells| read(&Row::Postgres(cells))).transpose()
            }
        }
    }

    /// The only value of an answer that has one always.
    pub(in crate::store) fn value<T: FromSql>(&self, sql: &str, values: Values) -> Result<T> {
        let none = || rusqlite::Error::QueryReturnedNoRows.into();
        self.first(sql, values, |row| row.get(0))?.ok_or_else(none)
    }

    /// Puts a row in.
    pub(in crate::store) fn put(&self, sql: &str, row: Vec<Value>) -> Result<()> {
        match self {
            Self::Sqlite(connection) => {
                connection.prepare_cached(sql)?.execute(params_from_iter(row))?;
                Ok(())
            }
            Self::Postgres(session) => session.execute(sql, row).map(|_| ()),
        }
    }

    /// Puts all of many rows in by one statement, or says why one of them cannot be.
    pub(in crate::store) fn put_whole(&self, sql: &str, rows: Vec<Vec<Value>>) -> Result<()> {
        match self {
            Self::Sqlite(connection) => {
                let mut statement = connection.prepare_cached(sql)?;
                rows.iter()
                    .try_for_each(|row| statement.execute(params_from_iter(row)).map(|_| ()))?;
                Ok(())
            }
            Self::Postgres(session) => session.put_whole(sql, rows),
        }
    }

    /// Puts many rows in by one statement. Rows that a rule bars are left out and given back: their
    /// place, and why.
    pub(in crate::store) fn put_all(
        &self,
        sql: &str,
        rows: Vec<Vec<Value>>,
    ) -> Result<Vec<(usize, String)>> {
        match self {
            Self::Sqlite(connection) => {
                let mut statement = connection.prepare_cached(sql)?;
                let mut barred = Vec::new();
                for (at, row) in rows.iter().enumerate() {
                    let put = statement.execute(params_from_iter(row)).map_err(SqlError::from);
                    if let Err(error) = put {
                        barred.push((at, error.barred().ok_or(error)?));
                    }
                }
                Ok(barred)
            }
            Self::Postgres(session) => session.put_all(sql, rows),
        }
    }

    /// The texts of a JSON array as rows, for `IN`; `mark` is the parameter that holds it.
    pub(in crate::store) fn each_of(&self, mark: &str) -> String {
        match self {
            Self::Sqlite(_) => format!("(SELECT value FROM json_each({mark}))"),
            Self::Postgres(_) => {
                format!("(SELECT jsonb_array_elements_text(CAST({mark} AS TEXT)::JSONB))")
            }
        }
    }

    /// A key as an upsert names it: at a server every key is led by the grove.
    pub(in crate::store) fn key(&self, columns: &str) -> String {
        match self {
            Self::Postgres(_) if !columns.starts_with("grove_id") => {
                format!("grove_id, {columns}")
            }
            _ => columns.to_owned(),
        }
    }
}

/// Values that can cross to another thread.
fn owned(values: Values) -> Result<Vec<Value>> {
    values.iter().map(|value| own(*value)).collect()
}

fn own(value: &dyn ToSql) -> Result<Value> {
    use rusqlite::types::ToSqlOutput;
    Ok(match value.to_sql()? {
        ToSqlOutput::Owned(value) => value,
        ToSqlOutput::Borrowed(value) => value
            .try_into()
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(Box::new(error)))?,
        _ => {
            let words = "a value of a kind that only SQLite knows";
            return Err(rusqlite::Error::ToSqlConversionFailure(words.into()).into());
        }
    })
}

/// All values of an answer, for tests and checks that look behind the store.
pub(in crate::store) fn look(sql: &Sql, text: &str) -> Result<Vec<Vec<Value>>> {
    sql.rows(text, &[], |row| {
        let width = row.width();
        (0..width).map(|at| row.get(at)).collect()
    })
}
