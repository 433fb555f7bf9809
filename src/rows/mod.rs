//! Answers as CSV rows: what `--csv` writes and what the API gives as `text/csv`.

pub mod backtest;
pub mod dayplan;
pub mod dose;
mod known;
mod record;

pub use known::{drawdowns, draws, journal, known_trees};
pub use record::record;

use crate::app::check::Checked;
use crate::app::compare::Comparison;
use crate::app::log::{Line, Shown};
use crate::app::outlook::OutlookHour;
use crate::app::overnight::Calls;
use crate::app::refit::Refit;
use crate::app::times::Time;
use crate::app::today::Today;
use crate::app::tomorrow::Tomorrow;
use crate::text::Written;
use std::fmt::Display;

/// Rows under a header.
fn csv(header: &[&str], rows: impl IntoIterator<Item = Vec<String>>) -> Vec<u8> {
    let mut written = Written::under(header);
    rows.into_iter().for_each(|row| written.push(row));
    written.bytes()
}

fn or_blank<T: Display>(value: &Option<T>) -> String {
    value.as_ref().map_or_else(String::new, ToString::to_string)
}

/// A word as JSON has it.
fn word<T: serde::Serialize>(value: &T) -> String {
    match serde_json::to_value(value) {
        Ok(serde_json::Value::String(word)) => word,
        _ => String::new(),
    }
}

/// Groves that are kept: id, name, invented?
pub fn groves(groves: impl Iterator<Item = (String, Option<String>, bool)>) -> Vec<u8> {
    let row = |(id, name, is_demo): (String, Option<String>, bool)| {
        vec![id, name.unwrap_or_default(), is_demo.to_string()]
    };
    csv(&["id", "name", "is_demo"], groves.map(row))
}

/// Intended draws as a file of them has them.
pub fn hangs(rows: impl Iterator<Item = [String; 6]>) -> Vec<u8> {
    csv(&["draw_id", "tree_id", "start", "charge_ml", "ports", "head_m"], rows.map(Vec::from))
}

/// Intended draws with their times.
pub fn times(times: &[Time]) -> Vec<u8> {
    let header = [
        "draw_id",
        "tree_id",
        "start",
        "p10_min",
        "p50_min",
        "p90_min",
        "empty_p10",
        "empty_p50",
        "empty_p90",
        "p_empty_by_dusk",
        "p_empty_by_morning",
        "basis",
        "warnings",
    ];
    let row = |time: &Time| {
        vec![
            time.draw_id.clone(),
            time.tree_id.clone(),
            time.start.clone(),
            time.p10_min.to_string(),
            time.p50_min.to_string(),
            time.p90_min.to_string(),
            or_blank(&time.empty_p10),
            or_blank(&time.empty_p50),
            or_blank(&time.empty_p90),
            or_blank(&time.p_empty_by_dusk),
            or_blank(&time.p_empty_by_morning),
            time.basis.to_owned(),
            time.warnings.join("; "),
        ]
    };
    csv(&header, times.iter().map(row))
}

/// The trees of a day.
pub fn trees(answer: &Tomorrow) -> Vec<u8> {
    let header = [
        "tree_id",
        "block",
        "ports",
        "charge_ml",
        "start",
        "in_window",
        "p10_min",
        "p50_min",
        "p90_min",
        "empty_p10",
        "empty_p50",
        "empty_p90",
        "p_in_time",
        "p_empty_by_dusk",
        "call",
        "because",
    ];
    let rows = answer.trees.iter().map(|tree| {
        vec![
            tree.tree_id.clone(),
            tree.block.clone(),
            tree.ports.to_string(),
            tree.charge_ml.to_string(),
            or_blank(&tree.start),
            or_blank(&tree.in_window),
            or_blank(&tree.p10_min),
            or_blank(&tree.p50_min),
            or_blank(&tree.p90_min),
            or_blank(&tree.empty_p10),
            or_blank(&tree.empty_p50),
            or_blank(&tree.empty_p90),
            or_blank(&tree.p_in_time),
            or_blank(&tree.p_empty_by_dusk),
            word(&tree.call),
            tree.because.clone(),
        ]
    });
    csv(&header, rows)
}

/// The start -> finish curve.
pub fn window(answer: &Tomorrow) -> Vec<u8> {
    let header = ["start", "empty_p10", "empty_p50", "empty_p90", "p_in_time", "barred"];
    let rows = answer.start_to_finish.iter().map(|start| {
        let [p10, p50, p90] = &start.finish;
        vec![
            start.start.clone(),
            or_blank(p10),
            or_blank(p50),
            or_blank(p90),
            or_blank(&start.sure),
            start.barred.join("; "),
        ]
    });
    csv(&header, rows)
}

/// The hours of a day.
pub fn outlook<'a>(hours: impl IntoIterator<Item = &'a OutlookHour>) -> Vec<u8> {
    let header = [
        "hour_starting",
        "air_temp_c",
        "rel_humidity_pct",
        "vpd_kpa",
        "wind_m_s",
        "shortwave_w_m2",
        "rain_mm",
        "reference_et_mm",
        "demand",
        "night",
        "hazards",
        "estimated",
    ];
    let rows = hours.into_iter().map(|hour| {
        vec![
            hour.hour_starting.clone(),
            format!("{:.2}", hour.air_temp_c),
            format!("{:.1}", hour.rel_humidity_pct),
            format!("{:.3}", hour.vpd_kpa),
            format!("{:.2}", hour.wind_m_s),
            format!("{:.1}", hour.shortwave_w_m2),
            format!("{:.2}", hour.rain_mm),
            format!("{:.4}", hour.reference_et_mm),
            format!("{:.4}", hour.demand),
            hour.night.to_string(),
            hour.hazards.join("; "),
            hour.estimated.join("; "),
        ]
    });
    csv(&header, rows)
}

