//! `xylocast import`, `export` and `backup`: the terminal's side.

use super::{Answer, args, json, say};
use crate::app::desk::DeskError;
use crate::app::exchange::{backup, export, import};
use crate::store::db::By;
use chrono::{DateTime, Utc};
use std::fmt::Write as _;
use std::io::{self, IsTerminal};
use std::path::Path;
use std::time::{Duration, Instant};

/// The first word of progress comes after so long, and the next ones as far apart.
const QUIET: Duration = Duration::from_secs(1);

/// Imports a folder.
pub fn imported(
    grove: Option<&Path>,
    args: &args::Import,
    as_json: bool,
    now: DateTime<Utc>,
) -> Result<Answer, DeskError> {
    let who = super::who();
    let mut told = Instant::now();
    let terminal = io::stderr().is_terminal();
    let mut progress = |file: &str, done: usize, total: usize| {
        if told.elapsed() >= QUIET || terminal && total == 0 {
            told = Instant::now();
            match total {
                0 => say(&format!("{file} {}", args.folder.display())),
                _ => say(&format!("{file}: {done} of {total} rows")),
            }
        }
    };
    let by = By { who: &who, at: now };
    let answer = import(&args.folder, grove, by, args.replace, &mut progress)?;
    if as_json {
        return Ok(Answer { text: json(&answer), no: false });
    }
    let mut text = String::new();
    let _ = match answer.changed_nothing {
        true => writeln!(text, "All of it is in {} already.", answer.database.display()),
        false => writeln!(text, "Imported into {}:", answer.database.display()),
    };
    for (file, count) in &answer.files {
        let _ = write!(text, "  {file}: {} new, {} there already", count.new, count.same);
        let _ = match count.replaced {
            0 => writeln!(text),
            replaced => writeln!(text, ", {replaced} replaced (the old ones are in the audit)"),
        };
    }
    Ok(Answer { text, no: false })
}

/// Exports a grove as a folder.
pub fn exported(
    grove: Option<&Path>,
    args: &args::Export,
    as_json: bool,
    now: DateTime<Utc>,
) -> Result<Answer, DeskError> {
    let answer = export(grove, &args.folder, args.replace, now)?;
    if as_json {
        return Ok(Answer { text: json(&answer), no: false });
    }
    let mut text =
        format!("Exported to {}: {} files\n", answer.folder.display(), answer.files.len());
    if let Some(kept) = &answer.kept {
        let _ = writeln!(text, "What stood there before is in {}.", kept.display());
    }
    Ok(Answer { text, no: false })
}

/// Copies a database.
pub fn backed_up(
    grove: Option<&Path>,
    args: &args::Backup,
    as_json: bool,
    now: DateTime<Utc>,
) -> Result<Answer, DeskError> {
    let answer = backup(grove, &args.file, now)?;
    if as_json {
        return Ok(Answer { text: json(&answer), no: false });
    }
    let text = format!(
        "Copied {} to {} ({} bytes). Keep it on another disk.\n",
        answer.database.display(),
        answer.backup.display(),
        answer.bytes
    );
    Ok(Answer { text, no: false })
}
