//! May this entry be noted?

use super::entry::{Act, Entry, Start};
use super::refusal::Refusal;
use super::state::State;
use super::told::{Told, What};
use crate::grove::{LEAST_PORTS, MOST_PORTS, SMALLEST_CHARGE_ML, SMALLEST_REFILL_ML, Seen};
use crate::text::with_offset;
use crate::units::Millilitres;
use chrono::{DateTime, FixedOffset, TimeDelta, Utc};
use chrono_tz::Tz;

/// A clock may be this much ahead of the store's own.
pub const CLOCK_SKEW: TimeDelta = TimeDelta::minutes(5);

/// A bag that nobody saw empty or stripped is taken as hanging for so long after its start.
pub const HANGS_AT_MOST: TimeDelta = TimeDelta::days(2);

/// Least that can be read off a bag that is not empty, mL.
const SMALLEST_READING_ML: f64 = 0.1;

/// The store's clock, and the grove's zone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Clock {
    /// Now.
    pub now: DateTime<Utc>,
    /// The grove's zone.
    pub zone: Tz,
}

/// What is to be done with an entry that is not refused.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Admission {
    /// Note it.
    New,
    /// It was noted before: do nothing, and say so.
    Repeated,
}

impl State {
    /// May this entry be noted, on top of what is known?
    ///
    /// # Errors
    /// [`Refusal`] with what stands against it.
    pub fn admit(&self, entry: &Entry, clock: Clock) -> Result<Admission, Refusal> {
        entry.check_texts()?;
        if let Some(known) = self.entries.get(&entry.key) {
            return match known.says_the_same(entry) {
                true => Ok(Admission::Repeated),
                false => Err(Refusal::KeyUsed {
                    key: entry.key.clone(),
                    was: known.act.word(),
                    at: clock.local(known.at),
                }),
            };
        }
        for at in [entry.at, entry.noted] {
            if at > clock.now + CLOCK_SKEW {
                return Err(Refusal::Ahead { at: clock.local(at), now: clock.local(clock.now) });
            }
        }
        check_amounts(&entry.act)?;
        match &entry.act {
            Act::Start(start) => self.admit_start(entry, start, clock)?,
            Act::Undo { of } => self.admit_undo(entry, of, clock)?,
            act => self.admit_event(entry, act.draw_id().unwrap_or_default(), clock)?,
        }
        Ok(Admission::New)
    }

    fn admit_start(&self, entry: &Entry, start: &Start, clock: Clock) -> Result<(), Refusal> {
        let tree_id = &start.tree_id;
        if !self.trees.contains_key(tree_id) {
            return Err(Refusal::UnknownTree { tree_id: tree_id.clone() });
        }
        if let Some(told) = self.draws.get(&start.draw_id) {
            let tree_id = told.start.tree_id.clone();
            return Err(Refusal::DrawExists { draw_id: start.draw_id.clone(), tree_id });
        }
        let beside = self.hanging_on(tree_id, entry.at, clock.zone);
        if let (Some(told), false) = (beside.first(), start.second_bag) {
            return Err(Refusal::TreeHasBag {
                tree_id: tree_id.clone(),
                draw_id: told.start.draw_id.clone(),
                started: clock.local(told.started),
            });
        }
        self.kit_is_free(start.kit.as_deref(), &start.draw_id, entry.at, clock)
    }

    fn admit_event(&self, entry: &Entry, draw_id: &str, clock: Clock) -> Result<(), Refusal> {
        let Some(told) = self.draws.get(draw_id) else {
            return Err(Refusal::UnknownDraw { draw_id: draw_id.to_owned() });
        };
        if let Some(strip) = &told.strip {
            let (draw_id, stripped) = (draw_id.to_owned(), clock.local(strip.at));
            if matches!(entry.act, Act::Strip { .. }) {
                return Err(Refusal::StrippedAlready { draw_id, stripped });
            } else if entry.at > strip.at {
                return Err(Refusal::Stripped { draw_id, at: clock.local(entry.at), stripped });
            }
        }
        let mut with = told.clone();
        with.hear(entry);
        with.story(clock.zone).map(|_| ())
    }

