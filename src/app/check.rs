//! Is this grove sound? What was read, what is missing, what tells nothing.

use super::desk::Desk;
use super::outlook::source;
use super::refit::aside_words;
use super::rests::{counted, model_words};
use super::window::local_time;
use serde::Serialize;

/// A grove's state.
#[derive(Debug, Serialize)]
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
