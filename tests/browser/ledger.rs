//! What stands in a grove's database, read by SQL and not by the program.

use rusqlite::{Connection, OpenFlags};
use std::path::Path;

/// A row of the journal.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    pub key: String,
    pub act: String,
    /// The tree of the bag.
    pub tree: String,
    pub state: Option<String>,
    /// Charge, what was left, or what was filled in.
    pub ml: Option<f64>,
    pub by: Option<String>,
    pub at_utc: i64,
}

impl Row {
    /// What was typed, without what the program adds to it.
    pub fn told(&self) -> (&str, &str, Option<f64>) {
        (self.state.as_deref().unwrap_or(&self.act), &self.tree, self.ml)
    }
}

/// All rows in the order in which they were written.
pub fn rows(database: &Path) -> Vec<Row> {
    let file = Connection::open_with_flags(database, OpenFlags::SQLITE_OPEN_READ_ONLY).unwrap();
    let sql = "SELECT key, act, coalesce(e.tree_id, d.tree_id, ''), state, \
               coalesce(e.charge_ml, e.left_ml, e.added_ml), \"by\", at_utc \
               FROM entries e LEFT JOIN draws d USING (grove_id, draw_id) ORDER BY e.seq";
    let mut question = file.prepare(sql).unwrap();
    let read = |row: &rusqlite::Row| {
        Ok(Row {
            key: row.get(0)?,
            act: row.get(1)?,
            tree: row.get(2)?,
            state: row.get(3)?,
            ml: row.get(4)?,
            by: row.get(5)?,
            at_utc: row.get(6)?,
        })
    };
    question.query_map([], read).unwrap().map(Result::unwrap).collect()
}
