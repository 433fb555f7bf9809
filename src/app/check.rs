//! Is this grove sound? What was read, what is missing, what tells nothing.

use super::desk::{Desk, DeskError};
use super::outlook::source;
use super::refit::aside_words;
use super::rests::{counted, model_words};
use super::window::local_time;
use crate::store::db::{Database, LATEST};
use chrono::{DateTime, Utc};
use serde::Serialize;
use std::path::Path;

/// A grove's state.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Checked {
    /// It is: a flawed one never comes so far.
    pub sound: bool,
    /// Its name.
    pub grove: String,
    /// What was found, a line each.
    pub found: Vec<String>,
    /// What to know beside it.
    pub notes: Vec<String>,
}

/// Checks a grove that was read without a flaw; a flawed one never reaches a desk.
pub fn check(desk: &Desk) -> Checked {
    let grove = &desk.grove;
    let settings = &grove.settings;
    let mut found = vec![
        format!(
            "{} in {}, {}",
            counted(grove.trees.len(), "tree", "trees"),
            counted(blocks(desk), "block", "blocks"),
            counted(grove.draws.len(), "draw", "draws")
        ),
        format!("time zone {} (zone data {})", settings.zone.name(), chrono_tz::IANA_TZDB_VERSION),
        observed_words(desk),
        format!("weather: {}", source(desk).words),
    ];
    found.extend(model_words(desk));
    found.extend(next_treatments(desk));
    let mut notes: Vec<String> = grove.notes.iter().map(ToString::to_string).collect();
    if !settings.defaulted.is_empty() {
        notes.push(format!("grove.toml: taken by default: {}", settings.defaulted.join(", ")));
    }
    notes.extend(source(desk).warning);
    for gap in desk.observed.gaps() {
        notes.push(format!(
            "no observed weather from {} to {}",
            local_time(desk, gap.span.from),
            local_time(desk, gap.span.to)
        ));
    }
    notes.extend(desk.asides.iter().map(aside_words));
    Checked { sound: true, grove: settings.name.clone(), found, notes }
}

/// Checks a grove's database from the file up, before anything is read from it: what it is, and
/// what is wrong with it.
///
/// # Errors
/// [`DeskError`] where it cannot be read at all.
pub fn database(path: &Path, now: DateTime<Utc>) -> Result<(String, Vec<String>), DeskError> {
    let soundness = Database::open(path, now)?.soundness()?;
    let what = format!(
        "database of schema {} (this program writes {LATEST}), {}",
        soundness.schema, soundness.engine
    );
    Ok((what, soundness.problems))
}

/// How many trees the label lets nobody treat yet, by their records.
fn next_treatments(desk: &Desk) -> Option<String> {
    let today = desk.local_date(desk.as_of);
    let next = desk.grove.trees.iter().filter_map(|tree| desk.grove.earliest_next(tree));
    let later: Vec<_> = next.filter(|day| *day > today).collect();
    let (first, last) = (later.iter().min()?, later.iter().max()?);
    Some(format!(
        "{} not to be treated again yet by the label's interval: the first from {first}, the last \
         from {last}",
        counted(later.len(), "tree is", "trees are")
    ))
}

fn blocks(desk: &Desk) -> usize {
    let mut blocks: Vec<&str> = desk.grove.trees.iter().map(|tree| tree.block.as_str()).collect();
    blocks.sort_unstable();
    blocks.dedup();
    blocks.len()
}

fn observed_words(desk: &Desk) -> String {
    match desk.observed.span() {
        Some(span) => format!(
            "{} observed hours, {} to {}",
            desk.observed.hours().len(),
            local_time(desk, span.from),
            local_time(desk, span.to)
        ),
        None => "no observed weather: weather/observed.csv is missing or empty".into(),
    }
}
