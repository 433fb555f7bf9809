//! `draws.csv`, `readings.csv` and `pauses.csv`: what was hung, and what was seen of it.
//!
//! A finish is never a point: it lies after [`Draw::last_wet`] and not after
//! [`Draw::first_empty`]. Readings make the two tighter; `history` holds them against each other.

use super::history;
use super::tree::{CHARGE, Roll};
use super::{HEAD, LEAST_PORTS, MOST_PORTS};
use crate::text::{
    Allowed, Cells, Columns, Findings, FlawKind, Ids, Note, NoteKind, Table, with_offset,
};
use crate::units::{Head, Millilitres};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use std::collections::HashMap;

/// Name of the file of draws in a grove folder.
pub const DRAWS: &str = "draws.csv";

/// Name of the file of readings in a grove folder.
pub const READINGS: &str = "readings.csv";

/// Name of the file of pauses in a grove folder.
pub const PAUSES: &str = "pauses.csv";

/// One bag on one tree from start until empty or stripped, with all that was seen of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Draw {
    /// Its id, unique in the grove.
    pub id: String,
    /// Place of its tree in the grove's trees.
    pub tree: usize,
    /// When the bag started.
    pub started: DateTime<Utc>,
    /// The mix loaded at the start; refills are in the readings.
    pub charge: Millilitres,
    /// Ports, 1 to 40; the tree's own where the user did not say.
    pub ports: u32,
    /// Head; none where the user did not say.
    pub head: Option<Head>,
    /// Last instant with fluid for certain: `started` where nobody looked between it and empty.
    /// With refills, it is of the last filling, and may be the refill itself.
    pub last_wet: DateTime<Utc>,
    /// First instant empty for certain, later than `last_wet`; none where the last filling was
    /// never seen empty.
    pub first_empty: Option<DateTime<Utc>>,
    /// When the kit was taken off.
    pub stripped: Option<DateTime<Utc>>,
    /// What was left in the bag then.
    pub left: Option<Millilitres>,
    /// Who set it.
    pub crew: Option<String>,
    /// Which kit hangs there.
    pub kit: Option<String>,
    /// What else the user wrote.
    pub note: Option<String>,
    /// Looks at the bag from `readings.csv`, in order of time.
    pub readings: Vec<Reading>,
    /// Times clamped shut, in order, none overlapping.
    pub pauses: Vec<Pause>,
}

impl Draw {
    /// Charge and refills together, mL.
    pub fn total_charge(&self) -> Millilitres {
        let added = self.readings.iter().map(|reading| match reading.seen {
            Seen::Refill { added } => added.value(),
            _ => 0.0,
        });
        Millilitres::computed(self.charge.value() + added.sum::<f64>())
    }

    /// Was a leak seen?
    pub fn leaked(&self) -> bool {
        self.readings.iter().any(|reading| matches!(reading.seen, Seen::Leak { .. }))
    }
}

/// One look at a bag.
#[derive(Debug, Clone, PartialEq)]
pub struct Reading {
    /// When.
    pub at: DateTime<Utc>,
    /// What was seen or done.
    pub seen: Seen,
    /// By whom.
    pub by: Option<String>,
    /// What else the user wrote.
    pub note: Option<String>,
    /// Row in `readings.csv`.
    pub row: u64,
}

/// What a look at a bag told.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Seen {
    /// Some fluid.
    Wet,
    /// None.
    Empty,
    /// This much left, above 0.
    Left(Millilitres),
    /// More was filled in.
    Refill {
        /// How much, above 0.
        added: Millilitres,
    },
    /// Some ran out beside the tree.
    Leak {
        /// What was left, where it was read.
        left: Option<Millilitres>,
    },
}

/// A time clamped shut.
#[derive(Debug, Clone, PartialEq)]
pub struct Pause {
    /// When it was shut.
    pub from: DateTime<Utc>,
    /// When it was opened; none while still shut.
    pub to: Option<DateTime<Utc>>,
    /// Why.
    pub why: Option<String>,
    /// Row in `pauses.csv`.
    pub row: u64,
}

pub(super) const DRAW_COLUMNS: Columns = Columns {
    required: &["draw_id", "tree_id", "started", "charge_ml"],
    one_of: &[],
    optional: &[
        "ports",
        "head_m",
        "last_wet",
        "first_empty",
        "stripped",
        "left_ml",
        "crew",
        "kit_id",
        "note",
    ],
};

