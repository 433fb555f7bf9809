//! The terminal: what was typed, what it means, and the answer as a table, JSON or CSV.

mod args;
mod output;

use crate::app::desk::{Desk, DeskError, Request};
use args::{Cli, Command};
use chrono::{DateTime, Utc};
use clap::Parser;
use output::Output;
use std::ffi::OsString;
use std::process::ExitCode;

/// Runs a command line; `now` is the clock's.
///
/// Exit codes: 0 done, 1 a sound "no" (no window, flaws found by `check`), 2 an error.
pub fn run(line: impl IntoIterator<Item = OsString>, now: DateTime<Utc>) -> ExitCode {
    let cli = match Cli::try_parse_from(line) {
        Ok(cli) => cli,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { 2 } else { 0 });
        }
    };
    match answer(&cli, now) {
        Ok(output) => output.deliver(),
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::from(2)
        }
    }
}

fn answer(cli: &Cli, now: DateTime<Utc>) -> Result<Output, DeskError> {
    let desk = |exact_weather: bool| Desk::lay(&Request { exact_weather, ..cli.request() }, now);
    match &cli.command {
        Command::Times(times) => output::times(&desk(times.exact_weather)?, times, cli.format()),
    }
}
