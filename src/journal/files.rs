//! The journal in a grove folder: `journal.csv`, and what an entry does to the files about draws.

use super::entry::{Act, Entry};
use super::flat::{ACTS, Flat, STATES};
use super::state::State;
use crate::grove::{DRAWS, LEAST_PORTS, MOST_PORTS, PAUSES, READINGS, Seen};
use crate::text::{
    Allowed, Cells, Columns, Findings, FlawKind, OpenQuote, Sheet, Table, TimeFlaw, format_time,
    read_time, shown,
};
use crate::units::{Head, Millilitres};
use chrono::{DateTime, SecondsFormat, Utc};
use chrono_tz::Tz;

/// Name of the journal in a grove folder.
pub const JOURNAL: &str = "journal.csv";

const JOURNAL_COLUMNS: [&str; 18] = [
    "key",
    "noted",
    "at",
    "by",
    "act",
    "draw_id",
    "tree_id",
    "charge_ml",
    "ports",
    "head_m",
    "kit_id",
    "second_bag",
    "state",
    "left_ml",
    "added_ml",
    "why",
    "of",
    "note",
];

const COLUMNS: Columns = Columns {
    required: &["key", "noted", "at", "act"],
    one_of: &[],
    optional: &[
        "by",
        "draw_id",
        "tree_id",
        "charge_ml",
        "ports",
        "head_m",
        "kit_id",
        "second_bag",
        "state",
        "left_ml",
        "added_ml",
        "why",
        "of",
        "note",
    ],
};

const DRAW_COLUMNS: [&str; 13] = [
    "draw_id",
    "tree_id",
    "started",
    "charge_ml",
    "ports",
    "head_m",
    "last_wet",
    "first_empty",
    "stripped",
    "left_ml",
    "crew",
    "kit_id",
    "note",
];
const READING_COLUMNS: [&str; 7] =
    ["draw_id", "time", "left_ml", "state", "added_ml", "by", "note"];
const PAUSE_COLUMNS: [&str; 4] = ["draw_id", "from", "to", "why"];

const VOLUME: Allowed = Allowed::new("mL", 0.0, Millilitres::HIGH);
const HEAD: Allowed = Allowed::new("m", Head::LOW, Head::HIGH);

/// Entries of a `journal.csv`, in the order of the file.
pub fn read_journal(text: &str, zone: Tz, findings: &mut Findings) -> Vec<Entry> {
    let Some(table) = Table::read(JOURNAL, text, &COLUMNS, findings) else { return Vec::new() };
    let mut keys = table.ids();
    table.each(zone, findings, |cells| {
        let flat = Flat {
            key: cells.new_id("key", &mut keys)?,
            noted: read_noted(cells)?,
            at: cells.required_time("at")?,
            by: cells.text("by"),
            act: cells.word("act", &ACTS)?.to_owned(),
            draw_id: cells.text("draw_id"),
            tree_id: cells.text("tree_id"),
            charge_ml: cells.number("charge_ml", &VOLUME),
            ports: cells.whole("ports", LEAST_PORTS, MOST_PORTS),
            head_m: cells.number("head_m", &HEAD),
            kit_id: cells.text("kit_id"),
            second_bag: cells.word("second_bag", &["yes"]).is_some(),
            state: cells.word("state", &STATES).map(str::to_owned),
            left_ml: cells.number("left_ml", &VOLUME),
            added_ml: cells.number("added_ml", &VOLUME),
            why: cells.text("why"),
            of: cells.text("of"),
            note: cells.text("note"),
        };
        let entry = Entry::try_from(flat);
        let told = |flaw: &super::FlatFlaw| FlawKind::NoEntry { reason: flaw.to_string() };
        entry.inspect_err(|flaw| cells.flaw(None, told(flaw))).ok()
    })
}

