//! The adapter to a PostgreSQL server.
//!
//! The store is called by ordinary threads, the driver is asynchronous: it runs on a small runtime
//! of the store's own, and callers wait for its answers. Every transaction says first which grove
//! it is about and who acts; row security keeps it to that grove's rows, and the audit's triggers
//! ask for the name. Both end with the transaction, so that connections can be shared.

use super::way::{advice, encryption};
use super::{Address, Result, SqlError};
use bytes::BytesMut;
use deadpool_postgres::{Client, Manager, Pool, PoolError, Runtime as PoolRuntime, Timeouts};
use futures_util::future::join_all;
use rusqlite::types::Value;
use std::collections::HashMap;
use std::error::Error;
use std::future::Future;
use std::path::PathBuf;
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, LazyLock, Mutex, PoisonError};
use std::thread::available_parallelism;
use std::time::Duration;
use tokio::runtime::Runtime;
use tokio_postgres::error::SqlState;
use tokio_postgres::types::{FromSql, IsNull, ToSql, Type};

/// Longest wait for a server to take a connection.
const CONNECT: Duration = Duration::from_secs(5);
/// Longest wait for a connection while all are in use, or for another one's lock.
const TURN: Duration = Duration::from_secs(crate::store::db::BUSY_S);
/// Rows that are put in under one savepoint.
const TOGETHER: usize = 500;

/// The store's own runtime.
static RUNTIME: LazyLock<Runtime> = LazyLock::new(|| {
    let mut builder = tokio::runtime::Builder::new_multi_thread();
    builder.worker_threads(2).thread_name("store").enable_all();
    builder.build().expect("threads for the database can be started")
});

/// Waits for an answer of the driver, from any thread.
pub(in crate::store) fn wait<T: Send + 'static>(
    work: impl Future<Output = T> + Send + 'static,
) -> T {
    let (to, from) = sync_channel(1);
    RUNTIME.spawn(async move {
        let _ = to.send(work.await);
    });
    from.recv().expect("work at the database does not panic")
}

/// Runs beside all else, until the process ends.
pub(in crate::store) fn beside(work: impl Future<Output = ()> + Send + 'static) {
    RUNTIME.spawn(work);
}

/// Which tables a connection sees.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub(in crate::store) enum Room {
    /// Groves.
    Groves,
    /// The service's own.
    Office,
}

impl Room {
    /// The schema that its tables stand in.
    pub(in crate::store) const fn schema(self) -> &'static str {
        match self {
            Self::Groves => "xylocast",
            Self::Office => "xylocast_office",
        }
    }
}

/// Pools of this process, one a server and room.
static POOLS: LazyLock<Mutex<HashMap<(PathBuf, Room), Pool>>> = LazyLock::new(Mutex::default);

/// The connections to a server, made where there are none yet.
pub(in crate::store) fn pool(address: &Address, room: Room) -> Result<Pool> {
    let mut pools = POOLS.lock().unwrap_or_else(PoisonError::into_inner);
    let key = (address.of_grove(None).typed(), room);
    if let Some(pool) = pools.get(&key) {
        return Ok(pool.clone());
    }
    let none = |error: &dyn Error| SqlError::NoConnection(error.to_string());
    let mut config = config(address)?;
    // Compiling a question takes longer than any of ours.
    config.options(format!(
        "-c search_path={} -c lock_timeout={}s -c jit=off",
        room.schema(),
        TURN.as_secs()
    ));
    let ordinary = 2 * available_parallelism().map_or(2, usize::from) + 4;
    let timeouts = Timeouts { wait: Some(TURN), create: Some(CONNECT), recycle: Some(CONNECT) };
    let encryption = encryption(address, &config)?;
    let pool = Pool::builder(Manager::new(config, encryption))
        .max_size(address.connections().unwrap_or(ordinary))
        .timeouts(timeouts)
        .runtime(PoolRuntime::Tokio1)
        .build()
        .map_err(|error| none(&error))?;
    pools.insert(key, pool.clone());
    Ok(pool)
}

