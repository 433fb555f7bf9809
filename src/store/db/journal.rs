//! The journal in the database: an entry and what it does, in one transaction.

use super::error::StoreError;
use super::import::{ImportError, Importing};
use super::read::{self, ReadError};
use super::sheets::{DRAW_SHEET, PAUSE_SHEET, READING_SHEET, SHEETS};
use super::weather::time;
use super::{By, Database};
use crate::grove::{Grove, SETTINGS, Seen};
use crate::journal::{
    Act, Admission, Clock, Entry, Flat, HANGS_AT_MOST, JOURNAL, State, read_journal, write_journal,
};
use crate::store::folder_log::{LogError, Logbook};
use crate::store::sql::{self, Row, Sql, SqlError, Values};
use crate::text::{Findings, FlawKind, decode};
use crate::units::Millilitres;
use chrono::{DateTime, Utc};
use chrono_tz::Tz;
use rusqlite::params;
use rusqlite::types::Value;

/// Who is named in the audit where an entry names nobody.
const NOBODY: &str = "somebody";

const COLUMNS: &str = "key, noted_ms, at_utc, \"by\", act, draw_id, tree_id, charge_ml, ports, \
                       head_m, kit_id, second_bag, state, left_ml, added_ml, why, of_key, note";

fn flat(row: &Row) -> sql::Result<Flat> {
    Ok(Flat {
        key: row.get(0)?,
        noted: DateTime::from_timestamp_millis(row.get(1)?).unwrap_or_default(),
        at: time(row.get(2)?),
        by: row.get(3)?,
        act: row.get(4)?,
        draw_id: row.get(5)?,
        tree_id: row.get(6)?,
        charge_ml: row.get(7)?,
        ports: row.get(8)?,
        head_m: row.get(9)?,
        kit_id: row.get(10)?,
        second_bag: row.get(11)?,
        state: row.get(12)?,
        left_ml: row.get(13)?,
        added_ml: row.get(14)?,
        why: row.get(15)?,
        of: row.get(16)?,
        note: row.get(17)?,
    })
}

/// Entries that `wanted` picks, in the order of noting; `?1` is the grove.
fn entries(sql: &Sql, (wanted, values): (&str, Values)) -> sql::Result<Vec<Entry>> {
    let text = format!(
        "SELECT {COLUMNS} FROM entries WHERE grove_id = ?1 AND ({wanted}) ORDER BY noted_ms, key"
    );
    let flats = sql.rows(&text, values, flat)?;
    // The schema holds entries to what an entry is.
    Ok(flats.into_iter().filter_map(|flat| Entry::try_from(flat).ok()).collect())
}

fn insert_sql() -> String {
    format!(
        "INSERT INTO entries (grove_id, {COLUMNS})
         VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, \
         ?19)"
    )
}

/// An entry's values as [`insert_sql`] wants them.
fn values(grove: i64, entry: &Entry) -> Vec<Value> {
    let flat = Flat::from(entry);
    vec![
        grove.into(),
        flat.key.into(),
        flat.noted.timestamp_millis().into(),
        flat.at.timestamp().into(),
        flat.by.into(),
        flat.act.into(),
        flat.draw_id.into(),
        flat.tree_id.into(),
        flat.charge_ml.into(),
        flat.ports.map(i64::from).into(),
        flat.head_m.into(),
        flat.kit_id.into(),
        flat.second_bag.into(),
        flat.state.into(),
        flat.left_ml.into(),
        flat.added_ml.into(),
        flat.why.into(),
        flat.of.into(),
        flat.note.into(),
    ]
}