/// Unlike other times it keeps its milliseconds: they put entries of one second in order.
fn read_noted(cells: &mut Cells) -> Option<DateTime<Utc>> {
    let text = cells.text("noted").unwrap_or_default();
    match DateTime::parse_from_rfc3339(&text) {
        Ok(noted) => Some(noted.to_utc()),
        Err(_) => {
            cells.flaw(Some("noted"), FlawKind::Time(TimeFlaw::Form { text: shown(&text) }));
            None
        }
    }
}

/// What an entry does cannot be put down in the files.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{file}: {flaw}")]
pub struct NotPutDown {
    /// Which file.
    pub file: &'static str,
    /// Why.
    pub flaw: OpenQuote,
}

/// The files of a grove folder that an entry may change, as text; none where there is no file.
#[derive(Debug, Clone, PartialEq, Eq, Default)]
pub struct DrawFiles {
    /// `journal.csv`.
    pub journal: Option<String>,
    /// `draws.csv`.
    pub draws: Option<String>,
    /// `readings.csv`.
    pub readings: Option<String>,
    /// `pauses.csv`.
    pub pauses: Option<String>,
}

impl DrawFiles {
    /// Adds an entry to the journal.
    ///
    /// # Errors
    /// [`NotPutDown`].
    pub fn note(&mut self, entry: &Entry, zone: Tz) -> Result<(), NotPutDown> {
        let cells = journal_cells(entry, zone);
        let mut sheet = sheet(&self.journal, JOURNAL, &JOURNAL_COLUMNS)?;
        append(&mut sheet, &cells);
        self.journal = Some(sheet.text().to_owned());
        Ok(())
    }

    /// Puts down in the files about draws what an entry does, as far as they do not tell it yet;
    /// `state` knows the entry. Nothing is changed where they do.
    ///
    /// # Errors
    /// [`NotPutDown`].
    pub fn put_down(&mut self, state: &State, entry: &Entry, zone: Tz) -> Result<(), NotPutDown> {
        let act = match &entry.act {
            Act::Undo { of } => return self.take_out(state, of, zone),
            act => act,
        };
        match act {
            Act::Start(start) => {
                let mut sheet = sheet(&self.draws, DRAWS, &DRAW_COLUMNS)?;
                if sheet.find(|cell| cell("draw_id") == start.draw_id).is_empty() {
                    let cells = [
                        ("draw_id", Some(start.draw_id.clone())),
                        ("tree_id", Some(start.tree_id.clone())),
                        ("started", Some(format_time(entry.at, zone))),
                        ("charge_ml", Some(start.charge.value().to_string())),
                        ("ports", Some(start.ports.to_string())),
                        ("head_m", start.head.map(|head| head.value().to_string())),
                        ("crew", entry.by.clone()),
                        ("kit_id", start.kit.clone()),
                        ("note", entry.note.clone()),
                    ];
                    append(&mut sheet, &cells);
                    self.draws = Some(sheet.text().to_owned());
                }
            }
            Act::Seen { draw_id, seen } => {
                let mut sheet = sheet(&self.readings, READINGS, &READING_COLUMNS)?;
                let there = looks(&sheet, draw_id, entry.at, seen, zone).len();
                if there < said(state, entry) {
                    let [left, state, added] = seen_cells(seen);
                    let cells = [
                        ("draw_id", Some(draw_id.clone())),
                        ("time", Some(format_time(entry.at, zone))),
                        ("left_ml", left),
                        ("state", state),
                        ("added_ml", added),
                        ("by", entry.by.clone()),
                        ("note", entry.note.clone()),
                    ];
                    append(&mut sheet, &cells);
                    self.readings = Some(sheet.text().to_owned());
                }
            }
            Act::Pause { draw_id, why } => {
                let mut sheet = sheet(&self.pauses, PAUSES, &PAUSE_COLUMNS)?;
                if turns(&sheet, draw_id, "from", entry.at, zone).is_empty() {
                    let from = Some(format_time(entry.at, zone));
                    let cells =
                        [("draw_id", Some(draw_id.clone())), ("from", from), ("why", why.clone())];
                    append(&mut sheet, &cells);
                    self.pauses = Some(sheet.text().to_owned());
                }
            }
            Act::Resume { draw_id } => self.resume(draw_id, entry.at, zone)?,
            Act::Strip { draw_id, left } => {
                let left = left.map_or(String::new(), |left| left.value().to_string());
                let at = format_time(entry.at, zone);
                self.change_draw(draw_id, |cell| cell("stripped").is_empty(), [&at, &left])?;
            }
            Act::Undo { .. } => {}
        }
        Ok(())
    }

