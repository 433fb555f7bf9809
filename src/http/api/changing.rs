//! New groves, what is added to them, and weather brought in.

use super::asking::KeptGrove;
use super::reply::{Want, json};
use crate::app::desk::DeskError;
use crate::app::founding::{
    Founded, FoundingError, Typed, add_files, add_tree, bring_in, copy_demo, found,
};
use crate::app::pull::{Pulled, Wanted, dry_run, pull as pulled};
use crate::http::caller::Caller;
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::http::server::{Kept, Server};
use crate::store::db::By;
use crate::store::home::Home;
use axum::Json;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Response};
use chrono::{DateTime, Utc};
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;
use std::sync::Arc;

/// A grove that is to be made.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(tag = "from", rename_all = "snake_case", deny_unknown_fields)]
pub enum NewGrove {
    /// Without trees, from where it is.
    Place {
        /// Its name.
        name: String,
        /// IANA time zone.
        #[schema(example = "Australia/Adelaide")]
        time_zone: String,
        /// Latitude, degrees north.
        #[schema(minimum = -66, maximum = 66)]
        latitude_deg: f64,
        /// Longitude, degrees east.
        #[schema(minimum = -180, maximum = 180)]
        longitude_deg: f64,
        /// Above the sea, m.
        elevation_m: f64,
    },
    /// From the files of a grove folder, as `import` takes them: names with their texts.
    Files {
        /// `grove.toml`, `trees.csv` and the others.
        files: BTreeMap<String, String>,
    },
    /// A copy of the demo, in its own days.
    Demo,
}

/// Makes a grove, all of it or nothing.
#[utoipa::path(post, path = "/groves", tag = "groves",
    request_body(content = NewGrove, example = json!({"from": "place", "name": "West",
        "time_zone": "Europe/Madrid", "latitude_deg": 40.4, "longitude_deg": -3.7,
        "elevation_m": 650})),
    responses((status = 201, body = KeptGrove, description = "Made",
        headers(("Location" = String, description = "Where its trees stand")))))]
pub async fn make(
    State(server): State<Arc<Server>>,
    caller: Caller,
    Json(wanted): Json<NewGrove>,
) -> Result<Response, Fault> {
    let Some(_) = &server.settings.data else {
        return Err(Fault::unchangeable(
            "this service has no folder for groves of its own: whoever runs it names one in its \
             setting data",
        ));
    };
    let (office, who) = (server.access.office.clone(), caller.who().to_owned());
    let is_demo = matches!(wanted, NewGrove::Demo);
    let made = server.work(move || {
        let by = By { who: &who, at: Utc::now() };
        match wanted {
            NewGrove::Demo => copy_demo(&office, by),
            NewGrove::Files { files } => bring_in(&office, bytes(files), by).map(|(made, _)| made),
            NewGrove::Place { name, time_zone, latitude_deg, longitude_deg, elevation_m } => {
                let form = Typed::from([
                    ("name".into(), name),
                    ("time_zone".into(), time_zone),
                    ("latitude_deg".into(), latitude_deg.to_string()),
                    ("longitude_deg".into(), longitude_deg.to_string()),
                    ("elevation_m".into(), elevation_m.to_string()),
                ]);
                found(&office, &form, by)
            }
        }
    });
    let Founded { kept, file } = made.await??;
    server.keep(Kept::new(&kept.grove, Home::Database(file), kept.clock_offset));
    let place = format!("{}/groves/{}/trees", super::BASE, kept.grove);
    let grove = KeptGrove { id: kept.grove, name: Some(kept.name), is_demo };
    Ok((StatusCode::CREATED, [(header::LOCATION, place)], Json(grove)).into_response())
}

fn bytes(files: BTreeMap<String, String>) -> Vec<(String, Vec<u8>)> {
    files.into_iter().map(|(name, text)| (name, text.into_bytes())).collect()
}

impl From<FoundingError> for Fault {
    fn from(error: FoundingError) -> Self {
        match error {
            FoundingError::Desk(error) => error.into(),
            FoundingError::Office(error) => error.into(),
            FoundingError::NotADatabase => Self::unchangeable(error.to_string()),
            FoundingError::Form(wrong) => {
                let words = wrong.iter().map(|wrong| format!("{} {}", wrong.field, wrong.words));
                Self::unprocessable(words.collect::<Vec<_>>().join("; "))
            }
            other => Self::unprocessable(other.to_string()),
        }
    }
}

/// A tree that is to be added, as a row of `trees.csv`.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewTree {
    /// Its id, one of its kind.
    tree_id: String,
    /// Its block.
    block: String,
    /// Species.
    species: Option<String>,
    /// Circumference at breast height, cm.
    circumference_cm: f64,
    /// Ports; by practice where none are given.
    ports: Option<u32>,
    /// What else is to be known.
    note: Option<String>,
}

/// Adds a tree.
#[utoipa::path(post, path = "/groves/{grove}/trees", tag = "groves",
    request_body(content = NewTree, example = json!({"tree_id": "E90", "block": "East",
        "species": "avocado", "circumference_cm": 94.2, "ports": 8})),
    responses((status = 201, body = Added, description = "Added")))]