pub(super) const READING_COLUMNS: Columns = Columns {
    required: &["draw_id", "time"],
    one_of: &[&["left_ml", "state"]],
    optional: &["added_ml", "by", "note"],
};

pub(super) const PAUSE_COLUMNS: Columns =
    Columns { required: &["draw_id", "from"], one_of: &[], optional: &["to", "why"] };

const STATES: &[&str] = &["wet", "empty", "refill", "leak"];

const LEFT: Allowed = Allowed::new("mL", 0.0, Millilitres::HIGH);
/// Smallest refill of a bag, mL.
pub const SMALLEST_REFILL_ML: f64 = 1.0;

const ADDED: Allowed = Allowed::new("mL", SMALLEST_REFILL_ML, Millilitres::HIGH).or_else(|value| {
    if value > 0.0 { "if this is in litres, multiply by 1000" } else { "correct it" }
});

/// The three files about draws, as text.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct DrawTexts<'t> {
    /// `draws.csv`.
    pub draws: Option<&'t str>,
    /// `readings.csv`.
    pub readings: Option<&'t str>,
    /// `pauses.csv`.
    pub pauses: Option<&'t str>,
}

/// Reads draws with their readings and pauses, and holds them against each other.
pub(super) fn read_draws(
    texts: DrawTexts,
    roll: &Roll,
    zone: Tz,
    findings: &mut Findings,
) -> Vec<Draw> {
    let Some(draws) = texts.draws else {
        if texts.readings.or(texts.pauses).is_some() {
            let remedy = "readings.csv and pauses.csv tell of the draws in it";
            findings.flaw(DRAWS, None, None, FlawKind::FileMissing { remedy });
        }
        return Vec::new();
    };
    let (mut drafts, ids) = read_drafts(draws, roll, zone, findings);
    let readings = texts.readings.map(|text| read_readings(text, &ids, zone, findings));
    hand_out(&mut drafts, readings, |draft| &mut draft.draw.readings);
    let pauses = texts.pauses.map(|text| read_pauses(text, &ids, zone, findings));
    hand_out(&mut drafts, pauses, |draft| &mut draft.draw.pauses);
    let mut counts = history::Counts::default();
    for draft in &mut drafts {
        history::settle(draft, zone, &mut counts, findings);
    }
    if counts.repeated > 0 {
        let kind = NoteKind::Repeated { count: counts.repeated };
        findings.note(Note::on_file(READINGS, kind));
    }
    for (file, count) in counts.rises {
        let kind = NoteKind::ReadingsRise { count, up_to_ml: history::READING_ERROR_ML };
        findings.note(Note::on_file(file, kind).on_column("left_ml"));
    }
    kits_on_one_tree(&drafts, zone, findings);
    let draws: Vec<Draw> = drafts.into_iter().map(|draft| draft.draw).collect();
    note_shared_trees(&draws, roll, findings);
    draws
}

fn read_drafts(text: &str, roll: &Roll, zone: Tz, findings: &mut Findings) -> (Vec<Draft>, Ids) {
    let Some(table) = Table::read(DRAWS, text, &DRAW_COLUMNS, findings) else {
        return (Vec::new(), Ids::default());
    };
    let mut ids = table.ids();
    (table.each(zone, findings, |cells| read_draw(cells, &mut ids, roll, zone)), ids)
}

/// A draw as its own row tells it, before readings make it tighter.
pub(super) struct Draft {
    pub(super) draw: Draw,
    pub(super) row: u64,
    /// `last_wet` as typed; the draw's own falls back on the start.
    pub(super) typed_last_wet: Option<DateTime<Utc>>,
}

fn hand_out<T>(
    drafts: &mut [Draft],
    rows: Option<Vec<(String, T)>>,
    part: impl Fn(&mut Draft) -> &mut Vec<T>,
) {
    let places: HashMap<String, usize> =
        drafts.iter().enumerate().map(|(at, draft)| (draft.draw.id.clone(), at)).collect();
    for (draw_id, row) in rows.into_iter().flatten() {
        // A draw whose own row is flawed has no place; its flaw is told already.
        if let Some(&at) = places.get(&draw_id) {
            part(&mut drafts[at]).push(row);
        }
    }
}

