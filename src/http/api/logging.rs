//! The journal: what was noted, and noting more.

use super::paging::{linked, part, per_page};
use super::query::{Asked, in_range};
use super::reply::{Want, csv, json};
use crate::app::log::{self, Entries, Noted, Shown, What, Wish, log, show};
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::rows;
use axum::Json;
use axum::extract::OriginalUri;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

/// Most entries that are sent at once.
pub const MOST_ENTRIES: usize = 500;

/// What happened to a bag. `on` is the id of a tree or of a draw.
#[derive(Debug, Clone, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewEntry {
    /// Idempotency key of this entry; one that was noted before does nothing.
    key: Option<String>,
    /// When it happened, `14:30` (today) or a whole time; now where none is given.
    at: Option<String>,
    /// What else is to be known.
    note: Option<String>,
    /// What happened.
    act: What,
}

impl NewEntry {
    fn wish(self, by: Option<String>) -> Wish {
        Wish { at: self.at, by, note: self.note, key: self.key, what: self.act }
    }
}

/// Which entries.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Which {
    /// Noted on this date, in the grove's zone.
    date: Option<NaiveDate>,
    /// Where the list goes on, from the `Link` of an earlier answer.
    cursor: Option<String>,
    /// Entries at once; 50 where none is said.
    #[param(minimum = 1, maximum = 200)]
    per_page: Option<u32>,
}

/// The journal, the last noted first, part by part.
#[utoipa::path(get, path = "/groves/{grove}/entries", tag = "now", params(Which), responses(
    (status = 200, description = "A part of the list",
        headers(("Link" = String, description = "The first, next and previous parts (RFC 8288)")),
        content((Entries = "application/json"), (String = "text/csv"))),
))]
pub async fn entries(
    here: Here,
    want: Want,
    OriginalUri(uri): OriginalUri,
    Asked(which): Asked<Which>,
) -> Result<Response, Fault> {
    let asked = log::Which {
        date: in_range(which.date)?,
        part: part(which.cursor.as_deref())?,
        per_page: per_page(which.per_page)?,
    };
    let (home, now) = (here.kept.home.clone(), here.server.now(&here.kept));
    let answer = here.server.work(move || log::entries(&home, &asked, now)).await??;
    let reply = want.reply(vec![json(&answer), csv(|| rows::journal(&answer))])?;
    let mut asked = Vec::new();
    asked.extend(which.date.map(|date| ("date", date.to_string())));
    asked.extend(which.per_page.map(|count| ("per_page", count.to_string())));
    Ok(linked(reply, uri.path(), &asked, (answer.newer.as_ref(), answer.older.as_ref())))
}

/// The bags that hang and those still to be stripped, and what was noted today (what `log show` tells).
#[utoipa::path(get, path = "/groves/{grove}/bags", tag = "now", responses(
    (status = 200, description = "Bags and entries; as CSV today's entries",
        content((Shown = "application/json"), (String = "text/csv"))),
))]
pub async fn bags(here: Here, want: Want) -> Result<Response, Fault> {
    let (home, now) = (here.kept.home.clone(), here.server.now(&here.kept));
    let shown = here.server.work(move || show(&home, now)).await??;
    want.reply(vec![json(&shown), csv(|| rows::entries(&shown))])
}

/// Notes what happened.
#[utoipa::path(post, path = "/groves/{grove}/entries", tag = "now",
    request_body(content = NewEntry,
        example = json!({"key": "phone-7", "act": {"kind": "left", "on": "E05", "left_ml": 250}})),
    responses(
        (status = 201, body = Noted, description = "Noted"),
        (status = 200, body = Noted, description = "Was noted before by this key"),
    ))]
pub async fn note(here: Here, Json(entry): Json<NewEntry>) -> Result<Response, Fault> {
    let wish = entry.wish(here.caller.name.clone());
    let random = fastrand::u32(..);
    let noted = here.write(move |home, now| log(home, &wish, now, random)).await?;
    let status = if noted.repeated { StatusCode::OK } else { StatusCode::CREATED };
    Ok((status, Json(noted)).into_response())
}

/// What became of one entry of many.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Outcome {
    /// Its key.
    key: String,
    /// Noted, noted before, or not.
    outcome: Became,
    /// What was noted, or why it was not.
    says: String,
    /// What to mind.
    mind: Vec<String>,
}

/// Noted, noted before, or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Became {
    /// Now.
    Noted,
    /// By this key, before.
    Repeated,
    /// It does not go together with what is known; the others stand for themselves.
    Refused,
}

/// Notes many entries in their order. Each is answered for, none twice; one that is refused leaves the
/// others as they are.
#[utoipa::path(post, path = "/groves/{grove}/entries/batch", tag = "now",
    request_body(content = Vec<NewEntry>, description = "At most 500, each with its key",
        example = json!([{"key": "phone-8", "act": {"kind": "wet", "on": "E05"}},
            {"key": "phone-9", "at": "16:40", "act": {"kind": "empty", "on": "E05"}}])),
    responses((status = 200, body = Vec<Outcome>, description = "In the order in which they were sent")))]
pub async fn batch(
    here: Here,
    Json(entries): Json<Vec<NewEntry>>,
) -> Result<Json<Vec<Outcome>>, Fault> {
    if here.kept.home.is_demo() {
        return Err(Fault::from(crate::app::desk::DeskError::Demo));
    }
    if entries.len() > MOST_ENTRIES {
        return Err(Fault::unprocessable(format!("send at most {MOST_ENTRIES} entries at once")));
    }
    if entries.iter().any(|entry| entry.key.as_deref().is_none_or(str::is_empty)) {
        return Err(Fault::unprocessable("an entry has no key, so that it could be noted twice"));
    }
    let mut outcomes = Vec::new();
    for entry in entries {
        let key = entry.key.clone().unwrap_or_default();
        let wish = entry.wish(here.caller.name.clone());
        let (home, now) = (here.kept.home.clone(), here.server.now(&here.kept));
        let noted = here.server.work(move || log(&home, &wish, now, fastrand::u32(..))).await?;
        outcomes.push(match noted {
            Ok(Noted { repeated, says, mind, .. }) => {
                if !repeated {
                    here.server.tell(&here.kept);
                }
                let outcome = if repeated { Became::Repeated } else { Became::Noted };
                Outcome { key, outcome, says, mind }
            }
            Err(refused) => match Fault::from(refused) {
                fault if fault.status.is_server_error() => return Err(fault),
                Fault { detail, .. } => {
                    Outcome { key, outcome: Became::Refused, says: detail, mind: Vec::new() }
                }
            },
        });
    }
    Ok(Json(outcomes))
}