/// What the driver is told of a server.
pub(in crate::store) fn config(address: &Address) -> Result<tokio_postgres::Config> {
    let read = address.config();
    let mut config = read.map_err(|error| SqlError::NoConnection(error.to_string()))?;
    config
        .application_name("xylocast")
        .connect_timeout(CONNECT)
        .keepalives_idle(Duration::from_secs(30))
        .tcp_user_timeout(Duration::from_secs(30));
    Ok(config)
}

async fn connection(pool: &Pool) -> Result<Client> {
    pool.get().await.map_err(|error| match error {
        PoolError::Backend(error) => SqlError::Postgres(error),
        PoolError::Timeout(_) => SqlError::NoConnection("no connection came free in time".into()),
        other => SqlError::NoConnection(other.to_string()),
    })
}

/// How a transaction begins.
#[derive(Debug, Clone, Default)]
pub(in crate::store) struct Opening {
    /// The grove; none for what is of no grove.
    pub(in crate::store) grove: Option<i64>,
    /// Who writes, and when, in seconds; none where only is read, of one state.
    pub(in crate::store) by: Option<(String, i64)>,
    /// A lock that one writer holds at a time, by its number.
    pub(in crate::store) turn: Option<i64>,
}

/// An open transaction at a server. Dropped before [`Transaction::commit`], it is taken back.
pub(in crate::store) struct Transaction {
    client: Option<Arc<Client>>,
    grove: i64,
}

impl std::fmt::Debug for Transaction {
    fn fmt(&self, f: &mut std::fmt::Formatter) -> std::fmt::Result {
        f.debug_struct("Transaction").field("grove", &self.grove).finish_non_exhaustive()
    }
}

impl Transaction {
    pub(in crate::store) fn begin(pool: &Pool, opening: Opening) -> Result<Self> {
        let (pool, grove) = (pool.clone(), opening.grove.unwrap_or_default());
        wait(async move {
            let client = Arc::new(connection(&pool).await?);
            let begun = Self { client: Some(client.clone()), grove };
            let begin = match &opening.by {
                Some(_) => "BEGIN",
                None => "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY",
            };
            client.batch_execute(begin).await?;
            let (who, at) = opening.by.unwrap_or_default();
            let texts = [grove.to_string(), who, at.to_string()];
            let [grove, who, at] = &texts;
            let say = "SELECT set_config('xylocast.grove', $1, true), \
                       set_config('xylocast.who', $2, true), \
                       set_config('xylocast.at_utc', $3, true)";
            client.query(&client.prepare_cached(say).await?, &[grove, who, at]).await?;
            if let Some(turn) = opening.turn {
                let take = client.prepare_cached("SELECT pg_advisory_xact_lock($1)").await?;
                client.query(&take, &[&turn]).await?;
            }
            Ok(begun)
        })
    }

    fn client(&self) -> Arc<Client> {
        self.client.clone().expect("a transaction holds its connection until it ends")
    }

    pub(super) fn grove(&self) -> i64 {
        self.grove
    }

    /// From here on the transaction is about another grove.
    pub(in crate::store) fn turn_to(&mut self, grove: i64) -> Result<()> {
        self.grove = grove;
        let say = "SELECT set_config('xylocast.grove', ?1, true)";
        self.rows(say, vec![Value::Text(grove.to_string())]).map(|_| ())
    }

    pub(in crate::store) fn commit(mut self) -> Result<()> {
        let client = self.client();
        let done = wait(async move { client.batch_execute("COMMIT").await });
        if done.is_ok() {
            self.client = None;
        }
        Ok(done?)
    }

    /// Several statements without parameters.
    pub(in crate::store) fn batch(&self, text: &str) -> Result<()> {
        let (client, text) = (self.client(), text.to_owned());
        Ok(wait(async move { client.batch_execute(&text).await })?)
    }

    pub(super) fn execute(&self, sql: &str, values: Vec<Value>) -> Result<usize> {
        let (client, sql) = (self.client(), marks(sql));
        wait(async move {
            let statement = client.prepare_cached(&sql).await?;
            let changed = client.execute_raw(&statement, values.into_iter().map(Cell)).await?;
            Ok(usize::try_from(changed).unwrap_or(usize::MAX))
        })
    }

