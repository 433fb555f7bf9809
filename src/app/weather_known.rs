//! What weather a grove has as of now: from where, how old, with which holes, what is to come, and how
//! forecasts compared with what came.

use super::desk::{Desk, DeskError};
use super::outlook::{Outlook, OutlookHour, Source, outlook, source};
use super::verify::{Verification, verify};
use super::window::local_time;
use crate::text::format_time;
use crate::weather::{Flag, Series, Span};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::Serialize;

/// Issues of forecasts that are told, the latest.
const ISSUES: usize = 8;
/// Holes that are told, the latest.
const GAPS: usize = 20;
/// Days of the outlook from today on.
const DAYS: u64 = 3;

/// A hole in the weather observed.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct GapKnown {
    /// From.
    pub from: String,
    /// To.
    pub to: String,
    /// How long, h.
    pub hours: f64,
    /// Is it bridged between its neighbours? Else nothing is known of it.
    pub bridged: bool,
}

/// The weather observed.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct ObservedKnown {
    /// First hour.
    pub from: String,
    /// End of the last full hour by now.
    pub to: String,
    /// Hours since then.
    pub age_h: f64,
    /// Hours known.
    pub hours: usize,
    /// Holes in all.
    pub gap_count: usize,
    /// The latest of them.
    pub gaps: Vec<GapKnown>,
    /// What was estimated, and in how many hours.
    pub estimated: Vec<(&'static str, usize)>,
}

/// A forecast as issued.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct IssueKnown {
    /// The service; none where a file does not say.
    pub source: Option<String>,
    /// When it was issued.
    pub issued_at: Option<String>,
    /// Age, h.
    pub age_h: Option<f64>,
    /// Its first hour.
    pub from: Option<String>,
    /// End of its last.
    pub to: Option<String>,
    /// Ensemble members; 1 where it is one forecast.
    pub members: usize,
    /// The one in use?
    pub in_use: bool,
}

/// A day to come.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct DayKnown {
    /// The date.
    pub date: NaiveDate,
    /// Reference ET of the day, mm.
    pub reference_et_mm: Option<f64>,
    /// Rain, mm.
    pub rain_mm: f64,
    /// Share of it with weather, 0 to 1.
    pub coverage: f64,
    /// Its hours from now on.
    pub hours: Vec<OutlookHour>,
}

/// The weather of a grove.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct WeatherKnown {
    /// Grove.
    pub grove: String,
    /// IANA zone of all times.
    pub time_zone: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// As of when.
    pub as_of: String,
    /// What is in use and how old it is.
    pub source: Source,
    /// Services that a pull asks, in their order; none where the ordinary ones.
    pub services: Option<Vec<String>>,
    /// What was observed; none where nothing was.
    pub observed: Option<ObservedKnown>,
    /// Issues known, in all.
    pub issue_count: usize,
    /// The latest of them, newest first.
    pub issues: Vec<IssueKnown>,
    /// Today and the days after it, as far as there is weather.
    pub days: Vec<DayKnown>,
    /// Forecast against observed; none before an hour could be compared.
    pub verification: Option<Verification>,
    /// Why there is none.
    pub not_verified: Option<String>,
}

/// The weather known by the desk's instant.
///
/// # Errors
/// [`DeskError`] where a date has no almanac.
pub fn weather_known(desk: &Desk) -> Result<WeatherKnown, DeskError> {
    let (verification, not_verified) = match verify(desk) {
        Ok(verification) => (Some(verification), None),
        Err(DeskError::Unanswerable(why)) => (None, Some(why)),
        Err(error) => return Err(error),
    };
    let issues: Vec<IssueKnown> = issues(desk);
    Ok(WeatherKnown {
        grove: desk.grove.settings.name.clone(),
        time_zone: desk.grove.settings.zone.name().into(),
        is_demo: desk.is_demo,
        as_of: local_time(desk, desk.as_of),
        source: source(desk),
        services: desk.grove.settings.weather.sources.clone(),
        observed: desk.observed_known.clone(),
        issue_count: issues.len(),
        issues: issues.into_iter().take(ISSUES).collect(),
        days: days(desk)?,
        verification,
        not_verified,
    })
}

fn hours_between(from: DateTime<Utc>, to: DateTime<Utc>) -> f64 {
    (Span { from, to }.hours() * 10.0).round() / 10.0
}

/// What is known of the hours that came by `as_of`; `bridged` is the same with short holes closed.
pub(super) fn observed_known(
    came: &Series,
    bridged: &Series,
    as_of: DateTime<Utc>,
    zone: Tz,
) -> Option<ObservedKnown> {
    let known = Span { from: DateTime::<Utc>::MIN_UTC, to: as_of };
    let whole = came.within(known).iter().filter(|hour| hour.span.to <= as_of).cloned();
    let measured = Series::new(whole.collect()).ok()?;
    let span = measured.span()?;
    let all = measured.gaps();
    let gaps = all.iter().rev().take(GAPS).map(|gap| GapKnown {
        from: format_time(gap.span.from, zone),
        to: format_time(gap.span.to, zone),
        hours: hours_between(gap.span.from, gap.span.to),
        bridged: bridged.at(gap.span.middle()).is_some(),
    });
    let count = |flag: Flag| measured.hours().iter().filter(|hour| hour.flags.has(flag)).count();
    let flags = Flag::ALL.into_iter().map(|flag| (flag.words(), count(flag)));
    Some(ObservedKnown {
        from: format_time(span.from, zone),
        to: format_time(span.to, zone),
        age_h: hours_between(span.to, as_of),
        hours: measured.hours().len(),
        gap_count: all.len(),
        gaps: gaps.collect(),
        estimated: flags.filter(|(_, count)| *count > 0).collect(),
    })
}

/// Newest first, none that was issued later.
fn issues(desk: &Desk) -> Vec<IssueKnown> {
    let in_use = desk.forecast.as_ref();
    let by_now = desk
        .grove
        .forecasts
        .issues()
        .iter()
        .rev()
        .filter(|issue| issue.issued_at.is_none_or(|at| at <= desk.as_of));
    by_now
        .map(|issue| {
            let span = issue.members.first().and_then(Series::span);
            IssueKnown {
                source: issue.source.clone(),
                issued_at: issue.issued_at.map(|at| local_time(desk, at)),
                age_h: issue.issued_at.map(|at| hours_between(at, desk.as_of)),
                from: span.map(|span| local_time(desk, span.from)),
                to: span.map(|span| local_time(desk, span.to)),
                members: issue.members.len(),
                in_use: in_use.is_some_and(|used| used.issued_at == issue.issued_at),
            }
        })
        .collect()
}

/// From the hour that runs now on; a date without weather ends the list.
fn days(desk: &Desk) -> Result<Vec<DayKnown>, DeskError> {
    let today = desk.local_date(desk.as_of);
    let mut days = Vec::new();
    for ahead in 0..DAYS {
        let Some(date) = today.checked_add_days(chrono::Days::new(ahead)) else { break };
        let (Outlook { hours, reference_et_mm, rain_mm, coverage, .. }, _, _) =
            outlook(desk, date)?;
        let hours: Vec<OutlookHour> =
            hours.into_iter().filter(|hour| hour.span.to > desk.as_of).collect();
        if !hours.is_empty() {
            days.push(DayKnown { date, reference_et_mm, rain_mm, coverage, hours });
        }
    }
    Ok(days)
}
