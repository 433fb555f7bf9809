//! What others write at a server, heard by a process that keeps something of its groves in memory.
//!
//! One connection listens. Each change comes with the grove's new version, so that to ask whether a
//! grove changed costs nothing while the server is heard; a sign of life each second tells that it
//! is. What is heard at once is told to whoever asked to be told.

use super::error::StoreError;
use super::server::met;
use crate::store::sql::Address;
use crate::store::sql::postgres::{Room, beside, config};
use crate::store::sql::way::encryption;
use futures_util::StreamExt;
use futures_util::stream::poll_fn;
use std::collections::HashMap;
use std::sync::{Arc, LazyLock, Mutex, PoisonError};
use std::time::{Duration, Instant};
use tokio::sync::mpsc::{UnboundedSender, unbounded_channel};
use tokio::time::{interval, sleep, timeout};
use tokio_postgres::AsyncMessage;

/// The server gives a sign of life so often,
const SIGN: Duration = Duration::from_secs(1);
/// and is believed for so long after it.
const BELIEVED: Duration = Duration::from_secs(3);
/// A lost connection is made anew after so long.
const AGAIN: Duration = Duration::from_secs(1);

/// What was heard of one server.
#[derive(Default)]
struct Heard {
    versions: HashMap<String, i64>,
    alive: Option<Instant>,
}

/// The servers that this process listens to.
static HEARD: LazyLock<Mutex<HashMap<String, Heard>>> = LazyLock::new(Mutex::default);

fn heard<T>(server: &str, with: impl FnOnce(&mut Heard) -> T) -> T {
    let mut all = HEARD.lock().unwrap_or_else(PoisonError::into_inner);
    with(all.entry(server.to_owned()).or_default())
}

/// The version of a grove, where the server is heard.
pub(super) fn version(address: &Address) -> Option<i64> {
    let all = HEARD.lock().unwrap_or_else(PoisonError::into_inner);
    let heard = all.get(&address.server_text())?;
    heard.alive.filter(|at| at.elapsed() < BELIEVED)?;
    heard.versions.get(address.grove()?).copied()
}

/// Listens to a server until `told` says false; `told` is called with the name of each grove that
/// changes, and with each one's where changes may have been missed.
///
/// # Errors
/// [`StoreError`] where the server does not answer now. Later on it is tried again and again.
pub fn watch(
    address: &Address,
    told: impl Fn(&str) -> bool + Send + Sync + 'static,
) -> Result<(), StoreError> {
    met(address, Room::Groves)?;
    let (address, told) = (address.clone(), Arc::new(told));
    beside(async move {
        loop {
            let ended = listen(&address, told.clone()).await;
            heard(&address.server_text(), |heard| heard.alive = None);
            match ended {
                Ok(()) => return,
                Err(error) => tracing::warn!("changes by others are not heard: {error}"),
            }
            sleep(AGAIN).await;
        }
    });
    Ok(())
}

type Told = Arc<dyn Fn(&str) -> bool + Send + Sync>;

/// Listens until the connection ends, which is an error, or nobody wants to know any more.
async fn listen(address: &Address, told: Told) -> Result<(), String> {
    let words = |error: tokio_postgres::Error| crate::store::sql::postgres::words(&error);
    let server = address.server_text();
    let config = config(address).map_err(|error| error.to_string())?;
    let encryption = encryption(address, &config).map_err(|error| error.to_string())?;
    let (client, mut connection) = config.connect(encryption).await.map_err(words)?;
    let (to, mut changes) = unbounded_channel();
    let pump = async move {
        let mut messages = poll_fn(|context| connection.poll_message(context));
        while let Some(Ok(message)) = messages.next().await {
            forward(&to, message);
        }
    };
    let pumping = tokio::spawn(pump);
    client.batch_execute("LISTEN xylocast").await.map_err(words)?;
    let all = "SELECT slug, version FROM xylocast.homes";
    let rows = client.query(all, &[]).await.map_err(words)?;
    let now: HashMap<String, i64> = rows.iter().map(|row| (row.get(0), row.get(1))).collect();
    let before = heard(&server, |heard| std::mem::replace(&mut heard.versions, now.clone()));
    for slug in now.iter().filter(|(slug, at)| before.get(*slug) != Some(at)).map(|(slug, _)| slug)
    {
        if !told(slug) {
            return Ok(());
        }
    }
    let mut signs = interval(SIGN);
    loop {
        tokio::select! {
            change = changes.recv() => {
                let Some((slug, version)) = change else { break };
                heard(&server, |heard| heard.versions.insert(slug.clone(), version));
                if !told(&slug) {
                    pumping.abort();
                    return Ok(());
                }
            }
            _ = signs.tick() => {
                let sign = timeout(BELIEVED, client.simple_query("SELECT 1")).await;
                sign.map_err(|_| "no sign of life".to_owned())?.map_err(words)?;
                heard(&server, |heard| heard.alive = Some(Instant::now()));
            }
        }
    }
    Err("the connection ended".into())
}

/// `17 4 west`: number, version, name.
fn forward(to: &UnboundedSender<(String, i64)>, message: AsyncMessage) {
    let AsyncMessage::Notification(said) = message else { return };
    let mut parts = said.payload().splitn(3, ' ').skip(1);
    if let (Some(Ok(version)), Some(slug)) = (parts.next().map(str::parse), parts.next()) {
        let _ = to.send((slug.to_owned(), version));
    }
}
