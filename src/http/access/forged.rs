//! Is a write that a browser sends with our cookie really from a page of ours? Three signs, each of
//! which is enough to refuse: what the browser says of where it came from (`Sec-Fetch-Site`,
//! `Origin`), and the token that only our pages hold. As OWASP's Cross-Site Request Forgery
//! Prevention Cheat Sheet advises, from memory.

use super::Access;
use crate::app::access::same_text;
use crate::http::MOST_BYTES;
use crate::http::fault::Fault;
use crate::http::problem::Kind;
use axum::body::{Body, Bytes, to_bytes};
use axum::extract::{FromRequest, Multipart, Request};
use axum::http::{HeaderMap, HeaderName, StatusCode, header};

/// Where scripts send the token.
pub(super) const HEADER: HeaderName = HeaderName::from_static("x-csrf-token");
/// Where forms send it.
const FIELD: &str = "csrf";

const SITE: HeaderName = HeaderName::from_static("sec-fetch-site");

fn refused(why: &str) -> Fault {
    let words = format!("{why}: open the page again and send it from there");
    Fault::new(StatusCode::FORBIDDEN, Kind::NotFromHere, words)
}

/// Refuses what a page of somebody else's sent.
pub(super) fn from_elsewhere(
    access: &Access,
    headers: &HeaderMap,
    host: Option<&str>,
) -> Result<(), Fault> {
    let text = |name: &HeaderName| headers.get(name).map(|value| value.to_str().unwrap_or("?"));
    if text(&SITE).is_some_and(|site| !matches!(site, "same-origin" | "none")) {
        return Err(refused("the browser says that another site sent this"));
    }
    let Some(origin) = text(&header::ORIGIN) else { return Ok(()) };
    let authority = origin.split_once("://").map(|(_, authority)| authority);
    let is_ours = authority.is_some_and(|authority| {
        let is_same = host.is_some_and(|host| host.eq_ignore_ascii_case(authority));
        // A proxy may put its own name for us into Host.
        is_same || access.is_behind_proxy && access.hosts.answers(authority)
    });
    if is_ours { Ok(()) } else { Err(refused("this came from another origin")) }
}

/// A program at this machine that is no browser, and sends what no form of a browser can send.
pub(super) fn is_program(headers: &HeaderMap) -> bool {
    let media = headers.get(header::CONTENT_TYPE).and_then(|media| media.to_str().ok());
    let is_json = media.is_some_and(|media| media.trim_start().starts_with("application/json"));
    is_json && !headers.contains_key(header::ORIGIN) && !headers.contains_key(SITE)
}

/// Refuses a write without the token, from the header or from the form. The request comes back
/// whole.
pub(super) async fn with_token(request: Request, token: &str) -> Result<Request, Fault> {
    let (request, sent) = match request.headers().get(HEADER) {
        Some(sent) => {
            let sent = sent.to_str().ok().map(str::to_owned);
            (request, sent)
        }
        None => of_form(request).await?,
    };
    match sent {
        Some(sent) if !token.is_empty() && same_text(&sent, token) => Ok(request),
        Some(_) => Err(refused("this page is of an earlier log-in")),
        None => Err(refused("the page's own mark is missing")),
    }
}

async fn of_form(request: Request) -> Result<(Request, Option<String>), Fault> {
    let media = request.headers().get(header::CONTENT_TYPE).and_then(|media| media.to_str().ok());
    let media = media.unwrap_or_default().to_lowercase();
    let (is_plain, is_parts) = (
        media.starts_with("application/x-www-form-urlencoded"),
        media.starts_with("multipart/form-data"),
    );
    if !is_plain && !is_parts {
        return Ok((request, None));
    }
    let (parts, body) = request.into_parts();
    let bytes = whole(body).await?;
    let sent = if is_plain { field(&bytes) } else { part(&parts.headers, bytes.clone()).await };
    Ok((Request::from_parts(parts, Body::from(bytes)), sent))
}

/// All that was sent, up to the most that is taken.
pub(super) async fn whole(body: Body) -> Result<Bytes, Fault> {
    to_bytes(body, MOST_BYTES).await.map_err(|_| {
        let most = MOST_BYTES / 1024 / 1024;
        let words =
            format!("more than {most} MB were sent, or the sending broke off: send less at once");
        Fault::new(StatusCode::PAYLOAD_TOO_LARGE, Kind::TooLarge, words)
    })
}

fn field(bytes: &[u8]) -> Option<String> {
    let pairs: Vec<(String, String)> = serde_urlencoded::from_bytes(bytes).ok()?;
    pairs.into_iter().find(|(name, _)| name == FIELD).map(|(_, sent)| sent)
}

async fn part(headers: &HeaderMap, bytes: Bytes) -> Option<String> {
    let mut request = Request::new(Body::from(bytes));
    *request.headers_mut() = headers.clone();
    let mut parts = Multipart::from_request(request, &()).await.ok()?;
    while let Ok(Some(field)) = parts.next_field().await {
        if field.name() == Some(FIELD) {
            return field.text().await.ok();
        }
    }
    None
}
