//! An answer in the form that was asked for: JSON or CSV, with its validator.

use crate::http::assets::tag;
use crate::http::fault::Fault;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::convert::Infallible;

/// What the asker takes, and what they have.
#[derive(Debug, Clone)]
pub struct Want {
    accepts: Vec<String>,
    has: Option<String>,
}

impl<S: Sync> FromRequestParts<S> for Want {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        let has = parts.headers.get(header::IF_NONE_MATCH);
        let has = has.and_then(|has| has.to_str().ok()).map(str::to_owned);
        Ok(Self { accepts: accepted(&parts.headers), has })
    }
}

/// The media types that are taken at all, the most wished for first.
fn accepted(headers: &HeaderMap) -> Vec<String> {
    let all = headers.get_all(header::ACCEPT).into_iter().filter_map(|value| value.to_str().ok());
    let mut wished: Vec<(f64, String)> = all
        .flat_map(|value| value.split(','))
        .map(|one| {
            let mut parts = one.split(';').map(str::trim);
            let media = parts.next().unwrap_or_default().to_ascii_lowercase();
            let weight = parts.find_map(|part| part.strip_prefix("q="));
            (weight.and_then(|q| q.parse().ok()).unwrap_or(1.0), media)
        })
        .filter(|(weight, media)| *weight > 0.0 && !media.is_empty())
        .collect();
    wished.sort_by(|a, b| b.0.total_cmp(&a.0));
    match wished.is_empty() {
        true => vec!["*/*".to_owned()],
        false => wished.into_iter().map(|(_, media)| media).collect(),
    }
}

/// A form that an answer can take.
pub type Form<'a> = (&'static str, Box<dyn FnOnce() -> Vec<u8> + 'a>);

/// JSON of an answer.
pub fn json<T: Serialize>(answer: &T) -> Form<'_> {
    let body = || serde_json::to_vec(answer).expect("answers are maps with string keys");
    ("application/json", Box::new(body))
}

/// CSV rows of an answer.
pub fn csv<'a>(rows: impl FnOnce() -> Vec<u8> + 'a) -> Form<'a> {
    ("text/csv", Box::new(rows))
}

impl Want {
    /// The answer in the first of the forms that the asker takes; a validator of what they have is
    /// enough where it still holds.
    ///
    /// # Errors
    /// [`Fault`] 406 where they take none of the forms.
    pub fn reply(&self, forms: Vec<Form<'_>>) -> Result<Response, Fault> {
        let media: Vec<&'static str> = forms.iter().map(|form| form.0).collect();
        let takes = |wish: &String| {
            media.iter().position(|media| {
                let (kind, _) = media.split_once('/').unwrap_or((media, ""));
                wish == "*/*" || wish == media || *wish == format!("{kind}/*")
            })
        };
        let Some(place) = self.accepts.iter().find_map(takes) else {
            let words = format!("this is answered as {}", media.join(" or "));
            return Err(Fault::new(StatusCode::NOT_ACCEPTABLE, "no such form", words));
        };
        let (media, body) = forms.into_iter().nth(place).expect("the place was found in them");
        let body = body();
        // Weak, since the bytes on the wire may be compressed.
        let tag = format!("W/{}", tag(&body));
        let head = [(header::ETAG, tag.as_str()), (header::VARY, "accept")];
        let holds = |has: &str| {
            has.split(',')
                .map(str::trim)
                .any(|has| has == "*" || tag.ends_with(has.trim_start_matches("W/")))
        };
        if self.has.as_deref().is_some_and(holds) {
            return Ok((StatusCode::NOT_MODIFIED, head).into_response());
        }
        Ok((head, [(header::CONTENT_TYPE, media)], body).into_response())
    }
}
