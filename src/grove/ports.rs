//! `ports.csv`: holes drilled before.

use super::tree::Roll;
use crate::text::{Allowed, Columns, Findings, Table};
use chrono::NaiveDate;
use chrono_tz::Tz;

/// Name of the file of old holes in a grove folder.
pub const FILE: &str = "ports.csv";

/// A hole drilled before.
#[derive(Debug, Clone, PartialEq)]
pub struct PortHole {
    /// Place of its tree in the grove's trees.
    pub tree: usize,
    /// The day it was drilled.
    pub date: NaiveDate,
    /// Which hole of that day, as the user names it.
    pub hole: Option<String>,
    /// Height above ground, -50 (on a root) to 300 cm.
    pub height_cm: f64,
    /// Direction from the trunk's middle, 0 to 360 deg clockwise from north; none where nobody wrote
    /// it down.
    pub azimuth_deg: Option<f64>,
}

const COLUMNS: Columns = Columns {
    required: &["tree_id", "date", "height_cm"],
    one_of: &[],
    optional: &["hole", "azimuth_deg"],
};

const HEIGHT: Allowed = Allowed::new("cm", -50.0, 300.0)
    .or_else(|value| if value > 300.0 { "if this is in mm, divide by 10" } else { "correct it" });
const AZIMUTH: Allowed =
    Allowed::new("deg", 0.0, 360.0).or_else(|_| "count clockwise from north, 0 to 360");

/// Reads old holes.
pub(super) fn read_ports(
    text: &str,
    roll: &Roll,
    zone: Tz,
    findings: &mut Findings,
) -> Vec<PortHole> {
    let Some(table) = Table::read(FILE, text, &COLUMNS, findings) else { return Vec::new() };
    table.each(zone, findings, |cells| {
        let tree = roll.read_tree_id(cells);
        let date = cells.required_date("date");
        let height_cm = cells.required_number("height_cm", &HEIGHT);
        let azimuth_deg = cells.number("azimuth_deg", &AZIMUTH);
        Some(PortHole {
            tree: tree?,
            date: date?,
            hole: cells.text("hole"),
            height_cm: height_cm?,
            azimuth_deg,
        })
    })
}

#[cfg(test)]
mod tests {
    use super::super::tree::read_trees;
    use super::*;

    #[test]
    fn holes_may_lack_a_direction_and_nothing_else() {
        let mut findings = Findings::default();
        let trees = "tree_id,block,species,dbh_cm,ports\nA1,North,,30,8\n";
        let (trees, ids) = read_trees(trees, Tz::UTC, &mut findings);
        let text = "tree_id,date,hole,height_cm,azimuth_deg\nA1,2025-03-01,1,20,45\n\
                    A1,2025-03-01,2,20,\nA2,,3,400,370\n";
        let holes = read_ports(text, &Roll::new(&trees, &ids), Tz::UTC, &mut findings);
        assert_eq!(
            (holes.len(), holes[0].azimuth_deg, holes[1].azimuth_deg),
            (2, Some(45.0), None)
        );
        let flaws: Vec<String> = findings.flaws.iter().map(ToString::to_string).collect();
        assert_eq!(
            flaws,
            [
                "ports.csv row 4: tree_id 'A2' is not in trees.csv; correct it, or add it there",
                "ports.csv row 4: date is empty; every row needs it",
                "ports.csv row 4: height_cm 400 cm is outside -50 to 300 cm; if this is in mm, \
                 divide by 10",
                "ports.csv row 4: azimuth_deg 370 deg is outside 0 to 360 deg; count clockwise from \
                 north, 0 to 360",
            ]
        );
    }
}
