//! What changes, told to pages that listen (server-sent events): each change of the grove, and every
//! minute the time, since beliefs move with the clock too.

use super::here::Here;
use super::server::Server;
use axum::Router;
use axum::response::IntoResponse;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::routing::get;
use chrono::{SecondsFormat, Utc};
use std::convert::Infallible;
use std::sync::Arc;
use std::time::Duration;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::mpsc;
use tokio::time::interval;
use tokio_stream::wrappers::ReceiverStream;

/// A sign of life where nothing changes, for what stands between.
const ALIVE: Duration = Duration::from_secs(15);
/// Beliefs are looked at again so often.
const MINUTE: Duration = Duration::from_secs(60);
/// So often the listener's log-in is looked at.
const LOOK: Duration = Duration::from_secs(1);
/// Events that a slow listener may leave lying.
const LYING: usize = 4;

/// Addresses.
pub fn routes() -> Router<Arc<Server>> {
    Router::new().route("/g/{grove}/events", get(events))
}

type Told = Result<Event, Infallible>;

async fn events(here: Here) -> impl IntoResponse {
    let (to, events) = mpsc::channel(LYING);
    tokio::spawn(tell(here, to));
    Sse::new(ReceiverStream::new(events)).keep_alive(KeepAlive::new().interval(ALIVE))
}

/// May the listener still read? Who cannot be looked up may not.
async fn is_still_in(here: &Here) -> bool {
    let (office, caller) = (here.server.access.office.clone(), here.caller.clone());
    let looked = tokio::task::spawn_blocking(move || caller.is_still_in(&office, Utc::now()));
    matches!(looked.await, Ok(Ok(true)))
}

/// Tells until the listener goes, or their log-in or token ends, or the service stops.
async fn tell(here: Here, to: mpsc::Sender<Told>) {
    let (mut changes, mut stopping) = (here.server.changes(), here.server.stopping());
    let (mut minutes, mut looks) = (interval(MINUTE), interval(LOOK));
    loop {
        let kind = tokio::select! {
            () = to.closed() => return,
            _ = stopping.wait_for(|stops| *stops) => return,
            _ = looks.tick() => None,
            _ = minutes.tick() => Some("minute"),
            changed = changes.recv() => match changed {
                Ok(changed) if changed.grove != here.kept.id => continue,
                Ok(_) | Err(RecvError::Lagged(_)) => Some("change"),
                Err(RecvError::Closed) => return,
            },
        };
        if !is_still_in(&here).await {
            return;
        }
        let Some(kind) = kind else { continue };
        let now = here.server.now(&here.kept).to_rfc3339_opts(SecondsFormat::Millis, true);
        if to.send(Ok(Event::default().event(kind).data(now))).await.is_err() {
            return;
        }
    }
}
