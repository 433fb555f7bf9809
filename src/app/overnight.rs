//! Per tree: finish today, leave overnight, strip at dusk, or do not hang.

use super::ahead::{Ahead, Foreseen, foresee};
use super::desk::{Desk, DeskError};
use super::outlook::WINDY_M_S;
use super::times::{PROVEN_NIGHTS, Turns, ahead, empty_by, rounded, turns};
use super::window::local_time;
use crate::grove::Hang;
use crate::plan::overnight::{Call, FREEZING_RISK_C, Leave, Night, decide};
use crate::weather::Span;
use chrono::{DateTime, TimeDelta, Utc};
use serde::Serialize;

/// One bag at dusk.
#[derive(Debug, Clone, Serialize)]
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

/// The call for a bag that is planned to start at an instant.
pub fn planned(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    hang: &Hang,
    start: DateTime<Utc>,
    belief: &Foreseen,
) -> Overnight {
    let by = |at: DateTime<Utc>| empty_by(belief, start, at);
    let left = |at: DateTime<Utc>| {
        let minutes = Span { from: start, to: at }.hours() * 60.0;
        let share = belief.as_ref().ok().filter(|_| minutes > 0.0)?.share_left(minutes)?;
        Some((share * hang.charge.value()).round())
    };
    called(desk, ahead, turns, hang, start, false, &by, &left)
}

#[allow(clippy::too_many_arguments)]
fn called(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    hang: &Hang,
    start: DateTime<Utc>,
    hanging: bool,
    by: &dyn Fn(DateTime<Utc>) -> Option<f64>,
    left: &dyn Fn(DateTime<Utc>) -> Option<f64>,
) -> Overnight {
    let dusk = turns.dusk.unwrap_or(turns.day_ends);
    let until_morning = Span { from: dusk.min(turns.day_ends), to: turns.morning };
    let covered = ahead.series.span().is_some_and(|span| span.to >= turns.morning);
    let night_air = ahead.series.within(until_morning).iter().map(|hour| hour.air.value());
    let lowest = night_air.fold(f64::INFINITY, f64::min);
    let night = Night {
        empty_by_crew_end: by(turns.day_ends),
        empty_by_morning: by(turns.morning),
        lowest_air_c: (covered && lowest.is_finite()).then_some(lowest),
        hanging,
    };
    let decision = decide(&night, leave(desk), desk.grove.settings.wishes.sure);
    Overnight {
        draw_id: hang.id.clone(),
        tree_id: desk.grove.trees[hang.tree].id.clone(),
        start: Some(local_time(desk, start)),
        hanging,
        p_empty_by_dusk: by(dusk).map(rounded),
        p_empty_by_crew_end: night.empty_by_crew_end.map(rounded),
        p_empty_by_morning: night.empty_by_morning.map(rounded),
        left_at_dusk_ml: left(dusk),
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
#[derive(Debug, Serialize)]
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
    let hanging = hanging(desk);
    let earliest = hanging.iter().map(|bag| bag.hang.start).chain(hangs.iter().map(|h| h.start));
    let first = earliest.min().unwrap_or(desk.as_of);
    let ahead = ahead(desk, first);
    let mut bags = Vec::new();
    let intended: Vec<Hang> = hanging.iter().map(|bag| bag.hang.clone()).collect();
    for (bag, belief) in hanging.iter().zip(foresee(&desk.grove, &desk.model, &ahead, &intended)) {
        let turns = turns(desk, desk.local_date(desk.as_of))?;
        bags.push(still_hanging(desk, &ahead, &turns, bag, &belief));
    }
    for (hang, belief) in hangs.iter().zip(foresee(&desk.grove, &desk.model, &ahead, hangs)) {
        let turns = turns(desk, desk.local_date(hang.start))?;
        bags.push(planned(desk, &ahead, &turns, hang, hang.start, &belief));
    }
    let looks = desk.model.file().rests_on.after_dusk;
    let night_words = if looks < PROVEN_NIGHTS {
        format!(
            "night uptake is unproven here: {looks} looks after dusk, {PROVEN_NIGHTS} are needed; \
             the band carries the whole doubt about the night"
        )
    } else {
        format!("night uptake learned from {looks} looks after dusk")
    };
    Ok(Calls { bags, night_words, leaving_refused: leave(desk).refusal() })
}

/// A bag that hangs as of now, and when it was last seen wet.
pub(super) struct Hanging {
    pub(super) hang: Hang,
    pub(super) wet_at: DateTime<Utc>,
}

/// Draws started within two days and not seen empty, stripped or leaking by now.
pub(super) fn hanging(desk: &Desk) -> Vec<Hanging> {
    let past = |at: Option<DateTime<Utc>>| at.is_some_and(|at| at <= desk.as_of);
    desk.grove
        .draws
        .iter()
        .filter(|draw| draw.started <= desk.as_of)
        .filter(|draw| desk.as_of - draw.started < TimeDelta::days(2))
        .filter(|draw| !past(draw.first_empty) && !past(draw.stripped) && !draw.leaked())
        .map(|draw| Hanging {
            hang: Hang {
                id: draw.id.clone(),
                tree: draw.tree,
                start: draw.started,
                charge: draw.total_charge(),
                ports: draw.ports,
                head: draw.head,
                row: 0,
            },
            wet_at: if draw.last_wet <= desk.as_of { draw.last_wet } else { draw.started },
        })
        .collect()
}

/// As planned, but given that the bag was wet at the last look.
fn still_hanging(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    bag: &Hanging,
    belief: &Foreseen,
) -> Overnight {
    let minutes = |at: DateTime<Utc>| Span { from: bag.hang.start, to: at }.hours() * 60.0;
    let wet_min = minutes(bag.wet_at);
    let by = |at: DateTime<Utc>| match belief {
        Ok(belief) if wet_min > 0.0 => belief.empty_by_if_wet_at(minutes(at), wet_min),
        _ => empty_by(belief, bag.hang.start, at),
    };
    called(desk, ahead, turns, &bag.hang, bag.hang.start, true, &by, &|_| None)
}