/// A state that is enough to admit one entry, of few rows however large the grove is: the tree and
/// draw in question, what hangs on the tree or with the kit, and the entries about these.
fn state_for(sql: &Sql, entry: &Entry) -> Result<(State, Tz), ReadError> {
    let grove = sql.grove();
    let of = match &entry.act {
        Act::Undo { of } => entries(sql, ("key = ?2", params![sql.grove(), of]))?.pop(),
        _ => None,
    };
    let act = of.as_ref().map_or(&entry.act, |of| &of.act);
    let draw_id = act.draw_id().unwrap_or_default();
    let of_draw = "SELECT tree_id, kit_id FROM draws WHERE grove_id = ?1 AND draw_id = ?2";
    let (mut tree_id, mut kit) = sql
        .first(of_draw, params![grove, draw_id], |row| Ok((row.get(0)?, row.get(1)?)))?
        .unwrap_or((String::new(), None));
    if let Act::Start(start) = act {
        (tree_id, kit) = (start.tree_id.clone(), start.kit.clone());
    }
    let from = (entry.at - HANGS_AT_MOST).timestamp();
    let until = entry.at.timestamp();
    let draws: Vec<String> = sql.rows(
        "SELECT draw_id FROM draws WHERE grove_id = ?1 AND draw_id = ?2
             UNION SELECT draw_id FROM draws
             WHERE grove_id = ?1 AND tree_id = ?3 AND started_utc BETWEEN ?4 AND ?5
             UNION SELECT draw_id FROM draws
             WHERE grove_id = ?1 AND kit_id = ?6
                 AND (stripped_utc IS NULL OR stripped_utc > ?5)",
        params![grove, draw_id, tree_id, from, until, kit],
        |row| row.get(0),
    )?;
    let draws = serde_json::to_string(&draws).expect("texts");
    let of_these = grove_of(sql, &tree_id, &draws)?;
    let mut state = State::of(&of_these.trees, &of_these.draws);
    let about = format!(
        "key IN (
        WITH about (key) AS (
            SELECT ?2 UNION SELECT ?4 UNION SELECT e.key FROM entries e
            WHERE e.grove_id = ?1 AND e.draw_id IN {})
        SELECT key FROM about
        UNION SELECT u.key FROM about a
        JOIN entries u ON u.grove_id = ?1 AND u.of_key = a.key)",
        sql.each_of("?3")
    );
    let undone = match &entry.act {
        Act::Undo { of } => of.as_str(),
        _ => "",
    };
    state.recall(entries(sql, (&about, params![grove, entry.key, draws, undone]))?);
    Ok((state, of_these.settings.zone))
}

/// A grove of some draws, with their trees and one more; `draws` is a JSON array of their ids.
fn grove_of(sql: &Sql, tree_id: &str, draws: &str) -> Result<Grove, ReadError> {
    let (grove, these) = (sql.grove(), sql.each_of("?2"));
    let zone = read::zone(sql)?;
    let settings = read::settings_text(sql)?.unwrap_or_default();
    let mut texts = vec![(SETTINGS, settings.into_bytes())];
    let of_draws = format!("grove_id = ?1 AND draw_id IN {these}");
    let of_trees = format!(
        "grove_id = ?1 AND (tree_id = ?3 OR tree_id IN (
        SELECT d.tree_id FROM draws d
        WHERE d.grove_id = ?1 AND d.draw_id IN {these}))"
    );
    let trees: (&str, Values) = (&of_trees, params![grove, draws, tree_id]);
    let trees = read::sheet_text(sql, &SHEETS[0], trees, zone, false)?;
    texts.push((SHEETS[0].file, trees.unwrap_or_else(|| SHEETS[0].header())));
    for sheet in [&DRAW_SHEET, &READING_SHEET, &PAUSE_SHEET] {
        let wanted: (&str, Values) = (&of_draws, params![grove, draws]);
        let text = read::sheet_text(sql, sheet, wanted, zone, false)?;
        texts.extend(text.map(|text| (sheet.file, text)));
    }
    Ok(read::read_parts(texts)?.whole())
}

