//! The day plan in the terminal, and the files that it writes.

use super::args;
use super::words::{bullets, clock, hours, percent, table, wrapped};
use super::write_out;
use crate::app::dayplan::{
    Asked, Campaign, DayPlan, Doing, PersonDay, campaign, dayplan, read_kept,
};
use crate::app::desk::{Desk, DeskError};
use crate::app::rests::counted;
use crate::pages::{calendar, dayplan as sheet, lanes};
use std::fmt::Write;
use std::path::Path;

/// Column of the P90, which is left out where the wish is the same.
const NINETY: usize = 6;

/// What was asked, answered: a day or a campaign.
pub enum Planned {
    /// One day.
    Day(Box<DayPlan>),
    /// Several.
    Days(Campaign),
}

/// Answers, and writes the files that were named.
pub fn planned(desk: &Desk, args: &args::Dayplan) -> Result<Planned, DeskError> {
    let asked = Asked {
        blocks: args.block.clone(),
        trees: args.tree.clone(),
        people: args.people,
        kits: args.kits,
        gone: args.gone.clone(),
        broken: args.broken.clone(),
        earlier: args.from.as_deref().map(read_kept).transpose()?,
        earlier_min: 0,
    };
    let from_plan = asked.earlier.as_ref().map(|kept| kept.date);
    let date = args.date.or(from_plan).unwrap_or_else(|| desk.tomorrow());
    if let Some(count) = args.days {
        return Ok(Planned::Days(campaign(desk, date, count, &asked)?));
    }
    let plan = dayplan(desk, date, &asked)?;
    write(args.svg.as_deref(), || lanes::file(&plan))?;
    write(args.html.as_deref(), || sheet::file(&plan))?;
    write(args.ics.as_deref(), || calendar::calendar(&plan, desk.as_of))?;
    Ok(Planned::Day(Box::new(plan)))
}

fn write(path: Option<&Path>, text: impl FnOnce() -> String) -> Result<(), DeskError> {
    let Some(path) = path else { return Ok(()) };
    write_out(path, text().as_bytes())
}

/// A day for people.
pub fn day(plan: &DayPlan) -> String {
    let mut out = wrapped(&plan.answer, 0);
    let _ = writeln!(
        out,
        "{}, {}, times in {}",
        plan.grove,
        plan.date.format("%A %Y-%m-%d"),
        plan.time_zone
    );
    if plan.is_demo {
        out += super::day::DEMO;
    }
    if let Some(changes) = &plan.changes {
        let nothing = vec!["nothing: the earlier plan still goes".to_owned()];
        let lines = if changes.is_empty() { nothing } else { changes.clone() };
        bullets(&mut out, "Changed from the earlier plan", lines);
    }
    let shut = plan.closed.iter().map(|shut| {
        format!(
            "{}-{}: {}",
            clock(Some(&shut.from), plan.date),
            clock(Some(&shut.to), plan.date),
            shut.why
        )
    });
    bullets(&mut out, "No bag starts", shut);
    for person in plan.people.iter().filter(|person| !person.acts.is_empty()) {
        out += &one(plan, person);
    }
    out += &trees(plan);
    out += &left(plan);
    out += &odds(plan);
    let cautions = plan.cautions.iter().map(|caution| format!("{}: {}", caution.at, caution.words));
    bullets(&mut out, "Cautions for this day", cautions);
    bullets(&mut out, "What this rests on", plan.rests_on.iter().cloned());
    out
}

fn one(plan: &DayPlan, person: &PersonDay) -> String {
    let row = |doing: &Doing| {
        vec![
            format!(
                "{}-{}",
                clock(Some(&doing.from), plan.date),
                clock(Some(&doing.to), plan.date)
            ),
            doing.what.to_owned(),
            doing.trees.join(" "),
            doing.kit.map_or_else(String::new, |kit| format!("kit {kit}")),
            doing
                .note
                .as_deref()
                .map_or("", |note| note.trim_end_matches(", stay for the leak check"))
                .to_owned(),
        ]
    };
    format!(
        "\n{}, {} min on foot\n{}",
        person.person,
        person.walking_min,
        table(&["", "", "tree", "", ""], 5, person.acts.iter().map(row))
    )
}

