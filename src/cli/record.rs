//! `xylocast record`: the working record as a table, rows, JSON, or a sheet to print.

use super::args::Cli;
use super::log_args;
use super::words::{bullets, clock, table, wrapped};
use super::{Answer, paged, shown};
use crate::app::desk::DeskError;
use crate::app::record::{Asked, Record, record};
use crate::pages;
use crate::record::{Line, Thousandths};
use crate::rows;
use crate::store::home::Home;
use chrono::{DateTime, Utc};
use std::collections::BTreeMap;

/// Gives the record in the form asked for; a grove without one is a sound "no".
pub fn answer(
    cli: &Cli,
    asked: &log_args::Record,
    now: DateTime<Utc>,
) -> Result<Answer, DeskError> {
    let which = Asked { from: asked.from, to: asked.to, tree_id: asked.tree.clone() };
    let answer = record(&Home::of(cli.common.grove.as_deref()), &which, now)?;
    let no = answer.lines.is_empty();
    if let Some(path) = &asked.html {
        let page = pages::record::sheet(&answer);
        if let Some(written) = paged(cli, path, (page, "the record"), no)? {
            return Ok(written);
        }
    }
    shown(cli, &answer, no, || text(&answer), || rows::record(&answer))
}

fn text(record: &Record) -> String {
    let mut out = wrapped(&format!("{}. {}", record.grove, record.notice), 0);
    if record.lines.is_empty() {
        out += "\nNo application is recorded: put what was loaded into applications.csv, a row \
                each (its columns\nstand in data/README.md).\n";
    } else {
        out.push('\n');
        let header = [
            "day",
            "tree",
            "product",
            "start",
            "end",
            "product\nloaded",
            "mix\nloaded",
            "back",
            "leaked",
            "delivered",
        ];
        out += &table(&header, 5, record.lines.iter().map(row));
        let sums = record.totals.iter().map(|total| {
            let known = match total.not_known {
                0 => String::new(),
                count => format!("; of {count} some amount is not known, and they are not in it"),
            };
            format!(
                "{} {}, {}: {} on {}: {} loaded - {} back - {} leaked = {} mL delivered{known}",
                total.date,
                total.block,
                total.product_name.as_deref().unwrap_or("no product named"),
                product(Some(total.product_ml), Some(total.product_g)),
                crate::app::rests::counted(total.applications, "tree", "trees"),
                total.loaded_ml,
                total.recovered_ml,
                total.leaked_ml,
                total.delivered_ml,
            )
        });
        bullets(&mut out, "Totals", sums);
        let until = record.lines.iter().filter_map(waits);
        bullets(&mut out, "Waits", until);
        let odd = record.lines.iter().flat_map(|line| {
            line.odd.iter().map(|words| format!("{}: {words}", line.application_id))
        });
        bullets(&mut out, "Does not go together", odd);
        bullets(&mut out, "Not recorded, though common rules ask for it", missing(&record.lines));
    }
    let without = &record.draws_without;
    if !without.is_empty() {
        let named = without.iter().take(8).cloned().collect::<Vec<_>>().join(", ");
        let more = without.len().saturating_sub(8);
        let more = if more > 0 { format!(" and {more} more") } else { String::new() };
        bullets(&mut out, "Draws without an application", [named + &more]);
    }
    bullets(&mut out, "Mind", [record.kept.to_owned()]);
    out
}

fn row(line: &Line) -> Vec<String> {
    let amounts = &line.amounts;
    let ml = |amount: Option<Thousandths>| amount.map_or("?".into(), |ml| ml.to_string());
    let time = |time: &Option<String>| clock(time.as_deref(), line.date);
    vec![
        line.date.to_string(),
        line.tree_id.clone(),
        line.product_name.clone().unwrap_or_else(|| "-".into()),
        time(&line.started),
        time(&line.ended),
        product(amounts.product_ml, amounts.product_g),
        ml(amounts.loaded_ml),
        ml(amounts.recovered_ml),
        ml(amounts.leaked_ml),
        ml(amounts.delivered_ml),
    ]
}

fn product(ml: Option<Thousandths>, g: Option<Thousandths>) -> String {
    let some = |amount: Option<Thousandths>| amount.filter(|a| *a != Thousandths::default());
    match (some(ml), some(g)) {
        (_, None) => format!("{} mL", ml.unwrap_or_default()),
        (None, Some(g)) => format!("{g} g"),
        (Some(ml), Some(g)) => format!("{ml} mL, {g} g"),
    }
}

/// Until when the place and the crop are shut, and the next treatment waits.
fn waits(line: &Line) -> Option<String> {
    let minute = |time: &String| time.get(..16).unwrap_or(time).replace('T', " ");
    let parts = [
        line.re_entry_until.as_ref().map(|until| format!("nobody in before {}", minute(until))),
        line.pre_harvest_until.map(|day| format!("no harvest before {day}")),
        line.next_earliest.map(|day| format!("no other treatment before {day}")),
    ];
    let parts: Vec<String> = parts.into_iter().flatten().collect();
    (!parts.is_empty()).then(|| format!("{}: {}", line.tree_id, parts.join(", ")))
}

/// Each missing field once, with the rules that ask for it and the number of lines it is about.
fn missing(lines: &[Line]) -> Vec<String> {
    let mut fields: BTreeMap<&str, (usize, String)> = BTreeMap::new();
    for one in lines.iter().flat_map(|line| &line.missing) {
        let words = format!("write {}; asked for by {}", one.write, one.asked_by.join(", "));
        fields.entry(one.field).or_insert((0, words)).0 += 1;
    }
    let all = lines.len();
    let line = |(field, (count, words)): (&str, (usize, String))| {
        let of = if count == all { String::new() } else { format!(" ({count} of {all})") };
        format!("{field}{of}: {words}")
    };
    fields.into_iter().map(line).collect()
}
