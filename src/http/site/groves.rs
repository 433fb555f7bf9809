//! The groves that are kept here, new ones, and what is added to them.

use crate::app::founding::{
    self, Founded, FoundingError, Typed, add_files, add_tree, bring_in, copy_demo, found,
};
use crate::http::caller::Caller;
use crate::http::fault::Fault;
use crate::http::here::Here;
use crate::http::problem::Kind;
use crate::http::server::{Kept, Server};
use crate::pages::first_run::{Again, Listed, add_page, groves_page, new_page};
use crate::pages::site::Tab;
use crate::store::db::By;
use crate::store::home::Home;
use crate::store::office::Office;
use axum::extract::{Multipart, Query, State};
use axum::http::StatusCode;
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Form, Router};
use chrono::Utc;
use serde::Deserialize;
use std::sync::Arc;

/// Addresses.
pub fn routes() -> Router<Arc<Server>> {
    Router::new()
        .route("/", get(first))
        .route("/new", get(new).post(made))
        .route("/new/files", post(brought_in))
        .route("/new/demo", post(copied))
        .route("/g/{grove}/add", get(add))
        .route("/g/{grove}/add/tree", post(tree_added))
        .route("/g/{grove}/add/files", post(files_added))
}

/// The grove that is served as it lies, or the list of them.
async fn first(State(server): State<Arc<Server>>, caller: Caller) -> Response {
    let groves = server.groves();
    if let ([only], true) = (groves.as_slice(), server.settings.grove.is_some()) {
        return Redirect::to(&format!("/g/{}/tomorrow", only.id)).into_response();
    }
    let mut listed = Vec::new();
    for kept in groves {
        let name = server.name(&kept).await.ok();
        listed.push(Listed { id: kept.id.clone(), name, is_demo: kept.is_demo() });
    }
    let can_make = server.settings.data.is_some();
    Html(groves_page(&server.place(&caller), &listed, can_make)).into_response()
}

fn nothing_typed() -> (Typed, Vec<founding::Wrong>, Vec<String>) {
    Default::default()
}

fn new_again(server: &Server, caller: &Caller, again: &Again) -> Html<String> {
    let zones: Vec<&str> = founding::zones().collect();
    Html(new_page(&server.place(caller), again, &zones))
}

async fn new(State(server): State<Arc<Server>>, caller: Caller) -> Html<String> {
    let (typed, wrong, flaws) = nothing_typed();
    new_again(&server, &caller, &Again { typed: &typed, wrong: &wrong, flaws: &flaws })
}

/// Fields and files that are wrong, for their form; other faults go their own way.
fn told(error: FoundingError) -> Result<(Vec<founding::Wrong>, Vec<String>), Fault> {
    match error {
        FoundingError::Form(wrong) => Ok((wrong, Vec::new())),
        FoundingError::Desk(error) => {
            let fault = Fault::from(error);
            match fault.flaws.is_empty() {
                true => Err(fault),
                false => {
                    Ok((Vec::new(), fault.flaws.iter().map(|flaw| flaw.words.clone()).collect()))
                }
            }
        }
        FoundingError::Office(error) => Err(error.into()),
        other => Ok((Vec::new(), vec![other.to_string()])),
    }
}

/// Makes a grove and leads to it, or shows the form again with all that was typed.
async fn make(
    server: &Arc<Server>,
    caller: &Caller,
    typed: &Typed,
    make: impl FnOnce(&Office, By) -> Result<Founded, FoundingError> + Send + 'static,
    to: &str,
) -> Result<Response, Fault> {
    if server.settings.data.is_none() {
        let words = "this service has no folder for groves of its own: whoever runs it names one in its \
                     setting data";
        return Err(Fault::unprocessable(words));
    }
    let (office, who) = (server.access.office.clone(), caller.who().to_owned());
    let made = server.work(move || make(&office, By { who: &who, at: Utc::now() })).await?;
    match made {
        Ok(Founded { kept, file }) => {
            let address = format!("/g/{}/{to}", kept.grove);
            server.keep(Kept::new(&kept.grove, Home::Database(file), kept.clock_offset));
            Ok(Redirect::to(&address).into_response())
        }
        Err(error) => {
            let (wrong, flaws) = told(error)?;
            let again = Again { typed, wrong: &wrong, flaws: &flaws };
            let page = new_again(server, caller, &again);
            Ok((StatusCode::UNPROCESSABLE_ENTITY, page).into_response())
        }
    }
}

