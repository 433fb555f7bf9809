//! Per tree: finish today, leave overnight, strip at dusk, or do not hang.

use super::ahead::{Ahead, Foreseen, foresee};
use super::desk::{Desk, DeskError};
use super::hanging::{Bag, Hanging, hanging};
use super::outlook::WINDY_M_S;
use super::times::{PROVEN_NIGHTS, Turns, ahead, empty_by, rounded, turns};
use super::window::local_time;
use crate::grove::Hang;
use crate::plan::overnight::{Call, FREEZING_RISK_C, Leave, Night, decide};
use crate::weather::Span;
use chrono::{DateTime, Utc};
use serde::Serialize;

/// One bag at dusk.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Overnight {
    /// Which draw.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Start.
    pub start: Option<String>,
    /// Is it hanging already?
    pub hanging: bool,
    /// Probability of being empty by civil dusk.
    pub p_empty_by_dusk: Option<f64>,
    /// Probability of being empty when the crew goes.
    pub p_empty_by_crew_end: Option<f64>,
    /// Probability of being empty when it comes back.
    pub p_empty_by_morning: Option<f64>,
    /// Expected to be left at dusk, mL.
    pub left_at_dusk_ml: Option<f64>,
    /// What the night may do to a bag.
    pub night_hazards: Vec<String>,
    /// What to do.
    pub call: Call,
    /// Why.
    pub because: String,
}

impl Overnight {
    /// A tree that nobody starts, and why.
    pub fn unstarted(desk: &Desk, hang: &Hang, call: Call, because: String) -> Self {
        Self {
            draw_id: hang.id.clone(),
            tree_id: desk.grove.trees[hang.tree].id.clone(),
            start: None,
            hanging: false,
            p_empty_by_dusk: None,
            p_empty_by_crew_end: None,
            p_empty_by_morning: None,
            left_at_dusk_ml: None,
            night_hazards: Vec::new(),
            call,
            because,
        }
    }
}

/// What the user typed about leaving bags.
pub fn leave(desk: &Desk) -> Leave {
    Leave {
        unattended_allowed: desk.grove.settings.label.unattended_allowed,
        public_access: desk.grove.settings.public_access,
    }
}

/// What is believed of one bag at the turns of its day.
#[derive(Debug, Clone, Copy)]
struct Chances {
    by_dusk: Option<f64>,
    by_crew_end: Option<f64>,
    by_morning: Option<f64>,
    left_at_dusk_ml: Option<f64>,
}

impl Chances {
    /// From the probability of being empty by an instant, and the share left then.
    fn of(
        turns: &Turns,
        charge_ml: f64,
        empty_by: impl Fn(DateTime<Utc>) -> Option<f64>,
        share_left: impl Fn(DateTime<Utc>) -> Option<f64>,
    ) -> Self {
        let dusk = dusk(turns);
        Self {
            by_dusk: empty_by(dusk),
            by_crew_end: empty_by(turns.day_ends),
            by_morning: empty_by(turns.morning),
            left_at_dusk_ml: share_left(dusk).map(|share| (share * charge_ml).round()),
        }
    }
}

/// The call for a bag that is planned to start at an instant.
pub fn planned(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    hang: &Hang,
    start: DateTime<Utc>,
    belief: &Foreseen,
) -> Overnight {
    let left = |at: DateTime<Utc>| {
        let minutes = minutes_from(start, at);
        belief.as_ref().ok().filter(|_| minutes > 0.0)?.share_left(minutes)
    };
    let by = |at: DateTime<Utc>| empty_by(belief, start, at);
    let chances = Chances::of(turns, hang.charge.value(), by, left);
    let hang = Hang { start, ..hang.clone() };
    called(desk, ahead, turns, &hang, false, chances)
}

fn minutes_from(start: DateTime<Utc>, at: DateTime<Utc>) -> f64 {
    Span { from: start, to: at }.hours() * 60.0
}

fn dusk(turns: &Turns) -> DateTime<Utc> {
    turns.dusk.unwrap_or(turns.day_ends)
}

