//! The terminal: what was typed, what it means, and the answer as a table, JSON or CSV.

mod args;
mod csv_rows;
mod picture;
mod tables;

use crate::app::desk::{Desk, DeskError};
use crate::app::outlook::outlook;
use crate::app::overnight::overnight;
use crate::app::refit::refit;
use crate::app::times::times;
use crate::app::tomorrow::tomorrow;
use crate::app::{check, compare};
use crate::grove::{Hang, Refused};
use crate::store::write_atomically;
use args::{Cli, Command};
use chrono::{DateTime, Utc};
use clap::Parser;
use serde::Serialize;
use std::ffi::OsString;
use std::io::Write;
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
        Ok(answer) => {
            let mut out = std::io::stdout().lock();
            // A reader that has seen enough closes the pipe; that is no error.
            let _ = out.write_all(answer.text.as_bytes()).and_then(|()| out.flush());
            ExitCode::from(u8::from(answer.no))
        }
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::from(2)
        }
    }
}

fn answer(cli: &Cli, now: DateTime<Utc>) -> Result<Answer, DeskError> {
    let desk = match Desk::lay(&cli.request(), now) {
        Err(DeskError::Refused(refused)) if matches!(cli.command, Command::Check) => {
            return Ok(unsound(cli, &refused));
        }
        desk => desk?,
    };
    match &cli.command {
        Command::Tomorrow(day) => {
            let answer = tomorrow(&desk, day.date.unwrap_or_else(|| desk.tomorrow()))?;
            let text = || tables::tomorrow(&answer);
            shown(cli, &answer, !answer.worth_it, text, || csv_rows::trees(&answer))
        }
        Command::Window(day) => {
            let answer = tomorrow(&desk, day.date.unwrap_or_else(|| desk.tomorrow()))?;
            let no = answer.start_window.is_none();
            shown(cli, &answer.window(), no, || tables::window(&answer), || {
                csv_rows::window(&answer)
            })
        }
        Command::Outlook(day) => {
            let date = day.date.unwrap_or_else(|| desk.tomorrow());
            let (answer, _, _) = outlook(&desk, date)?;
            let no = answer.hours.is_empty();
            shown(cli, &answer, no, || tables::outlook(&answer), || csv_rows::outlook(&answer))
        }
        Command::Times(args) => {
            let (hangs, notes) = desk.hangs(args.hang.as_deref())?;
            told(&notes.iter().map(ToString::to_string).collect::<Vec<_>>());
            let answer = times(&desk, &hangs)?;
            shown(cli, &answer, false, || tables::times(&desk, &answer), || csv_rows::times(&answer))
        }
        Command::Overnight(args) => {
            let hangs = overnight_list(&desk, args.hang.as_deref())?;
            let answer = overnight(&desk, &hangs)?;
            let text = || tables::overnight(&desk, &answer);
            shown(cli, &answer, false, text, || csv_rows::overnight(&answer))
        }
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
        Command::Check => {
            let answer = check::check(&desk);
            let text = || tables::check(&answer);
            shown(cli, &answer, false, text, || csv_rows::check(&answer))
        }
    }
}

/// The answer in the form asked for: rows to a file, JSON, or a table.
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
        return Ok(Answer { text: String::new(), no });
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
        eprintln!("note: {note}");
    }
}

/// Intended draws for `overnight`: a file's, the grove's own, or tomorrow's list as planned.
fn overnight_list(desk: &Desk, file: Option<&Path>) -> Result<Vec<Hang>, DeskError> {
    let (hangs, notes) = desk.hangs(file)?;
    told(&notes.iter().map(ToString::to_string).collect::<Vec<_>>());
    if file.is_some() || !hangs.is_empty() {
        return Ok(hangs);
    }
    crate::app::tomorrow::planned(desk, desk.tomorrow())
}

#[derive(Serialize)]
struct Unsound {
    sound: bool,
    flaws: Vec<String>,
}

fn unsound(cli: &Cli, refused: &Refused) -> Answer {
    let flaws: Vec<String> = refused.flaws.iter().map(ToString::to_string).collect();
    let text = if cli.common.json {
        json(&Unsound { sound: false, flaws })
    } else {
        format!("This grove folder is not sound:\n{refused}\n")
    };
    Answer { text, no: true }
}
