//! Answers as text for people.

use super::picture;
use crate::app::check::Checked;
use crate::app::compare::{Comparison, Verdict};
use crate::app::desk::Desk;
use crate::app::outlook::Outlook;
use crate::app::overnight::Calls;
use crate::app::refit::Refit;
use crate::app::times::{Minutes, Time};
use crate::app::tomorrow::{Tomorrow, model_words};
use comfy_table::presets::NOTHING;
use comfy_table::{CellAlignment, Table};
use std::fmt::Write;

const DEMO: &str = "Demo grove: place, weather and draws are invented.\n";

/// A borderless table; columns after the first `left` ones are numbers.
fn table(header: &[&str], left: usize, rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut table = Table::new();
    table.load_preset(NOTHING).set_header(header.to_vec());
    for row in rows {
        table.add_row(row);
    }
    for column in table.column_iter_mut().skip(left) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    let text: String = table.lines().map(|line| format!(" {}\n", line.trim_end())).collect();
    text
}

fn percent(p: Option<f64>) -> String {
    match p {
        Some(p) if p > 0.99 => ">99 %".into(),
        Some(p) if p < 0.01 => "<1 %".into(),
        Some(p) => format!("{:.0} %", 100.0 * p),
        None => "-".into(),
    }
}

/// Hours and minutes, as people say them.
fn span(minutes: Option<Minutes>) -> String {
    let words = |minutes: f64| {
        let minutes = minutes.round() as i64;
        if minutes < 60 {
            format!("{minutes} min")
        } else {
            format!("{} h {:02}", minutes / 60, minutes % 60)
        }
    };
    match minutes {
        Some(Minutes::At(minutes)) => words(minutes),
        Some(Minutes::After { after_min }) => format!(">{}", words(after_min)),
        None => "-".into(),
    }
}

/// `HH:MM` of a local time, with the day where it is not `date`.
fn clock(time: Option<&str>, date: &str) -> String {
    let Some(time) = time else { return "-".into() };
    let clock = time.get(11..16).unwrap_or(time);
    match time.get(..10) {
        Some(day) if day == date => clock.to_owned(),
        Some(day) => format!("{clock} ({})", &day[5..]),
        None => time.to_owned(),
    }
}

fn bullets(out: &mut String, title: &str, lines: impl IntoIterator<Item = String>) {
    let _ = writeln!(out, "\n{title}");
    for line in lines {
        let _ = writeln!(out, "  - {line}");
    }
}

pub fn tomorrow(answer: &Tomorrow) -> String {
    let date = answer.date.to_string();
    let mut out = String::new();
    if answer.outlook.source.stale {
        let _ = writeln!(out, "STALE weather: {}\n", answer.outlook.source.words);
    }
    let _ = writeln!(out, "{}", answer.answer);
    let _ = writeln!(out, "{}, {date}, times in {}\n", answer.grove, answer.time_zone);
    if answer.is_demo {
        out += DEMO;
    }
    bullets(&mut out, "Why", answer.why.iter().cloned());
    out.push('\n');
    out += &picture::day(answer);
    let _ = writeln!(out, "\nTrees (each alone)");
    out += &trees(answer, &date);
    let cautions = answer.cautions.iter().map(|c| format!("{}: {}", c.at, c.words));
    bullets(&mut out, "Cautions for this day", cautions);
    bullets(&mut out, "What this rests on", answer.rests_on.iter().cloned());
    out
}

fn trees(answer: &Tomorrow, date: &str) -> String {
    let done = clock(Some(&answer.latest_done), date);
    let by = format!("by {done}");
    let header = ["tree", "block", "call", "start", "takes", "80 % band", "empty by (90 %)", &by];
    let rows = answer.trees.iter().map(|tree| {
        vec![
            tree.tree_id.clone(),
            tree.block.clone(),
            tree.call.words().to_owned(),
            clock(tree.start.as_deref(), date),
            span(tree.p50_min),
            match tree.p10_min {
                Some(_) => format!("{} - {}", span(tree.p10_min), span(tree.p90_min)),
                None => "-".into(),
            },
            clock(tree.empty_p90.as_deref(), date),
            percent(tree.p_in_time),
        ]
    });
    table(&header, 3, rows)
}

pub fn window(answer: &Tomorrow) -> String {
    let date = answer.date.to_string();
    let mut out = format!("{}\n", answer.answer);
    let _ = writeln!(out, "{}, {date}, times in {}", answer.grove, answer.time_zone);
    if answer.is_demo {
        out += DEMO;
    }
    let done = clock(Some(&answer.latest_done), &date);
    let _ = writeln!(out, "\nStart -> finish of the typical tree on the list");
    let by = format!("empty by {done}");
    let header = ["start", "meets the wish", "P10", "P50", "P90", &by];
    let rows = answer.start_to_finish.iter().map(|start| {
        let [p10, p50, p90] = start.finish.each_ref().map(|at| clock(at.as_deref(), &date));
        let meets = start.sure >= Some(answer.sure);
        let words = match (start.barred.is_empty(), meets) {
            (true, true) => "yes".to_owned(),
            (true, false) => "no".to_owned(),
            (false, _) => format!("no: {}", start.barred.join(", ")),
        };
        vec![clock(Some(&start.start), &date), words, p10, p50, p90, percent(start.sure)]
    });
    out += &table(&header, 2, rows);
    bullets(&mut out, "What this rests on", answer.rests_on.iter().cloned());
    out
}

