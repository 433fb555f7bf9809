//! Answers as text for people.

use super::day::warned;
use super::words::{bullets, day_clock, hours, percent, span, table, wrapped};
use crate::app::check::Checked;
use crate::app::compare::{Compared, Comparison, Verdict};
use crate::app::desk::Desk;
use crate::app::diagnosis::{Diagnosis, TOO_FAST};
use crate::app::outlook::source;
use crate::app::overnight::{Calls, Overnight};
use crate::app::refit::Refit;
use crate::app::rests::{counted, model_words};
use crate::app::times::Time;
use crate::app::words::kind_word;
use crate::plan::overnight::Call;
use std::fmt::Write;

/// Most draws that a line names.
const NAMED: usize = 8;

pub fn times(desk: &Desk, times: &[Time]) -> String {
    let mut out = warned(&source(desk));
    if times.is_empty() {
        return out
            + "Nothing to time: name a file with --hang, or put hang.csv into the grove folder.\n";
    }
    let header = ["draw", "tree", "start", "P10", "P50", "P90", "by dusk", "by morning"];
    let rows = times.iter().map(|time| {
        vec![
            time.draw_id.clone(),
            time.tree_id.clone(),
            day_clock(&time.start),
            span(Some(time.p10_min)),
            span(Some(time.p50_min)),
            span(Some(time.p90_min)),
            percent(time.p_empty_by_dusk),
            percent(time.p_empty_by_morning),
        ]
    });
    out += &table(&header, 3, rows);
    let spoken = source(desk).warning;
    let warnings = times.iter().flat_map(|time| {
        let warnings = time.warnings.iter().filter(|words| Some(*words) != spoken.as_ref());
        warnings.map(|words| (words.clone(), time.draw_id.clone()))
    });
    bullets(&mut out, "Mind", gathered(warnings, times.len()));
    bullets(&mut out, "What this rests on", model_words(desk));
    out
}

/// Each remark once, with those that it is about: all of so many, or the first few by name.
fn gathered(remarks: impl Iterator<Item = (String, String)>, all: usize) -> Vec<String> {
    let mut gathered: Vec<(String, Vec<String>)> = Vec::new();
    for (remark, about) in remarks {
        match gathered.iter_mut().find(|(known, _)| *known == remark) {
            Some((_, abouts)) => abouts.push(about),
            None => gathered.push((remark, vec![about])),
        }
    }
    gathered
        .into_iter()
        .map(|(remark, about)| match about.len() {
            count if count == all && all > 1 => format!("{remark}: all"),
            count if count > NAMED => {
                format!("{remark}: {} and {} more", about[..NAMED].join(", "), count - NAMED)
            }
            _ => format!("{remark}: {}", about.join(", ")),
        })
        .collect()
}

pub fn overnight(desk: &Desk, calls: &Calls) -> String {
    let mut out = warned(&source(desk));
    if calls.bags.is_empty() {
        return out + "No bag hangs, and none can be planned: name a file with --hang.\n";
    }
    let header = [
        "draw",
        "tree",
        "call",
        "start",
        "by\ndusk",
        "by crew's\nend",
        "by\nmorning",
        "mL at\ndusk",
    ];
    let rows = calls.bags.iter().map(|bag| {
        vec![
            bag.draw_id.clone(),
            bag.tree_id.clone(),
            bag.call.words().to_owned(),
            bag.start.as_deref().map_or("-".into(), day_clock),
            percent(bag.p_empty_by_dusk),
            percent(bag.p_empty_by_crew_end),
            percent(bag.p_empty_by_morning),
            bag.left_at_dusk_ml.map_or("-".into(), |ml| format!("{ml:.0}")),
        ]
    });
    out += &table(&header, 3, rows);
    let wet = calls.bags.iter().filter(|bag| bag.call != Call::FinishToday);
    let reasons = wet.map(|bag| format!("{} {}: {}", bag.tree_id, bag.call.words(), bag.because));
    bullets(&mut out, "Because", reasons);
    let nights = calls.bags.iter().filter(|bag| !bag.night_hazards.is_empty());
    let nights = nights.map(|bag| (night(bag), bag.tree_id.clone()));
    bullets(&mut out, "The night", gathered(nights, calls.bags.len()));
    let mut rests = vec![format!("weather: {}", source(desk).words)];
    rests.extend(model_words(desk));
    rests.retain(|line| !line.starts_with("night uptake"));
    rests.push(calls.night_words.clone());
    rests.extend(calls.leaving_refused.map(|why| format!("no bag may be left alone: {why}")));
    rests.push("the label, local law and licensed practice prevail".into());
    bullets(&mut out, "What this rests on", rests);
    out
}

fn night(bag: &Overnight) -> String {
    bag.night_hazards.join(", ")
}

