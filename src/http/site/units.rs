//! The reader's choice of units, kept by their browser.

use crate::http::fault::Fault;
use crate::http::server::Server;
use axum::http::header;
use axum::response::{IntoResponse, Redirect};
use axum::routing::post;
use axum::{Form, Router};
use serde::Deserialize;
use std::sync::Arc;

/// Addresses.
pub fn routes() -> Router<Arc<Server>> {
    Router::new().route("/units", post(chosen))
}

#[derive(Debug, Deserialize)]
struct Chosen {
    units: Units,
    back: String,
}

#[derive(Debug, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Units {
    Metric,
    Us,
}

async fn chosen(Form(chosen): Form<Chosen>) -> Result<impl IntoResponse, Fault> {
    let units = match chosen.units {
        Units::Metric => "metric",
        Units::Us => "us",
    };
    // Back to a page of ours and nowhere else.
    let is_ours = chosen.back.starts_with('/') && !chosen.back[1..].starts_with(['/', '\\']);
    if !is_ours || chosen.back.chars().any(char::is_control) {
        return Err(Fault::bad_request(format!("'{}' is no page of this service", chosen.back)));
    }
    let cookie = format!("units={units}; Path=/; Max-Age=31536000; SameSite=Lax; HttpOnly");
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to(&chosen.back)))
}
