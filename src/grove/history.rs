//! A draw's looks in order of time: do they tell one story, and between which two instants did
//! the bag empty?

use super::draw::{DRAWS, Draft, Draw, PAUSES, Pause, READINGS, Reading, Seen};
use crate::text::{Findings, FlawKind, with_offset};
use chrono::{DateTime, FixedOffset, Utc};
use chrono_tz::Tz;
use std::collections::BTreeMap;

/// A bag is read to about half a mark, so a reading may stand this much above the one before.
pub const READING_ERROR_ML: f64 = 20.0;

/// What is told of all draws together.
#[derive(Default)]
pub(super) struct Counts {
    /// Readings that repeat another one in full.
    pub(super) repeated: usize,
    /// Readings above the one before by no more than an error of reading, by file.
    pub(super) rises: BTreeMap<&'static str, usize>,
}

/// Puts readings and pauses in order, holds all looks against each other, and makes the draw's
/// interval as tight as they allow.
///
/// Readings that repeat another one in full are dropped, and counted.
pub(super) fn settle(draft: &mut Draft, zone: Tz, counts: &mut Counts, findings: &mut Findings) {
    counts.repeated += drop_repeated_readings(&mut draft.draw);
    draft.draw.pauses.sort_by_key(|pause| pause.from);
    let mut story = Story { zone, counts, findings };
    story.within_the_draw(&draft.draw);
    story.pauses_apart(&draft.draw);
    let (last_wet, first_empty) = story.told(draft);
    (draft.draw.last_wet, draft.draw.first_empty) = (last_wet, first_empty);
    story.not_emptied_while_shut(&draft.draw);
}

fn drop_repeated_readings(draw: &mut Draw) -> usize {
    let before = draw.readings.len();
    let mut kept: Vec<Reading> = Vec::with_capacity(before);
    draw.readings.sort_by_key(|reading| reading.at);
    for reading in draw.readings.drain(..) {
        let same_instant = kept.iter().rev().take_while(|other| other.at == reading.at);
        if !same_instant.into_iter().any(|other| other.seen == reading.seen) {
            kept.push(reading);
        }
    }
    draw.readings = kept;
    before - draw.readings.len()
}

/// One thing known of the bag at one instant, and where it is written.
#[derive(Clone, Copy)]
struct Look {
    at: DateTime<Utc>,
    what: What,
    file: &'static str,
    row: u64,
}

#[derive(Clone, Copy, PartialEq)]
enum What {
    Wet,
    Empty,
    Left(f64),
    Refill(f64),
}

impl Look {
    fn place(&self) -> String {
        format!("{} row {}", self.file, self.row)
    }
}

/// Looks in order of time. Of one instant, the draw's own row comes first, then readings as they
/// stand in the file, then what was left at the end.
fn looks(draft: &Draft) -> Vec<Look> {
    let draw = &draft.draw;
    let own = |at, what| Look { at, what, file: DRAWS, row: draft.row };
    let mut looks = Vec::with_capacity(draw.readings.len() + 3);
    looks.extend(draft.typed_last_wet.map(|at| own(at, What::Wet)));
    looks.extend(draw.first_empty.map(|at| own(at, What::Empty)));
    let left = |ml: f64| if ml > 0.0 { What::Left(ml) } else { What::Empty };
    for reading in &draw.readings {
        let what = match reading.seen {
            Seen::Wet => What::Wet,
            Seen::Empty => What::Empty,
            Seen::Left(ml) => What::Left(ml.value()),
            Seen::Refill { added } => What::Refill(added.value()),
            Seen::Leak { left: Some(ml) } => left(ml.value()),
            Seen::Leak { left: None } => continue,
        };
        looks.push(Look { at: reading.at, what, file: READINGS, row: reading.row });
    }
    looks.extend(draw.stripped.zip(draw.left).map(|(at, ml)| own(at, left(ml.value()))));
    looks.sort_by_key(|look| look.at);
    looks
}

struct Story<'s> {
    zone: Tz,
    counts: &'s mut Counts,
    findings: &'s mut Findings,
}

