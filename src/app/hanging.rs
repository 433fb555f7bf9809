//! The bags that hang as of now: what was believed of each at its start, and what is believed now
//! that it and its neighbours have been looked at.

use super::ahead::{Ahead, laws, target};
use super::desk::{Desk, DeskError};
use super::past::{Told, fillings};
use super::times::ahead;
use crate::belief::watched::{Looked, Reading, Watched};
use crate::demand::ClockError;
use crate::grove::{Draw, Hang};
use crate::units::Millilitres;
use crate::uptake::likelihood::Seen;
use crate::uptake::live::Live;
use crate::uptake::model::Model;
use crate::uptake::observe::Sighting;
use crate::weather::Span;
use chrono::TimeDelta;

/// A bag that was started longer ago and never seen empty nor taken off is one that nobody logged.
pub(super) const LONGEST: TimeDelta = TimeDelta::days(2);

/// Error of what was seen exactly, in ln.
const EXACT: f64 = 1e-3;

/// One hanging bag.
#[derive(Debug, Clone)]
pub struct Bag {
    /// The filling that hangs, as an intended draw: its start, and all that was loaded by now.
    pub hang: Hang,
    /// What was seen of it by now.
    pub filling: Sighting,
    /// Is its line clamped shut as of now?
    pub shut: bool,
    /// What its looks say of ln thirst; none where nobody has looked.
    pub seen: Option<Seen>,
    /// Believed without today's looks.
    pub at_start: Result<Watched, ClockError>,
    /// Believed with them.
    pub now: Result<Watched, ClockError>,
    /// Share of such draws that were believed thirstier than what was seen, lower and upper end:
    /// near 0 it is slow, near 1 fast.
    pub rank: Option<(f64, f64)>,
}

/// The hanging bags, and the weather that they were judged under.
#[derive(Debug)]
pub struct Hanging {
    /// Each bag, in the order of the draws.
    pub bags: Vec<Bag>,
    /// The weather.
    pub ahead: Ahead,
}

/// The bags hanging as of the desk's instant.
///
/// Every look counts once: the other bags' looks move the expected thirst of a bag (shared day,
/// block and coefficients), its own looks cut and weigh the law of this one draw.
///
/// # Errors
/// [`DeskError`] where a fit fails.
pub fn hanging(desk: &Desk) -> Result<Hanging, DeskError> {
    let found = found(desk);
    let first = found.iter().map(|(_, filling)| filling.started).min().unwrap_or(desk.as_of);
    let ahead = ahead(desk, first);
    let hangs: Vec<Hang> = found.iter().map(|(draw, filling)| hang(draw, filling)).collect();
    let told = told(desk, &found);
    let without: Vec<_> = desk
        .model
        .file()
        .rows
        .iter()
        .filter(|row| !told.iter().flatten().any(|told| told.row == **row))
        .cloned()
        .collect();
    let base = Model::conditioned(desk.model.file().clone(), without, Default::default())?;
    let targets: Vec<_> = hangs.iter().map(|hang| target(&desk.grove, hang)).collect();
    let live = Live::new(base.posterior(), &base.file().rows, &targets);
    let seen: Vec<Option<Seen>> =
        told.iter().map(|told| told.as_ref().map(|told| told.row.seen.clone())).collect();
    let updated = live.update(&seen).map_err(|error| DeskError::Unanswerable(error.to_string()))?;
    let at_start = live.at_start();
    let laws_before = laws(&base, at_start.iter().map(|(_, sd)| *sd));
    let laws_now = laws(&base, updated.without_own.iter().map(|(_, sd)| *sd));
    let bags = found
        .into_iter()
        .zip(hangs)
        .enumerate()
        .map(|(i, ((_, filling), hang))| {
            let course = ahead.paused_course(filling.started, &filling.pauses);
            let believed = |law: &crate::belief::Law, mean: f64, looked: &[Looked]| {
                let ln_offered = hang.charge.value().ln();
                course.clone().map(|course| Watched::new(course, law, mean, looked, ln_offered))
            };
            let under_each = seen[i].as_ref().map(|seen| under_each(&ahead, &filling, seen));
            let looked = seen[i].as_ref().map_or(Looked::NOTHING, looked);
            let ends = (looked.low, looked.high);
            let ends = looked.reading.map_or(ends, |reading| (reading.centre, reading.centre));
            let mean = at_start[i].0;
            Bag {
                at_start: believed(&laws_before[i], mean, &[Looked::NOTHING]),
                now: believed(
                    &laws_now[i],
                    updated.without_own[i].0,
                    &under_each.unwrap_or_else(|| vec![Looked::NOTHING]),
                ),
                rank: seen[i].as_ref().map(|_| {
                    (share(&laws_before[i], ends.0 - mean), share(&laws_before[i], ends.1 - mean))
                }),
                shut: filling.pauses.iter().any(|pause| pause.to == desk.as_of),
                seen: seen[i].clone(),
                filling,
                hang,
            }
        })
        .collect();
    Ok(Hanging { bags, ahead })
}

