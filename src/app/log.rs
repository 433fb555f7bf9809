//! What happened to a bag, noted: from what was typed to an entry of the journal, and what it says.

mod show;
mod words;

pub use show::{
    Asked as Which, Bag, Entries, Line, Place, Shown, Told as EntryTold, entries, show,
};

use super::desk::DeskError;
use crate::grove::{Grove, Seen};
use crate::journal::{Act, Admission, Entry, Flat, HANGS_AT_MOST, Refusal, Start, State, Told};
use crate::store::folder_log::{LogError, Logbook};
use crate::store::home::Home;
use crate::text::{TimeFlaw, read_time, shown, with_offset};
use crate::units::{Head, Millilitres, OutOfRange};
use chrono::{DateTime, FixedOffset, TimeDelta, Utc};
use serde::{Deserialize, Serialize};

/// What is to be noted, as it was typed.
#[derive(Debug, Clone, PartialEq)]
pub struct Wish {
    /// When it happened, `14:30` (today) or a whole time; now where none is given.
    pub at: Option<String>,
    /// Who saw or did it.
    pub by: Option<String>,
    /// What else is to be known.
    pub note: Option<String>,
    /// Idempotency key; made where none is given.
    pub key: Option<String>,
    /// What happened.
    pub what: What,
}

/// What happened. `on` is the id of a tree or of a draw.
#[derive(Debug, Clone, PartialEq, Deserialize, utoipa::ToSchema)]
#[serde(tag = "kind", rename_all = "snake_case", deny_unknown_fields)]
#[expect(missing_docs, reason = "the fields are those of the journal's acts, as typed")]
pub enum What {
    /// A bag was hung and started.
    Start {
        tree_id: String,
        charge_ml: Option<f64>,
        ports: Option<u32>,
        head_m: Option<f64>,
        kit: Option<String>,
        draw_id: Option<String>,
        #[serde(default)]
        second_bag: bool,
    },
    /// Fluid was there.
    Wet { on: String },
    /// None was there.
    Empty { on: String },
    /// So much was left, mL.
    Left { on: String, left_ml: f64 },
    /// So much was filled in, mL.
    Refill { on: String, added_ml: f64 },
    /// Some ran out beside the tree.
    Leak { on: String, left_ml: Option<f64> },
    /// Clamped shut.
    Pause { on: String, why: Option<String> },
    /// Opened again.
    Resume { on: String },
    /// The kit was taken off.
    Strip { on: String, left_ml: Option<f64> },
    /// An entry was wrong; the last own one of the day where no key is given.
    Undo { of: Option<String> },
}

/// Why nothing was noted.
#[derive(Debug, thiserror::Error)]
#[expect(missing_docs, reason = "each variant is told by its message, each field by its name")]
pub enum Fault {
    #[error(transparent)]
    Log(#[from] LogError),
    #[error("the time: {0}")]
    Time(#[from] TimeFlaw),
    #[error(transparent)]
    Range(#[from] OutOfRange),
    #[error("'{on}' is neither a tree nor a draw of this grove; correct it")]
    Unknown { on: String },
    #[error("'{on}' is both a tree and a draw on another tree; rename one of the two")]
    TreeAndDraw { on: String },
    #[error("no bag hangs on tree '{tree_id}' at that time; start one first{last}")]
    NoBag { tree_id: String, last: String },
    #[error("tree '{tree_id}' has more than one bag; name the draw: {}", .draws.join(", "))]
    Several { tree_id: String, draws: Vec<String> },
    #[error(
        "{} noted nothing today that could be undone; name the entry by its key",
        whose.as_deref().unwrap_or("nobody in particular")
    )]
    NothingToUndo { whose: Option<String> },
}

impl From<Refusal> for Fault {
    fn from(refusal: Refusal) -> Self {
        Self::Log(refusal.into())
    }
}

impl From<Fault> for DeskError {
    fn from(fault: Fault) -> Self {
        match fault {
            Fault::Log(LogError::Refused(refused)) => Self::Refused(refused),
            Fault::Log(LogError::Database(error)) => Self::Database(error),
            fault => Self::Log(Box::new(fault)),
        }
    }
}

/// What was noted.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Noted {
    /// Was it noted before, so that this send did nothing?
    pub repeated: bool,
    /// What it says, in a line.
    pub says: String,
    /// Tree that it is about.
    pub tree_id: Option<String>,
    /// What to mind.
    pub mind: Vec<String>,
    /// The entry.
    pub entry: Flat,
}