fn called(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    hang: &Hang,
    hanging: bool,
    chances: Chances,
) -> Overnight {
    let until_morning = Span { from: dusk(turns).min(turns.day_ends), to: turns.morning };
    let covered = ahead.series.span().is_some_and(|span| span.to >= turns.morning);
    let night_air = ahead.series.within(until_morning).iter().map(|hour| hour.air.value());
    let lowest = night_air.fold(f64::INFINITY, f64::min);
    let night = Night {
        empty_by_crew_end: chances.by_crew_end,
        empty_by_morning: chances.by_morning,
        lowest_air_c: (covered && lowest.is_finite()).then_some(lowest),
        hanging,
    };
    let decision = decide(&night, leave(desk), desk.grove.settings.wishes.sure);
    Overnight {
        draw_id: hang.id.clone(),
        tree_id: desk.grove.trees[hang.tree].id.clone(),
        start: Some(local_time(desk, hang.start)),
        hanging,
        p_empty_by_dusk: chances.by_dusk.map(rounded),
        p_empty_by_crew_end: chances.by_crew_end.map(rounded),
        p_empty_by_morning: chances.by_morning.map(rounded),
        left_at_dusk_ml: chances.left_at_dusk_ml,
        night_hazards: night_hazards(ahead, until_morning),
        call: decision.call,
        because: decision.because,
    }
}

fn night_hazards(ahead: &Ahead, night: Span) -> Vec<String> {
    let hours = ahead.series.within(night);
    let mut hazards = Vec::new();
    let lowest = hours.iter().map(|hour| hour.air.value()).fold(f64::INFINITY, f64::min);
    if lowest <= FREEZING_RISK_C {
        hazards.push(format!("frost ({lowest:.0} degC)"));
    }
    let rain: f64 = hours.iter().map(|hour| hour.rain.value()).sum();
    if rain >= 1.0 {
        hazards.push(format!("rain {rain:.0} mm"));
    }
    let wind = hours.iter().map(|hour| hour.wind_2m.value()).fold(0.0, f64::max);
    if wind >= WINDY_M_S {
        hazards.push(format!("wind {wind:.0} m/s"));
    }
    hazards
}

/// The calls for a list of draws: those hanging now, then those intended.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Calls {
    /// Each bag.
    pub bags: Vec<Overnight>,
    /// Night uptake proven here?
    pub night_words: String,
    /// Why no bag may be left, where none may.
    pub leaving_refused: Option<&'static str>,
}

/// Calls for the bags hanging as of now and for intended draws.
///
/// # Errors
/// [`DeskError`] where the almanac has no such day.
pub fn overnight(desk: &Desk, hangs: &[Hang]) -> Result<Calls, DeskError> {
    let Hanging { bags: hanging, ahead: since } = hanging(desk)?;
    let turns_now = turns(desk, desk.local_date(desk.as_of))?;
    let mut bags: Vec<Overnight> =
        hanging.iter().map(|bag| still_hanging(desk, &since, &turns_now, bag)).collect();
    let first = hangs.iter().map(|hang| hang.start).min().unwrap_or(desk.as_of);
    let ahead = ahead(desk, first);
    for (hang, belief) in hangs.iter().zip(foresee(&desk.grove, &desk.model, &ahead, hangs)) {
        let turns = turns(desk, desk.local_date(hang.start))?;
        bags.push(planned(desk, &ahead, &turns, hang, hang.start, &belief));
    }
    Ok(Calls { bags, night_words: night_words(desk), leaving_refused: leave(desk).refusal() })
}

/// Is night uptake proven here?
pub fn night_words(desk: &Desk) -> String {
    let looks = desk.model.file().rests_on.after_dusk;
    if looks < PROVEN_NIGHTS {
        format!(
            "night uptake is unproven here: {looks} looks after dusk, {PROVEN_NIGHTS} are needed; \
             the band carries the whole doubt about the night"
        )
    } else {
        format!("night uptake learned from {looks} looks after dusk")
    }
}

/// The call for a bag that hangs already.
pub fn still_hanging(desk: &Desk, ahead: &Ahead, turns: &Turns, bag: &Bag) -> Overnight {
    let start = bag.hang.start;
    let now = bag.now.as_ref().ok();
    let by = |at: DateTime<Utc>| now?.empty_by(minutes_from(start, at));
    let left = |at: DateTime<Utc>| now?.share_left(minutes_from(start, at));
    let chances = Chances::of(turns, bag.hang.charge.value(), by, left);
    called(desk, ahead, turns, &bag.hang, true, chances)
}
