//! The terminal: what was typed, what it means, and the answer as a table, JSON or CSV.

mod args;
mod backtest;
mod day;
mod dayplan;
mod dose;
mod exchange;
mod hints;
mod log;
mod log_args;
mod people;
mod people_args;
mod picture;
mod pull;
mod record;
mod refit;
mod serve;
mod tables;
mod words;

use crate::app::desk::{Desk, DeskError};
use crate::app::outlook::outlook;
use crate::app::overnight::overnight;
use crate::app::times::times;
use crate::app::today::today;
use crate::app::tomorrow::tomorrow;
use crate::app::{check, compare};
use crate::grove::{FlawKind, Hang, Refused};
use crate::plan::overnight::Call;
use crate::rows;
use crate::store::db::REPAIR;
use crate::store::home::Home;
use crate::store::write_atomically;
use args::{Cli, Command, Dose, DosePart};
use chrono::{DateTime, Utc};
use clap::Parser;
use serde::Serialize;
use std::ffi::OsString;
use std::io::{self, ErrorKind, Write};
use std::path::Path;
use std::process::ExitCode;

/// What a command leaves behind.
struct Answer {
    text: String,
    /// A sound "no".
    no: bool,
}

/// Runs a command line; `now` is the clock's.
///
/// Exit codes: 0 done, 1 a sound "no" (no window tomorrow, a flawed grove found by `check`), 2 an
/// error.
pub fn run(line: impl IntoIterator<Item = OsString>, now: DateTime<Utc>) -> ExitCode {
    let cli = match Cli::try_parse_from(line) {
        Ok(cli) => cli,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    match answer(&cli, now) {
        Ok(answer) => match print(&answer.text) {
            Ok(()) => ExitCode::from(u8::from(answer.no)),
            Err(error) => failed(&format!("the answer cannot be written: {error}")),
        },
        Err(error) => failed(&hints::told(&error)),
    }
}

/// A reader that has seen enough closes the pipe; that is no error.
fn print(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        written => written,
    }
}

fn failed(words: &str) -> ExitCode {
    say(&format!("error: {words}"));
    ExitCode::from(2)
}

/// Who works here, as the audit of a database keeps it.
fn who() -> String {
    let named = ["XYLOCAST_BY", "USER", "LOGNAME", "USERNAME"];
    let named = named.into_iter().filter_map(|name| std::env::var(name).ok());
    named
        .map(|name| name.trim().to_owned())
        .find(|name| !name.is_empty())
        .unwrap_or_else(|| "somebody".to_owned())
}

/// To standard error, where anybody listens.
fn say(words: &str) {
    let _ = writeln!(io::stderr(), "{words}");
}

fn answer(cli: &Cli, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    if cli.common.json && cli.common.csv.as_deref() == Some(Path::new("-")) {
        let words = "--json and --csv both go to standard output: name a file for the rows";
        return Err(DeskError::Unanswerable(words.into()));
    }
    let (grove, as_json) = (cli.common.grove.as_deref(), cli.common.json);
    let desk = || Desk::lay(&cli.request(), now);
    match &cli.command {
        Command::Pull(args) if !args.verify => {
            pull::answer(cli.common.grove.as_ref(), args, as_json)
        }
        Command::Pull(_) => pull::verified(&desk()?, as_json),
        Command::Dose(Dose { part: Some(DosePart::Measure(args)), .. }) => {
            dose::measured(cli, args, now)
        }
        Command::Dose(args) => dose::answer(cli, &desk()?, args),
        Command::Import(args) => exchange::imported(grove, args, as_json, now),
        Command::Export(args) => exchange::exported(grove, args, as_json, now),
        Command::Backup(args) => exchange::backed_up(grove, args, as_json, now),
        Command::Backtest(args) => backtest::answer(cli, args, now),
        Command::Log(log) => log::answer(cli, log, now),
        Command::Record(asked) => record::answer(cli, asked, now),
        Command::Check => checked(cli, now),
        Command::Serve(args) => serve::answer(cli, args),
        Command::People(wish) => people::answer(wish, now),
        Command::Token(wish) => people::token(wish, now),
        Command::Tomorrow(asked) => {
            let desk = desk()?;
            let answer = tomorrow(&desk, asked.date.unwrap_or_else(|| desk.tomorrow()))?;
            let text = || day::tomorrow(&answer);
            shown(cli, &answer, !answer.worth_it, text, || rows::trees(&answer))
        }
        Command::Window(asked) => {
            let desk = desk()?;
            let answer = tomorrow(&desk, asked.date.unwrap_or_else(|| desk.tomorrow()))?;
            let no = answer.start_window.is_none();
            shown(cli, &answer.window(), no, || day::window(&answer), || rows::window(&answer))
        }
        Command::Outlook(asked) => {
            let desk = desk()?;
            let date = asked.date.unwrap_or_else(|| desk.tomorrow());
            let (answer, _, _) = outlook(&desk, date)?;
            let no = answer.hours.is_empty();
            shown(cli, &answer, no, || day::outlook(&answer), || rows::outlook(&answer.hours))
        }
        Command::Times(args) => {
            let desk = desk()?;
            let answer = times(&desk, &intended(&desk, args.hang.as_deref())?)?;
            let no = answer.is_empty() && args.hang.is_none();
            shown(cli, &answer, no, || tables::times(&desk, &answer), || rows::times(&answer))
        }
        Command::Overnight(args) => {
            let desk = desk()?;
            let answer = overnight(&desk, &intended(&desk, args.hang.as_deref())?)?;
            let text = || tables::overnight(&desk, &answer);
            let no = answer.bags.iter().all(|bag| bag.call == Call::NotKnown);
            shown(cli, &answer, no && !answer.bags.is_empty(), text, || rows::overnight(&answer))
        }
        Command::Today => {
            let desk = desk()?;
            let answer = today(&desk)?;
            shown(cli, &answer, false, || day::today(&desk, &answer), || rows::today(&answer))
        }
        Command::Dayplan(args) => match dayplan::planned(&desk()?, args)? {
            dayplan::Planned::Day(plan) => {
                let text = || dayplan::day(&plan);
                shown(cli, &plan, !plan.worth_it, text, || rows::dayplan::day(&plan))
            }
            dayplan::Planned::Days(days) => {
                let no = days.days.iter().all(|day| !day.go);
                shown(cli, &days, no, || dayplan::days(&days), || rows::dayplan::days(&days))
            }
        },
        Command::Refit(args) => {
            let desk = desk()?;
            let (answer, shown_already) = refit::answer(cli, &desk, args, now)?;
            let text = || match shown_already {
                true => tables::written(&answer),
                false => tables::refit(&answer) + &tables::written(&answer),
            };
            let refused = answer.written.is_none() && answer.not_written == Some(refit::WORSE);
            shown(cli, &answer, refused, text, || rows::refit(&answer))
        }
        Command::Compare => {
            let desk = desk()?;
            let answer = compare::compare(&desk)?;
            let text = || tables::compare(&answer);
            shown(cli, &answer, false, text, || rows::compare(&answer))
        }
    }
}

