//! The journal: what was noted, and noting more.

use super::reply::{Want, json};
use crate::app::log::{Noted, Shown, What, Wish, log, show};
use crate::http::fault::{Fault, Problem};
use crate::http::here::Here;
use axum::Json;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use serde::Deserialize;

/// What happened to a bag. `on` is the id of a tree or of a draw.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Entry {
    /// Idempotency key of this entry; one that was noted before does nothing.
    key: Option<String>,
    /// When it happened, `14:30` (today) or a whole time; now where none is given.
    at: Option<String>,
    /// What else is to be known.
    note: Option<String>,
    /// What happened.
    act: What,
}

/// The bags that hang, and what was noted today.
#[utoipa::path(get, path = "/groves/{grove}/entries",
    params(("grove" = String, Path, description = "Id of the grove")),
    responses(
        (status = 200, body = Shown),
        (status = 304, description = "What the asker has still holds"),
        (status = "4XX", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn entries(here: Here, want: Want) -> Result<Response, Fault> {
    let (home, now) = (here.kept.home.clone(), here.server.now(&here.kept));
    let shown = here.server.work(move || show(&home, now)).await??;
    want.reply(vec![json(&shown)])
}

/// Notes what happened; 201 where it was new, 200 where it was noted before.
#[utoipa::path(post, path = "/groves/{grove}/entries",
    params(
        ("grove" = String, Path, description = "Id of the grove"),
        ("Idempotency-Key" = Option<String>, Header, description = "Any text of the asker's own; \
            the same again gives the first answer again"),
    ),
    request_body = Entry,
    responses(
        (status = 201, body = Noted, description = "Noted"),
        (status = 200, body = Noted, description = "Was noted before by this key"),
        (status = "4XX", body = Problem, content_type = "application/problem+json"),
    ))]
pub async fn note(here: Here, Json(entry): Json<Entry>) -> Result<Response, Fault> {
    let wish = Wish {
        at: entry.at,
        by: here.caller.name.clone(),
        note: entry.note,
        key: entry.key,
        what: entry.act,
    };
    let random = fastrand::u32(..);
    let noted = here.write(move |home, now| log(home, &wish, now, random)).await?;
    let status = if noted.repeated { StatusCode::OK } else { StatusCode::CREATED };
    Ok((status, Json(noted)).into_response())
}
