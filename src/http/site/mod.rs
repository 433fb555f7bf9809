//! Pages: one file a screen, nothing but: who and where, the use case, the page.

mod groves;
mod reading;
mod today;
mod units;

use super::server::Server;
use axum::Router;
use std::sync::Arc;

/// Addresses of all pages.
pub fn routes() -> Router<Arc<Server>> {
    let pages = Router::new().merge(groves::routes()).merge(reading::routes());
    pages.merge(today::routes()).merge(units::routes())
}