fn trees(plan: &DayPlan) -> String {
    if plan.trees.is_empty() {
        return String::new();
    }
    let date = plan.date;
    let at = |time: &Option<String>| clock(time.as_deref(), date);
    let is_ninety = (plan.sure - 0.9).abs() < 1e-9;
    let rows = plan.trees.iter().map(|tree| {
        let mut row = vec![
            tree.tree_id.clone(),
            tree.call.words().to_owned(),
            tree.person.replace("person ", ""),
            tree.kit.to_string(),
            if tree.hanging { "hangs".into() } else { clock(Some(&tree.start), date) },
            at(&tree.empty_p50),
            at(&tree.empty_p90),
            at(&tree.empty_sure),
            tree.refills
                .iter()
                .map(|refill| clock(Some(refill), date))
                .collect::<Vec<_>>()
                .join(" "),
            at(&tree.strip),
        ];
        if is_ninety {
            row.remove(NINETY);
        }
        row
    });
    let sure = format!("{:.0} %\nsure", 100.0 * plan.sure);
    let mut header = vec![
        "tree",
        "call",
        "who",
        "kit",
        "start",
        "empty\n50 %",
        "90 %",
        &sure,
        "refill",
        "strip",
    ];
    if is_ninety {
        header.remove(NINETY);
    }
    format!("\nTrees (each alone)\n{}", table(&header, 2, rows))
}

/// Trees left, told once for each reason.
fn left(plan: &DayPlan) -> String {
    let mut reasons: Vec<(&str, Vec<&str>)> = Vec::new();
    for tree in &plan.left {
        match reasons.iter_mut().find(|(why, _)| *why == tree.why) {
            Some((_, trees)) => trees.push(&tree.tree_id),
            None => reasons.push((tree.why, vec![&tree.tree_id])),
        }
    }
    let mut out = String::new();
    let lines = reasons.into_iter().map(|(why, trees)| format!("{why}: {}", trees.join(", ")));
    bullets(&mut out, "Left for another day", lines);
    out
}

fn odds(plan: &DayPlan) -> String {
    let mut out = String::new();
    let Some(odds) = &plan.odds else { return out };
    let lines = [
        format!("all goes as planned: {}", percent(Some(odds.p_all_done))),
        format!("bags still hanging at the end: {:.1}", odds.overnight_bags),
        format!(
            "waiting: {} for each person, {} for each kit",
            hours(odds.idle_min_per_person),
            hours(odds.idle_min_per_kit)
        ),
    ];
    let title = format!("Over {} simulated days", odds.simulated_days);
    bullets(&mut out, &title, lines);
    let would = plan.what_if.iter().map(|it| {
        let end = match it.end_later_min {
            0 => "the same end".to_owned(),
            minutes if minutes < 0 => format!("done {} earlier", hours(f64::from(-minutes))),
            minutes => format!("done {} later", hours(f64::from(minutes))),
        };
        format!(
            "{}: {} surely empty, {end}, {} that all goes as planned, {:.1} bags still hanging",
            it.change,
            counted(it.surely_empty, "tree", "trees"),
            percent(Some(it.odds.p_all_done)),
            it.odds.overnight_bags
        )
    });
    bullets(&mut out, "What more would buy, on the same days", would);
    out
}

/// Several days for people.
pub fn days(campaign: &Campaign) -> String {
    let mut out = wrapped(&campaign.answer, 0);
    let _ = writeln!(out, "{}, times in {}", campaign.grove, campaign.time_zone);
    if campaign.is_demo {
        out += super::day::DEMO;
    }
    let rows = campaign.days.iter().map(|day| {
        vec![
            day.date.format("%a %Y-%m-%d").to_string(),
            if day.go { "go".into() } else { "do not go".into() },
            day.because.clone(),
            day.trees.len().to_string(),
            day.could_take.to_string(),
            day.ends.clone().unwrap_or_else(|| "-".into()),
            day.reference_et_mm.map_or("-".into(), |et| format!("{et:.1}")),
            format!("{:.1}", day.rain_mm),
        ]
    });
    let header = ["day", "", "", "trees", "could\ntake", "done", "ref. ET\nmm", "rain\nmm"];
    let _ = write!(out, "\n{}", table(&header, 3, rows));
    for day in campaign.days.iter().filter(|day| day.go) {
        let line = format!("  {}: {}", day.date.format("%a %-d %b"), day.trees.join(" "));
        out += &wrapped(&line, 4);
    }
    if !campaign.left.is_empty() {
        bullets(&mut out, "No day takes surely", [campaign.left.join(" ")]);
    }
    bullets(&mut out, "What this rests on", campaign.rests_on.iter().cloned());
    out
}