pub fn outlook(outlook: &Outlook) -> String {
    let mut out = format!("Outlook for {}, times in {}\n\n", outlook.date, outlook.time_zone);
    let header = [
        "hour from", "night", "hazards", "air degC", "RH %", "VPD kPa", "wind m/s", "sun W/m2",
        "rain mm", "ref. ET mm", "demand",
    ];
    let rows = outlook.hours.iter().map(|hour| {
        vec![
            hour.hour_starting.get(11..16).unwrap_or_default().to_owned(),
            if hour.night { "night".into() } else { String::new() },
            hour.hazards.join(", "),
            format!("{:.1}", hour.air_temp_c),
            format!("{:.0}", hour.rel_humidity_pct),
            format!("{:.2}", hour.vpd_kpa),
            format!("{:.1}", hour.wind_m_s),
            format!("{:.0}", hour.shortwave_w_m2),
            format!("{:.1}", hour.rain_mm),
            format!("{:.2}", hour.reference_et_mm),
            format!("{:.2}", hour.demand),
        ]
    });
    out += &table(&header, 3, rows);
    let et = outlook.reference_et_mm.map_or("unknown".into(), |et| format!("{et:.1} mm"));
    let _ = writeln!(
        out,
        "\nDay: reference ET {et} (FAO-56 eq. 6), rain {:.1} mm, weather for {:.0} % of the day",
        outlook.rain_mm,
        100.0 * outlook.coverage
    );
    let stale = if outlook.source.stale { "STALE: " } else { "" };
    let _ = writeln!(out, "{stale}{}", outlook.source.words);
    let mut estimated: Vec<&str> =
        outlook.hours.iter().flat_map(|hour| hour.estimated.iter().copied()).collect();
    estimated.sort_unstable();
    estimated.dedup();
    for words in estimated {
        let _ = writeln!(out, "estimated: {words}");
    }
    out
}

pub fn times(desk: &Desk, times: &[Time]) -> String {
    if times.is_empty() {
        return "Nothing to time: name a file with --hang, or put hang.csv into the grove folder.\n"
            .into();
    }
    let header = ["draw", "tree", "start", "P10", "P50", "P90", "by dusk", "by morning"];
    let rows = times.iter().map(|time| {
        vec![
            time.draw_id.clone(),
            time.tree_id.clone(),
            time.start.get(..16).unwrap_or(&time.start).replace('T', " "),
            span(Some(time.p10_min)),
            span(Some(time.p50_min)),
            span(Some(time.p90_min)),
            percent(time.p_empty_by_dusk),
            percent(time.p_empty_by_morning),
        ]
    });
    let mut out = table(&header, 3, rows);
    let mut warnings: Vec<String> = Vec::new();
    for time in times {
        for warning in &time.warnings {
            let line = format!("{warning}: ");
            match warnings.iter_mut().find(|known| known.starts_with(&line)) {
                Some(known) => known.push_str(&format!(", {}", time.draw_id)),
                None => warnings.push(format!("{line}{}", time.draw_id)),
            }
        }
    }
    if !warnings.is_empty() {
        bullets(&mut out, "Mind", warnings);
    }
    bullets(&mut out, "What this rests on", model_words(desk));
    out
}

pub fn overnight(desk: &Desk, calls: &Calls) -> String {
    if calls.bags.is_empty() {
        return "No bag hangs and none is intended: name a file with --hang.\n".into();
    }
    let header =
        ["draw", "tree", "call", "start", "by dusk", "by crew's end", "by morning", "mL left at dusk"];
    let rows = calls.bags.iter().map(|bag| {
        vec![
            bag.draw_id.clone(),
            bag.tree_id.clone(),
            bag.call.words().to_owned(),
            bag.start.as_deref().and_then(|s| s.get(5..16)).unwrap_or("-").replace('T', " "),
            percent(bag.p_empty_by_dusk),
            percent(bag.p_empty_by_crew_end),
            percent(bag.p_empty_by_morning),
            bag.left_at_dusk_ml.map_or("-".into(), |ml| format!("{ml:.0}")),
        ]
    });
    let mut out = table(&header, 3, rows);
    let mut reasons: Vec<String> = Vec::new();
    for bag in &calls.bags {
        let mut line = format!("{} {}: {}", bag.tree_id, bag.call.words(), bag.because);
        if !bag.night_hazards.is_empty() {
            let _ = write!(line, "; the night: {}", bag.night_hazards.join(", "));
        }
        reasons.push(line);
    }
    bullets(&mut out, "Because", reasons);
    let mut rests = model_words(desk);
    rests.retain(|line| !line.starts_with("night uptake"));
    rests.push(calls.night_words.clone());
    rests.extend(calls.leaving_refused.map(|why| format!("no bag may be left alone: {why}")));
    rests.push("the label, local law and licensed practice prevail".into());
    bullets(&mut out, "What this rests on", rests);
    out
}