impl Story<'_> {
    fn local(&self, at: DateTime<Utc>) -> DateTime<FixedOffset> {
        with_offset(at, self.zone)
    }

    /// Readings and pauses lie between start and strip.
    fn within_the_draw(&mut self, draw: &Draw) {
        let readings =
            draw.readings.iter().map(|reading| (READINGS, reading.row, "time", reading.at));
        let froms = draw.pauses.iter().map(|pause| (PAUSES, pause.row, "from", pause.from));
        let tos = draw.pauses.iter().filter_map(|pause| Some((PAUSES, pause.row, "to", pause.to?)));
        for (file, row, column, at) in readings.chain(froms).chain(tos) {
            let outside = if at < draw.started {
                Some(("not be before", "started", draw.started))
            } else {
                let stripped = draw.stripped.filter(|stripped| at > *stripped);
                stripped.map(|stripped| ("not be after", "stripped", stripped))
            };
            if let Some((wanted, other, limit)) = outside {
                let (time, other_time) = (self.local(at), self.local(limit));
                let problem = FlawKind::Order { time, wanted, other, other_time };
                self.findings.flaw(file, Some(row), Some(column), problem);
            }
        }
    }

    /// No pause starts before the one before it has ended.
    fn pauses_apart(&mut self, draw: &Draw) {
        for pair in draw.pauses.windows(2) {
            if pair[0].to.is_none_or(|to| pair[1].from < to) {
                let problem = FlawKind::PausesOverlap { first_row: pair[0].row };
                self.findings.flaw(PAUSES, Some(pair[1].row), Some("from"), problem);
            }
        }
    }

    /// The last instant wet and the first one empty, of the last filling.
    fn told(&mut self, draft: &Draft) -> (DateTime<Utc>, Option<DateTime<Utc>>) {
        let draw = &draft.draw;
        let start = Look { at: draw.started, what: What::Wet, file: DRAWS, row: draft.row };
        let (mut wet, mut empty): (Look, Option<Look>) = (start, None);
        let (mut level_ml, mut level_from) = (draw.charge.value(), start);
        for look in looks(draft) {
            match (look.what, empty) {
                (What::Refill(added_ml), _) => {
                    level_ml = added_ml + if empty.is_some() { 0.0 } else { level_ml };
                    (wet, empty, level_from) = (look, None, look);
                }
                (What::Wet | What::Left(_), Some(emptied)) => self.wet_after_empty(&emptied, &look),
                (What::Wet, None) => wet = look,
                (What::Left(ml), None) => {
                    if look.at == level_from.at && matches!(level_from.what, What::Left(_)) {
                        self.same_instant(&level_from, level_ml, &look, ml);
                    } else if ml > level_ml + READING_ERROR_ML {
                        self.rises((level_ml, &level_from), (ml, &look));
                    } else if ml > level_ml {
                        *self.counts.rises.entry(look.file).or_default() += 1;
                    }
                    (level_ml, level_from, wet) = (ml, look, look);
                }
                (What::Empty, None) if look.at <= wet.at => self.two_things(&wet, &look),
                (What::Empty, None) => empty = Some(look),
                (What::Empty, Some(_)) => {}
            }
        }
        (wet.at, empty.map(|look| look.at))
    }

    fn wet_after_empty(&mut self, emptied: &Look, look: &Look) {
        if emptied.at == look.at {
            return self.two_things(emptied, look);
        }
        let problem = FlawKind::WetAfterEmpty {
            earlier: self.local(emptied.at),
            earlier_place: emptied.place(),
            later: self.local(look.at),
        };
        self.findings.flaw(look.file, Some(look.row), None, problem);
    }

    fn same_instant(&mut self, first: &Look, first_ml: f64, second: &Look, second_ml: f64) {
        if first_ml != second_ml {
            self.two_things(first, second);
        }
    }

    fn two_things(&mut self, first: &Look, second: &Look) {
        let time = self.local(second.at);
        let problem = FlawKind::LooksDiffer { other_place: first.place(), time };
        self.findings.flaw(second.file, Some(second.row), None, problem);
    }

    fn rises(&mut self, (earlier_ml, earlier): (f64, &Look), (later_ml, later): (f64, &Look)) {
        let problem = FlawKind::Rises {
            earlier_ml,
            earlier: self.local(earlier.at),
            earlier_place: earlier.place(),
            later_ml,
            later: self.local(later.at),
        };
        self.findings.flaw(later.file, Some(later.row), None, problem);
    }

    /// A shut bag takes up nothing, so it cannot have emptied meanwhile.
    fn not_emptied_while_shut(&mut self, draw: &Draw) {
        let Some(first_empty) = draw.first_empty else { return };
        let shut = |pause: &&Pause| {
            pause.from <= draw.last_wet && pause.to.is_none_or(|to| to >= first_empty)
        };
        if let Some(pause) = draw.pauses.iter().find(shut) {
            let problem = FlawKind::EmptiedWhileShut {
                last_wet: self.local(draw.last_wet),
                first_empty: self.local(first_empty),
            };
            self.findings.flaw(PAUSES, Some(pause.row), None, problem);
        }
    }
}
