//! Questions about days, bags and trees: what the terminal's commands ask, a handler each.

use super::query::{Asked, On, counted, in_range};
use super::reply::{Want, csv, json};
use crate::app::check::{Checked, check as checked};
use crate::app::desk::{Desk, DeskError};
use crate::app::drawdown::{Drawdown, drawdowns as drawn};
use crate::app::hanging::hanging;
use crate::app::outlook::{Outlook, outlook as looked};
use crate::app::overnight::{Calls, overnight as called};
use crate::app::record::{self, Record};
use crate::app::times::{Time, times as timed};
use crate::app::today::{Today, today as now};
use crate::app::tomorrow::{Tomorrow, Window, planned, tomorrow as answered};
use crate::app::trees::{TreeStory, Trees, tree as one_tree, trees as all_trees};
use crate::app::weather_known::{WeatherKnown, weather_known};
use crate::grove::Hang;
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::http::server::Server;
use crate::rows;
use axum::Json;
use axum::extract::{Path, State};
use axum::response::Response;
use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// A grove that is kept here.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct KeptGrove {
    /// Its id in addresses.
    pub id: String,
    /// Its name; none where it cannot be read.
    pub name: Option<String>,
    /// Invented?
    pub is_demo: bool,
}

/// The groves that are kept here.
#[utoipa::path(get, path = "/groves", tag = "groves", responses(
    (status = 200, description = "In the order of their ids",
        content((Vec<KeptGrove> = "application/json"), (String = "text/csv"))),
))]
pub async fn groves(State(server): State<Arc<Server>>, want: Want) -> Result<Response, Fault> {
    let mut groves = Vec::new();
    for kept in server.groves() {
        let name = server.name(&kept).await.ok();
        groves.push(KeptGrove { id: kept.id.clone(), name, is_demo: kept.is_demo() });
    }
    let line = |grove: &KeptGrove| (grove.id.clone(), grove.name.clone(), grove.is_demo);
    want.reply(vec![json(&groves), csv(|| rows::groves(groves.iter().map(line)))])
}

/// Is the day worth it, when to start, how long will each tree take?
#[utoipa::path(get, path = "/groves/{grove}/tomorrow", tag = "ahead", params(On), responses(
    (status = 200, description = "The day; as CSV its trees",
        content((Tomorrow = "application/json"), (String = "text/csv"))),
))]
pub async fn tomorrow(here: Here, want: Want, Asked(on): Asked<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| answered(desk, date.unwrap_or_else(|| desk.tomorrow()));
    let answer = here.answer(&asked, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::trees(&answer))])
}

/// Which starts meet the wish, with the start -> finish curve.
#[utoipa::path(get, path = "/groves/{grove}/window", tag = "ahead", params(On), responses(
    (status = 200, description = "The window; as CSV the curve",
        content((Window = "application/json"), (String = "text/csv"))),
))]
pub async fn window(here: Here, want: Want, Asked(on): Asked<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| answered(desk, date.unwrap_or_else(|| desk.tomorrow()));
    let answer = here.answer(&asked, ask).await?;
    let window = answer.window();
    want.reply(vec![json(&window), csv(|| rows::window(&answer))])
}

/// The day hour by hour: weather, VPD, reference ET, demand, hazards.
#[utoipa::path(get, path = "/groves/{grove}/outlook", tag = "ahead", params(On), responses(
    (status = 200, description = "The day; as CSV its hours",
        content((Outlook = "application/json"), (String = "text/csv"))),
))]
pub async fn outlook(here: Here, want: Want, Asked(on): Asked<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| Ok(looked(desk, date.unwrap_or_else(|| desk.tomorrow()))?.0);
    let answer = here.answer(&asked, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::outlook(&answer.hours))])
}

/// Intended draws: the grove's own, or tomorrow's list as planned.
fn intended(desk: &Desk) -> Result<Vec<Hang>, DeskError> {
    let (hangs, _) = desk.hangs(None)?;
    if hangs.is_empty() { planned(desk, desk.tomorrow()) } else { Ok(hangs) }
}

/// A draw that is intended, as a row of `hang.csv`.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Intended {
    /// Its id, one of its kind in the question.
    draw_id: String,
    /// The tree.
    tree_id: String,
    /// When it is to start, ISO 8601; without an offset in the grove's zone.
    #[schema(example = "2026-01-15T08:00")]
    start: String,
    /// Mix in the bag, mL.
    charge_ml: f64,
    /// Ports; the tree's own where none are given.
    ports: Option<u32>,
    /// Height of the surface above the ports, m.
    head_m: Option<f64>,
}

