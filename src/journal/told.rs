//! One draw as it is told so far: its start, what was seen in order of time, its end; and whether
//! all that is one story.

use super::entry::{Entry, Start};
use super::refusal::Refusal;
use crate::grove::{Draw, Pause, READING_ERROR_ML, Reading, Seen};
use crate::text::with_offset;
use crate::units::Millilitres;
use chrono::{DateTime, FixedOffset, Utc};
use chrono_tz::Tz;

/// One draw as it is told so far.
#[derive(Debug, Clone, PartialEq)]
pub struct Told {
    /// How it started.
    pub start: Start,
    /// When.
    pub started: DateTime<Utc>,
    /// Place of its tree in the grove's trees.
    pub tree: usize,
    /// Who set it.
    pub crew: Option<String>,
    /// What else was written of the start.
    pub note: Option<String>,
    /// Key of the entry that started it; none where only a file tells it.
    pub key: Option<String>,
    /// What was seen and done, in order of time; of one instant, in the order of noting.
    pub events: Vec<Event>,
    /// Its end, where it was stripped.
    pub strip: Option<Strip>,
}

/// The end of a draw.
#[derive(Debug, Clone, PartialEq)]
pub struct Strip {
    /// When.
    pub at: DateTime<Utc>,
    /// What was left in the bag, where it was read.
    pub left: Option<Millilitres>,
    /// Key of its entry.
    pub key: Option<String>,
}

/// One thing seen or done between start and strip.
#[derive(Debug, Clone, PartialEq)]
pub struct Event {
    /// When.
    pub at: DateTime<Utc>,
    /// When it was noted; none where only a file tells it.
    pub noted: Option<DateTime<Utc>>,
    /// Key of its entry.
    pub key: Option<String>,
    /// What.
    pub what: What,
    /// By whom.
    pub by: Option<String>,
    /// What else the user wrote.
    pub note: Option<String>,
}

/// What was seen or done.
#[derive(Debug, Clone, PartialEq)]
pub enum What {
    /// A look, a refill or a leak.
    Seen(Seen),
    /// Wet (true) or empty, as the draw's own row tells it.
    OwnRow(bool),
    /// Clamped shut, and why.
    Pause(Option<String>),
    /// Opened again.
    Resume,
}

impl Told {
    /// A draw that an entry starts.
    pub(super) fn started_by(entry: &Entry, start: &Start, tree: usize) -> Self {
        Self {
            start: start.clone(),
            started: entry.at,
            tree,
            crew: entry.by.clone(),
            note: entry.note.clone(),
            key: Some(entry.key.clone()),
            events: Vec::new(),
            strip: None,
        }
    }

    /// A draw as a grove has it.
    pub(super) fn of(draw: &Draw, tree_id: &str) -> Self {
        let start = Start {
            draw_id: draw.id.clone(),
            tree_id: tree_id.to_owned(),
            charge: draw.charge,
            ports: draw.ports,
            head: draw.head,
            kit: draw.kit.clone(),
            second_bag: false,
        };
        let bare = |at, what| Event { at, noted: None, key: None, what, by: None, note: None };
        let mut events: Vec<Event> = Vec::new();
        let seen_at = |at| {
            let ends = draw.stripped.filter(|_| draw.left.is_some());
            ends == Some(at) || draw.readings.iter().any(|reading| reading.at == at)
        };
        if draw.last_wet > draw.started && !seen_at(draw.last_wet) {
            events.push(bare(draw.last_wet, What::OwnRow(true)));
        }
        if let Some(emptied) = draw.first_empty.filter(|at| !seen_at(*at)) {
            events.push(bare(emptied, What::OwnRow(false)));
        }
        events.extend(draw.readings.iter().map(|reading| Event {
            by: reading.by.clone(),
            note: reading.note.clone(),
            ..bare(reading.at, What::Seen(reading.seen))
        }));
        for pause in &draw.pauses {
            events.push(bare(pause.from, What::Pause(pause.why.clone())));
            events.extend(pause.to.map(|to| bare(to, What::Resume)));
        }
        let strip = draw.stripped.map(|at| Strip { at, left: draw.left, key: None });
        let mut told = Self {
            start,
            started: draw.started,
            tree: draw.tree,
            crew: draw.crew.clone(),
            note: draw.note.clone(),
            key: None,
            events,
            strip,
        };
        told.sort();
        told
    }

