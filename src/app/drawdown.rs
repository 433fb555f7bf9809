//! How a hanging bag falls: its readings against what was believed at its start, and what is believed
//! of it now.

use super::desk::Desk;
use super::hanging::{Bag, Hanging};
use super::times::{in_minutes, rounded};
use super::window::local_time;
use crate::belief::Finish;
use crate::belief::watched::Watched;
use crate::weather::Span;
use chrono::{DateTime, Utc};
use rayon::prelude::*;
use serde::Serialize;

/// Instants at which a drawdown is told.
const STEPS: usize = 32;
/// A drawdown is told until so much later than the bag is surely empty.
const BEYOND: f64 = 1.1;
/// At least so long, min.
const SHORTEST_MIN: f64 = 60.0;
/// Nobody plans a bag beyond, min.
const LONGEST_MIN: f64 = 36.0 * 60.0;

/// What was in a bag at an instant: an even chance, and the band about it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
#[schema(as = DrawdownLeft)]
pub struct Left {
    /// At most so much with probability 0.1, mL.
    pub p10_ml: f64,
    /// Even chance, mL.
    pub p50_ml: f64,
    /// At most so much with probability 0.9, mL.
    pub p90_ml: f64,
}

/// One instant of a drawdown.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = DrawdownStep)]
pub struct Step {
    /// When, local time.
    pub at: String,
    /// Minutes after the start.
    pub minutes: f64,
    /// As believed at the start; none beyond the weather.
    pub at_start: Option<Left>,
    /// As believed now, all looks taken up.
    pub now: Option<Left>,
}

/// A look at the bag.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = DrawdownLook)]
pub struct Look {
    /// When, local time.
    pub at: String,
    /// Minutes after the start.
    pub minutes: f64,
    /// What was read, mL; none where it was only seen wet.
    pub left_ml: Option<f64>,
}

/// The drawdown of one hanging bag.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Drawdown {
    /// Which draw.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Start of the filling that hangs.
    pub start: String,
    /// Loaded by now, mL.
    pub charge_ml: f64,
    /// Minutes from the start to now.
    pub now_min: f64,
    /// Its course.
    pub steps: Vec<Step>,
    /// What was seen of it, in order of time.
    pub looks: Vec<Look>,
}

/// The drawdown of each hanging bag, in their order.
pub fn drawdowns(desk: &Desk, hanging: &Hanging) -> Vec<Drawdown> {
    hanging.bags.par_iter().map(|bag| drawdown(desk, bag)).collect()
}

/// The drawdown of one bag.
pub fn drawdown(desk: &Desk, bag: &Bag) -> Drawdown {
    let minutes_at = |at: DateTime<Utc>| Span { from: bag.hang.start, to: at }.hours() * 60.0;
    let now_min = minutes_at(desk.as_of);
    let (before, now) = (bag.at_start.as_ref().ok(), bag.now.as_ref().ok());
    let latest = |watched: Option<&Watched>| match watched.map(|watched| watched.quantile(0.9)) {
        Some(Finish::At(minutes) | Finish::After(minutes)) => minutes,
        None => 0.0,
    };
    let to = BEYOND * latest(before).max(latest(now));
    let to = to.max(now_min + 15.0).clamp(SHORTEST_MIN, LONGEST_MIN.max(now_min));
    // At the start itself the clock stands still: a second later it does not.
    let step = |index: usize| (to * index as f64 / (STEPS - 1) as f64).max(1.0 / 60.0);
    let steps = (0..STEPS)
        .map(step)
        .map(|minutes| Step {
            at: local_time(desk, bag.hang.start + in_minutes(minutes)),
            minutes: tenth(minutes),
            at_start: before.and_then(|watched| left(bag, watched, minutes)),
            now: now.and_then(|watched| left(bag, watched, minutes)),
        })
        .collect();
    let volumes = bag.filling.volumes.iter().map(|(at, left)| (*at, Some(left.value())));
    let mut looks: Vec<(DateTime<Utc>, Option<f64>)> =
        volumes.chain(bag.filling.wet.iter().map(|at| (*at, None))).collect();
    looks.sort_by_key(|(at, _)| *at);
    Drawdown {
        draw_id: bag.hang.id.clone(),
        tree_id: desk.grove.trees[bag.hang.tree].id.clone(),
        start: local_time(desk, bag.hang.start),
        charge_ml: bag.hang.charge.value(),
        now_min: tenth(now_min),
        steps,
        looks: looks
            .into_iter()
            .map(|(at, left_ml)| Look {
                at: local_time(desk, at),
                minutes: tenth(minutes_at(at)),
                left_ml,
            })
            .collect(),
    }
}

/// What is in the bag: of all that was loaded by now, what had not been filled in yet is not.
fn left(bag: &Bag, watched: &Watched, minutes: f64) -> Option<Left> {
    let at = bag.hang.start + in_minutes(minutes);
    let later: f64 =
        bag.filling.refills.iter().filter(|(when, _)| *when > at).map(|(_, ml)| ml.value()).sum();
    let charge = bag.hang.charge.value();
    let ml = |p: f64| {
        let share = watched.share_left_quantile(minutes, p)?;
        Some(tenth((charge * rounded(share) - later).max(0.0)))
    };
    Some(Left { p10_ml: ml(0.1)?, p50_ml: ml(0.5)?, p90_ml: ml(0.9)? })
}

fn tenth(value: f64) -> f64 {
    (value * 10.0).round() / 10.0
}
