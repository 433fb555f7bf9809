//! Pages: one file a screen, nothing but: who and where, the use case, the page.

mod groves;
mod reading;
mod today;
mod units;

use super::server::Server;
use axum::Router;
use std::collections::HashMap;
use std::sync::Arc;

/// Addresses of all pages.
pub fn routes() -> Router<Arc<Server>> {
    let pages = Router::new().merge(groves::routes()).merge(reading::routes());
    pages.merge(today::routes()).merge(units::routes())
}

/// What a form or an address holds, by the names of its fields.
type Fields = HashMap<String, String>;

/// A field; one that was left blank was not typed.
fn typed<'a>(fields: &'a Fields, name: &str) -> Option<&'a str> {
    fields.get(name).map(|text| text.trim()).filter(|text| !text.is_empty())
}
