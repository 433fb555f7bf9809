//! The screens that are read: tomorrow, plan, trees, draws, compare, records, weather.

use super::typed;
use crate::app::compare::compare;
use crate::app::dayplan::{Asked as PlanAsked, DayPlan, Kept, dayplan};
use crate::app::desk::{Desk, DeskError};
use crate::app::draws::{Asked, draws};
use crate::app::parts::Part;
use crate::app::record::{Asked as RecordAsked, Record, record};
use crate::app::refit::{accept, refit};
use crate::app::tomorrow::tomorrow;
use crate::app::trees::{tree, trees};
use crate::app::weather_known::weather_known;
use crate::http::access::SHEET_POLICY;
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::http::server::Server;
use crate::pages;
use crate::pages::plan::Missing;
use crate::pages::site::{Place, Tab};
use crate::rows;
use crate::store::db::By;
use crate::store::home::Home;
use axum::extract::{Path, Query};
use axum::http::header;
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Form, Router};
use chrono::NaiveDate;
use serde::Deserialize;
use std::collections::HashMap;
use std::sync::Arc;

/// Addresses.
pub fn routes() -> Router<Arc<Server>> {
    Router::new()
        .route("/g/{grove}/tomorrow", get(of_tomorrow))
        .route("/g/{grove}/plan", get(plan))
        .route("/g/{grove}/plan/sheet", get(plan_sheet))
        .route("/g/{grove}/plan/calendar", get(plan_calendar))
        .route("/g/{grove}/trees", get(all_trees))
        .route("/g/{grove}/trees/{tree}", get(one_tree))
        .route("/g/{grove}/draws", get(all_draws))
        .route("/g/{grove}/compare", get(compared))
        .route("/g/{grove}/refit", post(refitted))
        .route("/g/{grove}/records", get(records))
        .route("/g/{grove}/records/sheet", get(records_sheet))
        .route("/g/{grove}/records/csv", get(records_rows))
        .route("/g/{grove}/weather", get(weather))
}

/// What stands behind the question mark.
type Fields = Query<super::Fields>;
/// The same where a name may stand more than once.
type Pairs = Query<Vec<(String, String)>>;

fn date(fields: &Fields, name: &str) -> Result<Option<NaiveDate>, Fault> {
    let read = |text: &str| {
        text.parse::<NaiveDate>().map_err(|_| {
            Fault::bad_request(format!("{name} '{text}' is no date; write it as 2026-01-14"))
        })
    };
    typed(fields, name).map(read).transpose()
}

fn on(date: Option<NaiveDate>) -> String {
    date.map_or(String::new(), |date| date.to_string())
}

async fn of_tomorrow(here: Here, fields: Fields) -> Result<Response, Fault> {
    let date = date(&fields, "date")?;
    let ask = move |desk: &Desk| tomorrow(desk, date.unwrap_or_else(|| desk.tomorrow()));
    here.page(Tab::Tomorrow, &on(date), ask, pages::tomorrow::page).await
}

/// A plan that is asked for.
struct Planned {
    date: Option<NaiveDate>,
    missing: Missing,
    /// The plan with everybody and everything, which is held to as far as it still goes.
    earlier: Option<Kept>,
}

impl Planned {
    async fn read(here: &Here, Query(pairs): &Pairs) -> Result<Self, Fault> {
        let missing = Missing { gone: numbers(pairs, "gone")?, broken: numbers(pairs, "broken")? };
        let date = date(&Query(pairs.iter().cloned().collect()), "date")?;
        let whole = Self { date, missing: Missing::default(), earlier: None };
        if missing.is_none() {
            return Ok(whole);
        }
        let earlier = here.at_length().answer(&whole.key(), whole.plan()).await?;
        Ok(Self { date, missing, earlier: Some(earlier.kept.clone()) })
    }

    fn key(&self) -> String {
        format!("{} {:?}", on(self.date), self.missing)
    }

    fn plan(self) -> impl FnOnce(&Desk) -> Result<DayPlan, DeskError> {
        let Self { date, missing: Missing { gone, broken }, earlier } = self;
        let asked = PlanAsked { gone, broken, earlier, ..PlanAsked::default() };
        move |desk| dayplan(desk, date.unwrap_or_else(|| desk.tomorrow()), &asked)
    }
}

/// Numbers of people or kits, as they stand in the plan, in one field or in several of its name.
fn numbers(pairs: &[(String, String)], name: &str) -> Result<Vec<u32>, Fault> {
    let texts = pairs.iter().filter(|pair| pair.0 == name).map(|pair| &pair.1);
    let words = texts.flat_map(|text| text.split([' ', ',', ';'])).filter(|word| !word.is_empty());
    let read = |word: &str| {
        word.parse::<u32>().map_err(|_| {
            let words = "write numbers as they stand in the plan, as in 2, or 1 3";
            Fault::bad_request(format!("{name} '{word}' is no number of the plan; {words}"))
        })
    };
    let mut numbers = words.map(read).collect::<Result<Vec<u32>, Fault>>()?;
    numbers.sort_unstable();
    numbers.dedup();
    Ok(numbers)
}

