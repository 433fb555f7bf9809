//! Doses and sheets on the terminal, and trunks as they are typed.

use super::args::{self, Cli};
use super::words::{bullets, table, wrapped};
use super::{Answer, paged, say, shown};
use crate::app::desk::{Desk, DeskError};
use crate::app::dose::figures::signed_percent;
use crate::app::dose::{Asked, Dose, SheetKind, Units, dose};
use crate::app::measure::{Measured, Tape, Trunk, Wish, measure, read_file, read_list};
use crate::app::sheet::{CautionLine, FOOTER, Fact, OVER_CAUTIONS, Part, Sheet, Step, Table};
use crate::pages;
use crate::rows;
use crate::store;
use crate::store::home::Home;
use chrono::{DateTime, Utc};
use std::fmt::Write;
use std::io::{self, BufRead, IsTerminal, Read};
use std::path::Path;

/// Most that is read from standard input, bytes.
const MOST_TYPED: u64 = 4 * 1024 * 1024;

/// The answer to `dose`.
pub fn answer(cli: &Cli, desk: &Desk, args: &args::Dose) -> Result<Answer, DeskError> {
    let asked = Asked {
        trees: args.tree.clone(),
        blocks: args.block.clone(),
        day: args.date,
        by_mean: args.by_mean,
        kits: args.kits,
        units: args.units.map(units),
    };
    let answer = dose(desk, &asked)?;
    let kind = args.sheet.map(kind);
    let no = !answer.any_dose;
    if let Some(path) = &args.html {
        let sheets = answer.sheets_of(kind);
        let title = format!("{}, {}", answer.grove, answer.day);
        let page = pages::sheet::file(&title, &sheets);
        let count = crate::app::rests::counted(sheets.len(), "sheet", "sheets");
        if let Some(written) = paged(cli, path, (page, &count), no)? {
            return Ok(written);
        }
    }
    shown(cli, &answer, no, || text(&answer, kind), || rows::dose::rows(&answer, kind))
}

fn units(units: args::Units) -> Units {
    match units {
        args::Units::Metric => Units::Metric,
        args::Units::Us => Units::Us,
    }
}

fn kind(kind: args::SheetKind) -> SheetKind {
    match kind {
        args::SheetKind::Dose => SheetKind::Dose,
        args::SheetKind::Mixing => SheetKind::Mixing,
        args::SheetKind::SetUp => SheetKind::SetUp,
        args::SheetKind::Kit => SheetKind::Kit,
    }
}

fn text(answer: &Dose, kind: Option<SheetKind>) -> String {
    let mut out = String::new();
    let sheets = answer.sheets_of(kind);
    for (count, sheet) in sheets.iter().enumerate() {
        if count > 0 {
            out += "\n\n";
        }
        let like = sheets[..count].iter().find(|it| it.is_like(sheet));
        out += &match like {
            Some(like) => format!("{}: the same as {}.\n", sheet.title, like.title),
            None => sheet_text(sheet, &sheets[..count]),
        };
    }
    if sheets.is_empty() {
        out += "There is no such sheet: no tree is dosed.\n";
    }
    if let Some(why) = &answer.kits_stopped {
        out += &wrapped(&format!("\nNo list of parts: {why}."), 0);
    }
    out += "\n";
    out += &wrapped(FOOTER, 0);
    out
}

/// A sheet as text; on one screen, what stood on a sheet `before` is not said again.
pub fn sheet_text(sheet: &Sheet, before: &[&Sheet]) -> String {
    let rule = "=".repeat(sheet.title.chars().count());
    let mut out = format!("{}\n{rule}\n", sheet.title);
    for Fact { name, value, .. } in &sheet.facts {
        out += &wrapped(&format!("{name}: {value}"), 2);
    }
    for line in &sheet.first {
        out += &wrapped(&format!("! {line}"), 2);
    }
    for part in &sheet.parts {
        match part {
            Part::Steps { title, .. } | Part::Notes { title, .. }
                if before.iter().any(|it| it.parts.contains(part)) =>
            {
                let _ = writeln!(out, "\n{title}: as above.");
            }
            part => out += &part_text(part),
        }
    }
    match before.iter().any(|it| it.cautions == sheet.cautions) {
        true if !sheet.cautions.is_empty() => out += "\nCautions: as above.\n",
        _ => cautions(&mut out, &sheet.cautions),
    }
    out
}

