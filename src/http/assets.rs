//! Files that never change while the service runs: style, icon, script, the installable page.

use super::server::Server;
use crate::text::hex;
use axum::Router;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use axum::routing::get;
use sha2::{Digest, Sha256};
use std::sync::{Arc, LazyLock};

/// A file with its address and what it is.
struct Asset {
    address: &'static str,
    media: &'static str,
    text: &'static str,
}

const ASSETS: [Asset; 6] = [
    Asset {
        address: "/assets/style.css",
        media: "text/css; charset=utf-8",
        text: concat!(include_str!("../pages/style.css"), include_str!("../pages/forms.css")),
    },
    Asset {
        address: "/assets/new_grove.js",
        media: "text/javascript; charset=utf-8",
        text: include_str!("offline/new_grove.js"),
    },
    Asset {
        address: "/assets/icon.svg",
        media: "image/svg+xml",
        text: include_str!("offline/icon.svg"),
    },
    Asset {
        address: "/assets/app.js",
        media: "text/javascript; charset=utf-8",
        text: include_str!("offline/app.js"),
    },
    // At the root, so that it may keep every page.
    Asset {
        address: "/sw.js",
        media: "text/javascript; charset=utf-8",
        text: include_str!("offline/sw.js"),
    },
    Asset {
        address: "/manifest.webmanifest",
        media: "application/manifest+json",
        text: include_str!("offline/manifest.webmanifest"),
    },
];

/// Validator of each file.
static TAGS: LazyLock<[String; ASSETS.len()]> =
    LazyLock::new(|| ASSETS.map(|asset| tag(asset.text.as_bytes())));

/// A validator of what is answered, from its bytes.
pub fn tag(bytes: &[u8]) -> String {
    format!("\"{}\"", hex(&Sha256::digest(bytes)[..16]))
}

/// Does who asks hold what a validator stands for, by their `If-None-Match`? Weak validators compare
/// equal to strong ones there (RFC 9110, section 13.1.2).
pub fn is_held(has: Option<&str>, tag: &str) -> bool {
    let bare = |tag: &str| tag.trim().trim_start_matches("W/").to_owned();
    has.is_some_and(|has| has.split(',').any(|has| has.trim() == "*" || bare(has) == bare(tag)))
}

/// Addresses of the files.
pub fn routes() -> Router<Arc<Server>> {
    ASSETS.iter().zip(0..).fold(Router::new(), |router, (asset, at)| {
        router
            .route(asset.address, get(move |headers: HeaderMap| async move { file(at, &headers) }))
    })
}

/// A file; a browser that has it is told that nothing changed.
fn file(at: usize, headers: &HeaderMap) -> Response {
    let (asset, tag) = (&ASSETS[at], &TAGS[at]);
    let has = headers.get(header::IF_NONE_MATCH).and_then(|has| has.to_str().ok());
    let known = is_held(has, tag);
    let head = [
        (header::CONTENT_TYPE, asset.media),
        (header::CACHE_CONTROL, "no-cache"),
        (header::ETAG, tag),
    ];
    match known {
        true => (StatusCode::NOT_MODIFIED, head).into_response(),
        false => (head, asset.text).into_response(),
    }
}