/// What an entry does to the tables about draws.
fn put_down(sql: &Sql, entry: &Entry) -> sql::Result<usize> {
    let grove = sql.grove();
    let at = entry.at.timestamp();
    match &entry.act {
        Act::Start(start) => sql.execute(
            "INSERT INTO draws (grove_id, draw_id, tree_id, started_utc, charge_ml, ports,
                     head_m, crew, kit_id, note)
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)",
            params![
                grove,
                start.draw_id,
                start.tree_id,
                at,
                start.charge.value(),
                start.ports,
                start.head.map(crate::units::Head::value),
                entry.by,
                start.kit,
                entry.note
            ],
        ),
        Act::Seen { draw_id, seen } => {
            let (state, left_ml, added_ml) = cells(*seen);
            sql.execute(
                "INSERT INTO readings (grove_id, draw_id, time_utc, state, left_ml, added_ml,
                         \"by\", note, noted_ms, entry_key, nth)
                     VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, (
                         SELECT coalesce(max(nth) + 1, 0) FROM readings
                         WHERE grove_id = ?1 AND draw_id = ?2 AND time_utc = ?3
                             AND coalesce(state, '') = coalesce(?4, '')))",
                params![
                    grove,
                    draw_id,
                    at,
                    state,
                    left_ml,
                    added_ml,
                    entry.by,
                    entry.note,
                    entry.noted.timestamp_millis(),
                    entry.key
                ],
            )
        }
        Act::Pause { draw_id, why } => sql.execute(
            "INSERT INTO pauses (grove_id, draw_id, from_utc, why) VALUES (?1, ?2, ?3, ?4)",
            params![grove, draw_id, at, why],
        ),
        Act::Resume { draw_id } => sql.execute(
            "UPDATE pauses SET to_utc = ?3
                 WHERE grove_id = ?1 AND draw_id = ?2 AND to_utc IS NULL",
            params![grove, draw_id, at],
        ),
        Act::Strip { draw_id, left } => sql.execute(
            "UPDATE draws SET stripped_utc = ?3, left_ml = ?4
                 WHERE grove_id = ?1 AND draw_id = ?2",
            params![grove, draw_id, at, left.map(Millilitres::value)],
        ),
        Act::Undo { of } => {
            let undone = entries(sql, ("key = ?2", params![sql.grove(), of]))?.pop();
            undone.map_or(Ok(0), |undone| take_out(sql, &undone))
        }
    }
}

/// Takes out what an entry did.
fn take_out(sql: &Sql, entry: &Entry) -> sql::Result<usize> {
    let grove = sql.grove();
    let at = entry.at.timestamp();
    match &entry.act {
        Act::Start(start) => sql.execute(
            "DELETE FROM draws WHERE grove_id = ?1 AND draw_id = ?2",
            params![grove, start.draw_id],
        ),
        Act::Seen { draw_id, seen } => {
            let (state, left_ml, added_ml) = cells(*seen);
            // A reading that came with a folder is not marked with its entry.
            sql.execute("DELETE FROM readings WHERE seq = (
                         SELECT seq FROM readings
                         WHERE grove_id = ?1 AND draw_id = ?2 AND time_utc = ?3 AND state IS NOT DISTINCT FROM ?4
                             AND left_ml IS NOT DISTINCT FROM ?5
                             AND added_ml IS NOT DISTINCT FROM ?6
                             AND coalesce(entry_key, ?7) = ?7
                         ORDER BY entry_key IS NULL, seq LIMIT 1)", params![grove, draw_id, at, state, left_ml, added_ml, entry.key])
        }
        Act::Pause { draw_id, .. } => sql.execute(
            "DELETE FROM pauses WHERE grove_id = ?1 AND draw_id = ?2 AND from_utc = ?3",
            params![grove, draw_id, at],
        ),
        Act::Resume { draw_id } => sql.execute(
            "UPDATE pauses SET to_utc = NULL
                 WHERE grove_id = ?1 AND draw_id = ?2 AND to_utc = ?3",
            params![grove, draw_id, at],
        ),
        Act::Strip { draw_id, .. } => sql.execute(
            "UPDATE draws SET stripped_utc = NULL, left_ml = NULL
                 WHERE grove_id = ?1 AND draw_id = ?2",
            params![grove, draw_id],
        ),
        Act::Undo { .. } => Ok(0),
    }
}

/// A look as its row in `readings` has it: state, mL left, mL added.
fn cells(seen: Seen) -> (Option<&'static str>, Option<f64>, Option<f64>) {
    match seen {
        Seen::Wet => (Some("wet"), None, None),
        Seen::Empty => (Some("empty"), None, None),
        Seen::Left(left) => (None, Some(left.value()), None),
        Seen::Refill { added } => (Some("refill"), None, Some(added.value())),
        Seen::Leak { left } => (Some("leak"), left.map(Millilitres::value), None),
    }
}