pub fn refit(refit: &Refit) -> String {
    let in_use = match &refit.in_use {
        Some(at) => format!("the model in use, fitted {}", day_clock(at)),
        None => "the prior; no model is in use".into(),
    };
    let mut out = wrapped(
        &format!(
            "Refitted on {} of {}; {} told nothing. Before: {in_use}.",
            counted(refit.draws, "draw", "draws"),
            counted(refit.trees, "tree", "trees"),
            refit.silent.len()
        ),
        0,
    );
    out.push('\n');
    let header = ["coefficient", "of", "prior", "before", "now", "moved?"];
    let rows = refit.coefficients.iter().map(|change| {
        let sd = change.prior.1.map_or_else(String::new, |sd| format!(" +- {sd:.2}"));
        vec![
            change.name.clone(),
            change.unit.clone(),
            format!("{:.2}{sd}", change.prior.0),
            format!("{:.2} +- {:.2}", change.before.0, change.before.1),
            format!("{:.2} +- {:.2}", change.now.0, change.now.1),
            if change.moved { "yes".into() } else { "still the prior".into() },
        ]
    });
    out += &table(&header, 2, rows);
    out.push('\n');
    let rows = refit.learned.iter().map(|learned| {
        vec![
            learned.name.to_owned(),
            format!("{:.3}", learned.prior),
            format!("{:.3}", learned.before),
            format!("{:.3}", learned.now),
        ]
    });
    out += &table(&["learned by evidence", "prior median", "before", "now"], 1, rows);
    bullets(&mut out, "What would change", refit.words());
    bullets(&mut out, "Told nothing", refit.silent.iter().cloned());
    out
}

/// What became of a refit.
pub fn written(refit: &Refit) -> String {
    let words = match (&refit.written, refit.not_written) {
        (Some(path), _) => format!("Written to {}", path.display()),
        (None, Some(why)) => format!("Nothing was written: {why}."),
        (None, None) => "Nothing was written.".into(),
    };
    format!("\n{}", wrapped(&words, 0))
}

pub fn compare(comparison: &Comparison) -> String {
    let mut out = wrapped(&comparison.answer(), 0);
    out += &diagnosis(&comparison.diagnosis);
    out += &outside(comparison);
    out += "\nSlower or faster than predicted (mean rank: 0.5 is neither, less is slower)\n";
    let rows = comparison.groups.iter().map(|group| {
        vec![
            group.by.to_owned(),
            group.name.clone(),
            group.draws.to_string(),
            format!("{:.2}", group.mean_rank),
        ]
    });
    out += &table(&["by", "", "draws", "mean rank"], 2, rows);
    out + "\n" + &wrapped(&comparison.rests_on, 0)
}

fn diagnosis(found: &Diagnosis) -> String {
    let mut out = String::from("\n");
    if found.named.is_empty() {
        out += "No tree, crew, day or block is out of the ordinary.\n";
    } else {
        let rows = found.named.iter().map(|named| {
            vec![
                kind_word(named.kind).to_owned(),
                named.name.clone(),
                if named.times_as_long > 1.0 { "slow" } else { "fast" }.to_owned(),
                format!("{:.1}", named.times_as_long),
                format!("{:.1}-{:.1}", named.interval[0], named.interval[1]),
                named.draws.to_string(),
            ]
        });
        let header = ["", "out of the ordinary", "", "times as long", "95 % interval", "draws"];
        out += &table(&header, 3, rows);
        out += &suspicions(found);
    }
    out + &wrapped(&format!("  ({})", found.words), 2)
}

/// Where to look, once for each kind; then what was logged.
fn suspicions(found: &Diagnosis) -> String {
    let mut out = String::new();
    for of_kind in found.named.chunk_by(|a, b| a.kind == b.kind) {
        let line = format!("  {}: look at {}", kind_word(of_kind[0].kind), of_kind[0].suspicion);
        out += &wrapped(&line, 4);
    }
    if found.named.iter().any(|named| named.times_as_long < 1.0) {
        let _ = writeln!(out, "  {TOO_FAST}");
    }
    for named in found.named.iter().filter(|named| !named.logged.is_empty()) {
        out += &wrapped(&format!("  logged of {}: {}", named.name, named.logged.join("; ")), 4);
    }
    out
}

fn outside(comparison: &Comparison) -> String {
    let word = |draw: &Compared| match draw.verdict {
        Verdict::Slow => Some("slow"),
        Verdict::Fast => Some("fast"),
        Verdict::Inside | Verdict::Possibly => None,
    };
    let minutes = |at: Option<f64>| at.map_or("never".into(), hours);
    let rows: Vec<Vec<String>> = comparison
        .draws
        .iter()
        .filter_map(|draw| Some((draw, word(draw)?)))
        .map(|(draw, word)| {
            vec![
                draw.draw_id.clone(),
                draw.tree_id.clone(),
                word.to_owned(),
                day_clock(&draw.start),
                draw.crew.clone().unwrap_or_default(),
                format!("{}-{}", span(Some(draw.p10_min)), span(Some(draw.p90_min))),
                minutes(draw.wet_at_min),
                minutes(draw.empty_at_min),
            ]
        })
        .collect();
    if rows.is_empty() {
        return String::new();
    }
    let header =
        ["draw", "tree", "", "start", "crew", "80 % band", "wet still\nafter", "empty seen\nafter"];
    format!("\nDraws outside their band\n{}", table(&header, 5, rows))
}

pub fn check(checked: &Checked) -> String {
    let mut out = format!("{} is sound.\n", checked.grove);
    bullets(&mut out, "Found", checked.found.iter().cloned());
    bullets(&mut out, "Notes", checked.notes.iter().cloned());
    out
}
