//! Words that all tables share: spans, clock times, wrapped lines.

use crate::app::times::Minutes;
use chrono::NaiveDate;
use comfy_table::presets::NOTHING;
use comfy_table::{CellAlignment, Table};
use std::fmt::Write;

/// Widest line of prose, in characters; a narrower terminal makes it less.
const WIDEST: usize = 100;
/// Narrower than this nothing is wrapped.
const NARROWEST: usize = 40;

/// How wide a line of prose may be where the answer is read.
pub fn width() -> usize {
    let terminal = terminal_size::terminal_size_of(std::io::stdout());
    terminal.map_or(WIDEST, |(width, _)| usize::from(width.0).clamp(NARROWEST, WIDEST))
}

/// A paragraph, broken at spaces; lines after the first are indented by `hang` characters.
pub fn wrapped(text: &str, hang: usize) -> String {
    wrapped_to(width(), text, hang)
}

fn wrapped_to(width: usize, text: &str, hang: usize) -> String {
    let indent = &text[..text.len() - text.trim_start().len()];
    let (mut out, mut line) = (String::new(), indent.to_owned());
    let mut is_bare = true;
    for word in text.split_whitespace() {
        if !is_bare && line.chars().count() + 1 + word.chars().count() > width {
            let _ = writeln!(out, "{line}");
            line = " ".repeat(hang);
            is_bare = true;
        }
        if !is_bare {
            line.push(' ');
        }
        line.push_str(word);
        is_bare = false;
    }
    out + &line + "\n"
}

/// A heading and its lines.
pub fn bullets(out: &mut String, title: &str, lines: impl IntoIterator<Item = String>) {
    let mut lines = lines.into_iter().peekable();
    if lines.peek().is_none() {
        return;
    }
    let _ = writeln!(out, "\n{title}");
    for line in lines {
        out.push_str(&wrapped(&format!("  - {line}"), 4));
    }
}

/// A borderless table; columns after the first `left` ones are numbers.
pub fn table(header: &[&str], left: usize, rows: impl IntoIterator<Item = Vec<String>>) -> String {
    let mut table = Table::new();
    table.load_preset(NOTHING).set_header(header.to_vec());
    for row in rows {
        table.add_row(row);
    }
    for column in table.column_iter_mut().skip(left) {
        column.set_cell_alignment(CellAlignment::Right);
    }
    table.lines().map(|line| format!(" {}\n", line.trim_end())).collect()
}

/// A probability, where there is one.
pub fn percent(p: Option<f64>) -> String {
    p.map_or("-".into(), crate::plan::percent)
}

/// Hours and minutes, as people say them.
pub fn span(minutes: Option<Minutes>) -> String {
    match minutes {
        Some(Minutes::At(minutes)) => hours(minutes),
        Some(Minutes::After { after_min }) if after_min > 0.0 => format!(">{}", hours(after_min)),
        _ => "-".into(),
    }
}

/// So many minutes, as people say them; never none.
pub fn hours(minutes: f64) -> String {
    let whole = minutes.round() as i64;
    match whole {
        ..1 => "<1 min".into(),
        1..60 => format!("{whole} min"),
        _ => format!("{} h {:02}", whole / 60, whole % 60),
    }
}

/// `HH:MM` of a local time as answers have it, after the day where that is not `date`.
pub fn clock(time: Option<&str>, date: NaiveDate) -> String {
    let Some(time) = time else { return "-".into() };
    let clock = time.get(11..16).unwrap_or(time);
    match time.get(..10).and_then(|day| day.parse::<NaiveDate>().ok()) {
        Some(day) if day == date => clock.to_owned(),
        Some(day) => format!("{} {clock}", day.format("%-d %b")),
        None => time.to_owned(),
    }
}

/// Day and clock of a local time as answers have it.
pub fn day_clock(time: &str) -> String {
    clock(Some(time), NaiveDate::MIN)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn no_line_is_wider_than_asked_and_no_word_is_lost() {
        let text = "  - one two three four five six seven eight nine ten";
        let wrapped = wrapped_to(20, text, 4);
        assert_eq!(
            wrapped,
            "  - one two three\n    four five six\n    seven eight nine\n    ten\n"
        );
        assert_eq!(wrapped_to(5, "incomprehensible words", 0), "incomprehensible\nwords\n");
    }

    #[test]
    fn minutes_are_never_none() {
        assert_eq!(
            [0.2, 0.6, 59.4, 59.6, 125.0].map(hours),
            ["<1 min", "1 min", "59 min", "1 h 00", "2 h 05"]
        );
        assert_eq!(span(Some(Minutes::After { after_min: 0.0 })), "-");
    }

    #[test]
    fn another_day_is_named() {
        let date = NaiveDate::from_ymd_opt(2026, 1, 14).unwrap();
        assert_eq!(clock(Some("2026-01-14T09:30:00+10:30"), date), "09:30");
        assert_eq!(clock(Some("2026-01-15T00:10:00+10:30"), date), "15 Jan 00:10");
    }
}