fn read_draw(cells: &mut Cells, ids: &mut Ids, roll: &Roll, zone: Tz) -> Option<Draft> {
    let id = cells.new_id("draw_id", ids);
    let tree = roll.read_tree_id(cells);
    let started = cells.required_time("started");
    let charge = cells.required_number("charge_ml", &CHARGE).map(Millilitres::computed);
    let ports = cells.whole("ports", LEAST_PORTS, MOST_PORTS);
    let head = cells.number("head_m", &HEAD).map(Head::computed);
    let last_wet = cells.time("last_wet");
    let first_empty = cells.time("first_empty");
    let stripped = cells.time("stripped");
    let left = cells.number("left_ml", &LEFT).map(Millilitres::computed);
    if cells.has("left_ml") && !cells.has("stripped") {
        cells.flaw(Some("left_ml"), FlawKind::Alone { needs: "stripped" });
    }
    let started = started?;
    let in_order = draw_in_order(cells, zone, started, [last_wet, first_empty, stripped]);
    let tree = tree?;
    let draw = Draw {
        id: id?,
        tree,
        started,
        charge: charge?,
        ports: ports.unwrap_or(roll.tree(tree).ports),
        head,
        last_wet: last_wet.unwrap_or(started),
        first_empty,
        stripped,
        left,
        crew: cells.text("crew"),
        kit: if cells.has("kit_id") { cells.id("kit_id") } else { None },
        note: cells.text("note"),
        readings: Vec::new(),
        pauses: Vec::new(),
    };
    in_order.then(|| Draft { draw, row: cells.line(), typed_last_wet: last_wet })
}