/// What a bag's looks say under each member of the weather, so that a bag seen wet is not empty by
/// then in any of them; once where all of them say the same.
fn under_each(ahead: &Ahead, filling: &Sighting, seen: &Seen) -> Vec<Looked> {
    let mut each: Vec<Looked> = ahead
        .clocks()
        .iter()
        .map(|clock| looked(&filling.seen(clock).unwrap_or_else(|_| seen.clone())))
        .collect();
    if each.iter().all(|looked| *looked == each[0]) {
        each.truncate(1);
    }
    each
}

fn share(law: &crate::belief::Law, x: f64) -> f64 {
    if x.is_finite() { law.cumulative(x) } else { f64::from(x > 0.0) }
}

fn looked(seen: &Seen) -> Looked {
    let reading = |centre, error| Some(Reading { centre, error });
    match *seen {
        Seen::Between { low, high } => Looked { low, high, reading: None },
        Seen::Exactly(y) => Looked { reading: reading(y, EXACT), ..Looked::NOTHING },
        Seen::Measured { centre, error, low, high } => {
            Looked { low, high, reading: reading(centre, error) }
        }
    }
}

/// Draws begun and neither seen empty, stripped nor leaking by now, with the filling that hangs. What
/// happened later is not known yet: a refill, a strip, the end of a clamp.
fn found(desk: &Desk) -> Vec<(&Draw, Sighting)> {
    let now = desk.as_of;
    let known = |draw: &&Draw| draw.started <= now && draw.stripped.is_none_or(|at| at > now);
    let hangs = |(_, filling): &(&Draw, Sighting)| {
        filling.first_empty.is_none() && filling.leaked.is_none() && now - filling.started < LONGEST
    };
    let last = |draw| {
        let mut begun = fillings(draw).into_iter().filter(|filling| filling.started <= now);
        Some((draw, begun.next_back()?.as_of(now)))
    };
    let mut found: Vec<(&Draw, Sighting)> =
        desk.grove.draws.iter().filter(known).filter_map(last).filter(hangs).collect();
    for (_, filling) in &mut found {
        for pause in &mut filling.pauses {
            // Still shut: taken to be opened now, since nobody knows when it will be.
            *pause = Span { from: pause.from, to: pause.to.min(now) };
        }
    }
    found
}

fn hang(draw: &Draw, filling: &Sighting) -> Hang {
    let added: f64 = filling.refills.iter().map(|(_, ml)| ml.value()).sum();
    Hang {
        id: draw.id.clone(),
        tree: draw.tree,
        start: filling.started,
        charge: Millilitres::computed(filling.charge.value() + added),
        ports: draw.ports,
        head: draw.head,
        row: 0,
    }
}

/// What the regression sees of each hanging bag; none where it tells nothing.
fn told<'a>(desk: &'a Desk, found: &[(&Draw, Sighting)]) -> Vec<Option<Told<'a>>> {
    let all: Vec<Told> =
        desk.past().told(&desk.model.file().demand).into_iter().filter_map(Result::ok).collect();
    let of = |(draw, filling): &(&Draw, Sighting)| {
        all.iter()
            .find(|told| told.draw.id == draw.id && told.filling.started == filling.started)
            .cloned()
    };
    found.iter().map(of).collect()
}
