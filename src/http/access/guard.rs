//! What stands before every handler.

use super::rights::{Need, need};
use super::{Access, forged, hosts, once};
use crate::app::access::Secret;
use crate::http::REQUEST_ID;
use crate::http::caller::Caller;
use crate::http::fault::Fault;
use crate::http::problem::Kind;
use crate::http::server::Server;
use crate::store::office::{How, OfficeError, Role, Written};
use axum::extract::{ConnectInfo, Request, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Redirect, Response};
use chrono::Utc;
use std::net::{IpAddr, Ipv4Addr, SocketAddr};
use std::sync::Arc;

impl From<OfficeError> for Fault {
    fn from(error: OfficeError) -> Self {
        let words = error.to_string();
        match error {
            OfficeError::OtherBody => {
                Self::new(StatusCode::UNPROCESSABLE_ENTITY, Kind::KeyUsed, words)
            }
            OfficeError::OnItsWay => Self {
                retry_after_s: Some(1),
                ..Self::new(StatusCode::CONFLICT, Kind::OnItsWay, words)
            },
            OfficeError::Folder { .. }
            | OfficeError::Foreign { .. }
            | OfficeError::Newer { .. }
            | OfficeError::Damaged { .. }
            | OfficeError::Store(_) => Self {
                retry_after_s: Some(5),
                ..Self::new(StatusCode::SERVICE_UNAVAILABLE, Kind::StoreUnusable, words)
            },
            _ => Self::unprocessable(words),
        }
    }
}

/// Finds out who asks, refuses who may not and what is forged, and notes writes.
pub async fn guard(State(server): State<Arc<Server>>, request: Request, next: Next) -> Response {
    let need = need(request.method(), request.uri().path());
    let is_page = wants_page(&request);
    let (path, asks_log_in) = (request.uri().path().to_owned(), request.method() == "GET");
    let request = match admitted(&server, request, need).await {
        Ok(request) => request,
        Err(fault) if fault.status == StatusCode::UNAUTHORIZED && is_page && asks_log_in => {
            return Redirect::to(&format!("/log-in?to={path}")).into_response();
        }
        Err(fault) => {
            tracing::info!(status = fault.status.as_u16(), "refused: {}", fault.detail);
            let is_unknown = fault.status == StatusCode::UNAUTHORIZED;
            let mut response = fault.into_response();
            if is_unknown {
                let bearer = HeaderValue::from_static("Bearer");
                response.headers_mut().insert(header::WWW_AUTHENTICATE, bearer);
            }
            return response;
        }
    };
    // A log-in is noted by its handler, which knows whose it is.
    if !need.writes || need.role.is_none() {
        return next.run(request).await;
    }
    // A phone that loses its signal must not cut short what it asked for.
    match tokio::spawn(written_down(server, request, next)).await {
        Ok(response) => response,
        Err(error) if error.is_panic() => std::panic::resume_unwind(error.into_panic()),
        Err(_) => Fault::own("the service stops").into_response(),
    }
}

/// Notes a write, does it once, and notes its status.
async fn written_down(server: Arc<Server>, request: Request, next: Next) -> Response {
    let caller = request.extensions().get::<Caller>();
    let (who, how) = caller.map_or(("nobody", How::Nobody), |caller| (caller.who(), caller.how));
    let written = written(&request, who, how);
    let number = match noted(&server, written).await {
        Ok(number) => number,
        Err(fault) => return fault.into_response(),
    };
    let response = once::once(&server, request, next).await;
    let (office, status) = (server.access.office.clone(), response.status().as_u16());
    let done = tokio::task::spawn_blocking(move || office.write_answered(number, status));
    if let Ok(Err(error)) = done.await {
        tracing::error!("the audit has no status of write {number}: {error}");
    }
    response
}

/// A person with a browser, rather than a script or a program?
fn wants_page(request: &Request) -> bool {
    let headers = request.headers();
    let text = |name: &str| headers.get(name).and_then(|value| value.to_str().ok());
    let is_document = text("sec-fetch-dest").is_none_or(|dest| dest == "document");
    let is_html = text("accept").is_some_and(|media| media.contains("text/html"));
    is_document && is_html && !request.uri().path().starts_with("/api/")
}

async fn admitted(server: &Arc<Server>, request: Request, need: Need) -> Result<Request, Fault> {
    let access = &server.access;
    let host = hosts::asked(request.headers(), request.uri()).map(str::to_owned);
    if let Some(host) = host.as_deref().filter(|host| !access.hosts.answers(host)) {
        let words = format!(
            "this service does not answer to the name '{}': whoever runs it names it in the \
             setting hosts",
            host.escape_debug()
        );
        return Err(Fault::new(StatusCode::MISDIRECTED_REQUEST, Kind::OtherName, words));
    }
    let caller = caller(server, request.headers()).await?;
    if let Some(role) = need.role {
        if caller.how == How::Nobody {
            let words = "log in first, or send a token";
            return Err(Fault::new(StatusCode::UNAUTHORIZED, Kind::LogInNeeded, words));
        }
        caller.require(role)?;
    }
    // A token is never sent by a browser of itself.
    let mut request = request;
    if need.writes && caller.how != How::Token {
        forged::from_elsewhere(access, request.headers(), host.as_deref())?;
        if !(caller.how == How::Loopback && forged::is_program(request.headers())) {
            request = forged::with_token(request, &caller.csrf).await?;
        }
    }
    request.extensions_mut().insert(caller);
    Ok(request)
}

