//! Questions: what the terminal's commands ask, a handler each.

use super::reply::{Want, csv, json};
use crate::app::check::{Checked, check as checked};
use crate::app::compare::{Comparison, compare as compared};
use crate::app::dayplan::{self, Campaign, DayPlan, campaign};
use crate::app::desk::{Desk, DeskError};
use crate::app::dose::{self, Dose};
use crate::app::draws::{self, Draws};
use crate::app::outlook::{Outlook, outlook as looked};
use crate::app::overnight::{Calls, overnight as called};
use crate::app::record::{self, Record};
use crate::app::refit::{Refit, refit as refitted};
use crate::app::times::{Time, times as timed};
use crate::app::today::{Today, today as now};
use crate::app::tomorrow::{Tomorrow, planned, tomorrow as answered};
use crate::app::trees::{TreeStory, Trees, tree as one_tree, trees as all_trees};
use crate::app::weather_known::{WeatherKnown, weather_known};
use crate::http::fault::{Fault, Problem};
use crate::http::here::Here;
use crate::http::server::Server;
use crate::{pages, rows};
use axum::extract::{Path, Query, State};
use axum::response::Response;
use chrono::{Datelike, NaiveDate};
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Years that can be asked for.
const YEARS: std::ops::RangeInclusive<i32> = 1900..=2199;
/// Draws on one page where none is said.
const PER_PAGE: usize = 50;
/// Most days of a campaign.
const MOST_DAYS: u32 = 16;

/// A date, in the grove's zone.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct On {
    /// Tomorrow where none is given; 1900 to 2199.
    date: Option<NaiveDate>,
}

fn in_range(date: Option<NaiveDate>) -> Result<Option<NaiveDate>, Fault> {
    match date {
        Some(date) if !YEARS.contains(&date.year()) => {
            Err(Fault::unprocessable(format!("date {date} is outside 1900 to 2199")))
        }
        date => Ok(date),
    }
}

impl On {
    fn date(&self) -> Result<(Option<NaiveDate>, String), Fault> {
        let date = in_range(self.date)?;
        Ok((date, date.map_or(String::new(), |date| date.to_string())))
    }
}

/// A grove that is kept here.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct KeptGrove {
    /// Its id in addresses.
    id: String,
    /// Its name; none where it cannot be read.
    name: Option<String>,
    /// Invented?
    is_demo: bool,
}

/// The groves that are kept here.
#[utoipa::path(get, path = "/groves", responses(
    (status = 200, body = Vec<KeptGrove>),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn groves(State(server): State<Arc<Server>>, want: Want) -> Result<Response, Fault> {
    let mut groves = Vec::new();
    for kept in server.groves() {
        let name = server.name(&kept).await.ok();
        groves.push(KeptGrove { id: kept.id.clone(), name, is_demo: kept.is_demo() });
    }
    want.reply(vec![json(&groves)])
}