    /// Of one instant, what a file tells comes first, as it stands there; then by noting.
    pub(super) fn sort(&mut self) {
        let order = |event: &Event| (event.at, event.noted, event.key.clone());
        self.events.sort_by_cached_key(order);
    }

    /// Is the kit still on the tree?
    pub fn hangs(&self) -> bool {
        self.strip.is_none()
    }

    /// The draw as the rest of the program takes it.
    ///
    /// # Errors
    /// [`Refusal`] where the looks do not tell one story.
    pub fn draw(&self, zone: Tz) -> Result<Draw, Refusal> {
        let (last_wet, first_empty) = self.story(zone)?;
        let mut pauses: Vec<Pause> = Vec::new();
        let mut readings: Vec<Reading> = Vec::new();
        for event in &self.events {
            let at = event.at;
            match &event.what {
                What::Pause(why) => {
                    pauses.push(Pause { from: at, to: None, why: why.clone(), row: 0 });
                }
                What::Resume => {
                    if let Some(pause) = pauses.last_mut() {
                        pause.to = Some(at);
                    }
                }
                What::Seen(seen) => {
                    let (by, note) = (event.by.clone(), event.note.clone());
                    readings.push(Reading { at, seen: *seen, by, note, row: 0 });
                }
                What::OwnRow(_) => {}
            }
        }
        Ok(Draw {
            id: self.start.draw_id.clone(),
            tree: self.tree,
            started: self.started,
            charge: self.start.charge,
            ports: self.start.ports,
            head: self.start.head,
            last_wet,
            first_empty,
            stripped: self.strip.as_ref().map(|strip| strip.at),
            left: self.strip.as_ref().and_then(|strip| strip.left),
            crew: self.crew.clone(),
            kit: self.start.kit.clone(),
            note: self.note.clone(),
            readings,
            pauses,
        })
    }

    /// Tells the story from start to end: the last instant wet and the first one empty.
    ///
    /// # Errors
    /// [`Refusal`] at the first thing that cannot be.
    pub(super) fn story(&self, zone: Tz) -> Result<Emptying, Refusal> {
        self.within(zone)?;
        self.pauses(zone)?;
        let emptying = self.level(zone)?;
        self.not_emptied_while_shut(emptying, zone)?;
        Ok(emptying)
    }

    fn within(&self, zone: Tz) -> Result<(), Refusal> {
        let local = |at| with_offset(at, zone);
        let draw_id = || self.start.draw_id.clone();
        if let Some(event) = self.events.iter().find(|event| event.at < self.started) {
            let (at, started) = (local(event.at), local(self.started));
            return Err(Refusal::BeforeStart { draw_id: draw_id(), at, started });
        }
        let Some(strip) = &self.strip else { return Ok(()) };
        if strip.at < self.started {
            let (at, started) = (local(strip.at), local(self.started));
            return Err(Refusal::BeforeStart { draw_id: draw_id(), at, started });
        }
        match self.events.last().filter(|event| event.at > strip.at) {
            Some(event) => {
                let (at, later) = (local(strip.at), local(event.at));
                Err(Refusal::LooksAfterStrip { draw_id: draw_id(), at, later })
            }
            None => Ok(()),
        }
    }

    fn pauses(&self, zone: Tz) -> Result<(), Refusal> {
        let draw_id = || self.start.draw_id.clone();
        let mut shut: Option<DateTime<Utc>> = None;
        for event in &self.events {
            let at = with_offset(event.at, zone);
            match (&event.what, shut) {
                (What::Pause(_), Some(since)) => {
                    let since = with_offset(since, zone);
                    return Err(Refusal::ShutAlready { draw_id: draw_id(), since });
                }
                (What::Pause(_), None) => shut = Some(event.at),
                (What::Resume, Some(since)) if since == event.at => {
                    return Err(Refusal::NoPause { draw_id: draw_id(), at });
                }
                (What::Resume, Some(_)) => shut = None,
                (What::Resume, None) => return Err(Refusal::NotShut { draw_id: draw_id(), at }),
                _ => {}
            }
        }
        Ok(())
    }

