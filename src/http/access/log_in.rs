//! Log-in and log-out.

use super::guard::written;
use crate::app::access::{AccessError, LIVES, Secret, change_password, log_in};
use crate::http::caller::Caller;
use crate::http::fault::Fault;
use crate::http::server::Server;
use crate::pages::log_in::{LogIn, page, password_page};
use crate::store::office::How;
use axum::extract::{FromRequest, Query, Request, State};
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};
use axum::routing::{get, post};
use axum::{Form, Json, Router};
use chrono::Utc;
use serde::{Deserialize, Serialize};
use std::sync::Arc;

/// Longest address that a log-in leads back to.
const LONGEST: usize = 500;

pub(super) fn routes() -> Router<Arc<Server>> {
    Router::new()
        .route("/log-in", get(asked).post(logged_in))
        .route("/log-out", post(logged_out))
        .route("/password", get(password_asked).post(password_changed))
        .route("/who", get(who))
}

impl From<AccessError> for Fault {
    fn from(error: AccessError) -> Self {
        match error {
            AccessError::Office(error) => error.into(),
            AccessError::Random(_) | AccessError::Hash(_) => Self::own(error.to_string()),
            _ => Self::unprocessable(error.to_string()),
        }
    }
}

#[derive(Deserialize)]
struct To {
    #[serde(default)]
    to: String,
}

#[derive(Deserialize)]
struct Typed {
    #[serde(default)]
    name: String,
    #[serde(default)]
    password: String,
    #[serde(default)]
    to: String,
}

/// Only an address of ours: `//` and `/\` would lead to another host.
fn ours(to: &str) -> &str {
    let is_ours = to.starts_with('/')
        && !to.starts_with("//")
        && !to.contains(|letter: char| letter == '\\' || letter.is_control())
        && to.len() <= LONGEST;
    if is_ours { to } else { "/" }
}

async fn asked(
    State(server): State<Arc<Server>>,
    caller: Caller,
    Query(To { to }): Query<To>,
) -> Response {
    match caller.how {
        // Who is in needs no log-in.
        How::Session | How::Loopback => Redirect::to(ours(&to)).into_response(),
        _ => {
            let log_in = LogIn { to: ours(&to), ..LogIn::default() };
            Html(page(&server.place(&caller), &log_in)).into_response()
        }
    }
}

async fn logged_in(
    State(server): State<Arc<Server>>,
    caller: Caller,
    request: Request,
) -> Result<Response, Fault> {
    let access = &server.access;
    let address = access.address(&request);
    let old = access.sent_secret(request.headers());
    let mut noted = written(&request, "nobody", How::Nobody);
    let Form(typed) = Form::<Typed>::from_request(request, &())
        .await
        .map_err(|error| Fault::bad_request(error.body_text()))?;
    let again = |status: StatusCode, wrong: &str, wait_s: Option<u64>| {
        let (name, to) = (typed.name.as_str(), ours(&typed.to));
        let html = page(&server.place(&caller), &LogIn { name, to, wrong: Some(wrong) });
        let mut response = (status, Html(html)).into_response();
        if let Some(wait_s) = wait_s {
            response.headers_mut().insert(header::RETRY_AFTER, wait_s.into());
        }
        response
    };
    if let Err(wait_s) = access.limits.take(address, &typed.name) {
        tracing::warn!(%address, "log-ins are tried too often");
        let words = format!("Too many tries. Wait {wait_s} seconds and try again.");
        return Ok(again(StatusCode::TOO_MANY_REQUESTS, &words, Some(wait_s)));
    }
    let (office, name, password) =
        (access.office.clone(), typed.name.clone(), typed.password.clone());
    let found = server.work(move || log_in(&office, &name, &password, Utc::now())).await??;
    noted.status = Some(if found.is_some() { 303 } else { 401 });
    if let Some((person, _)) = &found {
        noted.who.clone_from(&person.name);
        noted.how = How::Session;
    }
    let office = access.office.clone();
    server
        .work(move || {
            // Another session for each log-in: one that was planted before is of no use.
            old.map_or(Ok(()), |old| office.close_session(&old.hash()))?;
            office.write_asked(&noted).map(|_| ())
        })
        .await??;
    let Some((_, secret)) = found else {
        tracing::warn!(%address, "a log-in failed");
        let words = "This name and password do not go together, or the person is disabled.";
        return Ok(again(StatusCode::UNAUTHORIZED, words, None));
    };
    let cookie = access.set_cookie(&secret);
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to(ours(&typed.to))).into_response())
}

impl super::Access {
    fn set_cookie(&self, secret: &Secret) -> String {
        self.cookie_of(secret.text(), LIVES.at_most.num_seconds())
    }

    fn cookie_of(&self, value: &str, age_s: i64) -> String {
        let secure = if self.is_https { "; Secure" } else { "" };
        let name = self.cookie_name();
        format!("{name}={value}; Path=/; Max-Age={age_s}; HttpOnly; SameSite=Lax{secure}")
    }
}

async fn logged_out(
    State(server): State<Arc<Server>>,
    headers: HeaderMap,
) -> Result<Response, Fault> {
    if let Some(secret) = server.access.sent_secret(&headers) {
        let office = server.access.office.clone();
        server.work(move || office.close_session(&secret.hash())).await??;
    }
    let cookie = server.access.cookie_of("", 0);
    Ok(([(header::SET_COOKIE, cookie)], Redirect::to("/log-in")).into_response())
}

#[derive(Deserialize)]
struct Passwords {
    #[serde(default)]
    old: String,
    #[serde(default)]
    new: String,
    #[serde(default)]
    again: String,
}

async fn password_asked(State(server): State<Arc<Server>>, caller: Caller) -> Html<String> {
    Html(password_page(&server.place(&caller), None))
}

async fn password_changed(
    State(server): State<Arc<Server>>,
    caller: Caller,
    Form(typed): Form<Passwords>,
) -> Result<Response, Fault> {
    let Some(name) = caller.name.clone().filter(|_| caller.how == How::Session) else {
        return Err(Fault::unprocessable("nobody is logged in here, so there is no password"));
    };
    let refused = |words: &str| {
        let html = password_page(&server.place(&caller), Some(words));
        Ok((StatusCode::UNPROCESSABLE_ENTITY, Html(html)).into_response())
    };
    if typed.new != typed.again {
        return refused("The two new passwords are not the same.");
    }
    if let Err(wait_s) = server.access.limits.take([0, 0, 0, 0].into(), &name) {
        return refused(&format!("Too many tries. Wait {wait_s} seconds and try again."));
    }
    let office = server.access.office.clone();
    let changed = server.work(move || {
        let now = Utc::now();
        let Some(_) = log_in(&office, &name, &typed.old, now)? else { return Ok(None) };
        change_password(&office, &name, &typed.new)?;
        log_in(&office, &name, &typed.new, now)
    });
    match changed.await? {
        Ok(Some((_, secret))) => {
            let cookie = server.access.set_cookie(&secret);
            Ok(([(header::SET_COOKIE, cookie)], Redirect::to("/")).into_response())
        }
        Ok(None) => refused("The present password is another one."),
        Err(error @ (AccessError::Office(_) | AccessError::Random(_))) => Err(error.into()),
        Err(error) => refused(&error.to_string()),
    }
}

#[derive(Serialize)]
struct Who {
    name: Option<String>,
    role: &'static str,
    csrf: String,
}

/// Who asks, and the token that their next write needs: for pages kept by a phone, which are older
/// than the session.
async fn who(caller: Caller) -> Json<Who> {
    Json(Who { role: caller.role.word(), csrf: caller.csrf, name: caller.name })
}
