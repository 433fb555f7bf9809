//! The groves that are kept here.

use crate::http::fault::Fault;
use crate::http::server::Server;
use axum::Router;
use axum::extract::State;
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::get;
use std::sync::Arc;

/// Addresses.
pub fn routes() -> Router<Arc<Server>> {
    Router::new().route("/", get(first))
}

/// The only grove, or the list of them.
async fn first(State(server): State<Arc<Server>>) -> Result<Response, Fault> {
    match server.groves().as_slice() {
        [only] => Ok(Redirect::to(&format!("/g/{}/tomorrow", only.id)).into_response()),
        _ => Err(Fault::not_found("no grove is kept here")),
    }
}