fn part_text(part: &Part) -> String {
    let mut out = String::new();
    match part {
        Part::Table(table) => out += &table_text(table),
        // A form to fill in is for paper.
        Part::Facts { facts, .. } if facts.iter().all(|fact| fact.value.is_empty()) => {}
        Part::Facts { title, facts } => {
            let _ = writeln!(out, "\n{title}");
            let widest = facts.iter().map(|fact| fact.name.chars().count()).max().unwrap_or(0);
            for Fact { name, value, .. } in facts {
                out += &wrapped_from(&format!("  {name:widest$}  "), value);
            }
        }
        Part::Notes { title, lines } => bullets(&mut out, title, lines.iter().cloned()),
        Part::Steps { title, steps } => {
            let _ = writeln!(out, "\n{title}");
            for (number, Step { words, cautions: lines }) in (1..).zip(steps) {
                out += &wrapped(&format!("  [ ] {number}. {words}"), 9);
                for line in lines {
                    out += &wrapped(&format!("         {} {}", mark(line), line.short()), 11);
                }
            }
            out += &wrapped(&format!("  {OVER_CAUTIONS}; ! is for people's safety."), 2);
        }
    }
    out
}

/// A name, and its value wrapped beside it.
fn wrapped_from(name: &str, value: &str) -> String {
    let indent = name.chars().count();
    let text = wrapped(&format!("{}{value}", " ".repeat(indent)), indent);
    format!("{name}{}", text.get(indent..).unwrap_or_default())
}

fn mark(line: &CautionLine) -> char {
    if line.people { '!' } else { '-' }
}

fn cautions(out: &mut String, lines: &[CautionLine]) {
    if lines.is_empty() {
        return;
    }
    let _ = writeln!(out, "\n{OVER_CAUTIONS} (! people's safety)");
    for line in lines {
        *out += &wrapped(&format!("  {} {}", mark(line), line.short()), 4);
    }
}

fn table_text(it: &Table) -> String {
    // Columns to write into are for paper.
    let filled: Vec<usize> =
        (0..it.columns.len()).filter(|&at| it.rows.iter().any(|row| !row[at].is_empty())).collect();
    let header: Vec<&str> = filled.iter().map(|&at| it.columns[at].name.as_str()).collect();
    let left = it.columns.iter().take_while(|column| !column.number).count();
    let rows = it.rows.iter().chain(&it.total);
    let rows = rows.map(|row| filled.iter().map(|&at| row[at].clone()).collect());
    format!("\n{}\n{}", it.title, table(&header, left, rows))
}

/// The answer to `dose measure`.
pub fn measured(cli: &Cli, args: &args::Measure, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    let settings = match &cli.common.grove {
        Some(path) => Some(Home::of(Some(path)).grove(now)?.settings),
        None => None,
    };
    let units = args.units.map(units);
    let units = units.or(settings.as_ref().map(|it| it.units)).unwrap_or(match args.inches {
        true => Units::Us,
        false => Units::Metric,
    });
    let tape = if args.inches { Tape::Inches } else { Tape::Centimetres };
    let trunks = trunks(&args.from, tape)?;
    let wish = Wish {
        precision: args.precision.or(settings.and_then(|it| it.wishes.dbh_precision)),
        confidence: args.confidence,
        block_trees: args.block_trees,
    };
    let answer = measure(&trunks, wish).map_err(unanswerable)?;
    shown(
        cli,
        &answer,
        false,
        || measured_text(&answer, units),
        || rows::dose::measured(&answer, units),
    )
}

fn unanswerable(error: impl ToString) -> DeskError {
    DeskError::Unanswerable(error.to_string())
}

/// A file, standard input, or what was typed behind the command; with nothing, it is asked for.
fn trunks(from: &[String], tape: Tape) -> Result<Vec<Trunk>, DeskError> {
    match from {
        [] if io::stdin().is_terminal() => {
            read_list(None, &asked(tape)?, tape).map_err(unanswerable)
        }
        [] => Err(DeskError::Unanswerable(
            "name a file, type circumferences behind the command, or give - to read standard input"
                .into(),
        )),
        [only] if only == "-" => {
            let mut bytes = Vec::new();
            let read = io::stdin().lock().take(MOST_TYPED).read_to_end(&mut bytes);
            read.map_err(|error| unanswerable(format!("standard input: {error}")))?;
            read_file("standard input", &bytes, tape).map_err(unanswerable)
        }
        [only] if names_a_file(only) => {
            let (name, bytes) = store::read_named(Path::new(only))?;
            read_file(&name, &bytes, tape).map_err(unanswerable)
        }
        typed => read_list(None, &typed.join(" "), tape).map_err(unanswerable),
    }
}

