//! Weather by itself: every kept grove is asked for once an hour, each at a minute of its own, so
//! that a thousand services do not ask at the full hour. Where several processes share a server,
//! each takes what is due.

use super::server::{Kept, Server};
use crate::app::pull::{Wanted, pull};
use crate::app::shared::{Turn, pull_one, settle};
use crate::store::sql::Address;
use chrono::Utc;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::task::JoinSet;

const HOUR_S: f64 = 3600.0;
/// New groves are looked for this often.
const LOOK: Duration = Duration::from_secs(30);

/// Nothing is due at a server for so long at least, more or less.
const IDLE_S: f64 = 2.0;

/// Pulls for every grove that can be changed, until the service stops.
pub async fn pull_by_itself(server: Arc<Server>) {
    if let Some(data) = server.settings.shared() {
        return pull_in_turns(server, data).await;
    }
    let mut stopping = server.stopping();
    let mut known = std::collections::BTreeSet::new();
    let mut tasks = JoinSet::new();
    loop {
        for kept in server.groves() {
            // A grove in a day of its own has weather of its own.
            if !kept.is_demo() && known.insert(kept.id.clone()) {
                tasks.spawn(every_hour(server.clone(), kept));
            }
        }
        tokio::select! {
            _ = stopping.changed() => return,
            () = tokio::time::sleep(LOOK) => {}
        }
    }
}

async fn every_hour(server: Arc<Server>, kept: Arc<Kept>) {
    let mut stopping = server.stopping();
    // The first soon, since weather may be days old; then each hour at this minute.
    let mut wait = Duration::from_secs_f64(fastrand::f64() * 60.0);
    loop {
        tokio::select! {
            _ = stopping.changed() => return,
            () = tokio::time::sleep(wait) => {}
        }
        pull_once(&server, &kept).await;
        wait = Duration::from_secs_f64(HOUR_S * (0.95 + 0.1 * fastrand::f64()));
    }
}

/// Asks once; what came is told in the log.
pub async fn pull_once(server: &Arc<Server>, kept: &Arc<Kept>) {
    let home = kept.home.clone();
    let grove = server.work(move || home.grove(Utc::now())).await;
    let grove = match grove {
        Ok(Ok(grove)) => grove,
        Ok(Err(error)) => {
            tracing::warn!(grove = kept.id, "no weather pulled: {error}");
            return;
        }
        Err(_) => return,
    };
    let groves = [(kept.home.clone(), grove)];
    match pull(&groves, &Wanted::default(), "the service", Utc::now).await {
        Ok(pulled) => {
            server.counts.pulls_done.inc();
            for pulled in pulled {
                let (source, new) = (pulled.source, pulled.observed_new);
                tracing::info!(grove = kept.id, source, new, "weather pulled");
            }
            server.tell(kept);
        }
        Err(error) => {
            server.counts.pulls_failed.inc();
            tracing::warn!(grove = kept.id, "no weather pulled: {error}");
        }
    }
}

/// Takes what is due at the server that the groves are kept at, one thing after the other; other
/// processes do the same.
async fn pull_in_turns(server: Arc<Server>, data: Address) {
    // Off the threads that answer, since the store is waited for.
    let work = move || tokio::runtime::Handle::current().block_on(turns(&server, &data));
    let _ = tokio::task::spawn_blocking(work).await;
}

async fn turns(server: &Server, data: &Address) {
    let mut stopping = server.stopping();
    let mut looked: Option<Instant> = None;
    loop {
        if looked.is_none_or(|looked| looked.elapsed() > LOOK) {
            let apart = |id: &str| server.kept(id).is_some_and(|kept| kept.is_demo());
            match settle(data, apart, Utc::now()) {
                Ok(0) => looked = Some(Instant::now()),
                // First all are settled, so that a cell is asked for with all its groves.
                Ok(_) if *stopping.borrow() => return,
                Ok(_) => continue,
                Err(error) => tracing::warn!("no weather pulled: {error}"),
            }
        }
        let turn = tokio::select! {
            _ = stopping.changed() => return,
            turn = pull_one(data, "the service", Utc::now) => turn,
        };
        let wait_s = match turn {
            Ok(Turn::Pulled(..)) => {
                server.counts.pulls_done.inc();
                0.0
            }
            Ok(Turn::TakenOver) => 0.0,
            Ok(Turn::Idle) => IDLE_S,
            Ok(Turn::Failed(error)) => {
                server.counts.pulls_failed.inc();
                tracing::warn!("no weather pulled: {error}");
                IDLE_S
            }
            Err(error) => {
                tracing::warn!("no weather pulled: {error}");
                2.0 * IDLE_S
            }
        };
        let wait = Duration::from_secs_f64(wait_s * (0.5 + fastrand::f64()));
        tokio::select! {
            _ = stopping.changed() => return,
            () = tokio::time::sleep(wait) => {}
        }
    }
}
