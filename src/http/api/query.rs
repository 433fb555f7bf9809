//! What stands behind the question mark, with names that may stand more than once.

use crate::http::fault::Fault;
use axum::extract::FromRequestParts;
use axum::http::request::Parts;
use chrono::{Datelike, NaiveDate};
use serde::de::DeserializeOwned;

/// Years that can be asked for.
const YEARS: std::ops::RangeInclusive<i32> = 1900..=2199;

/// A query string, read.
#[derive(Debug)]
pub struct Asked<T>(pub T);

impl<T: DeserializeOwned, S: Sync> FromRequestParts<S> for Asked<T> {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Fault> {
        let query = parts.uri.query().unwrap_or_default();
        let read = serde_html_form::from_str(query).map(Self);
        read.map_err(|error| {
            Fault::bad_request(format!("what stands behind the question mark: {error}"))
        })
    }
}

/// A date that there can be weather for.
pub fn in_range(date: Option<NaiveDate>) -> Result<Option<NaiveDate>, Fault> {
    match date {
        Some(date) if !YEARS.contains(&date.year()) => {
            Err(Fault::unprocessable(format!("date {date} is outside 1900 to 2199")))
        }
        date => Ok(date),
    }
}

/// A count within its range.
pub fn counted(what: &str, count: Option<u32>, most: u32) -> Result<Option<u32>, Fault> {
    match count {
        Some(count) if !(1..=most).contains(&count) => {
            Err(Fault::unprocessable(format!("{what} {count} is outside 1 to {most}")))
        }
        count => Ok(count),
    }
}

/// A date, in the grove's zone.
#[derive(Debug, serde::Deserialize, utoipa::IntoParams)]
#[into_params(parameter_in = Query)]
#[serde(deny_unknown_fields)]
pub struct On {
    /// Tomorrow where none is given; 1900 to 2199.
    date: Option<NaiveDate>,
}

impl On {
    /// The date, and what tells this question from others.
    pub fn date(&self) -> Result<(Option<NaiveDate>, String), Fault> {
        let date = in_range(self.date)?;
        Ok((date, date.map_or(String::new(), |date| date.to_string())))
    }
}