pub fn refit(refit: &Refit) -> String {
    let mut out = format!(
        "Refitted on {} draws of {} trees; {} draws tell nothing.\n\n",
        refit.draws,
        refit.trees,
        refit.silent.len()
    );
    let header = ["coefficient", "of", "prior", "now", "moved by the draws?"];
    let rows = refit.coefficients.iter().map(|change| {
        let sd = change.prior.1.map_or_else(String::new, |sd| format!(" +- {sd:.2}"));
        vec![
            change.name.clone(),
            change.unit.clone(),
            format!("{:.2}{sd}", change.prior.0),
            format!("{:.2} +- {:.2}", change.now.0, change.now.1),
            if change.moved { "yes".into() } else { "no: still the prior".into() },
        ]
    });
    out += &table(&header, 2, rows);
    out.push('\n');
    let rows = refit.learned.iter().map(|learned| {
        vec![learned.name.to_owned(), format!("{:.3}", learned.prior), format!("{:.3}", learned.now)]
    });
    out += &table(&["learned by evidence", "prior median", "now"], 1, rows);
    if !refit.silent.is_empty() {
        bullets(&mut out, "Tell nothing", refit.silent.iter().cloned());
    }
    let _ = match &refit.written {
        Some(path) => writeln!(out, "\nWritten to {}", path.display()),
        None => writeln!(out, "\nNothing was written; name a file with --out to keep it."),
    };
    out
}

pub fn compare(comparison: &Comparison) -> String {
    let count = |verdict: Verdict| comparison.draws.iter().filter(|d| d.verdict == verdict).count();
    let mut out = format!(
        "{} draws: 80 % band held {:.0}-{:.0} % of them (surely - possibly; +- {:.0} with days as \
         clusters); {} slower, {} faster than their band.\n",
        comparison.draws.len(),
        comparison.surely_inside_pct,
        comparison.possibly_inside_pct,
        comparison.coverage_plus_minus_pct,
        count(Verdict::Slow),
        count(Verdict::Fast)
    );
    if comparison.stand_out.is_empty() {
        let _ = writeln!(out, "\nNo tree stands out from its block.");
    } else {
        let _ = writeln!(out, "\nTrees that stand out from their block");
        let rows = comparison.stand_out.iter().map(|tree| {
            let slow = if tree.times_as_long > 1.0 { "slow" } else { "fast" };
            vec![
                tree.tree_id.clone(),
                tree.block.clone(),
                slow.to_owned(),
                format!("{:.1}", tree.times_as_long),
                format!("{:.1} - {:.1}", tree.interval.0, tree.interval.1),
                tree.draws.to_string(),
            ]
        });
        let header = ["tree", "block", "", "times as long", "95 % interval", "draws"];
        out += &table(&header, 3, rows);
        let _ = writeln!(out, "  {}", comparison.order_of_suspicion);
    }
    let outside = comparison.draws.iter().filter(|draw| {
        matches!(draw.verdict, Verdict::Slow | Verdict::Fast)
    });
    let minutes = |at: Option<f64>| at.map_or("never".into(), |at| span(Some(Minutes::At(at))));
    let rows: Vec<_> = outside
        .map(|draw| {
            vec![
                draw.draw_id.clone(),
                draw.tree_id.clone(),
                if draw.verdict == Verdict::Slow { "slow".into() } else { "fast".into() },
                draw.start.get(..16).unwrap_or_default().replace('T', " "),
                draw.crew.clone().unwrap_or_default(),
                format!("{} - {}", span(Some(draw.p10_min)), span(Some(draw.p90_min))),
                minutes(draw.wet_at_min),
                minutes(draw.empty_at_min),
            ]
        })
        .collect();
    if !rows.is_empty() {
        let _ = writeln!(out, "\nDraws outside their band");
        let header =
            ["draw", "tree", "", "start", "crew", "80 % band", "wet still at", "empty seen at"];
        out += &table(&header, 5, rows);
    }
    let _ = writeln!(out, "\nSlower or faster than predicted (mean rank: 0.5 is neither, less is slower)");
    let rows = comparison.groups.iter().map(|group| {
        vec![
            group.by.to_owned(),
            group.name.clone(),
            group.draws.to_string(),
            format!("{:.2}", group.mean_rank),
        ]
    });
    out += &table(&["by", "", "draws", "mean rank"], 2, rows);
    let _ = writeln!(out, "\n{}", comparison.rests_on);
    out
}

pub fn check(checked: &Checked) -> String {
    let mut out = format!("{} is sound.\n", checked.grove);
    bullets(&mut out, "Found", checked.found.iter().cloned());
    if !checked.notes.is_empty() {
        bullets(&mut out, "Notes", checked.notes.iter().cloned());
    }
    out
}
