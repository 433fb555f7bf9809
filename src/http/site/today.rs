//! Today, and what is logged there: by a form, or many at once by a phone that had no signal.

use super::{Fields, typed};
use crate::app::desk::Desk;
use crate::app::drawdown::Drawdown;
use crate::app::log::{Fault as Refused, Noted, Shown, What, Wish, log, show};
use crate::app::today::{Today, today_drawn};
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::http::server::Server;
use crate::pages::figures::ML_PER_FL_OZ;
use crate::pages::site::Tab;
use crate::pages::today::{Logging, page};
use crate::store::folder_log::LogError;
use crate::text::hex;
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Form, Json, Router};
use chrono::SecondsFormat;
use serde::Serialize;
use std::sync::Arc;

/// Most entries that are sent at once.
const MOST_ENTRIES: usize = 500;

/// Addresses.
pub fn routes() -> Router<Arc<Server>> {
    Router::new()
        .route("/g/{grove}/today", get(of_today))
        .route("/g/{grove}/log", post(logged))
        .route("/g/{grove}/log/batch", post(many_logged))
}

/// What the page shows.
struct Seen {
    today: Today,
    drawn: Vec<Drawdown>,
    tree_ids: Vec<String>,
}

fn seen(desk: &Desk) -> Result<Seen, crate::app::desk::DeskError> {
    let (today, drawn) = today_drawn(desk)?;
    let tree_ids = desk.grove.trees.iter().map(|tree| tree.id.clone()).collect();
    Ok(Seen { today, drawn, tree_ids })
}

/// A key for the forms of one page.
fn fresh_key() -> Result<String, Fault> {
    let mut bytes = [0; 12];
    getrandom::fill(&mut bytes).map_err(|error| Fault::own(format!("no random key: {error}")))?;
    Ok(hex(&bytes))
}

async fn shown(here: &Here) -> Result<Option<Shown>, Fault> {
    if here.kept.home.is_demo() {
        return Ok(None);
    }
    let (home, now) = (here.kept.home.clone(), here.server.now(&here.kept));
    let shown = here.server.work(move || show(&home, now)).await?;
    Ok(Some(shown.map_err(crate::app::desk::DeskError::from)?))
}

async fn of_today(here: Here, Query(asked): Query<Fields>) -> Result<Html<String>, Fault> {
    screen(&here, &asked, None, &Fields::new()).await
}

async fn screen(
    here: &Here,
    asked: &Fields,
    refused: Option<&str>,
    typed: &Fields,
) -> Result<Html<String>, Fault> {
    let seen = here.answer("", seen).await?;
    let shown = shown(here).await?;
    // What was noted is looked up by its key, so that no link can make the page say what nobody did.
    let line = asked
        .get("noted")
        .and_then(|key| shown.as_ref()?.entries.iter().find(|line| line.key == *key));
    let mind = asked.get("mind").filter(|_| line.is_some());
    let noted: Vec<String> =
        line.map(|line| line.says.clone()).into_iter().chain(mind.cloned()).collect();
    let key = fresh_key()?;
    let logging = Logging {
        shown: shown.as_ref(),
        tree_ids: &seen.tree_ids,
        key: &key,
        noted: &noted,
        refused,
        typed,
    };
    let place = here.place(Tab::Today).await?;
    let now = here.server.now(&here.kept).to_rfc3339_opts(SecondsFormat::Millis, true);
    Ok(Html(page(&place, &seen.today, &seen.drawn, &logging, &now)))
}

/// A volume in the unit that its form was made in, mL.
fn volume(fields: &Fields) -> Result<Option<f64>, String> {
    let Some(text) = typed(fields, "ml") else { return Ok(None) };
    let unit = typed(fields, "unit").unwrap_or("mL");
    let number = text.replace(',', ".").parse::<f64>().ok().filter(|value| value.is_finite());
    let value =
        number.ok_or_else(|| format!("'{text}' is no volume; write a number of {unit}, as 250"))?;
    match unit {
        "mL" => Ok(Some(value)),
        "fl oz" => Ok(Some(value * ML_PER_FL_OZ)),
        _ => Err(format!("'{unit}' is no unit of a volume here; it is mL or fl oz")),
    }
}

