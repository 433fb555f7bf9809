//! What the draws teach: compare, refit, backtest, and the draws themselves.

use super::paging::{linked, part, per_page};
use super::query::{Asked, in_range};
use super::reply::{Want, csv, json};
use crate::app::backtest::{self, Backtest, KNOWN_WITHIN_MIN};
use crate::app::compare::{Comparison, compare as compared};
use crate::app::desk::{Desk, DeskError};
use crate::app::draws::{self, Draws};
use crate::app::refit::{Refit, accept, refit as refitted};
use crate::app::walk::Way;
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::rows;
use crate::store::db::By;
use axum::Json;
use axum::extract::OriginalUri;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use chrono::{NaiveDate, TimeDelta};
use serde::Deserialize;
use std::path::Path;

/// Which draws.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Which {
    /// Of this tree.
    tree: Option<String>,
    /// Started on this date.
    date: Option<NaiveDate>,
    /// Where the list goes on, from the `Link` of an earlier answer.
    cursor: Option<String>,
    /// Draws at once; 50 where none is said.
    #[param(minimum = 1, maximum = 200)]
    per_page: Option<u32>,
}

/// All draws, the newest first, part by part.
#[utoipa::path(get, path = "/groves/{grove}/draws", tag = "past", params(Which), responses(
    (status = 200, description = "A part of the list",
        headers(("Link" = String, description = "The first, next and previous parts (RFC 8288)")),
        content((Draws = "application/json"), (String = "text/csv"))),
))]
pub async fn draws(
    here: Here,
    want: Want,
    OriginalUri(uri): OriginalUri,
    Asked(which): Asked<Which>,
) -> Result<Response, Fault> {
    let asked = draws::Asked {
        tree_id: which.tree.clone(),
        date: in_range(which.date)?,
        part: part(which.cursor.as_deref())?,
        per_page: per_page(which.per_page)?,
    };
    let key = format!("{asked:?}");
    let ask = move |desk: &Desk| match draws::draws(desk, &asked) {
        // The address is there; what it asks for is not.
        Err(unknown @ DeskError::NoSuch { .. }) => {
            Err(DeskError::Unanswerable(unknown.to_string()))
        }
        answer => answer,
    };
    let answer = here.answer(&key, ask).await?;
    let reply = want.reply(vec![json(&*answer), csv(|| rows::draws(&answer.draws))])?;
    let mut asked = Vec::new();
    asked.extend(which.tree.map(|tree| ("tree", tree)));
    asked.extend(which.date.map(|date| ("date", date.to_string())));
    asked.extend(which.per_page.map(|count| ("per_page", count.to_string())));
    Ok(linked(reply, uri.path(), &asked, (answer.newer.as_ref(), answer.older.as_ref())))
}

/// Predicted as of the start against what was seen.
#[utoipa::path(get, path = "/groves/{grove}/compare", tag = "past", responses(
    (status = 200, description = "Coverage, bias by group, diagnosis; as CSV the draws",
        content((Comparison = "application/json"), (String = "text/csv"))),
))]
pub async fn compare(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", compared).await?;
    want.reply(vec![json(&*answer), csv(|| rows::compare(&answer))])
}

/// What learning the model again would change; nothing is put in use.
#[utoipa::path(get, path = "/groves/{grove}/refit", tag = "past", responses(
    (status = 200, description = "What would change",
        content((Refit = "application/json"), (String = "text/csv"))),
))]
pub async fn refit(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.at_length().answer("", |desk| refitted(desk, false)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::refit(&answer))])
}

/// What was agreed to.
#[derive(Debug, Default, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Agreed {
    /// Put it in use even if it would have predicted worse.
    even_if_worse: bool,
}

/// Learns the model again and puts it in use; earlier models stay. One that would have predicted worse
/// is refused unless that is agreed to.
#[utoipa::path(post, path = "/groves/{grove}/refit", tag = "past",
    request_body(content = Agreed, example = json!({"even_if_worse": false})),
    responses((status = 201, body = Refit, description = "In use from now on")))]
pub async fn put_in_use(here: Here, Json(agreed): Json<Agreed>) -> Result<Response, Fault> {
    let who = here.caller.who().to_owned();
    let write = move |home: &_, now| accept(home, agreed.even_if_worse, By { who: &who, at: now });
    let refit = here.at_length().write(write).await?;
    Ok((StatusCode::CREATED, Json(refit)).into_response())
}

/// How to walk through the draws.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct WalkAsked {
    /// Weather ahead as it was forecast by then; else as it came, taken as known.
    #[serde(default)]
    forecast: bool,
    /// Predict each draw from a fit without any draw of its own tree.
    #[serde(default)]
    withhold_trees: bool,
    /// Leave the simpler ways out: about a third less work.
    #[serde(default)]
    no_rivals: bool,
    /// Ask so many hours before each day's first start instead of a minute before.
    #[param(minimum = 0, maximum = 72)]
    before_h: Option<f64>,
}

/// How good is the model here? Walks forward through the draws and scores what was believed. Long
/// work: one of its kind runs at a time, the others wait.
#[utoipa::path(get, path = "/groves/{grove}/backtest", tag = "past", params(WalkAsked), responses(
    (status = 200, description = "Scores; as CSV every prediction",
        content((Backtest = "application/json"), (String = "text/csv"))),
))]
pub async fn backtest(
    here: Here,
    want: Want,
    Asked(asked): Asked<WalkAsked>,
) -> Result<Response, Fault> {
    let before_h = asked.before_h.unwrap_or(1.0 / 60.0);
    if !(0.0..=72.0).contains(&before_h) {
        return Err(Fault::unprocessable(format!("before_h {before_h} is outside 0 to 72")));
    }
    let way = Way {
        forecast: asked.forecast,
        withhold_trees: asked.withhold_trees,
        before: TimeDelta::seconds((3600.0 * before_h) as i64),
        rivals: !asked.no_rivals,
    };
    let ask = move |desk: &Desk| {
        let folders: Vec<&Path> = desk.home.path().into_iter().collect();
        let question = backtest::Asked {
            folders: &folders,
            model: None,
            truth: None,
            reference_et: false,
            as_of: Some(desk.as_of),
            way,
            known_within_min: KNOWN_WITHIN_MIN,
        };
        question.answered(desk.as_of, &|_, _| ())
    };
    let answer = here.at_length().answer(&format!("{way:?}"), ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::backtest::rows(&answer))])
}