async fn planned(here: &Here, fields: &Pairs) -> Result<Arc<DayPlan>, Fault> {
    let asked = Planned::read(here, fields).await?;
    here.at_length().answer(&asked.key(), asked.plan()).await
}

async fn plan(here: Here, fields: Pairs) -> Result<Response, Fault> {
    let asked = Planned::read(&here, &fields).await?;
    let (key, missing) = (asked.key(), asked.missing.clone());
    let write = move |place: &Place, plan: &DayPlan| pages::plan::page(place, plan, &missing);
    here.at_length().page(Tab::Plan, &key, asked.plan(), write).await
}

async fn plan_sheet(here: Here, fields: Pairs) -> Result<impl IntoResponse, Fault> {
    Ok(as_sheet(pages::dayplan::file(&*planned(&here, &fields).await?)))
}

/// A file to print, with its own style.
fn as_sheet(file: String) -> impl IntoResponse {
    ([(header::CONTENT_SECURITY_POLICY, SHEET_POLICY)], Html(file))
}

async fn plan_calendar(here: Here, fields: Pairs) -> Result<impl IntoResponse, Fault> {
    let plan = planned(&here, &fields).await?;
    let made = here.server.now(&here.kept);
    let media = [(header::CONTENT_TYPE, "text/calendar; charset=utf-8")];
    Ok((media, pages::calendar::calendar(&plan, made)))
}

async fn all_trees(here: Here) -> Result<Response, Fault> {
    here.page(Tab::Trees, "", |desk| Ok(trees(desk)), pages::trees::page).await
}

async fn one_tree(
    here: Here,
    Path(path): Path<HashMap<String, String>>,
) -> Result<Response, Fault> {
    let tree_id = path.get("tree").cloned().unwrap_or_default();
    let asked = tree_id.clone();
    here.page(Tab::Trees, &asked, move |desk| tree(desk, &tree_id), pages::tree::page).await
}

async fn all_draws(here: Here, fields: Fields) -> Result<Response, Fault> {
    let page = typed(&fields, "page").map(|text| {
        text.parse::<usize>().map_err(|_| {
            Fault::bad_request(format!("page '{text}' is no number of a page; write 1 or more"))
        })
    });
    let asked = Asked {
        tree_id: typed(&fields, "tree").map(str::to_owned),
        date: date(&fields, "date")?,
        part: Part::Page(page.transpose()?.unwrap_or(1)),
        per_page: None,
    };
    let key = format!("{asked:?}");
    here.page(Tab::Draws, &key, move |desk| draws(desk, &asked), pages::draws::page).await
}

async fn compared(here: Here, fields: Fields) -> Result<Html<String>, Fault> {
    let answer = here.answer("", compare).await?;
    let change = match typed(&fields, "refit") {
        Some(_) => Some(here.at_length().answer("", |desk| refit(desk, false)).await?),
        None => None,
    };
    let place = here.place(Tab::Compare).await?;
    Ok(Html(pages::compare::page(&place, &answer, change.as_deref())))
}

/// What was agreed to.
#[derive(Debug, Deserialize)]
struct Agreed {
    all_the_same: Option<String>,
}

async fn refitted(here: Here, Form(agreed): Form<Agreed>) -> Result<Redirect, Fault> {
    let who = here.caller.who().to_owned();
    let even_if_worse = agreed.all_the_same.is_some();
    let write = move |home: &Home, now| accept(home, even_if_worse, By { who: &who, at: now });
    here.at_length().write(write).await?;
    Ok(Redirect::to(&format!("/g/{}/compare#refit", here.kept.id)))
}

fn record_asked(fields: &Fields) -> Result<RecordAsked, Fault> {
    Ok(RecordAsked { from: date(fields, "from")?, to: date(fields, "to")?, tree_id: None })
}

async fn recorded(here: &Here, fields: &Fields) -> Result<Arc<Record>, Fault> {
    let asked = record_asked(fields)?;
    let key = format!("{asked:?}");
    here.answer(&key, move |desk| record(&desk.home, &asked, desk.as_of)).await
}

async fn records(here: Here, fields: Fields) -> Result<Response, Fault> {
    let asked = record_asked(&fields)?;
    let key = format!("{asked:?}");
    let ask = move |desk: &Desk| record(&desk.home, &asked, desk.as_of);
    here.page(Tab::Records, &key, ask, pages::records::page).await
}

async fn records_sheet(here: Here, fields: Fields) -> Result<impl IntoResponse, Fault> {
    Ok(as_sheet(pages::record::sheet(&*recorded(&here, &fields).await?)))
}

async fn records_rows(here: Here, fields: Fields) -> Result<impl IntoResponse, Fault> {
    let record = recorded(&here, &fields).await?;
    let head = [
        (header::CONTENT_TYPE, "text/csv; charset=utf-8"),
        (header::CONTENT_DISPOSITION, "attachment; filename=\"record.csv\""),
    ];
    Ok((head, rows::record(&record)))
}

async fn weather(here: Here) -> Result<Response, Fault> {
    here.page(Tab::Weather, "", weather_known, pages::weather::page).await
}
