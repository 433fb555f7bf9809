//! What is out of the ordinary in this grove, and where to look for the cause. Never a disease.

use super::desk::{Desk, DeskError};
use super::past::{Past, Told};
use crate::grove::Seen;
pub use crate::uptake::diagnose::Kind;
use crate::uptake::diagnose::{Effect, FALSE_SHARE, ORDINARY_RATIO, diagnose};
use crate::weather::Span;
use chrono::{DateTime, NaiveDate, Utc};
use serde::Serialize;

/// Most remarks shown beside one that is named.
const MOST_LOGGED: usize = 4;

/// A tree, crew, day or block that is slower or faster than it should be.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Named {
    /// What it is.
    pub kind: Kind,
    /// Which one, in words.
    pub name: String,
    /// The day, of a day or of a crew's day.
    pub date: Option<NaiveDate>,
    /// How many times as long a draw takes for it; of a tree, against the others of its block.
    pub times_as_long: f64,
    /// 95 % interval of that.
    pub interval: [f64; 2],
    /// Draws behind it.
    pub draws: usize,
    /// Where to look, in order.
    pub suspicion: &'static str,
    /// What was logged of its draws that may tell why: leaks, clamps, notes.
    pub logged: Vec<String>,
}

/// All that is named, and how far to trust it.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Diagnosis {
    /// From trees to blocks, within each the furthest out first.
    pub named: Vec<Named>,
    /// What was held against what, and how surely it is found.
    pub words: String,
}

/// Far too fast, whatever it is (common practice, no source).
pub const TOO_FAST: &str = "far too fast is abnormal too: leak, crack, cavity";

/// Hardware before tree, what cannot be it left out (common practice, no source).
fn suspicion(kind: Kind) -> &'static str {
    match kind {
        Kind::Tree => "hardware (clamp, kink, air, tip), hole, soil, tree",
        Kind::Crew => "hardware (clamp, kink, air, tip), mix, hole",
        Kind::CrewDay => "hardware (clamp, kink, air, tip), mix, hole",
        Kind::Day => "mix, weather",
        Kind::Block => "weather, soil, tree",
    }
}

/// Diagnoses the draws seen by the desk's instant.
///
/// # Errors
/// [`DeskError`] where the fit fails.
pub fn diagnosis(desk: &Desk) -> Result<Diagnosis, DeskError> {
    let known = Span { from: DateTime::<Utc>::MIN_UTC, to: desk.as_of };
    let past = Past::new(&desk.grove, &desk.observed.clipped(known), desk.as_of);
    let told: Vec<Told> =
        past.told(&desk.model.file().demand).into_iter().filter_map(Result::ok).collect();
    of_draws(desk, &told)
}

/// Diagnoses these draws.
///
/// # Errors
/// [`DeskError`] where the fit fails.
pub fn of_draws(desk: &Desk, told: &[Told]) -> Result<Diagnosis, DeskError> {
    let rows: Vec<_> = told.iter().map(|told| told.row.clone()).collect();
    let crews: Vec<_> = told.iter().map(|told| told.draw.crew.clone()).collect();
    let file = desk.model.file();
    let priors: Vec<_> = file.coefficients.iter().map(|c| c.prior.clone()).collect();
    let effects = diagnose(&rows, &crews, &priors, &file.variances)?;
    let named = effects.iter().filter(|e| e.out).map(|e| named(desk, told, e)).collect();
    Ok(Diagnosis { named, words: words() })
}

/// The figures are measured by `tests/uptake_diagnose.rs`.
fn words() -> String {
    format!(
        "trees, crews, days and blocks are estimated together; of those named of a kind at most \
         {:.0} % are false on average; a tree is held against the others of its block, beyond a \
         factor of {ORDINARY_RATIO}: one twice as slow is found in half of cases after 6 draws, in \
         three of four after 10; a bad day of one crew of two, six bags twice as slow, in six of \
         ten",
        100.0 * FALSE_SHARE
    )
}

fn named(desk: &Desk, told: &[Told], effect: &Effect) -> Named {
    let (times_as_long, interval) = effect.times_as_long();
    let date = effect.date.map(|date| date.format("%Y-%m-%d").to_string());
    let name = match (effect.kind, date) {
        (Kind::CrewDay, Some(date)) => format!("{} on {date}", effect.name),
        (Kind::Day, Some(date)) => date,
        _ => effect.name.clone(),
    };
    let is_its = |told: &&Told| match effect.kind {
        Kind::Tree => told.row.tree_id == effect.name,
        Kind::Crew => told.draw.crew.as_ref() == Some(&effect.name),
        Kind::CrewDay => {
            told.draw.crew.as_ref() == Some(&effect.name) && Some(told.row.date) == effect.date
        }
        Kind::Day => Some(told.row.date) == effect.date,
        Kind::Block => told.row.block == effect.name,
    };
    let its: Vec<&Told> = told.iter().filter(is_its).collect();
    Named {
        kind: effect.kind,
        name,
        date: effect.date,
        times_as_long,
        interval,
        draws: effect.draws,
        suspicion: suspicion(effect.kind),
        logged: gathered(its.iter().flat_map(|told| logged(desk, told))),
    }
}

/// Each remark once, with the draws that it is about; the latest ones tell most.
fn gathered(remarks: impl Iterator<Item = (String, String)>) -> Vec<String> {
    let mut gathered: Vec<(String, Vec<String>)> = Vec::new();
    for (remark, draw) in remarks {
        match gathered.iter_mut().find(|(known, _)| *known == remark) {
            Some((_, draws)) => draws.push(draw),
            None => gathered.push((remark, vec![draw])),
        }
    }
    let words = |(remark, draws): (String, Vec<String>)| format!("{remark} ({})", draws.join(", "));
    let latest = gathered.len().saturating_sub(MOST_LOGGED);
    gathered.into_iter().skip(latest).map(words).collect()
}

/// What was written of a draw by now: remark and draw.
fn logged(desk: &Desk, told: &Told) -> Vec<(String, String)> {
    let draw = told.draw;
    let seen = |at: DateTime<Utc>| at <= desk.as_of;
    let leak = draw
        .readings
        .iter()
        .any(|reading| seen(reading.at) && matches!(reading.seen, Seen::Leak { .. }));
    let clamps = draw.pauses.iter().filter(|pause| seen(pause.from)).map(|pause| {
        let why = pause.why.as_ref().map_or_else(String::new, |why| format!(": {why}"));
        format!("clamped{why}")
    });
    let of_looks = draw.readings.iter().filter(|r| seen(r.at)).filter_map(|r| r.note.clone());
    // A draw's own note is written when it is over.
    let over = draw.stripped.or(draw.first_empty).is_some_and(seen);
    let note = draw.note.clone().filter(|_| over);
    let remarks = leak.then(|| "leak".to_owned()).into_iter().chain(clamps).chain(note);
    remarks.chain(of_looks).map(|remark| (remark, draw.id.clone())).collect()
}