    pub(super) fn rows(&self, sql: &str, values: Vec<Value>) -> Result<Vec<Vec<Value>>> {
        let (client, sql) = (self.client(), marks(sql));
        wait(async move {
            let statement = client.prepare_cached(&sql).await?;
            let values: Vec<Cell> = values.into_iter().map(Cell).collect();
            let values: Vec<&(dyn ToSql + Sync)> = values.iter().map(|cell| cell as _).collect();
            let rows = client.query(&statement, &values).await?;
            let cells = |row: &tokio_postgres::Row| {
                (0..row.len()).map(|at| Ok(row.try_get::<_, Cell>(at)?.0)).collect()
            };
            rows.iter().map(cells).collect()
        })
    }

    pub(super) fn put_whole(&self, sql: &str, rows: Vec<Vec<Value>>) -> Result<()> {
        let (client, sql) = (self.client(), marks(sql));
        wait(async move {
            let statement = client.prepare_cached(&sql).await?;
            let rows: Vec<Vec<Cell>> =
                rows.into_iter().map(|row| row.into_iter().map(Cell).collect()).collect();
            for together in rows.chunks(TOGETHER) {
                let sent = together.iter().map(|row| client.execute_raw(&statement, row));
                join_all(sent).await.into_iter().collect::<std::result::Result<Vec<_>, _>>()?;
            }
            Ok(())
        })
    }

    /// A row that is barred ends a transaction here, so that rows go in under savepoints: many
    /// under one, and where that fails, each under its own.
    pub(super) fn put_all(&self, sql: &str, rows: Vec<Vec<Value>>) -> Result<Vec<(usize, String)>> {
        let (client, sql) = (self.client(), marks(sql));
        wait(async move {
            let statement = client.prepare_cached(&sql).await?;
            let mut barred = Vec::new();
            let mut rows = rows.into_iter().map(|row| row.into_iter().map(Cell).collect());
            let mut first = 0;
            loop {
                let together: Vec<Vec<Cell>> = rows.by_ref().take(TOGETHER).collect();
                if together.is_empty() {
                    return Ok(barred);
                }
                client.batch_execute("SAVEPOINT together").await?;
                let sent = together.iter().map(|row| client.execute_raw(&statement, row));
                let all: std::result::Result<Vec<u64>, _> =
                    join_all(sent).await.into_iter().collect();
                match all {
                    Ok(_) => client.batch_execute("RELEASE together").await?,
                    Err(_) => {
                        client.batch_execute("ROLLBACK TO together; RELEASE together").await?;
                        for (at, row) in together.iter().enumerate() {
                            let why = put_one(&client, &statement, row).await?;
                            barred.extend(why.map(|why| (first + at, why)));
                        }
                    }
                }
                first += together.len();
            }
        })
    }
}

/// Puts one row in; why it is barred, where it is.
async fn put_one(
    client: &Client,
    statement: &tokio_postgres::Statement,
    row: &[Cell],
) -> Result<Option<String>> {
    client.batch_execute("SAVEPOINT one").await?;
    match client.execute_raw(statement, row).await {
        Ok(_) => {
            client.batch_execute("RELEASE one").await?;
            Ok(None)
        }
        Err(error) => {
            let why = barred(&error).ok_or(error)?;
            client.batch_execute("ROLLBACK TO one; RELEASE one").await?;
            Ok(Some(why))
        }
    }
}

impl Drop for Transaction {
    fn drop(&mut self) {
        let Some(client) = self.client.take() else { return };
        // Who drops it may be a thread of the driver, which must not wait.
        RUNTIME.spawn(async move {
            let taken_back = client.batch_execute("ROLLBACK").await;
            if let (Err(_), Ok(client)) = (taken_back, Arc::try_unwrap(client)) {
                // Of a connection in an unknown state nothing is used any more.
                drop(Client::take(client));
            }
        });
    }
}