/// Notes what happened. `now` is the clock's; `random` makes the key of this entry one of a kind.
///
/// # Errors
/// [`Fault`]; nothing has changed then.
pub fn log(home: &Home, wish: &Wish, now: DateTime<Utc>, random: u32) -> Result<Noted, Fault> {
    if home.is_demo() {
        return Err(LogError::Demo.into());
    }
    let mut tries = 0;
    loop {
        let Logbook { grove, state } = home.logbook(now)?;
        let entry = Asked { grove: &grove, state: &state, wish, now, random }.entry()?;
        match home.append(&entry, now) {
            // Somebody was quicker with the same key or id: look again.
            Err(LogError::Refusal(Refusal::KeyUsed { .. } | Refusal::DrawExists { .. }))
                if tries < 2 =>
            {
                tries += 1;
            }
            Err(error) => return Err(error.into()),
            Ok((admission, after)) => {
                let repeated = admission == Admission::Repeated;
                let entry = after.entry(&entry.key).cloned().unwrap_or(entry);
                return Ok(words::noted(&grove, &state, &after, &entry, repeated));
            }
        }
    }
}

/// A wish with all that completes it.
struct Asked<'a> {
    grove: &'a Grove,
    state: &'a State,
    wish: &'a Wish,
    now: DateTime<Utc>,
    random: u32,
}

