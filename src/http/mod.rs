//! The service: one process that keeps groves, pulls their weather, and answers pages and a JSON API.
//! Handlers hold nothing but: take what was asked, call the use case, hand it to a page or to JSON.

pub mod access;
pub mod api;
pub mod assets;
pub mod caller;
pub mod fault;
pub mod here;
pub mod live;
pub mod ops;
pub mod problem;
pub mod pulls;
pub mod sent;
pub mod serve;
pub mod server;
pub mod settings;
pub mod site;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::{HeaderName, HeaderValue, Request};
use axum::middleware;
use server::Server;
use std::sync::Arc;
use std::time::Duration;
use tower::ServiceBuilder;
use tower_http::catch_panic::CatchPanicLayer;
use tower_http::compression::CompressionLayer;
use tower_http::request_id::{
    MakeRequestId, PropagateRequestIdLayer, RequestId, SetRequestIdLayer,
};
use tower_http::timeout::RequestBodyTimeoutLayer;
use tower_http::trace::TraceLayer;
use tracing::info_span;

/// The name of an answer in the logs, given or made.
const REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");
/// Largest body of a question, bytes.
pub const MOST_BYTES: usize = 10 * 1024 * 1024;
/// Longest wait for the next piece of a body.
const SLOWEST_BODY: Duration = Duration::from_secs(30);

/// All that the service answers.
pub fn router(server: Arc<Server>) -> Router {
    let layers = ServiceBuilder::new()
        .layer(SetRequestIdLayer::new(REQUEST_ID, Numbered::default()))
        .layer(TraceLayer::new_for_http().make_span_with(|request: &Request<_>| {
            let id = request.extensions().get::<RequestId>();
            let id = id.and_then(|id| id.header_value().to_str().ok()).unwrap_or_default();
            info_span!("asked", id, method = %request.method(), path = request.uri().path())
        }))
        .layer(PropagateRequestIdLayer::new(REQUEST_ID))
        .layer(middleware::from_fn_with_state(server.clone(), ops::counted))
        .layer(CompressionLayer::new())
        .layer(middleware::from_fn_with_state(server.clone(), access::safe_headers))
        .layer(CatchPanicLayer::custom(fault::panicked))
        .layer(RequestBodyTimeoutLayer::new(SLOWEST_BODY))
        .layer(DefaultBodyLimit::max(MOST_BYTES));
    Router::new()
        .merge(site::routes())
        .merge(live::routes())
        .merge(access::routes())
        .merge(api::routes())
        .merge(ops::routes())
        .merge(problem::routes())
        .merge(assets::routes())
        .fallback(fault::no_such_address)
        .method_not_allowed_fallback(fault::no_such_method)
        .layer(middleware::from_fn_with_state(server.clone(), access::guard))
        .layer(middleware::from_fn(fault::as_asked))
        .layer(layers)
        .with_state(server)
}

/// Names requests by the process's start and their number.
#[derive(Clone, Default)]
struct Numbered(Arc<std::sync::atomic::AtomicU64>);

impl MakeRequestId for Numbered {
    fn make_request_id<B>(&mut self, _: &Request<B>) -> Option<RequestId> {
        let number = self.0.fetch_add(1, std::sync::atomic::Ordering::Relaxed);
        let name = format!("{:x}-{number:x}", std::process::id());
        HeaderValue::from_str(&name).ok().map(RequestId::new)
    }
}