/// The rows through the reader of `hang.csv`, so that the same is told of what is wrong.
fn brought(desk: &Desk, hangs: &[Intended]) -> Result<Vec<Hang>, DeskError> {
    let text = |value: Option<String>| value.unwrap_or_default();
    let rows = hangs.iter().map(|hang| {
        [
            hang.draw_id.clone(),
            hang.tree_id.clone(),
            hang.start.clone(),
            hang.charge_ml.to_string(),
            text(hang.ports.map(|ports| ports.to_string())),
            text(hang.head_m.map(|head| head.to_string())),
        ]
    });
    desk.hangs_of(&rows::hangs(rows))
}

/// How long will each intended draw take?
#[utoipa::path(get, path = "/groves/{grove}/times", tag = "ahead", responses(
    (status = 200, description = "The draws of hang.csv, else tomorrow's list as planned",
        content((Vec<Time> = "application/json"), (String = "text/csv"))),
))]
pub async fn times(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| timed(desk, &intended(desk)?)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::times(&answer))])
}

/// How long would each of these draws take?
#[utoipa::path(post, path = "/groves/{grove}/times", tag = "ahead",
    request_body(content = Vec<Intended>, example = json!([{"draw_id": "a", "tree_id": "E05",
        "start": "2026-01-15T08:00", "charge_ml": 1000}])),
    responses((status = 200, description = "The draws that were sent",
        content((Vec<Time> = "application/json"), (String = "text/csv")))))]
pub async fn times_of(
    here: Here,
    want: Want,
    Json(hangs): Json<Vec<Intended>>,
) -> Result<Response, Fault> {
    let answer = here.ask(move |desk| timed(desk, &brought(desk, &hangs)?)).await?;
    want.reply(vec![json(&answer), csv(|| rows::times(&answer))])
}

/// Per bag: finish today, leave overnight, strip at dusk, do not hang.
#[utoipa::path(get, path = "/groves/{grove}/overnight", tag = "ahead", responses(
    (status = 200, description = "The bags that hang, and the draws intended",
        content((Calls = "application/json"), (String = "text/csv"))),
))]
pub async fn overnight(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| called(desk, &intended(desk)?)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::overnight(&answer))])
}

/// The same of these draws.
#[utoipa::path(post, path = "/groves/{grove}/overnight", tag = "ahead",
    request_body(content = Vec<Intended>, example = json!([{"draw_id": "a", "tree_id": "E05",
        "start": "2026-01-15T16:00", "charge_ml": 1000}])),
    responses((status = 200, description = "The bags that hang, and the draws that were sent",
        content((Calls = "application/json"), (String = "text/csv")))))]
pub async fn overnight_of(
    here: Here,
    want: Want,
    Json(hangs): Json<Vec<Intended>>,
) -> Result<Response, Fault> {
    let answer = here.ask(move |desk| called(desk, &brought(desk, &hangs)?)).await?;
    want.reply(vec![json(&answer), csv(|| rows::overnight(&answer))])
}

/// The bags that hang now.
#[utoipa::path(get, path = "/groves/{grove}/today", tag = "now", responses(
    (status = 200, description = "Bag by bag",
        content((Today = "application/json"), (String = "text/csv"))),
))]
pub async fn today(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", now).await?;
    want.reply(vec![json(&*answer), csv(|| rows::today(&answer))])
}

/// How the bags that hang fall: readings against what was believed at the start, and what is now.
#[utoipa::path(get, path = "/groves/{grove}/drawdowns", tag = "now", responses(
    (status = 200, description = "Bag by bag; as CSV a row each step and look",
        content((Vec<Drawdown> = "application/json"), (String = "text/csv"))),
))]
pub async fn drawdowns(here: Here, want: Want) -> Result<Response, Fault> {
    let ask = |desk: &Desk| Ok(drawn(desk, &hanging(desk)?));
    let answer = here.answer("", ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::drawdowns(&answer))])
}

/// Dates of applications, and a tree.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Between {
    /// From this date on.
    from: Option<NaiveDate>,
    /// To this date.
    to: Option<NaiveDate>,
    /// Of this tree only.
    tree: Option<String>,
}

/// The working record, not a legal form.
#[utoipa::path(get, path = "/groves/{grove}/record", tag = "past", params(Between), responses(
    (status = 200, description = "Applications in order of time, with sums; as CSV the applications",
        content((Record = "application/json"), (String = "text/csv"))),
))]
pub async fn record(
    here: Here,
    want: Want,
    Asked(between): Asked<Between>,
) -> Result<Response, Fault> {
    let Between { from, to, tree } = between;
    let asked = record::Asked { from: in_range(from)?, to: in_range(to)?, tree_id: tree };
    let key = format!("{asked:?}");
    let ask = move |desk: &Desk| record::record(&desk.home, &asked, desk.as_of);
    let answer = here.answer(&key, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::record(&answer))])
}

