//! How long will each intended draw take?

use super::ahead::{Ahead, Foreseen, foresee};
use super::desk::{Desk, DeskError};
use super::outlook::{COLD_C, source};
use crate::belief::Finish;
use crate::demand::ClockError;
use crate::evapo::almanac::{Crossing, almanac};
use crate::evapo::daily::span_of_date;
use crate::grove::{Hang, Settings};
use crate::text::format_time;
use crate::weather::Span;
use chrono::{DateTime, NaiveDate, NaiveTime, TimeDelta, Utc};
use chrono_tz::Tz;
use rayon::prelude::*;
use serde::Serialize;
use std::collections::HashMap;
use std::collections::hash_map::Entry;

/// Looks after dusk that it takes before night uptake counts as learned.
pub const PROVEN_NIGHTS: usize = 10;
/// So many draws are told by one thread.
const FEW: usize = 16;
/// Seed of the weather members: the same question gives the same answer.
pub const SEED: u64 = 20_260_114;

/// One intended draw and when it will be empty.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Time {
    /// Which draw.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Start, in the grove's zone.
    pub start: String,
    /// Minutes until empty with probability 0.1.
    pub p10_min: Minutes,
    /// Even chance.
    pub p50_min: Minutes,
    /// With probability 0.9.
    pub p90_min: Minutes,
    /// The same as local times.
    pub empty_p10: Option<String>,
    /// Even chance.
    pub empty_p50: Option<String>,
    /// With probability 0.9.
    pub empty_p90: Option<String>,
    /// Probability that it is empty by civil dusk of the start date; none beyond the weather.
    pub p_empty_by_dusk: Option<f64>,
    /// Probability that it is empty when the next working day starts.
    pub p_empty_by_morning: Option<f64>,
    /// `prior` or `local`.
    pub basis: &'static str,
    /// What to know beside it.
    pub warnings: Vec<String>,
}

/// Minutes, or more than so many where the weather ends first.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
#[serde(untagged)]
pub enum Minutes {
    /// So many.
    At(f64),
    /// More than so many.
    After {
        /// Minutes to the end of the weather.
        after_min: f64,
    },
}

impl Minutes {
    /// Rounded to a tenth.
    pub fn of(finish: Finish) -> Self {
        let tenth = |minutes: f64| (minutes * 10.0).round() / 10.0;
        match finish {
            Finish::At(minutes) => Minutes::At(tenth(minutes)),
            Finish::After(minutes) => Minutes::After { after_min: tenth(minutes) },
        }
    }
}

impl std::fmt::Display for Minutes {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Minutes::At(minutes) => write!(f, "{minutes}"),
            Minutes::After { after_min } => write!(f, ">{after_min}"),
        }
    }
}

/// Dusk and the next morning of a start date.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Turns {
    /// Civil dusk; none where the sun does not go down that far, or never comes up.
    pub dusk: Option<DateTime<Utc>>,
    /// Is it dark all day?
    pub polar_night: bool,
    /// Sunset.
    pub sunset: Option<DateTime<Utc>>,
    /// Civil dawn of the date.
    pub dawn: Option<DateTime<Utc>>,
    /// Start of the next working day.
    pub morning: DateTime<Utc>,
    /// Start of the working day.
    pub day_starts: DateTime<Utc>,
    /// End of the working day.
    pub day_ends: DateTime<Utc>,
}

/// The turns of a date at the desk's grove.
///
/// # Errors
/// [`DeskError`] where the almanac has no such day.
pub fn turns(desk: &Desk, date: NaiveDate) -> Result<Turns, DeskError> {
    Ok(turns_of(&desk.grove.settings, date)?)
}

/// The turns of a date at a grove with these settings.
///
/// # Errors
/// [`EvapoError`](crate::evapo::EvapoError) where the almanac has no such day.
pub fn turns_of(settings: &Settings, date: NaiveDate) -> Result<Turns, crate::evapo::EvapoError> {
    let almanac = almanac(settings.place, date, settings.zone)?;
    let next = date.succ_opt().unwrap_or(date);
    let utc = |at: Option<DateTime<Tz>>| at.map(|at| at.to_utc());
    Ok(Turns {
        dusk: utc(almanac.civil.set()),
        polar_night: almanac.civil == Crossing::AlwaysBelow,
        sunset: utc(almanac.sun.set()),
        dawn: utc(almanac.civil.rise()),
        morning: instant(next, settings.crew.day_starts, settings.zone),
        day_starts: instant(date, settings.crew.day_starts, settings.zone),
        day_ends: instant(date, settings.crew.day_ends, settings.zone),
    })
}

/// The instant of a time of day: the earlier of two where clocks go back, the first after it where
/// they go forward.
pub fn instant(date: NaiveDate, time: NaiveTime, zone: Tz) -> DateTime<Utc> {
    let mut local = date.and_time(time);
    for _ in 0..8 {
        if let Some(at) = local.and_local_timezone(zone).earliest() {
            return at.to_utc();
        }
        local += TimeDelta::minutes(15);
    }
    local.and_utc()
}

/// Times of all intended draws, in their order.
///
/// # Errors
/// [`DeskError`] where the almanac has no such day.
pub fn times(desk: &Desk, hangs: &[Hang]) -> Result<Vec<Time>, DeskError> {
    let Some(first) = hangs.iter().map(|hang| hang.start).min() else { return Ok(Vec::new()) };
    let ahead = ahead(desk, first);
    let foreseen = foresee(&desk.grove, &desk.model, &ahead, hangs);
    let shared = shared_warnings(desk);
    let mut days: HashMap<NaiveDate, Turns> = HashMap::new();
    for hang in hangs {
        let date = desk.local_date(hang.start);
        if let Entry::Vacant(day) = days.entry(date) {
            day.insert(turns(desk, date)?);
        }
    }
    let time = |(hang, seen): (&Hang, &Foreseen)| {
        let turns = &days[&desk.local_date(hang.start)];
        time(desk, &ahead, hang, seen, turns, &shared)
    };
    // A few are sooner done than handed over to other threads, which may be busy.
    Ok(match hangs.len() {
        ..=FEW => hangs.iter().zip(&foreseen).map(time).collect(),
        _ => hangs.par_iter().zip(&foreseen).map(time).collect(),
    })
}