/// `?1` -> `$1`, outside quotes.
fn marks(sql: &str) -> String {
    let mut quoted = false;
    sql.chars()
        .map(|letter| {
            quoted ^= letter == '\'';
            if letter == '?' && !quoted { '$' } else { letter }
        })
        .collect()
}

/// A value on its way between the engines' kinds.
#[derive(Debug)]
struct Cell(Value);

/// A value that the server's column cannot hold.
#[derive(Debug, thiserror::Error)]
#[error("cannot store {0:?} in a column of type {1}")]
struct Unfit(rusqlite::types::Type, String);

impl ToSql for Cell {
    fn to_sql(
        &self,
        of: &Type,
        out: &mut BytesMut,
    ) -> std::result::Result<IsNull, Box<dyn Error + Sync + Send>> {
        let unfit = || Unfit(self.0.data_type(), of.name().to_owned());
        match (&self.0, of) {
            (Value::Null, _) => Ok(IsNull::Yes),
            (Value::Integer(whole), &Type::INT8) => whole.to_sql(of, out),
            (Value::Integer(whole), &Type::INT4) => i32::try_from(*whole)?.to_sql(of, out),
            (Value::Integer(whole), &Type::BOOL) => (*whole != 0).to_sql(of, out),
            (Value::Integer(whole), &Type::FLOAT8) => (*whole as f64).to_sql(of, out),
            (Value::Real(real), &Type::FLOAT8) => real.to_sql(of, out),
            (Value::Text(text), of) if <&str as ToSql>::accepts(of) => text.to_sql(of, out),
            (Value::Blob(bytes), &Type::BYTEA) => bytes.to_sql(of, out),
            _ => Err(unfit().into()),
        }
    }

    fn accepts(_: &Type) -> bool {
        true
    }

    tokio_postgres::types::to_sql_checked!();
}

impl<'r> FromSql<'r> for Cell {
    fn from_sql(
        of: &Type,
        raw: &'r [u8],
    ) -> std::result::Result<Self, Box<dyn Error + Sync + Send>> {
        Ok(Self(match *of {
            Type::INT8 => Value::Integer(i64::from_sql(of, raw)?),
            Type::INT4 => Value::Integer(i32::from_sql(of, raw)?.into()),
            Type::BOOL => Value::Integer(bool::from_sql(of, raw)?.into()),
            Type::FLOAT8 => Value::Real(f64::from_sql(of, raw)?),
            Type::BYTEA => Value::Blob(raw.to_owned()),
            // Behind a byte that tells its version.
            Type::JSONB => {
                Value::Text(String::from_utf8(raw.get(1..).unwrap_or_default().to_vec())?)
            }
            _ if <String as FromSql>::accepts(of) => Value::Text(String::from_sql(of, raw)?),
            _ => return Err(format!("no value is of type {of}").into()),
        }))
    }

    fn from_sql_null(_: &Type) -> std::result::Result<Self, Box<dyn Error + Sync + Send>> {
        Ok(Self(Value::Null))
    }

    fn accepts(_: &Type) -> bool {
        true
    }
}

/// What the server or the driver said, in one line.
pub(in crate::store) fn words(error: &tokio_postgres::Error) -> String {
    if let Some(said) = error.as_db_error() {
        return said.message().to_owned();
    }
    let mut words = error.to_string();
    let mut cause = error.source();
    while let Some(deeper) = cause {
        words = format!("{words}: {deeper}");
        cause = deeper.source();
    }
    words += advice(&words);
    words
}

/// A row that a rule bars, in the rule's words; none for any other error.
pub(in crate::store) fn barred(error: &tokio_postgres::Error) -> Option<String> {
    let Some(said) = error.as_db_error() else {
        let unfit = error.source().and_then(|cause| cause.downcast_ref::<Unfit>());
        return unfit.map(ToString::to_string);
    };
    let code = said.code().code();
    let by_rule = code.starts_with("22") || code.starts_with("23");
    (by_rule || *said.code() == SqlState::RAISE_EXCEPTION).then(|| said.message().to_owned())
}