/// All trees, each with its thirst against its block.
#[utoipa::path(get, path = "/groves/{grove}/trees", tag = "groves", responses(
    (status = 200, description = "In the order of trees.csv",
        content((Trees = "application/json"), (String = "text/csv"))),
))]
pub async fn trees(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| Ok(all_trees(desk))).await?;
    want.reply(vec![json(&*answer), csv(|| rows::known_trees(&answer.trees))])
}

/// A tree with its draws.
#[utoipa::path(get, path = "/groves/{grove}/trees/{tree}", tag = "groves",
    params(("tree" = String, Path, description = "Id of the tree", example = "E05")),
    responses((status = 200, description = "The tree; as CSV its draws",
        content((TreeStory = "application/json"), (String = "text/csv")))))]
pub async fn tree(
    here: Here,
    want: Want,
    Path((_, tree_id)): Path<(String, String)>,
) -> Result<Response, Fault> {
    let asked = tree_id.clone();
    let answer = here.answer(&asked, move |desk| one_tree(desk, &tree_id)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::draws(&answer.draws))])
}

/// Sources, freshness and gaps of the weather; forecast against observed (what `pull --verify` tells).
#[utoipa::path(get, path = "/groves/{grove}/weather", tag = "weather", responses(
    (status = 200, description = "What is known; as CSV the hours to come",
        content((WeatherKnown = "application/json"), (String = "text/csv"))),
))]
pub async fn weather(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", weather_known).await?;
    let hours = || rows::outlook(answer.days.iter().flat_map(|day| &day.hours));
    want.reply(vec![json(&*answer), csv(hours)])
}

/// Is the grove sound? What was found, and what to mind.
#[utoipa::path(get, path = "/groves/{grove}/check", tag = "groves", responses(
    (status = 200, description = "It is; a flawed grove is a problem with its flaws",
        content((Checked = "application/json"), (String = "text/csv"))),
))]
pub async fn check(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| Ok(checked(desk))).await?;
    want.reply(vec![json(&*answer), csv(|| rows::check(&answer))])
}

/// A sample of trunks.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct Sample {
    /// Circumferences at breast height as typed, in cm, or with their unit.
    circumferences: Vec<String>,
    /// Are numbers without a unit inches?
    #[serde(default)]
    inches: bool,
    /// How well the mean is to be known, as a share of it; the grove's own wish where none is given.
    #[schema(minimum = 0.005, maximum = 0.5)]
    precision: Option<f64>,
    /// Confidence of the interval; 0.95 where none is given.
    #[schema(minimum = 0.5, maximum = 0.99)]
    confidence: Option<f64>,
    /// Trees of the block, where it was measured in part.
    #[schema(minimum = 1, maximum = 1_000_000)]
    block_trees: Option<u32>,
}

/// Mean dbh of trunks, how far to trust it, and the trees to dose one by one.
#[utoipa::path(post, path = "/groves/{grove}/measure", tag = "dose",
    request_body(content = Sample, example = json!({"circumferences": ["94.2", "88", "101", "37 1/2 in"]})),
    responses((status = 200, description = "The sample summed up; as CSV its trunks",
        content((crate::app::measure::Measured = "application/json"), (String = "text/csv")))))]
pub async fn measure(
    here: Here,
    want: Want,
    Json(trunks): Json<Sample>,
) -> Result<Response, Fault> {
    use crate::app::measure::{Tape, Wish, measure, read_list};
    let block_trees = counted("block_trees", trunks.block_trees, 1_000_000)?;
    let ask = move |desk: &Desk| {
        let tape = if trunks.inches { Tape::Inches } else { Tape::Centimetres };
        let flawed = |flaw: &dyn std::fmt::Display| DeskError::Unanswerable(flaw.to_string());
        let read = read_list(None, &trunks.circumferences.join("\n"), tape);
        let read = read.map_err(|flaw| flawed(&flaw))?;
        let settings = &desk.grove.settings;
        let wish = Wish {
            precision: trunks.precision.or(settings.wishes.dbh_precision),
            confidence: trunks.confidence,
            block_trees,
        };
        let measured = measure(&read, wish).map_err(|flaw| flawed(&flaw))?;
        Ok((measured, settings.units))
    };
    let (measured, units) = here.ask(ask).await?;
    want.reply(vec![json(&measured), csv(|| rows::dose::measured(&measured, units))])
}
