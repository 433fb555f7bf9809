//! Weather by itself: every kept grove is asked for once an hour, each at a minute of its own, so
//! that a thousand services do not ask at the full hour.

use super::server::{Kept, Server};
use crate::app::pull::{Wanted, pull};
use chrono::Utc;
use std::sync::Arc;
use std::time::Duration;
use tokio::task::JoinSet;

const HOUR_S: f64 = 3600.0;
/// New groves are looked for this often.
const LOOK: Duration = Duration::from_secs(30);

/// Pulls for every grove that can be changed, until the service stops.
pub async fn pull_by_itself(server: Arc<Server>) {
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