/// The weather from the local day of the first start on: all questions about a day look at one and
/// the same, which is worked out once for a desk.
pub fn ahead(desk: &Desk, first: DateTime<Utc>) -> Ahead {
    let day = span_of_date(desk.local_date(first), desk.grove.settings.zone);
    let from = day.map_or(first, |day| day.from);
    desk.kept_ahead(from, || {
        Ahead::new(
            &desk.grove,
            &desk.model,
            &desk.observed,
            desk.forecast.as_ref(),
            desk.cut,
            from,
            desk.exact_weather,
            SEED,
        )
    })
}

/// Probability that a draw is empty by an instant; none beyond the weather.
pub fn empty_by(seen: &Foreseen, start: DateTime<Utc>, by: DateTime<Utc>) -> Option<f64> {
    if by <= start {
        return Some(0.0);
    }
    let minutes = (by - start).num_milliseconds() as f64 / 60_000.0;
    seen.as_ref().ok().and_then(|belief| belief.empty_by(minutes))
}

fn time(
    desk: &Desk,
    ahead: &Ahead,
    hang: &Hang,
    seen: &Foreseen,
    turns: &Turns,
    shared: &[String],
) -> Time {
    let quantile = |p: f64| match seen {
        Ok(belief) => belief.quantile(p),
        Err(_) => Finish::After(0.0),
    };
    let finish = [0.1, 0.5, 0.9].map(quantile);
    let zone = desk.grove.settings.zone;
    let local = |finish: Finish| match finish {
        Finish::At(minutes) => Some(format_time(hang.start + in_minutes(minutes), zone)),
        Finish::After(_) => None,
    };
    let mut warnings = shared.to_vec();
    warnings.extend(own_warnings(desk, ahead, hang, seen, finish[2]));
    Time {
        draw_id: hang.id.clone(),
        tree_id: desk.grove.trees[hang.tree].id.clone(),
        start: format_time(hang.start, zone),
        p10_min: Minutes::of(finish[0]),
        p50_min: Minutes::of(finish[1]),
        p90_min: Minutes::of(finish[2]),
        empty_p10: local(finish[0]),
        empty_p50: local(finish[1]),
        empty_p90: local(finish[2]),
        p_empty_by_dusk: match turns.dusk {
            Some(dusk) => empty_by(seen, hang.start, dusk).map(rounded),
            None => None,
        },
        p_empty_by_morning: empty_by(seen, hang.start, turns.morning).map(rounded),
        basis: if desk.model.is_prior_only() { "prior" } else { "local" },
        warnings,
    }
}

/// A probability to four digits, as answers show it.
pub fn rounded(p: f64) -> f64 {
    (p * 1e4).round() / 1e4
}

/// Minutes as a time difference.
pub fn in_minutes(minutes: f64) -> TimeDelta {
    crate::plan::cadence::minutes(minutes)
}

/// What every prediction of this desk should be read with.
fn shared_warnings(desk: &Desk) -> Vec<String> {
    let mut warnings: Vec<String> = source(desk).warning.into_iter().collect();
    if desk.model.is_prior_only() {
        warnings.push("prior only: no reading from this grove yet".into());
    }
    warnings
}

fn own_warnings(
    desk: &Desk,
    ahead: &Ahead,
    hang: &Hang,
    seen: &Foreseen,
    latest: Finish,
) -> Vec<String> {
    let mut warnings = Vec::new();
    let tree = &desk.grove.trees[hang.tree];
    match seen {
        Err(ClockError::Missing { .. }) => {
            warnings.push("no weather at the start: pull or type weather for it".into());
            return warnings;
        }
        Err(ClockError::Ends { end }) => {
            let end = format_time(*end, desk.grove.settings.zone);
            warnings.push(format!("weather has a hole after {end}"));
            return warnings;
        }
        Ok(_) => {}
    }
    let draw = Span { from: hang.start, to: hang.start + in_minutes(latest.at_least_min()) };
    if !desk.model.is_prior_only() && !desk.model.knows_tree(&tree.id) {
        warnings.push("first draw of this tree".into());
    }
    if !latest.is_within() {
        warnings.push("the weather ends before this bag is surely empty".into());
    }
    if !ahead.is_warm(hang.start) {
        warnings.push("less than 6 h of weather before the start".into());
    }
    warnings.extend(ahead.series.flags(draw).iter().map(|flag| flag.words().to_string()));
    let coldest = ahead.series.within(draw).iter().map(|hour| hour.air.value());
    let coldest = coldest.fold(f64::INFINITY, f64::min);
    if coldest <= crate::plan::overnight::FREEZING_RISK_C {
        warnings.push(format!(
            "air falls to {coldest:.0} degC: outside the model, and lines may freeze"
        ));
    } else if coldest < COLD_C {
        warnings
            .push(format!("air falls to {coldest:.0} degC: uptake may be slower than predicted"));
    }
    if desk.grove.season(tree).leaf_on(desk.local_date(hang.start)) == Some(false) {
        warnings.push("out of leaf: the model is of trees in leaf".into());
    }
    warnings
}
