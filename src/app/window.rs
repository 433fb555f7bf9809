//! Which starts meet the wish? The typical tree of the list, hung at each quarter of an hour.

use super::ahead::{Ahead, Thirsts};
use super::desk::{Desk, DeskError};
use super::outlook::{RAIN_MM, is_night};
use super::times::{Turns, instant};
use crate::belief::Finish;
use crate::grove::{Grove, Hang, Tree};
use crate::plan::cadence::{Crew, minutes};
use crate::plan::window::{Start, longest, step_from, steps};
use crate::text::format_time;
use crate::weather::Span;
use chrono::{DateTime, NaiveDate, Utc};
use rayon::prelude::*;

/// Said of a start for which there is no weather.
pub const NO_WEATHER: &str = "no weather";

/// The starts of a day and the window among them.
#[derive(Debug, Clone)]
pub struct Starts {
    /// Every start looked at.
    pub starts: Vec<Start>,
    /// The window, where there is one.
    pub window: Option<Span>,
    /// By when a bag should be empty.
    pub latest_done: DateTime<Utc>,
    /// The wish.
    pub sure: f64,
    /// The tree that stands for the list: the one whose charge asks for the median demand.
    pub typical_tree: String,
}

impl Starts {
    /// The allowed start that makes the typical tree empty in time most surely, above no chance.
    pub fn best(&self) -> Option<&Start> {
        let open = self.starts.iter().filter(|start| start.barred.is_empty());
        open.filter(|start| start.sure > Some(0.0)).max_by(|a, b| {
            let sure = |start: &Start| start.sure.unwrap_or_default();
            sure(a).total_cmp(&sure(b))
        })
    }

    /// What speaks against every start of the day, each said once; empty where any is allowed.
    pub fn bars(&self) -> Vec<&'static str> {
        let mut bars: Vec<&str> = Vec::new();
        for start in &self.starts {
            if start.barred.is_empty() {
                return Vec::new();
            }
            let new: Vec<&str> =
                start.barred.iter().copied().filter(|bar| !bars.contains(bar)).collect();
            bars.extend(new);
        }
        bars
    }
}

/// The crew of the grove's settings.
pub fn crew(desk: &Desk) -> Crew {
    let crew = &desk.grove.settings.crew;
    Crew {
        people: crew.people,
        kits: crew.kits,
        set_min: crew.set_min,
        per_port_min: crew.per_port_min,
        strip_min: crew.strip_min,
        walk_min: crew.walk_min,
    }
}

/// What is to be hung on a date.
#[derive(Debug, Clone)]
pub struct List {
    /// The draws, in their order.
    pub hangs: Vec<Hang>,
    /// Did the user type their starts, in `hang.csv`?
    pub typed: bool,
}

/// The list of a date: the draws of `hang.csv` on that date, else, as draws that would start when
/// the crew does, the trees that say `hang = yes`, else all that do not say no.
pub fn listed(desk: &Desk, date: NaiveDate) -> List {
    let grove = &desk.grove;
    let on_date = |hang: &&Hang| desk.local_date(hang.start) == date;
    let intended: Vec<Hang> = grove.hang.iter().flatten().filter(on_date).cloned().collect();
    if !intended.is_empty() {
        return List { hangs: intended, typed: true };
    }
    let some_say_yes = grove.trees.iter().any(|tree| tree.hang == Some(true));
    let chosen = |tree: &Tree| match tree.hang {
        Some(hang) => hang,
        None => !some_say_yes,
    };
    let start = instant(date, grove.settings.crew.day_starts, grove.settings.zone);
    let hangs = grove
        .trees
        .iter()
        .enumerate()
        .filter(|(_, tree)| chosen(tree))
        .map(|(index, _)| hang_of(grove, index, start))
        .collect();
    List { hangs, typed: false }
}

/// A tree as it would be hung at an instant, with its own charge and ports.
pub fn hang_of(grove: &Grove, tree: usize, start: DateTime<Utc>) -> Hang {
    let known = &grove.trees[tree];
    Hang {
        id: known.id.clone(),
        tree,
        start,
        charge: known.charge.unwrap_or(grove.settings.bag.charge),
        ports: known.ports,
        head: None,
        row: 0,
    }
}