    fn resume(&mut self, draw_id: &str, at: DateTime<Utc>, zone: Tz) -> Result<(), NotPutDown> {
        let mut sheet = sheet(&self.pauses, PAUSES, &PAUSE_COLUMNS)?;
        let shut = sheet.find(|cell| {
            let from = read_time(&cell("from"), zone);
            cell("draw_id") == draw_id
                && cell("to").is_empty()
                && from.is_ok_and(|from| from.at < at)
        });
        if let (true, Some(&row)) = (turns(&sheet, draw_id, "to", at, zone).is_empty(), shut.last())
        {
            sheet.change(row, &[("to", &format_time(at, zone))]);
            self.pauses = Some(sheet.text().to_owned());
        }
        Ok(())
    }

    fn change_draw(
        &mut self,
        draw_id: &str,
        where_it: impl Fn(&dyn Fn(&str) -> String) -> bool,
        [stripped, left_ml]: [&str; 2],
    ) -> Result<(), NotPutDown> {
        let mut sheet = sheet(&self.draws, DRAWS, &DRAW_COLUMNS)?;
        let rows = sheet.find(|cell| cell("draw_id") == draw_id && where_it(cell));
        if let Some(&row) = rows.first() {
            sheet.change(row, &[("stripped", stripped), ("left_ml", left_ml)]);
            self.draws = Some(sheet.text().to_owned());
        }
        Ok(())
    }

    /// Takes out what an entry had put down.
    fn take_out(&mut self, state: &State, of: &str, zone: Tz) -> Result<(), NotPutDown> {
        let Some(entry) = state.entry(of) else { return Ok(()) };
        let at = entry.at;
        match &entry.act {
            Act::Start(start) => {
                let mut sheet = sheet(&self.draws, DRAWS, &DRAW_COLUMNS)?;
                if let Some(&row) = sheet.find(|cell| cell("draw_id") == start.draw_id).last() {
                    sheet.remove(row);
                    self.draws = Some(sheet.text().to_owned());
                }
            }
            Act::Seen { draw_id, seen } => {
                let mut sheet = sheet(&self.readings, READINGS, &READING_COLUMNS)?;
                let rows = looks(&sheet, draw_id, at, seen, zone);
                if let (true, Some(&row)) = (rows.len() > said(state, entry), rows.last()) {
                    sheet.remove(row);
                    self.readings = Some(sheet.text().to_owned());
                }
            }
            Act::Pause { draw_id, .. } => {
                let mut sheet = sheet(&self.pauses, PAUSES, &PAUSE_COLUMNS)?;
                if let Some(&row) = turns(&sheet, draw_id, "from", at, zone).last() {
                    sheet.remove(row);
                    self.pauses = Some(sheet.text().to_owned());
                }
            }
            Act::Resume { draw_id } => {
                let mut sheet = sheet(&self.pauses, PAUSES, &PAUSE_COLUMNS)?;
                if let Some(&row) = turns(&sheet, draw_id, "to", at, zone).last() {
                    sheet.change(row, &[("to", "")]);
                    self.pauses = Some(sheet.text().to_owned());
                }
            }
            Act::Strip { draw_id, .. } => {
                let then = |cell: &dyn Fn(&str) -> String| is_at(&cell("stripped"), at, zone);
                self.change_draw(draw_id, then, ["", ""])?;
            }
            Act::Undo { .. } => {}
        }
        Ok(())
    }
}

