//! Words that all tables share: spans, clock times, wrapped lines.

pub use crate::app::words::{clock, day_clock, hours, percent, span};
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
}
