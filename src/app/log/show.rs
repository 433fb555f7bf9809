//! Today's entries, and the bags that hang.

use super::{Fault, words};
use crate::app::desk::DeskError;
use crate::app::parts::{Part, beside, per_page};
use crate::grove::{Draw, Seen};
use crate::journal::{self, Entry, Flat, HANGS_AT_MOST};
use crate::store::folder_log::Logbook;
use crate::store::home::Home;
use crate::text::{format_time, with_offset};
use chrono::{DateTime, NaiveDate, Utc};
use chrono_tz::Tz;
use serde::Serialize;

/// Today's entries, and the bags that hang.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Shown {
    /// The grove's name.
    pub grove: String,
    /// Today, in its zone.
    pub date: NaiveDate,
    /// Its zone.
    pub time_zone: &'static str,
    /// Entries noted today, as they were noted.
    pub entries: Vec<Line>,
    /// Bags that hang: started within two days and not stripped.
    pub bags: Vec<Bag>,
}

/// One entry.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = LogLine)]
pub struct Line {
    /// When it was noted, local time.
    pub noted: String,
    /// When it happened, local time.
    pub at: String,
    /// By whom.
    pub by: Option<String>,
    /// What it says.
    pub says: String,
    /// What else was written.
    pub note: Option<String>,
    /// Its key.
    pub key: String,
    /// Does it count no more?
    pub undone: bool,
}

/// One bag that hangs.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Bag {
    /// Which tree.
    pub tree_id: String,
    /// Which draw.
    pub draw_id: String,
    /// Since when, local time.
    pub started: String,
    /// Minutes since then.
    pub minutes: i64,
    /// What was loaded, mL.
    pub loaded_ml: f64,
    /// What the last look told.
    pub last: String,
    /// Is it clamped shut?
    pub shut: bool,
    /// Was it seen empty, so that it waits to be stripped?
    pub empty: bool,
    /// Its kit.
    pub kit: Option<String>,
}

/// Which entries.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Asked {
    /// Noted on this local date only.
    pub date: Option<NaiveDate>,
    /// Which part of the list.
    pub part: Part<Place>,
    /// Entries in that part.
    pub per_page: Option<usize>,
}

/// Place of an entry in the list: when it was noted, and its key.
pub type Place = (DateTime<Utc>, String);

/// An entry of the journal with what it says.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
#[schema(as = EntryTold)]
pub struct Told {
    /// In a line.
    pub says: String,
    /// Does it count no more?
    pub undone: bool,
    /// The entry.
    pub entry: Flat,
}

/// Entries of the journal, the last noted first.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Entries {
    /// The grove's name.
    pub grove: String,
    /// IANA zone of the times in what is said.
    pub time_zone: &'static str,
    /// Noted on this date only.
    pub date: Option<NaiveDate>,
    /// All that were asked for.
    pub total: usize,
    /// Entries of this part.
    pub entries: Vec<Told>,
    /// From where the next older ones go on; none where there are none.
    #[serde(skip)]
    pub older: Option<Place>,
    /// Up to where the next newer ones go; none where there are none.
    #[serde(skip)]
    pub newer: Option<Place>,
}

/// What was noted by `now`, the last first.
///
/// # Errors
/// [`DeskError`] where the journal cannot be read.
pub fn entries(home: &Home, asked: &Asked, now: DateTime<Utc>) -> Result<Entries, DeskError> {
    let Logbook { grove, state } = home.logbook(now).map_err(Fault::from)?;
    let zone = grove.settings.zone;
    let on = |entry: &Entry| with_offset(entry.noted, zone).date_naive();
    let mut all = state.entries();
    all.retain(|entry| entry.noted <= now && asked.date.is_none_or(|date| on(entry) == date));
    all.reverse();
    let place = |entry: &&Entry| (entry.noted, entry.key.clone());
    let part = asked.part.of(&all, per_page(asked.per_page)?, place)?;
    let (newer, older) = beside(&all, &part, place);
    let told = |entry: &&Entry| Told {
        says: words::said(&state, entry, zone),
        undone: state.undone_by(&entry.key).is_some(),
        entry: Flat::from(*entry),
    };
    Ok(Entries {
        grove: grove.settings.name.clone(),
        time_zone: zone.name(),
        date: asked.date,
        total: all.len(),
        entries: all[part].iter().map(told).collect(),
        older,
        newer,
    })
}

/// Today's entries and the bags that hang as of `now`.
///
/// # Errors
/// [`Fault`] where the folder cannot be read.
pub fn show(home: &Home, now: DateTime<Utc>) -> Result<Shown, Fault> {
    let Logbook { grove, state } = home.logbook(now)?;
    let zone = grove.settings.zone;
    let date = with_offset(now, zone).date_naive();
    let entries = state.entries();
    let today = entries
        .into_iter()
        .filter(|entry| with_offset(entry.noted, zone).date_naive() == date && entry.noted <= now);
    let line = |entry: &Entry| Line {
        noted: format_time(entry.noted, zone),
        at: format_time(entry.at, zone),
        by: entry.by.clone(),
        says: words::said(&state, entry, zone),
        note: entry.note.clone(),
        key: entry.key.clone(),
        undone: state.undone_by(&entry.key).is_some(),
    };
    let hangs = |told: &&journal::Told| {
        told.hangs() && told.started <= now && now - told.started <= HANGS_AT_MOST
    };
    let mut hanging: Vec<&journal::Told> = state.draws().filter(hangs).collect();
    hanging.sort_by_key(|told| told.started);
    let drawn =
        hanging.into_iter().filter_map(|told| told.draw(zone).ok().map(|draw| (told, draw)));
    Ok(Shown {
        grove: grove.settings.name.clone(),
        date,
        time_zone: zone.name(),
        entries: today.map(line).collect(),
        bags: drawn.map(|(told, draw)| bag(told, &draw, now, zone)).collect(),
    })
}

fn bag(told: &journal::Told, draw: &Draw, now: DateTime<Utc>, zone: Tz) -> Bag {
    let clock = |at: DateTime<Utc>| with_offset(at, zone).format("%H:%M");
    let last = draw.readings.iter().rev().find(|reading| reading.at <= now);
    let last = match last.map(|reading| (reading.seen, clock(reading.at))) {
        Some((Seen::Wet, at)) => format!("wet {at}"),
        Some((Seen::Empty, at)) => format!("empty {at}"),
        Some((Seen::Left(left), at)) => format!("{left} {at}"),
        Some((Seen::Refill { added }, at)) => format!("refilled {added} {at}"),
        Some((Seen::Leak { left: Some(left) }, at)) => format!("leak, {left} left {at}"),
        Some((Seen::Leak { left: None }, at)) => format!("leak {at}"),
        None => match draw.first_empty {
            Some(emptied) => format!("empty {}", clock(emptied)),
            None => "no look yet".into(),
        },
    };
    Bag {
        tree_id: told.start.tree_id.clone(),
        draw_id: told.start.draw_id.clone(),
        started: format_time(told.started, zone),
        minutes: (now - told.started).num_minutes(),
        loaded_ml: draw.total_charge().value(),
        last,
        shut: draw.pauses.last().is_some_and(|pause| pause.to.is_none()),
        empty: draw.first_empty.is_some(),
        kit: told.start.kit.clone(),
    }
}
