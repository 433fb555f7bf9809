//! The terminal: what was typed, what it means, and the answer as a table, JSON or CSV.

mod args;
mod csv_rows;
mod day;
mod dayplan;
mod picture;
mod pull;
mod tables;
mod words;

use crate::app::desk::{Desk, DeskError};
use crate::app::outlook::outlook;
use crate::app::overnight::overnight;
use crate::app::refit::refit;
use crate::app::times::times;
use crate::app::tomorrow::tomorrow;
use crate::app::{check, compare};
use crate::grove::{FlawKind, Hang, Refused};
use crate::plan::overnight::Call;
use crate::store::write_atomically;
use args::{Cli, Command};
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
        Err(error) => failed(&error.to_string()),
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

/// To standard error, where anybody listens.
fn say(words: &str) {
    let _ = writeln!(io::stderr(), "{words}");
}

fn answer(cli: &Cli, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    if cli.common.json && cli.common.csv.as_deref() == Some(Path::new("-")) {
        let words = "--json and --csv both go to standard output: name a file for the rows";
        return Err(DeskError::Unanswerable(words.into()));
    }
    if let Command::Pull(args) = &cli.command
        && !args.verify
    {
        return pull::answer(cli.common.grove.as_ref(), args, cli.common.json);
    }
    let desk = match Desk::lay(&cli.request(), now) {
        Err(DeskError::Refused(refused))
            if matches!(cli.command, Command::Check) && !is_missing(&refused) =>
        {
            return unsound(cli, &refused);
        }
        desk => desk?,
    };
    match &cli.command {
        Command::Tomorrow(asked) => {
            let answer = tomorrow(&desk, asked.date.unwrap_or_else(|| desk.tomorrow()))?;
            let text = || day::tomorrow(&answer);
            shown(cli, &answer, !answer.worth_it, text, || csv_rows::trees(&answer))
        }
        Command::Window(asked) => {
            let answer = tomorrow(&desk, asked.date.unwrap_or_else(|| desk.tomorrow()))?;
            let no = answer.start_window.is_none();
            shown(cli, &answer.window(), no, || day::window(&answer), || csv_rows::window(&answer))
        }
        Command::Outlook(asked) => {
            let date = asked.date.unwrap_or_else(|| desk.tomorrow());
            let (answer, _, _) = outlook(&desk, date)?;
            let no = answer.hours.is_empty();
            shown(cli, &answer, no, || day::outlook(&answer), || csv_rows::outlook(&answer))
        }
        Command::Times(args) => {
            let answer = times(&desk, &intended(&desk, args.hang.as_deref())?)?;
            let no = answer.is_empty() && args.hang.is_none();
            shown(cli, &answer, no, || tables::times(&desk, &answer), || csv_rows::times(&answer))
        }
        Command::Overnight(args) => {
            let answer = overnight(&desk, &intended(&desk, args.hang.as_deref())?)?;
            let text = || tables::overnight(&desk, &answer);
            let no = answer.bags.iter().all(|bag| bag.call == Call::NotKnown);
            shown(cli, &answer, no && !answer.bags.is_empty(), text, || {
                csv_rows::overnight(&answer)
            })
        }
        Command::Dayplan(args) => match dayplan::planned(&desk, args)? {
            dayplan::Planned::Day(plan) => {
                let text = || dayplan::day(&plan);
                shown(cli, &plan, !plan.worth_it, text, || dayplan::day_rows(&plan))
            }
            dayplan::Planned::Days(days) => {
                let no = days.days.iter().all(|day| !day.go);
                shown(cli, &days, no, || dayplan::days(&days), || dayplan::days_rows(&days))
            }
        },
        Command::Refit(args) => {
            let folder = cli.common.grove.as_deref().filter(|_| !args.dry_run);
            let answer = refit(&desk, folder, args.out.as_deref(), cli.reference_et())?;
            let text = || tables::refit(&answer);
            shown(cli, &answer, false, text, || csv_rows::refit(&answer))
        }
        Command::Compare => {
            let answer = compare::compare(&desk)?;
            let text = || tables::compare(&answer);
            shown(cli, &answer, false, text, || csv_rows::compare(&answer))
        }
        Command::Pull(_) => pull::verified(&desk, cli.common.json),
        Command::Check => {
            let answer = check::check(&desk);
            let text = || tables::check(&answer);
            shown(cli, &answer, false, text, || csv_rows::check(&answer))
        }
    }
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
        write_atomically(path, &bytes)
            .map_err(|error| DeskError::File { path: path.clone(), error })?;
        if !cli.common.json {
            return Ok(Answer { text: String::new(), no });
        }
    }
    let text = if cli.common.json { json(value) } else { text() };
    Ok(Answer { text, no })
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
    let text = || format!("This grove folder is not sound:\n{refused}\n");
    shown(cli, &answer, true, text, || csv_rows::flaws(&answer.flaws))
}
