//! The JSON API: every question of the terminal, with the same answers, under `/api/v1`.
//!
//! Routes and their description come from one place, so that neither can say what the other does not.

mod asking;
mod changing;
mod document;
mod learning;
mod logging;
mod paging;
mod planning;
mod query;
mod reply;

use super::server::Server;
use axum::Router;
use axum::extract::State;
use axum::response::Response;
use axum::routing::get;
use reply::{Want, json};
use std::sync::Arc;
use utoipa::OpenApi;
use utoipa::openapi::OpenApi as Document;
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

/// Where the API begins.
pub const BASE: &str = "/api/v1";

/// The routes with their description.
fn described() -> (Router<Arc<Server>>, Document) {
    let routes = OpenApiRouter::<Arc<Server>>::new()
        .routes(routes!(asking::groves, changing::make))
        .routes(routes!(asking::tomorrow))
        .routes(routes!(asking::window))
        .routes(routes!(asking::outlook))
        .routes(routes!(asking::times, asking::times_of))
        .routes(routes!(asking::overnight, asking::overnight_of))
        .routes(routes!(asking::today))
        .routes(routes!(asking::drawdowns))
        .routes(routes!(planning::dayplan, planning::replan))
        .routes(routes!(planning::days))
        .routes(routes!(planning::dose))
        .routes(routes!(asking::measure))
        .routes(routes!(learning::compare))
        .routes(routes!(learning::refit, learning::put_in_use))
        .routes(routes!(learning::backtest))
        .routes(routes!(asking::record))
        .routes(routes!(asking::trees, changing::new_tree))
        .routes(routes!(asking::tree))
        .routes(routes!(changing::new_files))
        .routes(routes!(learning::draws))
        .routes(routes!(asking::weather))
        .routes(routes!(changing::would_pull, changing::pull))
        .routes(routes!(asking::check))
        .routes(routes!(logging::entries, logging::note))
        .routes(routes!(logging::batch))
        .routes(routes!(logging::bags));
    let whole = OpenApiRouter::with_openapi(document::Base::openapi()).nest(BASE, routes);
    whole.split_for_parts()
}

/// Addresses, with the document that describes them.
pub fn routes() -> Router<Arc<Server>> {
    let (router, document) = described();
    let document = Arc::new(document);
    router.route(
        "/api/v1/openapi.json",
        get(move |State(server): State<Arc<Server>>, want: Want| {
            let document = document.clone();
            async move { told(&server, &want, &document) }
        }),
    )
}

fn told(
    server: &Server,
    want: &Want,
    document: &Document,
) -> Result<Response, super::fault::Fault> {
    let mut document = document.clone();
    document::finish(&mut document, server.access.cookie_name());
    want.reply(vec![json(&document)])
}
