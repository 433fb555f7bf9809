//! What an entry says, in a line, and what to mind beside it.

use super::Noted;
use crate::grove::{Grove, Pause, Seen};
use crate::journal::{Act, Entry, Event, Flat, Start, State, Told, What};
use crate::text::with_offset;
use crate::units::Millilitres;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;

/// The answer to an entry: `before` and `after` are the draws without and with it.
pub fn noted(grove: &Grove, before: &State, after: &State, entry: &Entry, repeated: bool) -> Noted {
    let zone = grove.settings.zone;
    let about = match &entry.act {
        Act::Undo { of } => after.entry(of).unwrap_or(entry),
        _ => entry,
    };
    let draw_id = about.act.draw_id().unwrap_or_default();
    let told = after.draw(draw_id).or_else(|| before.draw(draw_id));
    let mind = if repeated { Vec::new() } else { mind(grove, told, entry) };
    Noted {
        repeated,
        says: said(after, entry, zone),
        tree_id: told.map(|told| told.start.tree_id.clone()),
        mind,
        entry: Flat::from(entry),
    }
}

/// What an entry says, in a line.
pub fn said(state: &State, entry: &Entry, zone: Tz) -> String {
    let draw_id = entry.act.draw_id().unwrap_or_default();
    let told = state.draw(draw_id);
    let clock = |at: DateTime<Utc>| with_offset(at, zone).format("%H:%M").to_string();
    let at = clock(entry.at);
    // A draw whose start was undone has no tree any more.
    let on = told.map_or(draw_id, |told| told.start.tree_id.as_str());
    let since = told.map_or_else(String::new, |told| {
        format!(", {} after the start", span(entry.at, told.started))
    });
    match &entry.act {
        Act::Start(start) => {
            let Start { tree_id, draw_id, charge, ports, kit, .. } = start;
            let kit = kit.as_ref().map_or_else(String::new, |kit| format!(", kit {kit}"));
            format!("{tree_id}: started at {at}, {charge} on {ports} ports{kit} (draw {draw_id})")
        }
        Act::Seen { seen: Seen::Wet, .. } => {
            format!("{on}: still wet at {at}{since}")
        }
        Act::Seen { seen: Seen::Empty, .. } => {
            let wet = told.map_or_else(String::new, |told| {
                format!("; last seen wet at {}", clock(last_wet(told, entry.at)))
            });
            format!("{on}: empty at {at}{since}{wet}")
        }
        Act::Seen { seen: Seen::Left(left), .. } => {
            let gone = told.map_or_else(String::new, |told| gone(told, entry, *left));
            format!("{on}: {left} left at {at}{since}{gone}")
        }
        Act::Seen { seen: Seen::Refill { added }, .. } => {
            format!("{on}: {added} filled in at {at}")
        }
        Act::Seen { seen: Seen::Leak { left }, .. } => {
            let left = left.map_or_else(String::new, |left| format!(", {left} left"));
            format!("{on}: a leak at {at}{left}; this draw teaches the model nothing")
        }
        Act::Pause { why, .. } => {
            let why = why.as_ref().map_or_else(String::new, |why| format!(" ({why})"));
            format!("{on}: clamped shut at {at}{why}")
        }
        Act::Resume { .. } => {
            let pauses = told.and_then(|told| told.draw(zone).ok()).map(|draw| draw.pauses);
            let own = |pauses: &Vec<Pause>| {
                pauses.iter().find(|pause| pause.to == Some(entry.at)).map(|pause| pause.from)
            };
            let shut = pauses.as_ref().and_then(own);
            let shut = shut
                .map_or_else(String::new, |from| format!(", after {} shut", span(entry.at, from)));
            format!("{on}: open again at {at}{shut}")
        }
        Act::Strip { left, .. } => {
            let gone = match left {
                Some(left) => {
                    let gone = told.map_or_else(String::new, |told| gone(told, entry, *left));
                    format!(" with {left} left{gone}")
                }
                None if told.is_some_and(|told| is_empty(told, zone)) => ", empty".to_owned(),
                None => ", what was left was not read".to_owned(),
            };
            format!("{on}: stripped at {at}{since}{gone}")
        }
        Act::Undo { of } => match state.entry(of) {
            Some(undone) => format!("Undone: {}", said(state, undone, zone)),
            None => format!("Undone: {of}"),
        },
    }
}

/// The last time that somebody saw fluid before an instant, or the start.
fn last_wet(told: &Told, before: DateTime<Utc>) -> DateTime<Utc> {
    let wet = |event: &&Event| match event.what {
        What::Seen(Seen::Wet | Seen::Left(_) | Seen::Refill { .. }) | What::OwnRow(true) => true,
        What::Seen(Seen::Leak { left }) => left.is_some_and(|left| left.value() > 0.0),
        _ => false,
    };
    let earlier = told.events.iter().filter(|event| event.at < before);
    earlier.filter(wet).map(|event| event.at).max().unwrap_or(told.started)
}

/// What has left the bag by then, with what was filled in so far.
fn gone(told: &Told, entry: &Entry, left: Millilitres) -> String {
    let added = told.events.iter().filter(|event| event.at <= entry.at);
    let added = added.map(|event| match event.what {
        What::Seen(Seen::Refill { added }) => added.value(),
        _ => 0.0,
    });
    let loaded = told.start.charge.value() + added.sum::<f64>();
    let gone = (loaded - left.value()).max(0.0);
    let leaked =
        told.events.iter().any(|event| matches!(event.what, What::Seen(Seen::Leak { .. })));
    let by = if leaked { "gone, some of it by a leak" } else { "taken up" };
    format!(": {gone} of {loaded} mL {by}")
}

fn is_empty(told: &Told, zone: Tz) -> bool {
    told.draw(zone).is_ok_and(|draw| draw.first_empty.is_some())
}

fn span(to: DateTime<Utc>, from: DateTime<Utc>) -> String {
    let minutes = (to - from).num_minutes().max(0);
    match minutes {
        ..60 => format!("{minutes} min"),
        _ => format!("{} h {:02}", minutes / 60, minutes % 60),
    }
}

/// What stands in the way of a good record or of a safe bag.
fn mind(grove: &Grove, told: Option<&Told>, entry: &Entry) -> Vec<String> {
    let mut mind = Vec::new();
    match &entry.act {
        Act::Start(start) => {
            let day = grove.settings.local(entry.at).date_naive();
            let tree = grove.trees.iter().find(|tree| tree.id == start.tree_id);
            let next = tree.and_then(|tree| grove.earliest_next(tree));
            if let Some(next) = next.filter(|next| *next > day) {
                mind.push(format!(
                    "tree {} was treated less than the label's min_interval_days ago: not before \
                     {next}, unless this is water",
                    start.tree_id
                ));
            }
            let capacity = grove.settings.bag.capacity;
            let known = !grove.settings.defaulted.contains(&"bag.capacity_ml");
            if known && start.charge.value() > capacity.value() {
                let charge = start.charge;
                mind.push(format!("{charge} is above the bag's capacity_ml {}", capacity.value()));
            }
        }
        Act::Seen { seen: Seen::Leak { .. }, .. } => mind.push(
            "shut the clamp first, keep the mix off drains and water, and note what ran out: the \
             label and local law say what to do with a spill"
                .into(),
        ),
        Act::Strip { left: None, .. }
            if !told.is_some_and(|told| is_empty(told, grove.settings.zone)) =>
        {
            mind.push(
                "nobody saw this bag empty and what was left was not read: undo, and note the \
                 strip with what was left, where you can still tell"
                    .into(),
            );
        }
        _ => {}
    }
    mind
}
