//! A refit at the terminal: shown, asked about, and only then put in use.

use super::args::{Cli, Refit as Args};
use super::{say, tables, who};
use crate::app::desk::{Desk, DeskError};
use crate::app::refit::{Refit, refit};
use crate::store::db::By;
use chrono::{DateTime, Utc};
use std::io::{self, BufRead, IsTerminal, Write};

/// Why a refit was refused.
pub const WORSE: &str = "it would have predicted the later draws worse than the model in use; \
                         --even-if-worse writes it all the same";
const DRY: &str = "a dry run";
const DEMO: &str = "the demo has no folder: name a file with --out";
const NOBODY: &str = "there is no terminal to ask at: --yes puts it in use without asking";
const DECLINED: &str = "you did not say yes";

/// The refit, written where that was agreed to, and whether it was shown while asking.
pub fn answer(
    cli: &Cli,
    desk: &Desk,
    args: &Args,
    now: DateTime<Utc>,
) -> Result<(Refit, bool), DeskError> {
    let mut answer = refit(desk, cli.reference_et())?;
    let mut shown = false;
    answer.not_written = if args.dry_run {
        Some(DRY)
    } else if desk.is_demo && args.out.is_none() {
        Some(DEMO)
    } else if answer.is_worse && !args.even_if_worse {
        Some(WORSE)
    } else if args.out.is_some() || args.yes {
        // A file that was named is agreed to, and is not in use until it is named again.
        None
    } else if io::stdin().is_terminal() {
        say(&tables::refit(&answer));
        shown = !cli.common.json && cli.common.csv.is_none();
        (!agreed()).then_some(DECLINED)
    } else {
        Some(NOBODY)
    };
    if answer.not_written.is_none() {
        answer.write(desk, By { who: &who(), at: now }, args.out.as_deref())?;
    }
    Ok((answer, shown))
}

/// Anything but a yes is a no.
fn agreed() -> bool {
    let mut out = io::stderr();
    let _ = write!(out, "Put this model in use? [y/N] ");
    let _ = out.flush();
    let mut line = String::new();
    let read = io::stdin().lock().read_line(&mut line);
    read.is_ok() && matches!(line.trim().to_ascii_lowercase().as_str(), "y" | "yes")
}