    fn admit_undo(&self, undo: &Entry, of: &str, clock: Clock) -> Result<(), Refusal> {
        let key = || of.to_owned();
        let Some(entry) = self.entries.get(of) else {
            return Err(Refusal::UnknownKey { key: key() });
        };
        let Some(draw_id) = entry.act.draw_id() else {
            return Err(Refusal::UndoOfUndo { key: key() });
        };
        if self.undone.contains_key(of) {
            return Err(Refusal::UndoneAlready { key: key() });
        }
        let noted = clock.local(entry.noted);
        if noted.date_naive() != clock.local(undo.noted).date_naive() {
            return Err(Refusal::UndoTooLate { key: key(), noted });
        }
        let altered = || Refusal::NotAsNoted { key: key(), draw_id: draw_id.to_owned() };
        let told = self.draws.get(draw_id).ok_or_else(altered)?;
        if matches!(entry.act, Act::Start(_)) {
            let later = told.more_than_the_start(clock.zone);
            if !later.is_empty() {
                return Err(Refusal::StartHasMore { draw_id: draw_id.to_owned(), later });
            }
            return if told.key.as_deref() == Some(of) { Ok(()) } else { Err(altered()) };
        }
        let mut without = told.clone();
        if !without.forget(of) {
            return Err(altered());
        }
        without.story(clock.zone)?;
        if matches!(entry.act, Act::Strip { .. }) {
            self.kit_is_free(told.start.kit.as_deref(), draw_id, entry.at, clock)?;
        }
        Ok(())
    }

    /// One kit is on one tree at a time; one that is hung from `at` on must be off all others.
    fn kit_is_free(
        &self,
        kit: Option<&str>,
        draw_id: &str,
        at: DateTime<Utc>,
        clock: Clock,
    ) -> Result<(), Refusal> {
        let Some(kit) = kit else { return Ok(()) };
        let holds = |told: &&Told| {
            told.start.kit.as_deref() == Some(kit)
                && told.start.draw_id != draw_id
                && told.strip.as_ref().is_none_or(|strip| strip.at > at)
        };
        match self.draws.values().find(holds) {
            Some(told) => Err(Refusal::KitInUse {
                kit: kit.to_owned(),
                tree_id: told.start.tree_id.clone(),
                draw_id: told.start.draw_id.clone(),
                started: clock.local(told.started),
            }),
            None => Ok(()),
        }
    }

    /// Bags that hang on a tree at an instant: started within two days, neither stripped nor seen
    /// empty by then; the latest first.
    pub fn hanging_on(&self, tree_id: &str, at: DateTime<Utc>, zone: Tz) -> Vec<&Told> {
        let hangs = |told: &&Told| {
            let emptied = told.story(zone).ok().and_then(|(_, emptied)| emptied);
            told.start.tree_id == tree_id
                && told.started <= at
                && at - told.started <= HANGS_AT_MOST
                && told.strip.as_ref().is_none_or(|strip| strip.at > at)
                && emptied.is_none_or(|emptied| emptied > at)
        };
        let mut hanging: Vec<&Told> = self.draws.values().filter(hangs).collect();
        hanging.sort_by_key(|told| std::cmp::Reverse(told.started));
        hanging
    }
}

impl Clock {
    pub(super) fn local(&self, at: DateTime<Utc>) -> DateTime<FixedOffset> {
        with_offset(at, self.zone)
    }
}

impl Told {
    /// What stands on a draw beside its start, in words.
    fn more_than_the_start(&self, zone: Tz) -> Vec<String> {
        let words = |what: &str, at: DateTime<Utc>, key: &Option<String>| {
            let clock = with_offset(at, zone).format("%H:%M");
            match key {
                Some(key) => format!("{what} of {clock} ({key})"),
                None => format!("{what} of {clock} (from the grove's files)"),
            }
        };
        let events = self.events.iter().map(|event| {
            let what = match event.what {
                What::Seen(Seen::Refill { .. }) => "refill",
                What::Seen(Seen::Leak { .. }) => "leak",
                What::Seen(_) | What::OwnRow(_) => "reading",
                What::Pause(_) => "pause",
                What::Resume => "resume",
            };
            words(what, event.at, &event.key)
        });
        let strip = self.strip.iter().map(|strip| words("strip", strip.at, &strip.key));
        events.chain(strip).collect()
    }
}

fn check_amounts(act: &Act) -> Result<(), Refusal> {
    let within = |what, value: f64, low: f64, high: f64, unit| {
        if (low..=high).contains(&value) {
            Ok(())
        } else {
            Err(Refusal::OutOfRange { what, value, unit, low, high })
        }
    };
    let most_ml = Millilitres::HIGH;
    match act {
        Act::Start(start) => {
            let (least, most) = (f64::from(LEAST_PORTS), f64::from(MOST_PORTS));
            within("charge", start.charge.value(), SMALLEST_CHARGE_ML, most_ml, "mL")?;
            within("ports", f64::from(start.ports), least, most, "ports")
        }
        Act::Seen { seen: Seen::Left(left), .. } => {
            within("left", left.value(), SMALLEST_READING_ML, most_ml, "mL")
        }
        Act::Seen { seen: Seen::Refill { added }, .. } => {
            within("refill", added.value(), SMALLEST_REFILL_ML, most_ml, "mL")
        }
        _ => Ok(()),
    }
}