/// Looks at every start of the date, from the first at which a bag can run to the latest finish.
///
/// # Errors
/// [`DeskError::Unanswerable`] where no tree is listed.
pub fn starts(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    thirsts: &Thirsts,
    hangs: &[Hang],
) -> Result<Starts, DeskError> {
    let settings = &desk.grove.settings;
    let typical = typical(thirsts).ok_or_else(|| nothing_listed(desk))?;
    let date = desk.local_date(turns.day_starts);
    let latest_done = settings
        .wishes
        .latest_done
        .map_or(turns.day_ends, |time| instant(date, time, settings.zone));
    let sure = settings.wishes.sure;
    let setting = minutes(crew(desk).setting_min(hangs[0].ports));
    let looked: Vec<Start> = steps(step_from(turns.day_starts + setting), latest_done)
        .into_par_iter()
        .map(|at| look(desk, ahead, turns, thirsts, typical, at, latest_done))
        .collect();
    Ok(Starts {
        window: longest(&looked, sure),
        starts: looked,
        latest_done,
        sure,
        typical_tree: desk.grove.trees[hangs[typical].tree].id.clone(),
    })
}

fn nothing_listed(desk: &Desk) -> DeskError {
    let words = match desk.grove.trees.is_empty() {
        true => "trees.csv holds no tree: write a row for each",
        false => "no tree is on the list: every tree in trees.csv says hang = no; say yes for some",
    };
    DeskError::Unanswerable(words.into())
}

/// The draw whose charge asks for the median demand.
pub fn typical(thirsts: &Thirsts) -> Option<usize> {
    let mut order: Vec<usize> = (0..thirsts.ln_wanted.len()).collect();
    order.sort_by(|&a, &b| thirsts.ln_wanted[a].total_cmp(&thirsts.ln_wanted[b]));
    order.get(order.len().saturating_sub(1) / 2).copied()
}

fn look(
    desk: &Desk,
    ahead: &Ahead,
    turns: &Turns,
    thirsts: &Thirsts,
    typical: usize,
    at: DateTime<Utc>,
    latest_done: DateTime<Utc>,
) -> Start {
    let belief = ahead.course(at).map(|course| thirsts.belief(typical, course));
    let within_min = Span { from: at, to: latest_done }.hours() * 60.0;
    let quantile = |p: f64| belief.as_ref().map_or(Finish::After(0.0), |belief| belief.quantile(p));
    Start {
        at,
        sure: belief.as_ref().ok().and_then(|belief| belief.empty_by(within_min)),
        finish: [0.1, 0.5, 0.9].map(quantile),
        barred: barred(desk, ahead, turns, at),
    }
}

/// Why nobody should start a bag at an instant.
pub fn barred(desk: &Desk, ahead: &Ahead, turns: &Turns, at: DateTime<Utc>) -> Vec<&'static str> {
    let label = &desk.grove.settings.label;
    let mut barred = Vec::new();
    let Some(hour) = ahead.series.at(at) else { return vec![NO_WEATHER] };
    if hour.rain.value() >= RAIN_MM {
        barred.push("rain");
    }
    if is_night(turns, at) {
        barred.push("dark");
    }
    if label.max_air_temp.is_some_and(|most| hour.air > most) {
        barred.push("above the label's temperature");
    }
    if label.min_air_temp.is_some_and(|least| hour.air < least) {
        barred.push("below the label's temperature");
    }
    if hour.air.value() <= crate::plan::overnight::FREEZING_RISK_C {
        barred.push("frost");
    }
    barred
}

/// Local time of day, for sentences.
pub fn clock_time(desk: &Desk, at: DateTime<Utc>) -> String {
    at.with_timezone(&desk.grove.settings.zone).format("%H:%M").to_string()
}

/// A start as local time, for JSON and CSV.
pub fn local_time(desk: &Desk, at: DateTime<Utc>) -> String {
    format_time(at, desk.grove.settings.zone)
}
