//! Why an answer cannot be used, what to do, and whether asking again may help.

use super::{MOST_MEMBERS, body};
use crate::text::shown;
use chrono::{DateTime, DurationRound, TimeDelta, Utc};

/// Why an answer as a whole gives no weather.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum ServiceError {
    #[error(
        "a web page came instead of data{}; check the address and whether a proxy or a log-in page \
         stands between, then ask again",
        titled(.title)
    )]
    Html { title: String },
    #[error(
        "the answer has {found} members of an ensemble, and no ensemble has more than {MOST_MEMBERS}; \
         check the address"
    )]
    TooManyMembers { found: usize },
    #[error("the answer is empty; ask again")]
    Empty,
    #[error("the answer breaks off after {bytes} bytes; ask again")]
    CutOff { bytes: usize },
    #[error("the answer is broken at byte {byte}, where it reads '{text}'; ask again")]
    Broken { byte: usize, text: String },
    #[error("byte {byte} of the answer is no UTF-8 text; ask again")]
    NotText { byte: usize },
    #[error("the service refuses: {reason}; correct the request, asking again will not help")]
    Refused { reason: String },
    #[error("too many requests: {reason}; ask again {}", wait.words())]
    Limited { reason: String, wait: Wait },
    #[error("the service is down or overloaded: {reason}; ask again later, or another source")]
    Down { reason: String },
    #[error("the service does not cover this place: {reason}; choose another source")]
    OutOfCoverage { reason: String },
    #[error(
        "{variable} comes in '{unit}', which is not known here; ask for {wanted}, nothing was taken"
    )]
    UnknownUnit { variable: String, unit: String, wanted: &'static str },
    #[error(
        "{variable} has {found} values for {wanted} hours, so none can be told apart; nothing was \
         taken, report it to the service"
    )]
    WrongLength { variable: String, wanted: usize, found: usize },
    #[error("{place} is not there, so this is another kind of answer; check the address asked")]
    Missing { place: &'static str },
    #[error("'{text}' is no time of {place}; nothing was taken, report it to the service")]
    BadTime { place: &'static str, text: String },
    #[error("{} is not on the full hour; ask with timezone=GMT", at.to_rfc3339())]
    NotOnTheHour { at: DateTime<Utc> },
    #[error("the rows are {minutes} min apart; hourly ones, or shorter ones, are needed")]
    NotHourly { minutes: i64 },
    #[error("the answer is about {found} places, {wanted} were asked for; nothing was taken")]
    WrongPlaces { wanted: usize, found: usize },
    #[error("the answer holds no hour of weather; ask for other hours, or another source")]
    NoData,
    #[error("the declaration of the file does not fit: {problem}")]
    Declaration { problem: String },
}

impl ServiceError {
    /// May the same request bring weather when asked again soon?
    pub fn retryable(&self) -> bool {
        matches!(
            self,
            Self::Html { .. }
                | Self::Empty
                | Self::CutOff { .. }
                | Self::Broken { .. }
                | Self::NotText { .. }
                | Self::Limited { .. }
                | Self::Down { .. }
        )
    }
}

fn titled(title: &str) -> String {
    if title.is_empty() { String::new() } else { format!(" ('{title}')") }
}

/// How long a service that counts requests by its clock wants to be left alone.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Wait {
    /// A little: other requests are under way.
    Moment,
    /// Until the next full minute.
    Minute,
    /// Until the next full hour.
    Hour,
    /// Until the next day of UTC.
    Day,
    /// Until the next month of UTC begins, or another key.
    Month,
}

impl Wait {
    /// In words.
    pub fn words(self) -> &'static str {
        match self {
            Self::Moment => "in some seconds",
            Self::Minute => "in the next minute",
            Self::Hour => "in the next hour",
            Self::Day => "after midnight UTC",
            Self::Month => "next month, or with a key",
        }
    }

    /// The first time at which to ask again. A month is told as a day.
    pub fn over_at(self, now: DateTime<Utc>) -> DateTime<Utc> {
        let unit = match self {
            Self::Moment => return now + TimeDelta::seconds(10),
            Self::Minute => TimeDelta::minutes(1),
            Self::Hour => TimeDelta::hours(1),
            Self::Day | Self::Month => TimeDelta::days(1),
        };
        now.duration_trunc(unit).unwrap_or(now) + unit
    }
}

/// What a service says in words, as an error.
pub(super) fn in_words(reason: &str) -> ServiceError {
    let (reason, lower) = (shown(reason), reason.to_ascii_lowercase());
    let limits = [
        ("minutely", Wait::Minute),
        ("hourly", Wait::Hour),
        ("daily", Wait::Day),
        ("monthly", Wait::Month),
    ];
    if lower.contains("limit exceeded") {
        let named = limits.iter().find(|(name, _)| lower.contains(name));
        let wait = named.map_or(Wait::Minute, |(_, wait)| *wait);
        ServiceError::Limited { reason, wait }
    } else if lower.contains("too many") {
        ServiceError::Limited { reason, wait: Wait::Moment }
    } else if ["overloaded", "unavailable", "expired", "unexpected", "timed out", "timeout"]
        .iter()
        .any(|word| lower.contains(word))
    {
        ServiceError::Down { reason }
    } else if ["invalid point", "unable to provide data", "no sources", "not covered"]
        .iter()
        .any(|word| lower.contains(word))
    {
        ServiceError::OutOfCoverage { reason }
    } else {
        ServiceError::Refused { reason }
    }
}

/// What an answer with another HTTP status than 200 or 203 means.
///
/// 400, 401, 403 and others are refusals; 404 and 422 say that the place is not covered; 408, 425
/// and 500 up are faults that pass; 429 says how long to wait, where its text does.
pub fn refusal(status: u16, bytes: &[u8]) -> ServiceError {
    let reason = body::reason(bytes).unwrap_or_else(|| "no reason given".to_owned());
    let reason = format!("{status}, {reason}");
    match (status, in_words(&reason)) {
        (_, limited @ ServiceError::Limited { .. }) => limited,
        (429, _) => ServiceError::Limited { reason, wait: Wait::Minute },
        (404 | 422, _) => ServiceError::OutOfCoverage { reason },
        (408 | 425 | 500.., _) => ServiceError::Down { reason },
        _ => ServiceError::Refused { reason },
    }
}
