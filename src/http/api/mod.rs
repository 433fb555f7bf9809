//! The JSON API: every question of the terminal, with the same answers, under `/api/v1`.
//!
//! Routes and their description come from one place, so that neither can say what the other does not.

mod asking;
mod logging;
mod reply;

use super::server::Server;
use axum::Json;
use axum::Router;
use axum::routing::get;
use std::sync::Arc;
use utoipa::OpenApi;
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityScheme};
use utoipa_axum::router::OpenApiRouter;
use utoipa_axum::routes;

/// Where the API begins.
pub const BASE: &str = "/api/v1";

#[derive(OpenApi)]
#[openapi(info(
    title = "xylocast",
    description = "How long infused trees will take to draw down their bags, from the weather. \
                   Planning estimates: the product label, local law and licensed practice prevail. \
                   Times are of the grove's zone with their offset; units stand in the names."
))]
struct Document;

/// The routes with their description.
fn described() -> (Router<Arc<Server>>, utoipa::openapi::OpenApi) {
    let routes = OpenApiRouter::<Arc<Server>>::new()
        .routes(routes!(asking::groves))
        .routes(routes!(asking::tomorrow))
        .routes(routes!(asking::window))
        .routes(routes!(asking::outlook))
        .routes(routes!(asking::times))
        .routes(routes!(asking::overnight))
        .routes(routes!(asking::today))
        .routes(routes!(asking::dayplan))
        .routes(routes!(asking::days))
        .routes(routes!(asking::dose))
        .routes(routes!(asking::compare))
        .routes(routes!(asking::refit))
        .routes(routes!(asking::record))
        .routes(routes!(asking::trees))
        .routes(routes!(asking::tree))
        .routes(routes!(asking::draws))
        .routes(routes!(asking::weather))
        .routes(routes!(asking::check))
        .routes(routes!(logging::entries, logging::note));
    let whole = OpenApiRouter::with_openapi(Document::openapi()).nest(BASE, routes);
    let (router, mut document) = whole.split_for_parts();
    let bearer = HttpBuilder::new().scheme(HttpAuthScheme::Bearer);
    let bearer = bearer.description(Some("of `xylocast token add`; needed once people are kept"));
    let components = document.components.get_or_insert_default();
    components.add_security_scheme("token", SecurityScheme::Http(bearer.build()));
    (router, document)
}

/// Addresses, with the document that describes them.
pub fn routes() -> Router<Arc<Server>> {
    let (router, document) = described();
    let document = Arc::new(document);
    router.route(
        "/api/v1/openapi.json",
        get(move || {
            let document = document.clone();
            async move { Json(document.as_ref().clone()) }
        }),
    )
}