/// started <= last_wet < first_empty <= stripped, as far as they are there.
fn draw_in_order(
    cells: &mut Cells,
    zone: Tz,
    started: DateTime<Utc>,
    [last_wet, first_empty, stripped]: [Option<DateTime<Utc>>; 3],
) -> bool {
    type Named = (&'static str, Option<DateTime<Utc>>);
    let named: [Named; 4] = [
        ("started", Some(started)),
        ("last_wet", last_wet),
        ("first_empty", first_empty),
        ("stripped", stripped),
    ];
    let mut in_order = true;
    for (at, &(column, time)) in named.iter().enumerate() {
        let before = named[..at].iter().rev().find(|(_, time)| time.is_some());
        let (Some(time), Some(&(other, Some(other_time)))) = (time, before) else { continue };
        let strictly = column == "first_empty";
        if time < other_time || strictly && time == other_time {
            let wanted = if strictly { "be after" } else { "not be before" };
            let (time, other_time) = (with_offset(time, zone), with_offset(other_time, zone));
            cells.flaw(Some(column), FlawKind::Order { time, wanted, other, other_time });
            in_order = false;
        }
    }
    in_order
}

fn read_readings(
    text: &str,
    draw_ids: &Ids,
    zone: Tz,
    findings: &mut Findings,
) -> Vec<(String, Reading)> {
    let Some(table) = Table::read(READINGS, text, &READING_COLUMNS, findings) else {
        return Vec::new();
    };
    table.each(zone, findings, |cells| {
        let draw_id = cells.known_id("draw_id", draw_ids, DRAWS);
        let at = cells.required_time("time");
        let seen = read_seen(cells);
        let (by, note, row) = (cells.text("by"), cells.text("note"), cells.line());
        Some((draw_id?, Reading { at: at?, seen: seen?, by, note, row }))
    })
}

fn read_seen(cells: &mut Cells) -> Option<Seen> {
    if !cells.has("state") && !cells.has("left_ml") {
        cells.flaw(Some("left_ml"), FlawKind::BothEmpty { other: "state" });
        return None;
    }
    let left_ml = cells.number("left_ml", &LEFT);
    let state = cells.word("state", STATES);
    let added_ml = cells.number("added_ml", &ADDED);
    // A cell that could not be read is told already; what is left of the row means nothing.
    if cells.has("state") && state.is_none() || cells.has("left_ml") && left_ml.is_none() {
        return None;
    }
    if cells.has("added_ml") && state != Some("refill") {
        cells.flaw(Some("added_ml"), FlawKind::AddedWithoutRefill);
    }
    let left = left_ml.map(Millilitres::computed);
    match (state, left_ml) {
        (None | Some("empty"), Some(0.0)) | (Some("empty"), None) => Some(Seen::Empty),
        (Some("wet"), None) => Some(Seen::Wet),
        (None | Some("wet"), Some(ml)) if ml > 0.0 => left.map(Seen::Left),
        (Some("leak"), _) => Some(Seen::Leak { left }),
        (Some("refill"), None) => {
            if !cells.has("added_ml") {
                cells.flaw(Some("state"), FlawKind::RefillWithoutAmount);
            }
            Some(Seen::Refill { added: Millilitres::computed(added_ml?) })
        }
        (Some(state), Some(left_ml)) => {
            cells.flaw(Some("state"), FlawKind::StateDisagrees { state, left_ml });
            None
        }
        (None, _) | (Some(_), None) => None,
    }
}

fn read_pauses(
    text: &str,
    draw_ids: &Ids,
    zone: Tz,
    findings: &mut Findings,
) -> Vec<(String, Pause)> {
    let Some(table) = Table::read(PAUSES, text, &PAUSE_COLUMNS, findings) else {
        return Vec::new();
    };
    table.each(zone, findings, |cells| {
        let draw_id = cells.known_id("draw_id", draw_ids, DRAWS);
        let from = cells.required_time("from");
        let to = cells.time("to");
        if let (Some(from), Some(to)) = (from, to)
            && to <= from
        {
            let (time, other_time) = (with_offset(to, zone), with_offset(from, zone));
            let (wanted, other) = ("be after", "from");
            cells.flaw(Some("to"), FlawKind::Order { time, wanted, other, other_time });
        }
        let (why, row) = (cells.text("why"), cells.line());
        Some((draw_id?, Pause { from: from?, to, why, row }))
    })
}

/// A kit hangs from start to strip, on one tree at a time. One that was never stripped may have an
/// older start than others: its strip is still to be written.
fn kits_on_one_tree(drafts: &[Draft], zone: Tz, findings: &mut Findings) {
    let mut in_order: Vec<&Draft> =
        drafts.iter().filter(|draft| draft.draw.kit.is_some()).collect();
    in_order.sort_by_key(|draft| (&draft.draw.kit, draft.draw.started));
    for of_a_kit in in_order.chunk_by(|one, other| one.draw.kit == other.draw.kit) {
        let (mut hanging, mut closed): (Option<&Draw>, Option<&Draw>) = (None, None);
        for &Draft { draw, row, .. } in of_a_kit {
            let meets_closed = closed.filter(|closed| closed.stripped > Some(draw.started));
            let meets_hanging = hanging.filter(|_| draw.stripped.is_none());
            if let Some(other) = meets_closed.or(meets_hanging) {
                let problem = FlawKind::KitOnTwoTrees {
                    kit: draw.kit.clone().unwrap_or_default(),
                    other_draw: other.id.clone(),
                    from: with_offset(other.started, zone),
                    to: other.stripped.map(|stripped| with_offset(stripped, zone)),
                };
                findings.flaw(DRAWS, Some(*row), Some("kit_id"), problem);
            }
            match draw.stripped {
                None => hanging = Some(draw),
                stripped if closed.is_none_or(|last| last.stripped < stripped) => {
                    closed = Some(draw);
                }
                Some(_) => {}
            }
        }
    }
}

/// Two bags on one tree at a time are allowed, but more often one of the two dates is wrong.
fn note_shared_trees(draws: &[Draw], roll: &Roll, findings: &mut Findings) {
    let mut in_order: Vec<&Draw> = draws.iter().collect();
    in_order.sort_by_key(|draw| (draw.tree, draw.started));
    for pair in in_order.windows(2).filter(|pair| pair[0].tree == pair[1].tree) {
        let hangs_until = pair[0].stripped.or(pair[0].first_empty).unwrap_or(pair[0].last_wet);
        if pair[1].started < hangs_until {
            let (draw, other_draw) = (pair[1].id.clone(), pair[0].id.clone());
            let kind =
                NoteKind::SharesTree { draw, other_draw, tree: roll.tree(pair[0].tree).id.clone() };
            findings.note(Note::on_file(DRAWS, kind));
        }
    }
}

#[cfg(test)]
#[path = "draw_tests.rs"]
mod tests;
