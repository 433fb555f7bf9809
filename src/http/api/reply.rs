//! An answer in the form that was asked for: JSON, CSV or a calendar, with its validator.

use crate::http::assets::{is_held, tag};
use crate::http::fault::Fault;
use crate::http::problem::Kind;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use axum::response::{IntoResponse, Response};
use serde::Serialize;
use std::convert::Infallible;

/// What the asker takes, and what they have.
#[derive(Debug, Clone)]
pub struct Want {
    accepts: Vec<Range>,
    has: Option<String>,
}

/// A range of media types with its weight (RFC 9110, section 12.5.1).
#[derive(Debug, Clone, PartialEq)]
struct Range {
    media: String,
    weight: f64,
}

impl<S: Sync> FromRequestParts<S> for Want {
    type Rejection = Infallible;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Infallible> {
        let has = parts.headers.get(header::IF_NONE_MATCH);
        let has = has.and_then(|has| has.to_str().ok()).map(str::to_owned);
        Ok(Self { accepts: accepted(&parts.headers), has })
    }
}

/// The ranges in their order; everything where none is named.
fn accepted(headers: &HeaderMap) -> Vec<Range> {
    let all = headers.get_all(header::ACCEPT).into_iter().filter_map(|value| value.to_str().ok());
    let ranges: Vec<Range> = all.flat_map(|value| value.split(',')).filter_map(range).collect();
    match ranges.is_empty() {
        true => vec![Range { media: "*/*".into(), weight: 1.0 }],
        false => ranges,
    }
}

/// None where the weight is none.
fn range(text: &str) -> Option<Range> {
    let mut parts = text.split(';').map(str::trim);
    let media = parts.next().filter(|media| !media.is_empty())?.to_ascii_lowercase();
    let weight = parts.find_map(|part| part.strip_prefix("q=").or(part.strip_prefix("Q=")));
    let weight = weight.map_or(Some(1.0), |weight| weight.trim().parse().ok());
    weight.filter(|weight| (0.0..=1.0).contains(weight)).map(|weight| Range { media, weight })
}

impl Range {
    /// How closely it names a media type, 1 to 3; none where it does not.
    fn closeness(&self, media: &str) -> Option<u8> {
        let kind = media.split_once('/').map_or(media, |(kind, _)| kind);
        match self.media.as_str() {
            own if own == media => Some(3),
            own if own.strip_suffix("/*") == Some(kind) => Some(2),
            "*/*" => Some(1),
            _ => None,
        }
    }
}

/// The form that is wished for most: each is weighed by the range that names it most closely, so that
/// a weight of nothing excludes it although `*/*` stands beside it. Of equal weights the more closely
/// named goes first, then the one that we would give.
fn chosen(accepts: &[Range], media: &[&str]) -> Option<usize> {
    let weighed = media.iter().enumerate().filter_map(|(place, media)| {
        let close = accepts.iter().filter_map(|range| Some((range.closeness(media)?, range)));
        let (closeness, range) = close.max_by_key(|(closeness, _)| *closeness)?;
        (range.weight > 0.0).then_some((range.weight, closeness, place))
    });
    let better = |a: &(f64, u8, usize), b: &(f64, u8, usize)| {
        a.0.total_cmp(&b.0).then(a.1.cmp(&b.1)).then(b.2.cmp(&a.2))
    };
    weighed.max_by(better).map(|(_, _, place)| place)
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
    /// The answer in the form that is wished for most; a validator of what they have is enough where
    /// it still holds.
    ///
    /// # Errors
    /// [`Fault`] 406 where they take none of the forms.
    pub fn reply(&self, forms: Vec<Form<'_>>) -> Result<Response, Fault> {
        let media: Vec<&'static str> = forms.iter().map(|form| form.0).collect();
        let Some(place) = chosen(&self.accepts, &media) else {
            let words = format!("this is answered as {}", media.join(" or "));
            return Err(Fault::new(StatusCode::NOT_ACCEPTABLE, Kind::NoSuchForm, words));
        };
        let (media, body) = forms.into_iter().nth(place).expect("the place was found in them");
        let body = body();
        // Weak, since the bytes on the wire may be compressed.
        let tag = format!("W/{}", tag(&body));
        let head = [(header::ETAG, tag.as_str()), (header::VARY, "accept")];
        if is_held(self.has.as_deref(), &tag) {
            return Ok((StatusCode::NOT_MODIFIED, head).into_response());
        }
        Ok((head, [(header::CONTENT_TYPE, media)], body).into_response())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_closest_range_weighs_a_form() {
        let forms = ["application/json", "text/csv", "text/calendar"];
        for (accept, wanted) in [
            ("", Some(0)),
            ("*/*", Some(0)),
            ("text/csv", Some(1)),
            ("text/csv, */*", Some(1)),
            ("text/csv;q=0, */*", Some(0)),
            ("application/json;q=0, */*", Some(1)),
            ("application/json;q=0, */*, text/csv;q=0.0", Some(2)),
            ("text/*;q=0, application/json;q=0.1", Some(0)),
            ("text/*, text/csv;q=0", Some(2)),
            ("*/*;q=0", None),
            ("application/json;q=0", None),
            ("image/png", None),
            ("text/csv;q=0.5, application/json;q=0.4", Some(1)),
            ("TEXT/CSV; Q=1", Some(1)),
            ("application/json;q=0.5;level=1, text/csv; q=0.9", Some(1)),
            // No weight at all is none of a range.
            ("text/csv;q=nan, application/json;q=0.1", Some(0)),
            ("text/csv;q=7, application/json;q=0.1", Some(0)),
        ] {
            let mut headers = HeaderMap::new();
            headers.insert(header::ACCEPT, accept.parse().unwrap());
            assert_eq!(chosen(&accepted(&headers), &forms), wanted, "{accept}");
        }
    }
}