/// Bags with their calls.
pub fn overnight(calls: &Calls) -> Vec<u8> {
    let header = [
        "draw_id",
        "tree_id",
        "start",
        "hanging",
        "p_empty_by_dusk",
        "p_empty_by_crew_end",
        "p_empty_by_morning",
        "left_at_dusk_ml",
        "night_hazards",
        "call",
        "because",
    ];
    let rows = calls.bags.iter().map(|bag| {
        vec![
            bag.draw_id.clone(),
            bag.tree_id.clone(),
            or_blank(&bag.start),
            bag.hanging.to_string(),
            or_blank(&bag.p_empty_by_dusk),
            or_blank(&bag.p_empty_by_crew_end),
            or_blank(&bag.p_empty_by_morning),
            or_blank(&bag.left_at_dusk_ml),
            bag.night_hazards.join("; "),
            word(&bag.call),
            bag.because.clone(),
        ]
    });
    csv(&header, rows)
}

/// The bags that hang.
pub fn today(today: &Today) -> Vec<u8> {
    let header = [
        "draw_id",
        "tree_id",
        "start",
        "charge_ml",
        "looked",
        "clamped",
        "empty_p10_at_start",
        "empty_p50_at_start",
        "empty_p90_at_start",
        "empty_p10",
        "empty_p50",
        "empty_p90",
        "p_empty_now",
        "pace",
        "call",
        "because",
    ];
    let rows = today.bags.iter().map(|bag| {
        let mut row = vec![
            bag.draw_id.clone(),
            bag.tree_id.clone(),
            bag.start.clone(),
            bag.charge_ml.to_string(),
            or_blank(&bag.looked),
            bag.clamped.to_string(),
        ];
        row.extend(bag.at_start.iter().chain(&bag.now).map(or_blank));
        row.extend([
            or_blank(&bag.p_empty_now),
            word(&bag.pace),
            word(&bag.call),
            bag.because.clone(),
        ]);
        row
    });
    csv(&header, rows)
}

/// What a refit changes, a row each.
pub fn refit(refit: &Refit) -> Vec<u8> {
    let header =
        ["name", "unit", "prior", "prior_sd", "before", "before_sd", "now", "now_sd", "moved"];
    let coefficients = refit.coefficients.iter().map(|change| {
        vec![
            change.name.clone(),
            change.unit.clone(),
            change.prior.0.to_string(),
            or_blank(&change.prior.1),
            change.before.0.to_string(),
            change.before.1.to_string(),
            change.now.0.to_string(),
            change.now.1.to_string(),
            change.moved.to_string(),
        ]
    });
    let learned = refit.learned.iter().map(|learned| {
        let blank = String::new;
        let name = learned.name.to_owned();
        let [prior, before, now] =
            [learned.prior, learned.before, learned.now].map(|value| value.to_string());
        vec![name, blank(), prior, blank(), before, blank(), now, blank(), blank()]
    });
    csv(&header, coefficients.chain(learned))
}

/// Draws, predicted and seen.
pub fn compare(comparison: &Comparison) -> Vec<u8> {
    let header = [
        "draw_id",
        "tree_id",
        "block",
        "crew",
        "start",
        "p10_min",
        "p50_min",
        "p90_min",
        "wet_at_min",
        "empty_at_min",
        "verdict",
        "rank_low",
        "rank_high",
        "in_use_then",
    ];
    let rows = comparison.draws.iter().map(|draw| {
        vec![
            draw.draw_id.clone(),
            draw.tree_id.clone(),
            draw.block.clone(),
            or_blank(&draw.crew),
            draw.start.clone(),
            draw.p10_min.to_string(),
            draw.p50_min.to_string(),
            draw.p90_min.to_string(),
            or_blank(&draw.wet_at_min),
            or_blank(&draw.empty_at_min),
            word(&draw.verdict),
            format!("{:.4}", draw.rank.0),
            format!("{:.4}", draw.rank.1),
            draw.in_use_then.to_string(),
        ]
    });
    csv(&header, rows)
}

/// What a check found.
pub fn check(checked: &Checked) -> Vec<u8> {
    let line = |kind: &str, words: &String| vec![kind.to_owned(), words.clone()];
    let found = checked.found.iter().map(|words| line("found", words));
    let notes = checked.notes.iter().map(|words| line("note", words));
    csv(&["kind", "words"], found.chain(notes))
}

/// What makes a grove unsound.
pub fn flaws(flaws: &[String]) -> Vec<u8> {
    csv(&["kind", "words"], flaws.iter().map(|words| vec!["flaw".to_owned(), words.clone()]))
}

/// Today's entries.
pub fn entries(shown: &Shown) -> Vec<u8> {
    let header = ["noted", "at", "by", "says", "note", "key", "undone"];
    let row = |line: &Line| {
        vec![
            line.noted.clone(),
            line.at.clone(),
            or_blank(&line.by),
            line.says.clone(),
            or_blank(&line.note),
            line.key.clone(),
            line.undone.to_string(),
        ]
    };
    csv(&header, shown.entries.iter().map(row))
}