async fn made(
    State(server): State<Arc<Server>>,
    caller: Caller,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let form = typed.clone();
    make(&server, &caller, &typed, move |office, by| found(office, &form, by), "add").await
}

async fn brought_in(
    State(server): State<Arc<Server>>,
    caller: Caller,
    parts: Multipart,
) -> Result<Response, Fault> {
    let sent = files(parts).await?;
    let work = move |office: &Office, by: By| bring_in(office, sent, by).map(|(made, _)| made);
    make(&server, &caller, &Typed::new(), work, "tomorrow").await
}

async fn copied(State(server): State<Arc<Server>>, caller: Caller) -> Result<Response, Fault> {
    make(&server, &caller, &Typed::new(), copy_demo, "tomorrow").await
}

/// Files of a form, with the names that the browser gives them.
async fn files(mut parts: Multipart) -> Result<Vec<(String, Vec<u8>)>, Fault> {
    let broken = |error: axum::extract::multipart::MultipartError| {
        Fault::new(error.status(), Kind::CannotBeRead, error.body_text())
    };
    let mut files = Vec::new();
    while let Some(part) = parts.next_field().await.map_err(broken)? {
        // An empty choice of files is sent as a file without a name.
        let Some(name) = part.file_name().filter(|name| !name.is_empty()).map(str::to_owned) else {
            continue;
        };
        files.push((name, part.bytes().await.map_err(broken)?.to_vec()));
    }
    if files.is_empty() {
        return Err(Fault::unprocessable("no file was chosen: choose one and send it again"));
    }
    Ok(files)
}

#[derive(Deserialize)]
struct Done {
    #[serde(default)]
    added: String,
}

async fn add(here: Here, Query(Done { added }): Query<Done>) -> Result<Html<String>, Fault> {
    let (typed, wrong, flaws) = nothing_typed();
    let again = Again { typed: &typed, wrong: &wrong, flaws: &flaws };
    let done = (!added.is_empty()).then(|| format!("Added: {added}."));
    Ok(Html(add_page(&here.place(Tab::Elsewhere).await?, &again, done.as_deref())))
}

async fn add_again(here: &Here, typed: &Typed, error: FoundingError) -> Result<Response, Fault> {
    let (wrong, flaws) = told(error)?;
    let again = Again { typed, wrong: &wrong, flaws: &flaws };
    let html = add_page(&here.place(Tab::Elsewhere).await?, &again, None);
    Ok((StatusCode::UNPROCESSABLE_ENTITY, Html(html)).into_response())
}

/// Back to the page, with what was added.
fn added(here: &Here, what: &str) -> Response {
    here.server.tell(&here.kept);
    let query = serde_urlencoded::to_string([("added", what)]).unwrap_or_default();
    Redirect::to(&format!("/g/{}/add?{query}", here.kept.id)).into_response()
}

async fn tree_added(here: Here, Form(typed): Form<Typed>) -> Result<Response, Fault> {
    let (home, who) = (here.kept.home.clone(), here.caller.who().to_owned());
    let (form, now) = (typed.clone(), here.server.now(&here.kept));
    let work = move || add_tree(&home, &form, By { who: &who, at: now });
    let tree_id = typed.get("tree_id").map_or("", |text| text.trim());
    match here.server.work(work).await? {
        Ok(()) => Ok(added(&here, &format!("tree {tree_id}"))),
        Err(error) => add_again(&here, &typed, error).await,
    }
}

async fn files_added(here: Here, parts: Multipart) -> Result<Response, Fault> {
    let sent = files(parts).await?;
    let (home, who) = (here.kept.home.clone(), here.caller.who().to_owned());
    let now = here.server.now(&here.kept);
    let work = move || add_files(&home, sent, By { who: &who, at: now });
    match here.server.work(work).await? {
        Ok((counts, passed_over)) => {
            let new = |(file, count): (&String, &crate::store::db::Counted)| {
                format!("{file}: {} new, {} there already", count.new, count.same)
            };
            let mut words: Vec<String> = counts.iter().map(new).collect();
            if !passed_over.is_empty() {
                words.push(format!("passed over: {}", passed_over.join(", ")));
            }
            Ok(added(&here, &words.join("; ")))
        }
        Err(error) => add_again(&here, &Typed::new(), error).await,
    }
}
