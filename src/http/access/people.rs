//! People and tokens, for managers.

use crate::app::access::{add_person, add_token, change_password};
use crate::app::members::members;
use crate::http::caller::{Caller, Role};
use crate::http::fault::Fault;
use crate::http::server::Server;
use crate::pages::people::{Said, page};
use crate::store::office::Office;
use axum::extract::State;
use axum::http::{StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Form, Router};
use chrono::Utc;
use serde::Deserialize;
use std::sync::Arc;

pub(super) fn routes() -> Router<Arc<Server>> {
    Router::new()
        .route("/people", get(shown))
        .route("/people/add", post(added))
        .route("/people/role", post(role_changed))
        .route("/people/disable", post(disabled))
        .route("/people/password", post(password_set))
        .route("/people/token", post(token_made))
        .route("/people/revoke", post(token_revoked))
}

/// What the forms send; each sends some of it.
#[derive(Deserialize)]
struct Typed {
    #[serde(default)]
    name: String,
    #[serde(default)]
    role: String,
    #[serde(default)]
    password: String,
    #[serde(default)]
    disabled: String,
    #[serde(default)]
    token: String,
}

impl Typed {
    fn role(&self) -> Result<Role, Fault> {
        self.role.parse().map_err(|error| Fault::unprocessable(format!("{error}")))
    }
}

type Here = (State<Arc<Server>>, Caller);

async fn listed(server: &Arc<Server>, caller: &Caller, said: Said<'_>) -> Result<String, Fault> {
    let office = server.access.office.clone();
    let members = server.work(move || members(&office)).await??;
    let has_data = server.settings.data.is_some();
    Ok(page(&server.place(caller), &members, &Said { has_data, ..said }))
}

async fn shown((State(server), caller): Here) -> Result<Html<String>, Fault> {
    Ok(Html(listed(&server, &caller, Said::default()).await?))
}

/// Does it and shows the list again; what is refused is told above it.
async fn done<T: Send + 'static>(
    (State(server), caller): Here,
    work: impl FnOnce(&Office) -> Result<T, Fault> + Send + 'static,
    shown: impl FnOnce(T) -> Option<String>,
) -> Result<Response, Fault> {
    if server.settings.data.is_none() {
        let words = "this service keeps no people: whoever runs it names a folder for them in its \
                     setting data";
        return Err(Fault::unprocessable(words));
    }
    let office = server.access.office.clone();
    match server.work(move || work(&office)).await? {
        Ok(done) => match shown(done) {
            None => Ok(Redirect::to("/people").into_response()),
            Some(token) => {
                let said = Said { token: Some(&token), ..Said::default() };
                let html = listed(&server, &caller, said).await?;
                Ok(([(header::CACHE_CONTROL, "no-store")], Html(html)).into_response())
            }
        },
        Err(fault) if fault.status == StatusCode::UNPROCESSABLE_ENTITY => {
            let said = Said { wrong: Some(&fault.detail), ..Said::default() };
            let html = listed(&server, &caller, said).await?;
            Ok((fault.status, Html(html)).into_response())
        }
        Err(fault) => Err(fault),
    }
}

async fn added(
    state: State<Arc<Server>>,
    who: Caller,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let work = move |office: &Office| {
        let role = typed.role()?;
        Ok(add_person(office, (&typed.name, role), &typed.password, Utc::now())?)
    };
    done((state, who), work, |_| None).await
}

async fn role_changed(
    state: State<Arc<Server>>,
    who: Caller,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let work = move |office: &Office| Ok(office.change_role(&typed.name, typed.role()?)?);
    done((state, who), work, |()| None).await
}

async fn disabled(
    state: State<Arc<Server>>,
    who: Caller,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let work = move |office: &Office| match typed.disabled.as_str() {
        "yes" => Ok(office.disable(&typed.name, true)?),
        "no" => Ok(office.disable(&typed.name, false)?),
        other => Err(Fault::unprocessable(format!("disabled is yes or no, not '{other}'"))),
    };
    done((state, who), work, |()| None).await
}

async fn password_set(
    state: State<Arc<Server>>,
    who: Caller,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let work = move |office: &Office| Ok(change_password(office, &typed.name, &typed.password)?);
    done((state, who), work, |()| None).await
}

async fn token_made(
    state: State<Arc<Server>>,
    who: Caller,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let work = move |office: &Office| {
        let role = typed.role()?;
        Ok(add_token(office, (&typed.token, role), &typed.name, Utc::now())?)
    };
    done((state, who), work, |secret| Some(secret.text().to_owned())).await
}

async fn token_revoked(
    state: State<Arc<Server>>,
    who: Caller,
    Form(typed): Form<Typed>,
) -> Result<Response, Fault> {
    let work = move |office: &Office| Ok(office.revoke_token(&typed.token, Utc::now())?);
    done((state, who), work, |()| None).await
}
