//! Today, while bags hang: what is believed of each now against what was believed at its start, when
//! to go round next, and what to do with it at dusk.

use super::desk::{Desk, DeskError};
use super::drawdown::{Drawdown, drawdowns};
use super::hanging::{Bag, Hanging, hanging};
use super::overnight::{Overnight, night_words, still_hanging};
use super::times::{Minutes, in_minutes, rounded, turns};
use super::window::local_time;
use super::words::clock;
use crate::belief::Finish;
use crate::belief::watched::Watched;
use crate::plan::overnight::Call;
use chrono::{DateTime, NaiveDate, TimeDelta, Utc};
use serde::Serialize;

/// Where a bag's looks put it against its band at the start.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum Pace {
    /// Slower than nine of ten such draws.
    Slow,
    /// Faster than nine of ten such draws.
    Fast,
    /// Neither, as far as the looks tell.
    AsExpected,
}

/// One hanging bag.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BagNow {
    /// Which draw.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// Start of the filling that hangs.
    pub start: String,
    /// Loaded by now, mL.
    pub charge_ml: f64,
    /// The last look; none where nobody has looked.
    pub looked: Option<String>,
    /// Is the line clamped shut?
    pub clamped: bool,
    /// When it was expected to be empty at its start: P10, P50, P90; none beyond the weather.
    pub at_start: [Option<String>; 3],
    /// The same now, all looks taken up.
    pub now: [Option<String>; 3],
    /// Minutes from the start, as believed now.
    pub now_min: Option<[Minutes; 3]>,
    /// Probability that it is empty already.
    pub p_empty_now: Option<f64>,
    /// Slower or faster than its band at the start.
    pub pace: Pace,
    /// What to do with it at the end of the day.
    pub call: Call,
    /// Why.
    pub because: String,
}

/// The answer.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Today {
    /// In one sentence.
    pub answer: String,
    /// Grove.
    pub grove: String,
    /// The instant that it is looked at from.
    pub as_of: String,
    /// IANA zone of all times.
    pub time_zone: String,
    /// Is it the embedded demo, all invented?
    pub is_demo: bool,
    /// When to go round next; none where no bag hangs or the weather does not reach.
    pub next_check_round: Option<String>,
    /// Each bag, the one that is empty first on top.
    pub bags: Vec<BagNow>,
    /// Where to look where a bag is slow or fast.
    pub order_of_suspicion: Option<&'static str>,
    /// Night uptake proven here?
    pub night_words: String,
}

/// Look for the cause in this order (common practice, no source).
const SUSPICION: &str = "a slow bag: look at hardware (clamp, kink, air, tip), mix, hole, weather, \
                         soil, tree, in this order; far too fast is abnormal too: leak, crack, \
                         cavity";
/// Below this share of the draws expected, a bag is slow; above its complement, fast.
const OUTSIDE: f64 = 0.1;

/// The bags hanging as of the desk's instant.
///
/// # Errors
/// [`DeskError`] where a fit fails or the almanac has no such day.
pub fn today(desk: &Desk) -> Result<Today, DeskError> {
    of_hanging(desk, &hanging(desk)?)
}

/// The same with the drawdown of each bag, in the same order.
///
/// # Errors
/// As [`today`].
pub fn today_drawn(desk: &Desk) -> Result<(Today, Vec<Drawdown>), DeskError> {
    let hanging = hanging(desk)?;
    let today = of_hanging(desk, &hanging)?;
    let mut drawn = drawdowns(desk, &hanging);
    let place = |draw_id: &str| today.bags.iter().position(|bag| bag.draw_id == draw_id);
    drawn.sort_by_key(|drawdown| place(&drawdown.draw_id));
    Ok((today, drawn))
}

fn of_hanging(desk: &Desk, Hanging { bags, ahead }: &Hanging) -> Result<Today, DeskError> {
    let turns = turns(desk, desk.local_date(desk.as_of))?;
    let mut due: Vec<(Option<DateTime<Utc>>, BagNow)> = bags
        .iter()
        .map(|bag| (even_chance(bag), bag_now(desk, bag, still_hanging(desk, ahead, &turns, bag))))
        .collect();
    due.sort_by_key(|(at, _)| at.unwrap_or(DateTime::<Utc>::MAX_UTC));
    let next = due.first().and_then(|(at, _)| *at).map(|at| full_five(at.max(desk.as_of)));
    let next_check_round = next.map(|at| local_time(desk, at));
    let bags: Vec<BagNow> = due.into_iter().map(|(_, bag)| bag).collect();
    let odd = bags.iter().any(|bag| bag.pace != Pace::AsExpected);
    Ok(Today {
        answer: answer(&bags, next_check_round.as_deref(), desk.local_date(desk.as_of)),
        grove: desk.grove.settings.name.clone(),
        as_of: local_time(desk, desk.as_of),
        time_zone: desk.grove.settings.zone.name().into(),
        is_demo: desk.is_demo,
        next_check_round,
        order_of_suspicion: odd.then_some(SUSPICION),
        night_words: night_words(desk),
        bags,
    })
}