/// All entries as a `journal.csv`.
pub fn write_journal<'e>(entries: impl IntoIterator<Item = &'e Entry>, zone: Tz) -> String {
    let mut sheet = Sheet::new(&JOURNAL_COLUMNS);
    for entry in entries {
        append(&mut sheet, &journal_cells(entry, zone));
    }
    sheet.text().to_owned()
}

/// An entry's cells under [`JOURNAL_COLUMNS`].
fn journal_cells(entry: &Entry, zone: Tz) -> [(&'static str, Option<String>); 18] {
    let flat = Flat::from(entry);
    let or_blank = |value: Option<f64>| value.map(|value| value.to_string());
    [
        ("key", Some(flat.key)),
        ("noted", Some(flat.noted.to_rfc3339_opts(SecondsFormat::Millis, true))),
        ("at", Some(format_time(flat.at, zone))),
        ("by", flat.by),
        ("act", Some(flat.act)),
        ("draw_id", flat.draw_id),
        ("tree_id", flat.tree_id),
        ("charge_ml", or_blank(flat.charge_ml)),
        ("ports", flat.ports.map(|ports| ports.to_string())),
        ("head_m", or_blank(flat.head_m)),
        ("kit_id", flat.kit_id),
        ("second_bag", flat.second_bag.then(|| "yes".to_owned())),
        ("state", flat.state),
        ("left_ml", or_blank(flat.left_ml)),
        ("added_ml", or_blank(flat.added_ml)),
        ("why", flat.why),
        ("of", flat.of),
        ("note", flat.note),
    ]
}

fn sheet(text: &Option<String>, file: &'static str, columns: &[&str]) -> Result<Sheet, NotPutDown> {
    match text {
        Some(text) => Sheet::of(text).map_err(|flaw| NotPutDown { file, flaw }),
        None => Ok(Sheet::new(columns)),
    }
}

fn append(sheet: &mut Sheet, cells: &[(&str, Option<String>)]) {
    let cells: Vec<(&str, &str)> =
        cells.iter().map(|(column, value)| (*column, value.as_deref().unwrap_or(""))).collect();
    sheet.append(&cells);
}

/// Entries that count and say the same look as this one.
fn said(state: &State, entry: &Entry) -> usize {
    let same = |other: &&&Entry| {
        other.at == entry.at && other.act == entry.act && state.undone_by(&other.key).is_none()
    };
    state.entries().iter().filter(same).count()
}

fn is_at(text: &str, at: DateTime<Utc>, zone: Tz) -> bool {
    read_time(text, zone).is_ok_and(|read| read.at == at)
}

fn turns(sheet: &Sheet, draw_id: &str, column: &str, at: DateTime<Utc>, zone: Tz) -> Vec<usize> {
    sheet.find(|cell| cell("draw_id") == draw_id && is_at(&cell(column), at, zone))
}

fn looks(sheet: &Sheet, draw_id: &str, at: DateTime<Utc>, seen: &Seen, zone: Tz) -> Vec<usize> {
    let [left, state, added] = seen_cells(seen);
    let number = |text: &str| text.parse::<f64>().ok();
    let same_number =
        |cell: &str, own: &Option<String>| number(cell) == own.as_deref().and_then(number);
    sheet.find(|cell| {
        cell("draw_id") == draw_id
            && is_at(&cell("time"), at, zone)
            && same_number(&cell("left_ml"), &left)
            && same_number(&cell("added_ml"), &added)
            && cell("state") == state.as_deref().unwrap_or("")
    })
}

/// `left_ml`, `state` and `added_ml` of a look.
fn seen_cells(seen: &Seen) -> [Option<String>; 3] {
    let word = |word: &str| Some(word.to_owned());
    let number = |ml: &Millilitres| Some(ml.value().to_string());
    match seen {
        Seen::Wet => [None, word("wet"), None],
        Seen::Empty => [None, word("empty"), None],
        Seen::Left(left) => [number(left), None, None],
        Seen::Refill { added } => [None, word("refill"), number(added)],
        Seen::Leak { left } => [left.as_ref().and_then(number), word("leak"), None],
    }
}