/// `journal.csv` of all entries; none where nothing was noted.
pub(super) fn journal_text(sql: &Sql, zone: Tz) -> sql::Result<Option<Vec<u8>>> {
    let all = entries(sql, ("TRUE", params![sql.grove()]))?;
    Ok((!all.is_empty()).then(|| write_journal(&all, zone).into_bytes()))
}

impl Database {
    /// The grove without its weather, and all its draws and entries.
    ///
    /// # Errors
    /// [`LogError`] where the file cannot be read.
    pub fn logbook(&self) -> Result<Logbook, LogError> {
        let read = self.reading(|sql| {
            let Some(parts) = read::parts(sql)? else { return Ok(None) };
            let grove = parts.whole();
            let mut state = State::of(&grove.trees, &grove.draws);
            state.recall(entries(sql, ("TRUE", params![sql.grove()]))?);
            Ok(Some(Logbook { grove, state }))
        })?;
        let missing = || StoreError::NoGrove { path: self.path.clone() };
        Ok(read.ok_or_else(missing)?)
    }

    /// Notes an entry with what it does, all of it or nothing. `now` is the store's clock. Gives
    /// the draws and entries that it is about as they are then.
    ///
    /// # Errors
    /// [`LogError`]; the database is as before then.
    pub fn append(
        &mut self,
        entry: &Entry,
        now: DateTime<Utc>,
    ) -> Result<(Admission, State), LogError> {
        // Before a server is asked with them, which takes no text that holds a zero byte.
        entry.check_texts()?;
        let who = entry.by.clone().unwrap_or_else(|| NOBODY.to_owned());
        let by = By { who: &who, at: now };
        self.write(by, |sql, path| {
            let told = |error: SqlError| super::told(path, error);
            if read::settings_text(sql).map_err(told)?.is_none() {
                return Err(StoreError::NoGrove { path: path.to_owned() }.into());
            }
            let (mut state, zone) = state_for(sql, entry).map_err(|error| error.at(path))?;
            if state.admit(entry, Clock { now, zone })? == Admission::Repeated {
                return Ok((Admission::Repeated, state));
            }
            let noted = sql.put(&insert_sql(), values(sql.grove(), entry));
            noted.and_then(|()| put_down(sql, entry)).map_err(told)?;
            state.put(entry.clone());
            Ok((Admission::New, state))
        })
    }
}

impl Importing<'_, '_> {
    /// Keeps the entries of a `journal.csv`. What they did stands in the other files already.
    pub(super) fn journal(&mut self, bytes: &[u8]) -> Result<(), ImportError> {
        let mut findings = Findings::default();
        let offered = decode(JOURNAL, bytes, &mut findings)
            .map(|text| read_journal(text, self.zone, &mut findings))
            .unwrap_or_default();
        self.flaws_of(findings);
        let (sql, grove) = (self.sql, self.sql.grove());
        // An undo names an entry that must be there before it.
        let (undos, others): (Vec<_>, Vec<_>) =
            (2..).zip(offered).partition(|(_, entry)| matches!(entry.act, Act::Undo { .. }));
        for (row, entry) in others.iter().chain(&undos) {
            let row: u64 = *row;
            let known = entries(&sql, ("key = ?2", params![grove, entry.key]))?.pop();
            match known {
                None => {
                    self.count(JOURNAL).fresh();
                    self.put(JOURNAL, &insert_sql(), row, values(grove, entry))?;
                }
                Some(known) if known == *entry => {
                    self.count(JOURNAL).same();
                }
                Some(known) => {
                    let problem = FlawKind::Barred {
                        reason: format!(
                            "the key '{}' is stored with another entry ({} of {}), and an entry \
                             never changes",
                            entry.key,
                            known.act.word(),
                            known.at
                        ),
                    };
                    self.flaw(JOURNAL, row, Some("key"), problem);
                }
            }
        }
        Ok(())
    }
}