/// When the bag is as likely empty as not.
fn even_chance(bag: &Bag) -> Option<DateTime<Utc>> {
    match bag.now.as_ref().ok()?.quantile(0.5) {
        Finish::At(minutes) => Some(bag.hang.start + in_minutes(minutes)),
        Finish::After(_) => None,
    }
}

/// The next full five minutes.
fn full_five(at: DateTime<Utc>) -> DateTime<Utc> {
    let five = 300_000;
    let late = at.timestamp_millis().rem_euclid(five);
    if late == 0 { at } else { at + TimeDelta::milliseconds(five - late) }
}

fn bag_now(desk: &Desk, bag: &Bag, call: Overnight) -> BagNow {
    let at = |watched: &Watched, p: f64| match watched.quantile(p) {
        Finish::At(minutes) => Some(local_time(desk, bag.hang.start + in_minutes(minutes))),
        Finish::After(_) => None,
    };
    let three = |watched: Option<&Watched>| {
        [0.1, 0.5, 0.9].map(|p| watched.and_then(|watched| at(watched, p)))
    };
    let now = bag.now.as_ref().ok();
    let since = (desk.as_of - bag.hang.start).num_milliseconds() as f64 / 60_000.0;
    BagNow {
        draw_id: bag.hang.id.clone(),
        tree_id: desk.grove.trees[bag.hang.tree].id.clone(),
        start: local_time(desk, bag.hang.start),
        charge_ml: bag.hang.charge.value(),
        looked: looked(desk, bag),
        clamped: bag.shut,
        at_start: three(bag.at_start.as_ref().ok()),
        now: three(now),
        now_min: now.map(|now| [0.1, 0.5, 0.9].map(|p| Minutes::of(now.quantile(p)))),
        p_empty_now: now.and_then(|now| now.empty_by(since)).map(rounded),
        pace: pace(bag.rank),
        call: call.call,
        because: match bag.shut {
            true => format!("{}; clamped shut: taken to be opened now", call.because),
            false => call.because,
        },
    }
}

fn looked(desk: &Desk, bag: &Bag) -> Option<String> {
    let volume = bag.filling.volumes.iter().max_by_key(|(at, _)| *at);
    let wet = bag.filling.last_wet();
    match (volume, wet) {
        (Some((at, left)), wet) if wet.is_none_or(|wet| wet <= *at) => {
            Some(format!("{} {:.0} mL left", local_time(desk, *at), left.value()))
        }
        (_, Some(at)) => Some(format!("{} wet", local_time(desk, at))),
        _ => None,
    }
}

/// Rank of thirst against the band at the start: a slow bag has a low one.
fn pace(rank: Option<(f64, f64)>) -> Pace {
    match rank {
        Some((_, high)) if high < OUTSIDE => Pace::Slow,
        Some((low, _)) if low > 1.0 - OUTSIDE => Pace::Fast,
        _ => Pace::AsExpected,
    }
}

fn answer(bags: &[BagNow], next: Option<&str>, date: NaiveDate) -> String {
    let count = |call: Call| bags.iter().filter(|bag| bag.call == call).count();
    let hang = match bags.len() {
        0 => return "No bag hangs now.".into(),
        1 => "1 bag hangs".to_owned(),
        all => format!("{all} bags hang"),
    };
    let round = match next {
        Some(at) => format!("next check round {}", clock(Some(at), date)),
        None => "the weather does not reach to the next check round".into(),
    };
    let slow = bags.iter().filter(|bag| bag.pace == Pace::Slow).count();
    let fast = bags.iter().filter(|bag| bag.pace == Pace::Fast).count();
    format!(
        "{hang}; {round}. {slow} slow, {fast} fast; by the end of the day: {} finish, {} to leave \
         overnight, {} to strip at dusk if wet.",
        count(Call::FinishToday),
        count(Call::LeaveOvernight),
        count(Call::StripAtDusk)
    )
}
