//! Answers as tables, JSON and CSV.

use super::args::{self, Format};
use crate::app::desk::{Desk, DeskError};
use crate::app::times::{Time, times as ask_times};
use crate::store::write_atomically;
use std::io::Write;
use std::path::Path;
use std::process::ExitCode;

/// What a command leaves on standard output, and its exit code.
#[derive(Debug, Default)]
pub struct Output {
    pub text: String,
    /// A sound "no".
    pub no: bool,
}

impl Output {
    pub fn deliver(self) -> ExitCode {
        let mut out = std::io::stdout().lock();
        // A reader that has seen enough closes the pipe; that is no error.
        let _ = out.write_all(self.text.as_bytes()).and_then(|()| out.flush());
        ExitCode::from(u8::from(self.no))
    }
}

pub fn times(desk: &Desk, args: &args::Times, format: Format) -> Result<Output, DeskError> {
    let (hangs, _) = desk.hangs(args.hang.as_deref())?;
    let times = ask_times(desk, &hangs)?;
    if let Some(path) = &args.csv {
        return csv_output(path, &times_csv(&times));
    }
    let text = match format {
        Format::Json => json(&times),
        Format::Table => String::new(),
    };
    Ok(Output { text, no: false })
}

fn times_csv(times: &[Time]) -> Vec<u8> {
    let mut csv = csv::Writer::from_writer(Vec::new());
    let _ = csv.write_record([
        "draw_id",
        "tree_id",
        "start",
        "p10_min",
        "p50_min",
        "p90_min",
        "empty_p10",
        "empty_p50",
        "empty_p90",
        "p_empty_by_dusk",
        "p_empty_by_morning",
        "basis",
        "warnings",
    ]);
    let number = |p: Option<f64>| p.map_or_else(String::new, |p| p.to_string());
    for time in times {
        let _ = csv.write_record([
            &time.draw_id,
            &time.tree_id,
            &time.start,
            &time.p10_min.to_string(),
            &time.p50_min.to_string(),
            &time.p90_min.to_string(),
            time.empty_p10.as_deref().unwrap_or_default(),
            time.empty_p50.as_deref().unwrap_or_default(),
            time.empty_p90.as_deref().unwrap_or_default(),
            &number(time.p_empty_by_dusk),
            &number(time.p_empty_by_morning),
            time.basis,
            &time.warnings.join("; "),
        ]);
    }
    csv.into_inner().unwrap_or_default()
}

fn csv_output(path: &Path, bytes: &[u8]) -> Result<Output, DeskError> {
    if path == Path::new("-") {
        return Ok(Output { text: String::from_utf8_lossy(bytes).into_owned(), no: false });
    }
    write_atomically(path, bytes).map_err(|error| DeskError::File { path: path.into(), error })?;
    Ok(Output::default())
}

fn json<T: serde::Serialize + ?Sized>(value: &T) -> String {
    let mut text = serde_json::to_string_pretty(value).unwrap_or_default();
    text.push('\n');
    text
}