/// What is to be noted, from a form or from a phone.
fn wish(fields: &Fields, by: Option<&str>) -> Result<Wish, String> {
    let kind = typed(fields, "kind").ok_or("nothing was chosen: tap one of the buttons")?;
    let ml = volume(fields)?;
    let needed = || ml.ok_or("how much? Write the volume into its field");
    let on = || typed(fields, "on").map(str::to_owned).ok_or("no tree was chosen: choose one");
    let why = typed(fields, "why").map(str::to_owned);
    let what = match kind {
        "wet" => What::Wet { on: on()? },
        "empty" => What::Empty { on: on()? },
        "left" => What::Left { on: on()?, left_ml: needed()? },
        "refill" => What::Refill { on: on()?, added_ml: needed()? },
        "leak" => What::Leak { on: on()?, left_ml: ml },
        "pause" => What::Pause { on: on()?, why: why.clone() },
        "resume" => What::Resume { on: on()? },
        "strip" => What::Strip { on: on()?, left_ml: ml },
        "undo" => What::Undo { of: typed(fields, "of").map(str::to_owned) },
        "start" => What::Start {
            tree_id: on()?,
            charge_ml: ml,
            ports: None,
            head_m: None,
            kit: typed(fields, "kit").map(str::to_owned),
            draw_id: None,
            second_bag: typed(fields, "second_bag").is_some(),
        },
        _ => return Err(format!("'{kind}' is nothing that can be logged")),
    };
    Ok(Wish {
        at: typed(fields, "at").map(str::to_owned),
        by: by.map(str::to_owned),
        note: why.filter(|_| kind != "pause"),
        // A form's buttons are told apart, so that a tap on the other one is not taken for a repeat.
        key: typed(fields, "key").map(|key| match fields.contains_key("form") {
            true => format!("{key}-{kind}"),
            false => key.to_owned(),
        }),
        what,
    })
}

/// Notes a wish, or says why not; the outer fault is of the store.
fn note(
    here: &Here,
    fields: &Fields,
) -> impl FnOnce() -> Result<Result<Noted, String>, Fault> + use<> {
    let wish = wish(fields, here.caller.name.as_deref());
    let (home, now) = (here.kept.home.clone(), here.server.now(&here.kept));
    move || {
        let wish = match wish {
            Ok(wish) => wish,
            Err(words) => return Ok(Err(words)),
        };
        match log(&home, &wish, now, fastrand::u32(..)) {
            Ok(noted) => Ok(Ok(noted)),
            Err(refused) => words(refused).map(Err),
        }
    }
}

/// A refusal in the words of the page; what the store could not do is a fault.
fn words(refused: Refused) -> Result<String, Fault> {
    Ok(match refused {
        Refused::Log(LogError::Refusal(refusal)) => refusal.to_string(),
        Refused::Log(LogError::Demo) => demo_words().into(),
        Refused::Log(error) => {
            return Err(crate::app::desk::DeskError::from(Refused::Log(error)).into());
        }
        Refused::Time(flaw) => format!("the time: {flaw}"),
        Refused::Unknown { on } => format!("'{on}' is neither a tree nor a bag of this grove"),
        Refused::NoBag { tree_id, .. } => {
            format!("no bag hangs on tree {tree_id} at that time: hang one first, below")
        }
        Refused::NothingToUndo { .. } => {
            "nothing of yours was noted today that could be undone".into()
        }
        other => other.to_string(),
    })
}

const fn demo_words() -> &'static str {
    "the demo can be read and not written to: make a copy of it first, at New grove"
}

async fn logged(here: Here, Form(fields): Form<Fields>) -> Result<Response, Fault> {
    if here.kept.home.is_demo() {
        return Err(Fault::unprocessable(demo_words()));
    }
    match here.server.work(note(&here, &fields)).await?? {
        Ok(noted) => {
            if !noted.repeated {
                here.server.tell(&here.kept);
            }
            let mut query = vec![("noted", noted.entry.key.clone())];
            query.extend((!noted.mind.is_empty()).then(|| ("mind", noted.mind.join("; "))));
            let query = serde_urlencoded::to_string(query).unwrap_or_default();
            Ok(Redirect::to(&format!("/g/{}/today?{query}", here.kept.id)).into_response())
        }
        Err(words) => {
            let page = screen(&here, &Fields::new(), Some(&words), &fields).await?;
            Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
        }
    }
}

/// What became of one entry.
#[derive(Debug, Serialize)]
struct Outcome {
    key: String,
    /// `noted`, `repeated` or `refused`.
    outcome: &'static str,
    /// What was noted, or why it was not.
    says: String,
    /// What to mind.
    mind: Vec<String>,
}

/// Entries in the order in which they were typed; each is answered for, and none twice.
async fn many_logged(
    here: Here,
    Json(entries): Json<Vec<Fields>>,
) -> Result<Json<Vec<Outcome>>, Fault> {
    if here.kept.home.is_demo() {
        return Err(Fault::unprocessable(demo_words()));
    }
    if entries.len() > MOST_ENTRIES {
        return Err(Fault::bad_request(format!("send at most {MOST_ENTRIES} entries at once")));
    }
    if entries.iter().any(|entry| typed(entry, "key").is_none()) {
        return Err(Fault::bad_request("an entry has no key, so that it could be noted twice"));
    }
    let mut outcomes = Vec::new();
    for entry in &entries {
        let key = typed(entry, "key").unwrap_or_default().to_owned();
        outcomes.push(match here.server.work(note(&here, entry)).await?? {
            Ok(noted) => {
                if !noted.repeated {
                    here.server.tell(&here.kept);
                }
                let outcome = if noted.repeated { "repeated" } else { "noted" };
                Outcome { key, outcome, says: noted.says, mind: noted.mind }
            }
            Err(says) => Outcome { key, outcome: "refused", says, mind: Vec::new() },
        });
    }
    Ok(Json(outcomes))
}