/// A grove that cannot be read at all is told part by part.
fn checked(cli: &Cli, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    let mut database = None;
    if let Home::Database(path) = Home::of(cli.common.grove.as_deref()) {
        let (what, problems) = check::database(&path, now)?;
        if !problems.is_empty() {
            return damaged(cli, problems);
        }
        database = Some(what);
    }
    let desk = match Desk::lay(&cli.request(), now) {
        Err(DeskError::Refused(refused)) if !is_missing(&refused) => return unsound(cli, &refused),
        desk => desk?,
    };
    let mut answer = check::check(&desk);
    answer.found.extend(database);
    shown(cli, &answer, false, || tables::check(&answer), || rows::check(&answer))
}

/// The answer in the form asked for: JSON or a table, or rows, which may also go to a file beside
/// the JSON.
fn shown<T: Serialize>(
    cli: &Cli,
    value: &T,
    no: bool,
    text: impl FnOnce() -> String,
    rows: impl FnOnce() -> Vec<u8>,
) -> Result<Answer, DeskError> {
    if let Some(path) = &cli.common.csv {
        let bytes = rows();
        if path == Path::new("-") {
            return Ok(Answer { text: String::from_utf8_lossy(&bytes).into_owned(), no });
        }
        write_out(path, &bytes)?;
        if !cli.common.json {
            return Ok(Answer { text: String::new(), no });
        }
    }
    let text = if cli.common.json { json(value) } else { text() };
    Ok(Answer { text, no })
}

fn write_out(path: &Path, bytes: &[u8]) -> Result<(), DeskError> {
    write_atomically(path, bytes).map_err(|error| DeskError::File { path: path.into(), error })
}

/// A page to standard output for `-`, else to a file, which is told; no answer yet where JSON or
/// rows are asked for beside it.
fn paged(
    cli: &Cli,
    path: &Path,
    (page, what): (String, &str),
    no: bool,
) -> Result<Option<Answer>, DeskError> {
    if path == Path::new("-") {
        return Ok(Some(Answer { text: page, no }));
    }
    write_out(path, page.as_bytes())?;
    say(&format!("note: {}: {what} written", path.display()));
    let alone = !cli.common.json && cli.common.csv.is_none();
    Ok(alone.then(|| Answer { text: String::new(), no }))
}

fn json<T: Serialize>(value: &T) -> String {
    let mut text = serde_json::to_string_pretty(value).expect("answers are maps with string keys");
    text.push('\n');
    text
}

/// Notes go to standard error, so that an answer stays machine-readable.
fn told(notes: &[String]) {
    for note in notes {
        say(&format!("note: {note}"));
    }
}

/// Intended draws: a file's, the grove's own, or tomorrow's list as planned.
fn intended(desk: &Desk, file: Option<&Path>) -> Result<Vec<Hang>, DeskError> {
    let (hangs, notes) = desk.hangs(file)?;
    told(&notes.iter().map(ToString::to_string).collect::<Vec<_>>());
    if file.is_some() || !hangs.is_empty() {
        return Ok(hangs);
    }
    told(&["no draw is intended in hang.csv: this is tomorrow's list as planned".into()]);
    crate::app::tomorrow::planned(desk, desk.tomorrow())
}

#[derive(Serialize)]
struct Unsound {
    sound: bool,
    flaws: Vec<String>,
}

/// A folder that is not there is no grove, sound or not.
fn is_missing(refused: &Refused) -> bool {
    refused.flaws.iter().any(|flaw| matches!(flaw.problem, FlawKind::NoSuchFolder))
}

fn unsound(cli: &Cli, refused: &Refused) -> Result<Answer, DeskError> {
    let flaws = refused.flaws.iter().map(ToString::to_string).collect();
    let answer = Unsound { sound: false, flaws };
    let text = || format!("This grove is not sound:\n{refused}\n");
    shown(cli, &answer, true, text, || rows::flaws(&answer.flaws))
}

fn damaged(cli: &Cli, flaws: Vec<String>) -> Result<Answer, DeskError> {
    let answer = Unsound { sound: false, flaws };
    let text = || format!("This database is not sound:\n{}\n{REPAIR}.\n", answer.flaws.join("\n"));
    shown(cli, &answer, true, text, || rows::flaws(&answer.flaws))
}