/// Who asks, by token, by session, or by sitting at the machine.
async fn caller(server: &Arc<Server>, headers: &HeaderMap) -> Result<Caller, Fault> {
    let access = &server.access;
    let bearer = headers.get(header::AUTHORIZATION).map(|value| {
        let text = value.to_str().unwrap_or_default();
        let token = text.split_once(' ').filter(|(kind, _)| kind.eq_ignore_ascii_case("bearer"));
        Secret::sent(token.map_or("", |(_, token)| token.trim()))
    });
    let cookie = access.sent_secret(headers);
    let is_proxied = ["forwarded", "x-forwarded-for", "x-forwarded-host"]
        .iter()
        .any(|name| headers.contains_key(*name));
    let (office, is_wide) = (access.office.clone(), access.is_wide);
    let token = access.token.clone();
    let found = tokio::task::spawn_blocking(move || -> Result<Option<Caller>, Fault> {
        let now = Utc::now();
        if let Some(secret) = bearer {
            let found = office.token(&secret.hash(), now)?;
            let (person, role) = found.ok_or_else(|| {
                let words = "this token opens nothing: it was revoked, or never given";
                Fault::new(StatusCode::UNAUTHORIZED, Kind::UnknownToken, words)
            })?;
            let csrf = String::new();
            let (name, secret) = (Some(person.name), Some(secret.hash()));
            return Ok(Some(Caller { name, role, csrf, how: How::Token, secret }));
        }
        if let Some(secret) = cookie
            && let Some(session) = office.session(&secret.hash(), now)?
        {
            let csrf = secret.derived("csrf");
            let (name, role) = (Some(session.person.name), session.person.role);
            let secret = Some(secret.hash());
            return Ok(Some(Caller { name, role, csrf, how: How::Session, secret }));
        }
        let is_open = !is_wide && !office.has_people()?;
        let how = How::Loopback;
        let everybody = Caller { name: None, role: Role::Manager, csrf: token, how, secret: None };
        Ok(is_open.then_some(everybody))
    });
    let found = found.await.map_err(|error| Fault::own(format!("nobody was found: {error}")))??;
    if is_proxied && found.as_ref().is_some_and(|caller| caller.how == How::Loopback) {
        return Err(Fault::forbidden(
            "a proxy stands in front, so others may come this way: whoever runs this \
             service has to say so in its setting behind_https_proxy, which asks for a password",
        ));
    }
    Ok(found.unwrap_or_else(|| access.nobody()))
}

impl Access {
    /// Somebody who has not logged in.
    fn nobody(&self) -> Caller {
        let csrf = self.token.clone();
        Caller { name: None, role: Role::Reader, csrf, how: How::Nobody, secret: None }
    }

    /// The address of who asks; behind a proxy, the last one that the proxy itself wrote down.
    pub(super) fn address(&self, request: &Request) -> IpAddr {
        let forwarded = request.headers().get_all("x-forwarded-for").iter().next_back();
        let told = forwarded.filter(|_| self.is_behind_proxy).and_then(|value| {
            value.to_str().ok()?.rsplit(',').next()?.trim().parse::<IpAddr>().ok()
        });
        let peer = request.extensions().get::<ConnectInfo<SocketAddr>>();
        let peer = peer.map_or(IpAddr::V4(Ipv4Addr::UNSPECIFIED), |peer| peer.0.ip());
        told.unwrap_or(peer)
    }
}

/// A write that is asked for, as the audit keeps it.
pub(super) fn written(request: &Request, who: &str, how: How) -> Written {
    let path = request.uri().path();
    let mut parts = path.split('/').skip_while(|part| !matches!(*part, "g" | "groves"));
    let id = request.headers().get(REQUEST_ID).and_then(|id| id.to_str().ok());
    Written {
        at: Utc::now(),
        who: who.to_owned(),
        how,
        method: request.method().to_string(),
        path: path.to_owned(),
        grove: parts.nth(1).map(str::to_owned),
        request_id: id.map(str::to_owned),
        status: None,
    }
}

/// What the audit cannot note is not done.
async fn noted(server: &Arc<Server>, written: Written) -> Result<i64, Fault> {
    let office = server.access.office.clone();
    let number = tokio::task::spawn_blocking(move || office.write_asked(&written)).await;
    Ok(number.map_err(|error| Fault::own(format!("the audit was not written: {error}")))??)
}