pub async fn new_tree(here: Here, Json(tree): Json<NewTree>) -> Result<Response, Fault> {
    let form = Typed::from([
        ("tree_id".to_owned(), tree.tree_id),
        ("block".to_owned(), tree.block),
        ("species".to_owned(), tree.species.unwrap_or_default()),
        ("circumference_cm".to_owned(), tree.circumference_cm.to_string()),
        ("ports".to_owned(), tree.ports.map_or_else(String::new, |ports| ports.to_string())),
        ("note".to_owned(), tree.note.unwrap_or_default()),
    ]);
    changeable(&here)?;
    let who = here.caller.who().to_owned();
    let write = move |home: &Home, now| add_tree(home, &form, By { who: &who, at: now });
    here.write(write).await?;
    let added =
        Added { files: BTreeMap::from([("trees.csv".to_owned(), Rows { new: 1, same: 0 })]) };
    Ok((StatusCode::CREATED, Json(added)).into_response())
}

/// Files of a grove folder with their texts.
#[derive(Debug, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields)]
pub struct NewFiles {
    /// Names with texts.
    files: BTreeMap<String, String>,
}

/// Rows of one file.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Rows {
    /// Added.
    new: u64,
    /// There already, just so.
    same: u64,
}

/// What was added.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Added {
    /// Rows by file.
    files: BTreeMap<String, Rows>,
}

/// Adds what files tell, all or nothing (what `import` does); rows that are there with other content
/// are flaws.
#[utoipa::path(post, path = "/groves/{grove}/files", tag = "groves",
    request_body(content = NewFiles, example = json!({"files": {"trees.csv":
        "tree_id,block,species,circumference_cm,ports\nE91,East,avocado,90,8\n"}})),
    responses((status = 200, body = Added, description = "Rows by file")))]
pub async fn new_files(here: Here, Json(sent): Json<NewFiles>) -> Result<Json<Added>, Fault> {
    changeable(&here)?;
    let who = here.caller.who().to_owned();
    let write =
        move |home: &Home, now| add_files(home, bytes(sent.files), By { who: &who, at: now });
    let (counts, _) = here.write(write).await?;
    let rows = |(file, count): (String, crate::store::db::Counted)| {
        (file, Rows { new: count.new as u64, same: count.same as u64 })
    };
    Ok(Json(Added { files: counts.into_iter().map(rows).collect() }))
}

/// The demo itself cannot be added to.
fn changeable(here: &Here) -> Result<(), Fault> {
    match here.kept.home.is_demo() {
        true => Err(Fault::from(DeskError::Demo)),
        false => Ok(()),
    }
}

/// What to ask the weather services for.
#[derive(Debug, Default, Deserialize, utoipa::ToSchema)]
#[serde(deny_unknown_fields, default)]
pub struct NewWeather {
    /// This service only.
    source: Option<String>,
    /// Observed hours from here on.
    from: Option<DateTime<Utc>>,
    /// To here.
    to: Option<DateTime<Utc>>,
    /// Ensemble members too.
    ensemble: bool,
}

/// The grove where its weather can be asked for.
async fn weathered(here: &Here) -> Result<Vec<(Home, crate::grove::Grove)>, Fault> {
    if here.kept.is_demo() {
        return Err(Fault::unchangeable(
            "weather of the demo and of its copies is invented and is not pulled",
        ));
    }
    let (home, now) = (here.kept.home.clone(), here.server.now(&here.kept));
    let grove = here.server.work(move || home.grove(now).map(|grove| (home, grove))).await??;
    Ok(vec![grove])
}

/// What a pull would ask, a line each; nobody is asked.
#[utoipa::path(get, path = "/groves/{grove}/pull", tag = "weather", responses(
    (status = 200, description = "Addresses", content((Vec<String> = "application/json"))),
))]
pub async fn would_pull(here: Here, want: Want) -> Result<Response, Fault> {
    let groves = weathered(&here).await?;
    let lines = dry_run(&groves, &Wanted::default(), here.server.now(&here.kept))?;
    want.reply(vec![json(&lines)])
}

/// Asks the weather services of the grove's settings and keeps what comes.
#[utoipa::path(post, path = "/groves/{grove}/pull", tag = "weather",
    request_body(content = NewWeather, example = json!({"source": "open-meteo"})),
    responses((status = 200, body = Pulled, description = "What came")))]
pub async fn pull(here: Here, Json(wanted): Json<NewWeather>) -> Result<Json<Pulled>, Fault> {
    let groves = weathered(&here).await?;
    let NewWeather { source, from, to, ensemble } = wanted;
    if let (Some(from), Some(to)) = (from, to)
        && from >= to
    {
        return Err(Fault::unprocessable("from is not before to; turn the two round"));
    }
    let wanted = Wanted { source, from, to, members: ensemble };
    let pulled = pulled(&groves, &wanted, here.caller.who(), Utc::now).await;
    let counts = &here.server.counts;
    if pulled.is_ok() { &counts.pulls_done } else { &counts.pulls_failed }.inc();
    let mut pulled = pulled?;
    here.server.tell(&here.kept);
    let only = pulled.pop().ok_or_else(|| Fault::own("one grove was asked for, and none came"))?;
    Ok(Json(only))
}
