//! `hang.csv`: the draws that the user intends.

use super::tree::{CHARGE, Roll};
use super::{HEAD, LEAST_PORTS, MOST_PORTS};
use crate::text::{Columns, Findings, Table};
use crate::units::{Head, Millilitres};
use chrono::{DateTime, Utc};
use chrono_tz::Tz;

/// Name of the file of intended draws in a grove folder.
pub const FILE: &str = "hang.csv";

/// A draw that is intended.
#[derive(Debug, Clone, PartialEq)]
pub struct Hang {
    /// Its id, unique in the file.
    pub id: String,
    /// Place of its tree in the grove's trees.
    pub tree: usize,
    /// When it is to start.
    pub start: DateTime<Utc>,
    /// The mix in the bag.
    pub charge: Millilitres,
    /// Ports, 1 to 40; the tree's own where the user did not say.
    pub ports: u32,
    /// Head; none where the user did not say.
    pub head: Option<Head>,
    /// Row in the file.
    pub row: u64,
}

pub(super) const COLUMNS: Columns = Columns {
    required: &["draw_id", "tree_id", "start", "charge_ml"],
    one_of: &[],
    optional: &["ports", "head_m"],
};

/// Reads intended draws; `file` is the name that messages show.
pub(super) fn read_hang(
    file: &str,
    text: &str,
    roll: &Roll,
    zone: Tz,
    findings: &mut Findings,
) -> Vec<Hang> {
    let Some(table) = Table::read(file, text, &COLUMNS, findings) else { return Vec::new() };
    let mut ids = table.ids();
    table.each(zone, findings, |cells| {
        let id = cells.new_id("draw_id", &mut ids);
        let tree = roll.read_tree_id(cells);
        let start = cells.required_time("start");
        let charge = cells.required_number("charge_ml", &CHARGE).map(Millilitres::computed);
        let ports = cells.whole("ports", LEAST_PORTS, MOST_PORTS);
        let head = cells.number("head_m", &HEAD).map(Head::computed);
        let tree = tree?;
        Some(Hang {
            id: id?,
            tree,
            start: start?,
            charge: charge?,
            ports: ports.unwrap_or(roll.tree(tree).ports),
            head,
            row: cells.line(),
        })
    })
}

#[cfg(test)]
mod tests {
    use super::super::tree::read_trees;
    use super::*;

    #[test]
    fn ports_fall_back_on_the_tree_and_head_on_nothing() {
        let mut findings = Findings::default();
        let trees = "tree_id,block,species,dbh_cm,ports\nA1,North,,30,8\n";
        let (trees, ids) = read_trees(trees, Tz::UTC, &mut findings);
        let text = "draw_id,tree_id,start,charge_ml,ports,head_m\n\
                    d1,A1,2026-01-14T08:00+10:30,1000,,\nd2,A1,2026-01-14T09:00+10:30,500,4,1.2\n\
                    d2,A9,soon,1,,\n";
        let hangs = read_hang(FILE, text, &Roll::new(&trees, &ids), Tz::UTC, &mut findings);
        assert_eq!((hangs[0].ports, hangs[0].head), (8, None));
        assert_eq!((hangs[1].ports, hangs[1].head.unwrap().value()), (4, 1.2));
        let flaws: Vec<String> = findings.flaws.iter().map(ToString::to_string).collect();
        assert_eq!(
            flaws,
            [
                "hang.csv row 4: draw_id 'd2' stands already in row 3; each may stand once",
                "hang.csv row 4: tree_id 'A9' is not in trees.csv; correct it, or add it there",
                "hang.csv row 4: start 'soon' is not a time; write it as 2026-01-14T09:30:00+10:30",
                "hang.csv row 4: charge_ml 1 mL is outside 10 to 200000 mL; if this is in litres, \
                 multiply by 1000",
            ]
        );
    }
}
