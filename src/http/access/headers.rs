//! Headers of every answer: what a page of ours may do in a browser.

use crate::http::server::Server;
use axum::extract::{Request, State};
use axum::http::{HeaderName, HeaderValue, header};
use axum::middleware::Next;
use axum::response::Response;
use std::sync::Arc;

/// Nothing but our own files; nothing inline; no frames.
const POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; \
                      connect-src 'self'; manifest-src 'self'; worker-src 'self'; \
                      form-action 'self'; frame-ancestors 'none'; base-uri 'none'";

const ALWAYS: [(HeaderName, &str); 5] = [
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::REFERRER_POLICY, "same-origin"),
    (HeaderName::from_static("permissions-policy"), "geolocation=(self)"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

/// For a sheet that is one file with its own style, in which nothing runs.
pub const SHEET_POLICY: &str = "default-src 'none'; style-src 'unsafe-inline'; form-action 'none'; \
                                frame-ancestors 'none'; base-uri 'none'";

/// Puts them on, and has browsers ask again before they show what they kept.
pub async fn safe_headers(
    State(server): State<Arc<Server>>,
    request: Request,
    next: Next,
) -> Response {
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in ALWAYS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let policy = HeaderValue::from_static(POLICY);
    headers.entry(header::CONTENT_SECURITY_POLICY).or_insert(policy);
    let ask_again = HeaderValue::from_static("private, no-cache");
    headers.entry(header::CACHE_CONTROL).or_insert(ask_again);
    if server.access.is_https {
        let year = HeaderValue::from_static("max-age=31536000");
        headers.insert(header::STRICT_TRANSPORT_SECURITY, year);
    }
    response
}
