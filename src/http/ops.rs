//! What those who run the service ask: does it live, is it ready, what has it done.

use super::fault::Fault;
use super::problem::Kind;
use super::server::Server;
use axum::Router;
use axum::extract::{MatchedPath, Request, State};
use axum::http::{StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use prometheus_client::encoding::{EncodeLabelSet, text};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::ConstGauge;
use prometheus_client::metrics::histogram::{Histogram, exponential_buckets};
use prometheus_client::registry::Registry;
use std::sync::Arc;
use std::time::Instant;

/// What is counted.
#[derive(Debug)]
pub struct Counts {
    asked: Family<Asked, Counter>,
    took_s: Family<Took, Histogram, fn() -> Histogram>,
    /// Pulls of weather that brought something.
    pub pulls_done: Counter,
    /// Pulls of weather that no service answered.
    pub pulls_failed: Counter,
}

impl Default for Counts {
    fn default() -> Self {
        Self {
            asked: Family::default(),
            took_s: Family::new_with_constructor(|| {
                Histogram::new(exponential_buckets(0.001, 3.0, 9))
            }),
            pulls_done: Counter::default(),
            pulls_failed: Counter::default(),
        }
    }
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Asked {
    method: String,
    address: String,
    status: u16,
}

#[derive(Debug, Clone, PartialEq, Eq, Hash, EncodeLabelSet)]
struct Took {
    address: String,
}

/// Addresses of these questions.
pub fn routes() -> Router<Arc<Server>> {
    Router::new()
        .route("/live", get(async || "lives\n"))
        .route("/ready", get(ready))
        .route("/metrics", get(metrics))
}

/// Ready where the store of every grove can be reached, and not when the service stops.
async fn ready(State(server): State<Arc<Server>>) -> Result<&'static str, Fault> {
    let not_ready = |words: &str| Fault {
        retry_after_s: Some(5),
        ..Fault::new(StatusCode::SERVICE_UNAVAILABLE, Kind::NotReady, words)
    };
    if *server.stopping().borrow() {
        return Err(not_ready("the service stops"));
    }
    match server.groves().iter().find(|kept| !kept.home.is_there()) {
        None => Ok("ready\n"),
        Some(kept) => Err(not_ready(&format!("the store of grove '{}' is not there", kept.id))),
    }
}

/// Counts each question under its route, so that ids make no series of their own.
pub async fn counted(State(server): State<Arc<Server>>, request: Request, next: Next) -> Response {
    let route = request.extensions().get::<MatchedPath>();
    let address = route.map_or("none", MatchedPath::as_str).to_owned();
    let method = request.method().to_string();
    let from = Instant::now();
    let response = next.run(request).await;
    let took = Took { address: address.clone() };
    server.counts.took_s.get_or_create(&took).observe(from.elapsed().as_secs_f64());
    let asked = Asked { method, address, status: response.status().as_u16() };
    server.counts.asked.get_or_create(&asked).inc();
    response
}

async fn metrics(State(server): State<Arc<Server>>) -> Result<Response, Fault> {
    let mut registry = Registry::with_prefix("xylocast");
    let counts = &server.counts;
    registry.register("requests", "Questions answered", counts.asked.clone());
    registry.register("request_seconds", "Time to the answer's head", counts.took_s.clone());
    registry.register("pulls_done", "Pulls of weather answered", counts.pulls_done.clone());
    registry.register("pulls_failed", "Pulls of weather unanswered", counts.pulls_failed.clone());
    let groves = i64::try_from(server.groves().len()).unwrap_or(i64::MAX);
    registry.register("groves", "Groves kept", ConstGauge::new(groves));
    let mut body = String::new();
    text::encode(&mut body, &registry).map_err(|_| Fault::own("the metrics cannot be written"))?;
    let media = "application/openmetrics-text; version=1.0.0; charset=utf-8";
    Ok(([(header::CONTENT_TYPE, media)], body).into_response())
}
