//! One entry: who saw or did what, when, and when it was noted.

use super::refusal::Refusal;
use crate::grove::Seen;
use crate::text::{shown, unreadable};
use crate::units::{Head, Millilitres};
use chrono::{DateTime, Utc};

/// Longest id or key, in characters.
const LONGEST_ID: usize = 64;

/// Longest free text, in characters.
const LONGEST_TEXT: usize = 500;

/// One thing that somebody did or saw.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// Idempotency key: an entry that is sent again carries the same one.
    pub key: String,
    /// When it happened, whole seconds.
    pub at: DateTime<Utc>,
    /// When it was noted, whole milliseconds.
    pub noted: DateTime<Utc>,
    /// By whom.
    pub by: Option<String>,
    /// What else the user wrote.
    pub note: Option<String>,
    /// What happened.
    pub act: Act,
}

/// What happened to a bag.
#[derive(Debug, Clone, PartialEq)]
pub enum Act {
    /// A bag was hung and started.
    Start(Start),
    /// A look at the bag, a refill or a leak.
    Seen {
        /// Which draw.
        draw_id: String,
        /// What was seen or done.
        seen: Seen,
    },
    /// The line was clamped shut.
    Pause {
        /// Which draw.
        draw_id: String,
        /// Why.
        why: Option<String>,
    },
    /// The line was opened again.
    Resume {
        /// Which draw.
        draw_id: String,
    },
    /// The kit was taken off.
    Strip {
        /// Which draw.
        draw_id: String,
        /// What was left in the bag, where it was read.
        left: Option<Millilitres>,
    },
    /// An entry of the same day was wrong, and counts no more.
    Undo {
        /// Key of the entry.
        of: String,
    },
}

/// The start of a draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Start {
    /// Id of the draw, new in the grove.
    pub draw_id: String,
    /// Which tree.
    pub tree_id: String,
    /// The mix in the bag.
    pub charge: Millilitres,
    /// Ports, 1 to 40.
    pub ports: u32,
    /// Head; none where nobody said.
    pub head: Option<Head>,
    /// Which kit; none where nobody said.
    pub kit: Option<String>,
    /// Is a second bag beside one that hangs already meant?
    pub second_bag: bool,
}

impl Act {
    /// The draw that it is about; none of an undo.
    pub fn draw_id(&self) -> Option<&str> {
        match self {
            Self::Start(start) => Some(&start.draw_id),
            Self::Seen { draw_id, .. }
            | Self::Pause { draw_id, .. }
            | Self::Resume { draw_id }
            | Self::Strip { draw_id, .. } => Some(draw_id),
            Self::Undo { .. } => None,
        }
    }

    /// Its word, as it is typed and kept.
    pub fn word(&self) -> &'static str {
        match self {
            Self::Start(_) => "start",
            Self::Seen { seen: Seen::Refill { .. }, .. } => "refill",
            Self::Seen { seen: Seen::Leak { .. }, .. } => "leak",
            Self::Seen { .. } => "reading",
            Self::Pause { .. } => "pause",
            Self::Resume { .. } => "resume",
            Self::Strip { .. } => "strip",
            Self::Undo { .. } => "undo",
        }
    }
}

impl Entry {
    /// Says it the same thing? When it was noted does not count: a repeated send may tell another
    /// time.
    pub fn says_the_same(&self, other: &Self) -> bool {
        Self { noted: other.noted, ..self.clone() } == *other
    }

    /// Holds every text in it to what a file, a database and a spreadsheet can carry.
    ///
    /// # Errors
    /// The first [`Refusal`] found.
    pub fn check_texts(&self) -> Result<(), Refusal> {
        check_id("key", &self.key)?;
        let (mut why, mut kit) = (None, None);
        match &self.act {
            Act::Start(start) => {
                check_text("draw", &start.draw_id)?;
                check_id("tree", &start.tree_id)?;
                kit = start.kit.as_deref();
            }
            Act::Pause { why: given, .. } => why = given.as_deref(),
            Act::Undo { of } => check_id("key", of)?,
            _ => {}
        }
        if let Some(id) = self.act.draw_id() {
            check_id("draw", id)?;
        }
        if let Some(id) = kit {
            check_id("kit", id)?;
        }
        let texts = [("by", self.by.as_deref()), ("note", self.note.as_deref()), ("why", why)];
        let all = texts.into_iter().chain([("kit", kit)]);
        all.filter_map(|(what, text)| Some((what, text?)))
            .try_for_each(|(what, text)| check_text(what, text))
    }
}

fn check_id(what: &'static str, text: &str) -> Result<(), Refusal> {
    hold(what, text, LONGEST_ID)
}

/// Holds a free text of the journal to what all its readers can carry: some letters, not more than
/// 500, no control character, none in front that makes a spreadsheet compute.
///
/// # Errors
/// [`Refusal::TextEmpty`], [`Refusal::TextTooLong`], [`Refusal::TextControl`] or
/// [`Refusal::TextFormula`].
pub fn check_text(what: &'static str, text: &str) -> Result<(), Refusal> {
    hold(what, text, LONGEST_TEXT)?;
    match text.chars().next() {
        Some(mark @ ('=' | '+' | '-' | '@')) => {
            Err(Refusal::TextFormula { what, text: shown(text), mark })
        }
        _ => Ok(()),
    }
}

fn hold(what: &'static str, text: &str, most: usize) -> Result<(), Refusal> {
    if text.is_empty() || text.trim() != text {
        Err(Refusal::TextEmpty { what, text: shown(text) })
    } else if let Some(control) = unreadable(text) {
        Err(Refusal::TextControl { what, text: shown(text), code: u32::from(control) })
    } else if text.chars().count() > most {
        Err(Refusal::TextTooLong { what, text: shown(text), most })
    } else {
        Ok(())
    }
}