/// Is the day worth it, when to start, how long will each tree take?
#[utoipa::path(get, path = "/groves/{grove}/tomorrow", params(("grove" = String, Path, description = "Id of the grove"), On), responses(
    (status = 200, content((Tomorrow = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn tomorrow(here: Here, want: Want, Query(on): Query<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| answered(desk, date.unwrap_or_else(|| desk.tomorrow()));
    let answer = here.answer(&asked, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::trees(&answer))])
}

/// Which starts meet the wish, with the start -> finish curve.
#[utoipa::path(get, path = "/groves/{grove}/window", params(("grove" = String, Path, description = "Id of the grove"), On), responses(
    (status = 200, content((crate::app::tomorrow::Window = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn window(here: Here, want: Want, Query(on): Query<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| answered(desk, date.unwrap_or_else(|| desk.tomorrow()));
    let answer = here.answer(&asked, ask).await?;
    let window = answer.window();
    want.reply(vec![json(&window), csv(|| rows::window(&answer))])
}

/// The day hour by hour: weather, VPD, reference ET, demand, hazards.
#[utoipa::path(get, path = "/groves/{grove}/outlook", params(("grove" = String, Path, description = "Id of the grove"), On), responses(
    (status = 200, content((Outlook = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn outlook(here: Here, want: Want, Query(on): Query<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| Ok(looked(desk, date.unwrap_or_else(|| desk.tomorrow()))?.0);
    let answer = here.answer(&asked, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::outlook(&answer))])
}

/// Intended draws: the grove's own, or tomorrow's list as planned.
fn intended(desk: &Desk) -> Result<Vec<crate::grove::Hang>, DeskError> {
    let (hangs, _) = desk.hangs(None)?;
    if hangs.is_empty() { planned(desk, desk.tomorrow()) } else { Ok(hangs) }
}

/// How long will each intended draw take?
#[utoipa::path(get, path = "/groves/{grove}/times", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((Vec<Time> = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn times(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| timed(desk, &intended(desk)?)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::times(&answer))])
}

/// Per bag: finish today, leave overnight, strip at dusk, do not hang.
#[utoipa::path(get, path = "/groves/{grove}/overnight", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((Calls = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn overnight(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| called(desk, &intended(desk)?)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::overnight(&answer))])
}

/// The bags that hang now.
#[utoipa::path(get, path = "/groves/{grove}/today", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((Today = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn today(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", now).await?;
    want.reply(vec![json(&*answer), csv(|| rows::today(&answer))])
}

/// Who sets, looks at and strips which tree when; as a calendar too.
#[utoipa::path(get, path = "/groves/{grove}/dayplan", params(("grove" = String, Path, description = "Id of the grove"), On), responses(
    (status = 200, content((DayPlan = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn dayplan(here: Here, want: Want, Query(on): Query<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| {
        let date = date.unwrap_or_else(|| desk.tomorrow());
        dayplan::dayplan(desk, date, &dayplan::Asked::default())
    };
    let plan = here.answer(&asked, ask).await?;
    let made = here.server.now(&here.kept);
    let calendar = || pages::calendar::calendar(&plan, made).into_bytes();
    want.reply(vec![
        json(&*plan),
        csv(|| rows::dayplan::day(&plan)),
        ("text/calendar", Box::new(calendar)),
    ])
}

/// Days from a date on.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Days {
    /// The first; tomorrow where none is given.
    date: Option<NaiveDate>,
    /// How many; 7 where none is given.
    #[param(minimum = 1, maximum = 16)]
    days: Option<u32>,
}

/// How many trees on which days, and which days not to go.
#[utoipa::path(get, path = "/groves/{grove}/days", params(("grove" = String, Path, description = "Id of the grove"), Days), responses(
    (status = 200, content((Campaign = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn days(here: Here, want: Want, Query(days): Query<Days>) -> Result<Response, Fault> {
    let (date, count) = (in_range(days.date)?, days.days.unwrap_or(7));
    if !(1..=MOST_DAYS).contains(&count) {
        return Err(Fault::unprocessable(format!("days {count} is outside 1 to {MOST_DAYS}")));
    }
    let ask = move |desk: &Desk| {
        let first = date.unwrap_or_else(|| desk.tomorrow());
        campaign(desk, first, count, &dayplan::Asked::default())
    };
    let answer = here.answer(&format!("{date:?} {count}"), ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::dayplan::days(&answer))])
}

/// What to measure, mix and load, by the rate typed from the label.
#[utoipa::path(get, path = "/groves/{grove}/dose", params(("grove" = String, Path, description = "Id of the grove"), On), responses(
    (status = 200, content((Dose = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn dose(here: Here, want: Want, Query(on): Query<On>) -> Result<Response, Fault> {
    let (date, asked) = on.date()?;
    let ask = move |desk: &Desk| dose::dose(desk, &dose::Asked { day: date, ..Default::default() });
    let answer = here.answer(&asked, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::dose::rows(&answer, None))])
}

/// Predicted as of the start against what was seen.
#[utoipa::path(get, path = "/groves/{grove}/compare", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((Comparison = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn compare(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", compared).await?;
    want.reply(vec![json(&*answer), csv(|| rows::compare(&answer))])
}

/// What learning the model again would change; nothing is put in use.
#[utoipa::path(get, path = "/groves/{grove}/refit", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((Refit = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn refit(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| refitted(desk, false)).await?;
    want.reply(vec![json(&*answer), csv(|| rows::refit(&answer))])
}

/// Dates of applications.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Between {
    /// From this date on.
    from: Option<NaiveDate>,
    /// To this date.
    to: Option<NaiveDate>,
}

/// The working record, not a legal form.
#[utoipa::path(get, path = "/groves/{grove}/record", params(("grove" = String, Path, description = "Id of the grove"), Between), responses(
    (status = 200, content((Record = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn record(
    here: Here,
    want: Want,
    Query(between): Query<Between>,
) -> Result<Response, Fault> {
    let Between { from, to } = between;
    let asked = record::Asked { from: in_range(from)?, to: in_range(to)?, tree_id: None };
    let key = format!("{asked:?}");
    let ask = move |desk: &Desk| record::record(&desk.home, &asked, desk.as_of);
    let answer = here.answer(&key, ask).await?;
    want.reply(vec![json(&*answer), csv(|| rows::record(&answer))])
}

/// All trees, each with its thirst against its block.
#[utoipa::path(get, path = "/groves/{grove}/trees", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((Trees = "application/json"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn trees(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| Ok(all_trees(desk))).await?;
    want.reply(vec![json(&*answer)])
}

/// A tree with its draws.
#[utoipa::path(get, path = "/groves/{grove}/trees/{tree}", params(
    ("grove" = String, Path, description = "Id of the grove"),
    ("tree" = String, Path, description = "Id of the tree"),
), responses(
    (status = 200, body = TreeStory),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn tree(
    here: Here,
    want: Want,
    Path((_, tree_id)): Path<(String, String)>,
) -> Result<Response, Fault> {
    let asked = tree_id.clone();
    let answer = here.answer(&asked, move |desk| one_tree(desk, &tree_id)).await?;
    want.reply(vec![json(&*answer)])
}

/// Which draws.
#[derive(Debug, Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct Which {
    /// Of this tree.
    tree: Option<String>,
    /// Started on this date.
    date: Option<NaiveDate>,
    /// Which page, from 1.
    #[param(minimum = 1)]
    page: Option<usize>,
    /// Draws on a page, 1 to 200; 50 where none is said.
    #[param(minimum = 1, maximum = 200)]
    per_page: Option<usize>,
}

/// All draws, the newest first, page by page.
#[utoipa::path(get, path = "/groves/{grove}/draws", params(("grove" = String, Path, description = "Id of the grove"), Which), responses(
    (status = 200, content((Draws = "application/json"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn draws(here: Here, want: Want, Query(which): Query<Which>) -> Result<Response, Fault> {
    let per_page = which.per_page.unwrap_or(PER_PAGE);
    if !(1..=200).contains(&per_page) {
        return Err(Fault::unprocessable(format!("per_page {per_page} is outside 1 to 200")));
    }
    let asked = draws::Asked {
        tree_id: which.tree,
        date: in_range(which.date)?,
        page: which.page,
        per_page: Some(per_page),
    };
    let ask_key = format!("{asked:?}");
    let answer = here.answer(&ask_key, move |desk| draws::draws(desk, &asked)).await?;
    want.reply(vec![json(&*answer)])
}

/// Sources, freshness and gaps of the weather; forecast against observed.
#[utoipa::path(get, path = "/groves/{grove}/weather", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((WeatherKnown = "application/json"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn weather(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", weather_known).await?;
    want.reply(vec![json(&*answer)])
}

/// Is the grove sound? What was found, and what to mind.
#[utoipa::path(get, path = "/groves/{grove}/check", params(("grove" = String, Path, description = "Id of the grove")), responses(
    (status = 200, content((Checked = "application/json"), (String = "text/csv"))),
    (status = 304, description = "What the asker has still holds"),
    (status = "4XX", body = Problem, content_type = "application/problem+json"),
))]
pub async fn check(here: Here, want: Want) -> Result<Response, Fault> {
    let answer = here.answer("", |desk| Ok(checked(desk))).await?;
    want.reply(vec![json(&*answer), csv(|| rows::check(&answer))])
}
