//! Why an entry is not noted: what it meets, with the values, and what to do.

use crate::text::{figure, listed};
use chrono::{DateTime, FixedOffset};

/// Why an entry is not noted. Times are of the grove's zone.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum Refusal {
    // Texts
    #[error("{what} '{text}' is empty or has blanks around it; write it without them")]
    TextEmpty { what: &'static str, text: String },
    #[error("{what} '{text}' is longer than {most} characters; shorten it")]
    TextTooLong { what: &'static str, text: String, most: usize },
    #[error("{what} '{text}' holds the control character U+{code:04X}; take it out")]
    TextControl { what: &'static str, text: String, code: u32 },
    #[error(
        "{what} '{text}' starts with '{mark}', which a spreadsheet would take for a formula; \
         write it without"
    )]
    TextFormula { what: &'static str, text: String, mark: char },

    // Keys
    #[error(
        "the key '{key}' was used for another entry ({was} of {}); send this one with a key of \
         its own",
        moment(.at)
    )]
    KeyUsed { key: String, was: &'static str, at: DateTime<FixedOffset> },
    #[error("no entry has the key '{key}'; correct it")]
    UnknownKey { key: String },

    // Times
    #[error(
        "{} lies ahead of now ({}); note what has happened, or correct the time or the clock",
        moment(.at), moment(.now)
    )]
    Ahead { at: DateTime<FixedOffset>, now: DateTime<FixedOffset> },
    #[error(
        "{} is before the start of draw '{draw_id}' at {}; correct the time, or undo the start and \
         note it as it was",
        moment(.at), moment(.started)
    )]
    BeforeStart { draw_id: String, at: DateTime<FixedOffset>, started: DateTime<FixedOffset> },
    #[error(
        "draw '{draw_id}' was stripped at {}, so nothing of {} can be noted; correct the time, or \
         start a new draw",
        moment(.stripped), moment(.at)
    )]
    Stripped { draw_id: String, at: DateTime<FixedOffset>, stripped: DateTime<FixedOffset> },
    #[error("draw '{draw_id}' was stripped already, at {}; there is nothing to do", moment(.stripped))]
    StrippedAlready { draw_id: String, stripped: DateTime<FixedOffset> },
    #[error(
        "draw '{draw_id}' has a look at {}, after {}; strip it later, or undo that look first",
        moment(.later), moment(.at)
    )]
    LooksAfterStrip { draw_id: String, at: DateTime<FixedOffset>, later: DateTime<FixedOffset> },

    // What is there
    #[error("tree '{tree_id}' is not in trees.csv; correct it, or add it there")]
    UnknownTree { tree_id: String },
    #[error("draw '{draw_id}' is not known; name one that is there")]
    UnknownDraw { draw_id: String },
    #[error("draw '{draw_id}' is there already, on tree '{tree_id}'; give the new one another id")]
    DrawExists { draw_id: String, tree_id: String },
    #[error(
        "tree '{tree_id}' has a bag since {} (draw '{draw_id}'); strip it first, or say that \
         this is a second bag",
        moment(.started)
    )]
    TreeHasBag { tree_id: String, draw_id: String, started: DateTime<FixedOffset> },
    #[error(
        "kit '{kit}' hangs on tree '{tree_id}' (draw '{draw_id}', since {}); strip it there first, \
         or correct the kit",
        moment(.started)
    )]
    KitInUse { kit: String, tree_id: String, draw_id: String, started: DateTime<FixedOffset> },

    // Amounts and ranges
    #[error("{what} {} {unit} is outside {} to {} {unit}; correct the value or its unit",
        figure(*.value), figure(*.low), figure(*.high))]
    OutOfRange { what: &'static str, value: f64, unit: &'static str, low: f64, high: f64 },

    // The story of a bag
    #[error(
        "draw '{draw_id}' held {} mL at {} and {} mL at {}, with no refill between; correct one, or \
         note the refill first",
        figure(*.earlier_ml), moment(.earlier), figure(*.later_ml), moment(.later)
    )]
    Rises {
        draw_id: String,
        earlier_ml: f64,
        earlier: DateTime<FixedOffset>,
        later_ml: f64,
        later: DateTime<FixedOffset>,
    },
    #[error(
        "draw '{draw_id}' was empty at {} and wet at {}, with no refill between; correct one, or \
         note the refill first",
        moment(.emptied), moment(.wet)
    )]
    WetAfterEmpty { draw_id: String, emptied: DateTime<FixedOffset>, wet: DateTime<FixedOffset> },
    #[error("two looks tell two things of draw '{draw_id}' at {}; keep one", moment(.at))]
    TwoThings { draw_id: String, at: DateTime<FixedOffset> },
    #[error(
        "draw '{draw_id}' is shut since {}; open it first",
        moment(.since)
    )]
    ShutAlready { draw_id: String, since: DateTime<FixedOffset> },
    #[error("draw '{draw_id}' was not shut at {}, so it cannot be opened", moment(.at))]
    NotShut { draw_id: String, at: DateTime<FixedOffset> },
    #[error(
        "draw '{draw_id}' was shut and opened at the same moment, {}; undo the pause, or correct \
         one of the two times",
        moment(.at)
    )]
    NoPause { draw_id: String, at: DateTime<FixedOffset> },
    #[error(
        "draw '{draw_id}' emptied between {} and {}, but was clamped shut all that time; correct \
         the pause or the times",
        moment(.wet), moment(.emptied)
    )]
    EmptiedWhileShut { draw_id: String, wet: DateTime<FixedOffset>, emptied: DateTime<FixedOffset> },

    // Undo
    #[error("the entry '{key}' is undone already; there is nothing to do")]
    UndoneAlready { key: String },
    #[error("the entry '{key}' is an undo itself; note again what it took out")]
    UndoOfUndo { key: String },
    #[error(
        "the entry '{key}' was noted on {}, and only entries of the same day can be undone; correct \
         the grove's files by hand, with a note why",
        .noted.date_naive()
    )]
    UndoTooLate { key: String, noted: DateTime<FixedOffset> },
    #[error(
        "the start of draw '{draw_id}' cannot be undone while these stand on it: {}; undo them \
         first, the last one first",
        listed(.later)
    )]
    StartHasMore { draw_id: String, later: Vec<String> },
    #[error(
        "the entry '{key}' is no longer as it was noted: somebody has changed draw '{draw_id}' by \
         hand since; correct it there"
    )]
    NotAsNoted { key: String, draw_id: String },
}

/// Date and clock of the grove's zone, without seconds where there are none.
fn moment(time: &DateTime<FixedOffset>) -> String {
    let text = time.format("%Y-%m-%d %H:%M:%S").to_string();
    text.strip_suffix(":00").unwrap_or(&text).to_owned()
}