impl Asked<'_> {
    fn entry(&self) -> Result<Entry, Fault> {
        let wish = self.wish;
        // A repeated send that leaves something out means what it meant the first time.
        let known = wish.key.as_deref().and_then(|key| self.state.entry(key));
        let noted = milliseconds(self.now);
        let at = match (&wish.at, known) {
            (Some(text), _) => self.time(text)?,
            (None, Some(known)) => known.at,
            (None, None) => seconds(self.now),
        };
        Ok(Entry {
            key: wish.key.clone().unwrap_or_else(|| self.made_key(noted)),
            at,
            noted,
            by: wish.by.clone(),
            note: wish.note.clone(),
            act: self.act(at, known)?,
        })
    }

    fn act(&self, at: DateTime<Utc>, known: Option<&Entry>) -> Result<Act, Fault> {
        let draw_id = |on: &str| self.draw_id(on, at, known);
        let left = |ml: Option<f64>| ml.map(Millilitres::new).transpose();
        Ok(match &self.wish.what {
            What::Start { .. } => Act::Start(self.start(at, known)?),
            What::Wet { on } => Act::Seen { draw_id: draw_id(on)?, seen: Seen::Wet },
            What::Empty { on } => Act::Seen { draw_id: draw_id(on)?, seen: Seen::Empty },
            What::Left { on, left_ml } => {
                let left = Millilitres::new(*left_ml)?;
                let seen = if left.value() > 0.0 { Seen::Left(left) } else { Seen::Empty };
                Act::Seen { draw_id: draw_id(on)?, seen }
            }
            What::Refill { on, added_ml } => {
                let added = Millilitres::new(*added_ml)?;
                Act::Seen { draw_id: draw_id(on)?, seen: Seen::Refill { added } }
            }
            What::Leak { on, left_ml } => {
                let seen = Seen::Leak { left: left(*left_ml)? };
                Act::Seen { draw_id: draw_id(on)?, seen }
            }
            What::Pause { on, why } => Act::Pause { draw_id: draw_id(on)?, why: why.clone() },
            What::Resume { on } => Act::Resume { draw_id: draw_id(on)? },
            What::Strip { on, left_ml } => {
                Act::Strip { draw_id: draw_id(on)?, left: left(*left_ml)? }
            }
            What::Undo { of } => {
                let of = of.clone().or_else(|| match known.map(|known| &known.act) {
                    Some(Act::Undo { of }) => Some(of.clone()),
                    _ => None,
                });
                Act::Undo { of: of.map_or_else(|| self.last_own(), Ok)? }
            }
        })
    }

    fn start(&self, at: DateTime<Utc>, known: Option<&Entry>) -> Result<Start, Fault> {
        let What::Start { tree_id, charge_ml, ports, head_m, kit, draw_id, second_bag } =
            &self.wish.what
        else {
            unreachable!("called of a start only")
        };
        let known = known.and_then(|known| match &known.act {
            Act::Start(start) if start.tree_id == *tree_id => Some(start),
            _ => None,
        });
        let tree = self.grove.trees.iter().find(|tree| tree.id == *tree_id);
        let tree = tree.ok_or_else(|| Refusal::UnknownTree { tree_id: tree_id.clone() })?;
        let bag = &self.grove.settings.bag;
        let own_charge = known.map_or(tree.charge.unwrap_or(bag.charge), |known| known.charge);
        let own_ports = known.map_or(tree.ports, |known| known.ports);
        let own_id =
            || known.map_or_else(|| self.made_id(tree_id, at), |known| known.draw_id.clone());
        Ok(Start {
            draw_id: draw_id.clone().unwrap_or_else(own_id),
            tree_id: tree_id.clone(),
            charge: charge_ml.map_or(Ok(own_charge), Millilitres::new)?,
            ports: ports.unwrap_or(own_ports),
            head: head_m.map(Head::new).transpose()?,
            kit: kit.clone(),
            second_bag: *second_bag,
        })
    }

    /// The draw that a tree or a draw id stands for.
    fn draw_id(&self, on: &str, at: DateTime<Utc>, known: Option<&Entry>) -> Result<String, Fault> {
        let draw = self.state.draw(on);
        if !self.grove.trees.iter().any(|tree| tree.id == on) {
            let unknown = || Fault::Unknown { on: shown(on) };
            return draw.map(|told| told.start.draw_id.clone()).ok_or_else(unknown);
        }
        if draw.is_some_and(|told| told.start.tree_id != on) {
            return Err(Fault::TreeAndDraw { on: on.to_owned() });
        }
        let first_time = known.and_then(|known| self.state.draw(known.act.draw_id()?));
        if let Some(told) = first_time.filter(|told| told.start.tree_id == on) {
            return Ok(told.start.draw_id.clone());
        }
        match self.state.hanging_on(on, at, self.grove.settings.zone).as_slice() {
            [told] => Ok(told.start.draw_id.clone()),
            [] => self.emptied_on(on, at),
            several => {
                let draws = several.iter().map(|told| told.start.draw_id.clone()).collect();
                Err(Fault::Several { tree_id: on.to_owned(), draws })
            }
        }
    }

    /// The last bag on a tree, seen empty but still there.
    fn emptied_on(&self, tree_id: &str, at: DateTime<Utc>) -> Result<String, Fault> {
        let on = |told: &&Told| told.start.tree_id == tree_id && told.started <= at;
        let Some(last) = self.state.draws().filter(on).max_by_key(|told| told.started) else {
            return Err(Fault::NoBag { tree_id: tree_id.to_owned(), last: String::new() });
        };
        let draw_id = &last.start.draw_id;
        if last.hangs() && at - last.started <= HANGS_AT_MOST {
            return Ok(draw_id.clone());
        }
        let moment = |at| self.local(at).format("%Y-%m-%d %H:%M");
        let end = last
            .strip
            .as_ref()
            .map_or_else(String::new, |strip| format!(", stripped {}", moment(strip.at)));
        let since = moment(last.started);
        let last = format!(", or name the draw (the last one was '{draw_id}' of {since}{end})");
        Err(Fault::NoBag { tree_id: tree_id.to_owned(), last })
    }

    fn last_own(&self) -> Result<String, Fault> {
        let today = self.local(self.now).date_naive();
        let own = |entry: &&&Entry| {
            entry.by == self.wish.by
                && !matches!(entry.act, Act::Undo { .. })
                && self.state.undone_by(&entry.key).is_none()
                && self.local(entry.noted).date_naive() == today
        };
        let entries = self.state.entries();
        let last = entries.iter().rev().find(own).map(|entry| entry.key.clone());
        last.ok_or_else(|| Fault::NothingToUndo { whose: self.wish.by.clone() })
    }

    fn time(&self, text: &str) -> Result<DateTime<Utc>, TimeFlaw> {
        let text = text.trim();
        let zone = self.grove.settings.zone;
        let is_clock = text.len() <= 8 && text.contains(':');
        let today = self.local(self.now).date_naive();
        let whole = if is_clock { format!("{today}T{text}") } else { text.to_owned() };
        match read_time(&whole, zone) {
            Err(TimeFlaw::Form { .. } | TimeFlaw::NoSuch { .. }) if is_clock => {
                Err(TimeFlaw::TimeOfDay { text: text.to_owned() })
            }
            read => read.map(|read| read.at),
        }
    }

    fn local(&self, at: DateTime<Utc>) -> DateTime<FixedOffset> {
        with_offset(at, self.grove.settings.zone)
    }

    /// `A12-2026-01-14`, with a number behind where that is taken.
    fn made_id(&self, tree_id: &str, at: DateTime<Utc>) -> String {
        let id = format!("{tree_id}-{}", self.local(at).date_naive());
        let taken = |id: &String| {
            let started =
                |entry: &&Entry| matches!(&entry.act, Act::Start(start) if start.draw_id == *id);
            // An id that was undone would be read as the old one in the journal.
            self.state.draw(id).is_some() || self.state.entries().iter().any(started)
        };
        if !taken(&id) {
            return id;
        }
        let numbered = (2_u32..).map(|number| format!("{id}-{number}"));
        numbered.into_iter().find(|id| !taken(id)).unwrap_or(id)
    }

    fn made_key(&self, noted: DateTime<Utc>) -> String {
        format!("{}-{:08x}", noted.format("%Y%m%dT%H%M%SZ"), self.random)
    }
}

fn seconds(at: DateTime<Utc>) -> DateTime<Utc> {
    at - TimeDelta::nanoseconds(at.timestamp_subsec_nanos().into())
}

fn milliseconds(at: DateTime<Utc>) -> DateTime<Utc> {
    let beyond = at.timestamp_subsec_nanos() % 1_000_000;
    at - TimeDelta::nanoseconds(beyond.into())
}