    /// Looks in order of time, what was left at the end last.
    fn looks(&self) -> impl Iterator<Item = (DateTime<Utc>, Look)> + '_ {
        let left = |left: Millilitres| match left.value() {
            ml if ml > 0.0 => Look::Left(ml),
            _ => Look::Empty,
        };
        let events = self.events.iter().filter_map(move |event| {
            let look = match event.what {
                What::Seen(Seen::Wet) | What::OwnRow(true) => Look::Wet,
                What::Seen(Seen::Empty) | What::OwnRow(false) => Look::Empty,
                What::Seen(Seen::Left(ml)) => Look::Left(ml.value()),
                What::Seen(Seen::Refill { added }) => Look::Refill(added.value()),
                What::Seen(Seen::Leak { left: Some(ml) }) => left(ml),
                What::Seen(Seen::Leak { left: None }) | What::Pause(_) | What::Resume => {
                    return None;
                }
            };
            Some((event.at, look))
        });
        let end = self.strip.as_ref().and_then(|strip| Some((strip.at, left(strip.left?))));
        events.chain(end)
    }

    /// The same rules as `grove` has for files.
    fn level(&self, zone: Tz) -> Result<Emptying, Refusal> {
        let draw_id = || self.start.draw_id.clone();
        let local = |at| -> DateTime<FixedOffset> { with_offset(at, zone) };
        let (mut wet, mut empty): (DateTime<Utc>, Option<DateTime<Utc>>) = (self.started, None);
        let mut level = Level { ml: self.start.charge.value(), at: self.started, is_read: false };
        for (at, look) in self.looks() {
            match (look, empty) {
                (Look::Refill(added_ml), _) => {
                    let rest_ml = if empty.is_some() { 0.0 } else { level.ml };
                    level = Level { ml: added_ml + rest_ml, at, is_read: false };
                    (wet, empty) = (at, None);
                }
                (Look::Wet | Look::Left(_), Some(emptied)) if emptied == at => {
                    return Err(Refusal::TwoThings { draw_id: draw_id(), at: local(at) });
                }
                (Look::Wet | Look::Left(_), Some(emptied)) => {
                    let (emptied, wet) = (local(emptied), local(at));
                    return Err(Refusal::WetAfterEmpty { draw_id: draw_id(), emptied, wet });
                }
                (Look::Wet, None) => wet = at,
                (Look::Left(ml), None) => {
                    if level.is_read && level.at == at {
                        if ml != level.ml {
                            return Err(Refusal::TwoThings { draw_id: draw_id(), at: local(at) });
                        }
                    } else if ml > level.ml + READING_ERROR_ML {
                        return Err(Refusal::Rises {
                            draw_id: draw_id(),
                            earlier_ml: level.ml,
                            earlier: local(level.at),
                            later_ml: ml,
                            later: local(at),
                        });
                    }
                    (level, wet) = (Level { ml, at, is_read: true }, at);
                }
                (Look::Empty, None) if at <= wet => {
                    return Err(Refusal::TwoThings { draw_id: draw_id(), at: local(at) });
                }
                (Look::Empty, None) => empty = Some(at),
                (Look::Empty, Some(_)) => {}
            }
        }
        Ok((wet, empty))
    }

    /// A shut bag takes up nothing, so it cannot have emptied meanwhile.
    fn not_emptied_while_shut(&self, (wet, empty): Emptying, zone: Tz) -> Result<(), Refusal> {
        let Some(emptied) = empty else { return Ok(()) };
        let turns = self.events.iter().filter_map(|event| match event.what {
            What::Pause(_) => Some((event.at, true)),
            What::Resume => Some((event.at, false)),
            _ => None,
        });
        // Of the turns before the bag was seen empty, the last one by `wet` tells.
        let before: Vec<(DateTime<Utc>, bool)> =
            turns.take_while(|(at, _)| *at < emptied).collect();
        let by_wet = before.iter().rposition(|(at, _)| *at <= wet);
        match by_wet {
            Some(last) if before[last].1 && last + 1 == before.len() => {
                Err(Refusal::EmptiedWhileShut {
                    draw_id: self.start.draw_id.clone(),
                    wet: with_offset(wet, zone),
                    emptied: with_offset(emptied, zone),
                })
            }
            _ => Ok(()),
        }
    }
}

/// The last instant wet and the first one empty, of the last filling.
type Emptying = (DateTime<Utc>, Option<DateTime<Utc>>);

#[derive(Clone, Copy)]
enum Look {
    Wet,
    Empty,
    Left(f64),
    Refill(f64),
}

/// What was in the bag, when, and whether somebody read it off.
struct Level {
    ml: f64,
    at: DateTime<Utc>,
    is_read: bool,
}