fn names_a_file(text: &str) -> bool {
    let path = Path::new(text);
    path.is_file() || path.extension().is_some_and(|end| end == "csv" || end == "txt")
}

/// Asks line by line; what cannot be read is asked for again.
fn asked(tape: Tape) -> Result<String, DeskError> {
    let unit = if tape == Tape::Inches { "in" } else { "cm" };
    say(&format!("Circumferences in {unit}, one or more a line; an empty line ends the list."));
    let mut kept = String::new();
    for line in io::stdin().lock().lines() {
        let line = line.map_err(|error| unanswerable(format!("standard input: {error}")))?;
        if line.trim().is_empty() {
            break;
        }
        match read_list(None, &format!("{kept}{line}"), tape) {
            Ok(trunks) => {
                kept += &(line + "\n");
                say(&format!("  {} so far", trunks.len()));
            }
            Err(flaw) => say(&format!("  not taken: {flaw}")),
        }
    }
    Ok(kept)
}

fn measured_text(answer: &Measured, units: Units) -> String {
    let per_unit = if units == Units::Us { 2.54 } else { 1.0 };
    let unit = if units == Units::Us { "in" } else { "cm" };
    let length = |cm: f64| format!("{:.1}", cm / per_unit);
    let mut out = wrapped(&measured_answer(answer, &length, unit), 0);
    let rows = answer.trunks.iter().map(|trunk| {
        vec![
            trunk.id.clone(),
            if trunk.one_by_one { "one by one" } else { "" }.into(),
            length(trunk.circumference_cm),
            format!("{:.2}", trunk.dbh_cm / per_unit),
            signed_percent(trunk.off_mean),
        ]
    });
    let (around, through) = (format!("around\n{unit}"), format!("dbh\n{unit}"));
    let header = ["tree", "", &around, &through, "off the\nmean"];
    let _ = write!(out, "\n{}", table(&header, 2, rows));
    out += "\n";
    out += &wrapped(
        "A sample stands for its block only if its trees were picked at random, not as the nearest \
         to the gate. Dosing each tree by its own dbh is the default; a mean dose only where the \
         label allows it.",
        0,
    );
    out
}

fn measured_answer(answer: &Measured, length: &dyn Fn(f64) -> String, unit: &str) -> String {
    let trunks = crate::app::rests::counted(answer.trunks.len(), "trunk", "trunks");
    let mut out = format!("{trunks}: mean dbh {} {unit}", length(answer.mean_dbh_cm));
    if let Some(spread) = &answer.spread {
        let wished = 100.0 * answer.wished_precision;
        let _ = write!(
            out,
            ", standard deviation {} {unit}. It is {:.0} % sure that the mean of all trees lies \
             between {} and {} {unit}: it is known to within {:.1} %.",
            length(spread.sd_cm),
            100.0 * spread.confidence,
            length(spread.low_cm),
            length(spread.high_cm),
            100.0 * spread.precision,
        );
        let _ = match (answer.large_enough, answer.trees_needed) {
            (Some(true), _) => {
                write!(out, " The sample is large enough for the {wished} % wished for.")
            }
            (_, Some(needed)) => write!(
                out,
                " The sample is too small for the {wished} % wished for: measure {needed} trees in all, \
                 {} more, if the spread stays as it is.",
                (needed as usize).saturating_sub(answer.trunks.len())
            ),
            (_, None) => write!(
                out,
                " The trunks differ so much that no sample gives {wished} %: dose every tree by its \
                 own dbh."
            ),
        };
    } else if let Some(why) = &answer.no_interval {
        let _ = write!(out, ". No interval: {why}.");
    }
    if !answer.one_by_one.is_empty() {
        let _ = write!(
            out,
            " More than 25 % off the mean, to be dosed one by one: {}.",
            crate::text::listed(&answer.one_by_one)
        );
    }
    out
}
