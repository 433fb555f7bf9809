//! Text that a user brings, turned into rows, times and numbers, and every flaw found on the way.
//!
//! Stands on `units` alone, so that `weather` and `grove` read their files with one reader. A
//! [`Flaw`] refuses the whole reading; a [`Note`] is told and goes on. Both gather in
//! [`Findings`], so that all bad rows are reported in one go.

mod flaw;
mod note;
mod rows;
mod sheet;
mod time;
mod written;

pub use flaw::{Findings, Flaw, FlawKind, Refused};
pub use note::{Note, NoteKind};
pub use rows::{Allowed, Cells, Columns, Ids, Table, decode};
pub use sheet::{OpenQuote, Sheet};
pub use time::{
    ReadTime, TimeFlaw, format_time, read_date, read_time, read_time_of_day, with_offset,
};

pub use written::{Written, harmless, plain};

use std::fmt::Write as _;

/// Longest piece of a user's text that a message repeats, in characters.
const SHOWN_CHARS: usize = 40;

/// A user's text as a message repeats it: control characters escaped, long ones shortened.
pub(crate) fn shown(text: &str) -> String {
    let mut out = String::new();
    for (count, letter) in text.chars().enumerate() {
        if count == SHOWN_CHARS {
            let _ = write!(out, "... ({} characters)", text.chars().count());
            break;
        }
        let plain = unreadable(letter.encode_utf8(&mut [0; 4])).is_none();
        if plain { out.push(letter) } else { out.extend(letter.escape_default()) }
    }
    out
}

/// Bytes as two letters each.
pub fn hex(bytes: &[u8]) -> String {
    bytes.iter().fold(String::new(), |mut text, byte| {
        let _ = write!(text, "{byte:02x}");
        text
    })
}

/// A number as a message prints it: plain, or with an exponent where plain would be endless.
pub(crate) fn figure(value: f64) -> String {
    let size = value.abs();
    if size != 0.0 && !(1e-5..1e12).contains(&size) {
        format!("{value:e}")
    } else {
        format!("{value}")
    }
}

/// Names in a row, `a, b, c`; long lists are cut.
pub(crate) fn listed(names: &[impl AsRef<str>]) -> String {
    const MOST: usize = 30;
    let mut out =
        names.iter().take(MOST).map(|name| shown(name.as_ref())).collect::<Vec<_>>().join(", ");
    if names.len() > MOST {
        let _ = write!(out, " and {} more", names.len() - MOST);
    }
    if out.is_empty() { "none".to_owned() } else { out }
}

/// The first letter that is none to be read: a control character, or one that turns the direction of
/// what follows, so that a text does not look as it is.
pub fn unreadable(text: &str) -> Option<char> {
    let turns = |letter| matches!(letter, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}');
    text.chars().find(|letter| letter.is_control() || turns(*letter))
}

/// The same in a text of several lines, which may hold line breaks and tabs.
pub fn unreadable_in_lines(text: &str) -> Option<char> {
    text.split(['\n', '\r', '\t']).find_map(unreadable)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_and_odd_text_is_tamed() {
        assert_eq!(shown("a\u{7}b\n"), "a\\u{7}b\\n");
        assert_eq!(shown(&"x".repeat(5000)), format!("{}... (5000 characters)", "x".repeat(40)));
    }

    #[test]
    fn figures_stay_short() {
        assert_eq!(figure(2554.0), "2554");
        assert_eq!(figure(-0.5), "-0.5");
        assert_eq!(figure(1e300), "1e300");
    }
}
