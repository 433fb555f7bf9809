//! `trees.csv` and `blocks.csv`: the trees of a grove, and the seasons of its blocks.

use super::season::{Season, SeasonDay};
use super::{LEAST_PORTS, MOST_PORTS, SMALLEST_CHARGE_ML};
use crate::text::{Allowed, Cells, Columns, Findings, FlawKind, Ids, Table};
use crate::units::{Centimetres, Latitude, Longitude, Millilitres};
use chrono::NaiveDate;
use chrono_tz::Tz;
use std::collections::HashMap;

/// Name of the file of trees in a grove folder.
pub const TREES: &str = "trees.csv";

/// Name of the file of blocks in a grove folder.
pub const BLOCKS: &str = "blocks.csv";

/// Largest difference, as a share, between dbh and circumference / pi in one row: tapes are read
/// to the centimetre.
const DBH_AGREES_WITHIN: f64 = 0.02;

/// One stem with an id painted or tagged.
#[derive(Debug, Clone, PartialEq)]
pub struct Tree {
    /// Its id, unique in the grove.
    pub id: String,
    /// The block that it stands in.
    pub block: String,
    /// Species, as the user writes it.
    pub species: Option<String>,
    /// Diameter at breast height.
    pub dbh: Centimetres,
    /// Ports, 1 to 40.
    pub ports: u32,
    /// Root flares, 0 to 40.
    pub flares: Option<u32>,
    /// Where it stands, if apart from the grove's own place.
    pub at: Option<(Latitude, Longitude)>,
    /// Row in the block, as the user counts it.
    pub row: Option<String>,
    /// Position in the row.
    pub position: Option<String>,
    /// Depth of the root zone, 0.1 to 10 m.
    pub root_depth_m: Option<f64>,
    /// Charge of this tree, where it differs from the bag's.
    pub charge: Option<Millilitres>,
    /// Day of the last treatment.
    pub last_treated: Option<NaiveDate>,
    /// Is it to be hung? None where the user did not say.
    pub hang: Option<bool>,
    /// What else the user wrote.
    pub note: Option<String>,
}

/// Season dates of one block.
#[derive(Debug, Clone, PartialEq)]
pub struct Block {
    /// The block's name, as in `trees.csv`.
    pub name: String,
    /// Its season.
    pub season: Season,
}

pub(super) const TREE_COLUMNS: Columns = Columns {
    required: &["tree_id", "block", "species", "ports"],
    one_of: &[&["circumference_cm", "dbh_cm"]],
    optional: &[
        "flares",
        "latitude_deg",
        "longitude_deg",
        "row",
        "position",
        "root_depth_m",
        "charge_ml",
        "last_treated",
        "hang",
        "note",
    ],
};

pub(super) const BLOCK_COLUMNS: Columns = Columns {
    required: &["block"],
    one_of: &[],
    optional: &["leaf_on_from", "leaf_off_from", "bloom_from", "bloom_to"],
};

pub(super) const CHARGE: Allowed = Allowed::new("mL", SMALLEST_CHARGE_ML, Millilitres::HIGH)
    .or_else(
        |value| if value < 10.0 { "if this is in litres, multiply by 1000" } else { "correct it" },
    );

const CIRCUMFERENCE: Allowed = Allowed::new("cm", 10.0, 1500.0).or_else(|value| {
    if value > 1500.0 {
        "if this is in mm, divide by 10"
    } else {
        "if this is in m, multiply by 100"
    }
});

const DBH: Allowed = Allowed::new("cm", Centimetres::LOW, Centimetres::HIGH).or_else(|value| {
    if value > 478.0 {
        "if this is in mm, divide by 10"
    } else {
        "if this is in m, multiply by 100"
    }
});

const LATITUDE: Allowed = Allowed::new("deg", -90.0, 90.0).or_else(|_| "are the two swapped?");
const LONGITUDE: Allowed = Allowed::new("deg", -180.0, 180.0);
const ROOT_DEPTH: Allowed = Allowed::new("m", 0.1, 10.0)
    .or_else(|value| if value > 10.0 { "if this is in cm, divide by 100" } else { "correct it" });

/// Reads `trees.csv`: the trees, and every id in the file.
pub(super) fn read_trees(text: &str, zone: Tz, findings: &mut Findings) -> (Vec<Tree>, Ids) {
    let Some(table) = Table::read(TREES, text, &TREE_COLUMNS, findings) else {
        return (Vec::new(), Ids::default());
    };
    let mut ids = table.ids();
    (table.each(zone, findings, |cells| read_tree(cells, &mut ids)), ids)
}

fn read_tree(cells: &mut Cells, ids: &mut Ids) -> Option<Tree> {
    let id = cells.new_id("tree_id", ids);
    let block = cells.id("block");
    let dbh = read_dbh(cells);
    let ports = cells.required_whole("ports", LEAST_PORTS, MOST_PORTS);
    let flares = cells.whole("flares", 0, 40);
    let at = read_position(cells);
    let root_depth_m = cells.number("root_depth_m", &ROOT_DEPTH);
    let charge = cells.number("charge_ml", &CHARGE).map(Millilitres::computed);
    let last_treated = cells.date("last_treated");
    let hang = cells.word("hang", &["yes", "no"]).map(|word| word == "yes");
    Some(Tree {
        id: id?,
        block: block?,
        species: cells.text("species"),
        dbh: dbh?,
        ports: ports?,
        flares,
        at,
        row: cells.text("row"),
        position: cells.text("position"),
        root_depth_m,
        charge,
        last_treated,
        hang,
        note: cells.text("note"),
    })
}

fn read_dbh(cells: &mut Cells) -> Option<Centimetres> {
    if !cells.has("circumference_cm") && !cells.has("dbh_cm") {
        let problem = FlawKind::BothEmpty { other: "dbh_cm" };
        cells.flaw(Some("circumference_cm"), problem);
        return None;
    }
    let circumference_cm = cells.number("circumference_cm", &CIRCUMFERENCE);
    let from_circumference_cm = circumference_cm.map(|around| around / std::f64::consts::PI);
    let dbh_cm = cells.number("dbh_cm", &DBH);
    if let (Some(from_circumference_cm), Some(dbh_cm)) = (from_circumference_cm, dbh_cm)
        && (from_circumference_cm / dbh_cm - 1.0).abs() > DBH_AGREES_WITHIN
    {
        let problem = FlawKind::DbhDisagrees { from_circumference_cm, dbh_cm };
        cells.flaw(Some("circumference_cm"), problem);
    }
    from_circumference_cm.or(dbh_cm).map(Centimetres::computed)
}

fn read_position(cells: &mut Cells) -> Option<(Latitude, Longitude)> {
    let latitude = cells.number("latitude_deg", &LATITUDE);
    let longitude = cells.number("longitude_deg", &LONGITUDE);
    match (cells.has("latitude_deg"), cells.has("longitude_deg")) {
        (true, false) => {
            cells.flaw(Some("latitude_deg"), FlawKind::Alone { needs: "longitude_deg" });
        }
        (false, true) => {
            cells.flaw(Some("longitude_deg"), FlawKind::Alone { needs: "latitude_deg" });
        }
        _ => {}
    }
    Some((Latitude::computed(latitude?), Longitude::computed(longitude?)))
}

/// The trees by id, for the files that name them.
pub(super) struct Roll<'t> {
    trees: &'t [Tree],
    ids: &'t Ids,
    places: HashMap<&'t str, usize>,
}

impl<'t> Roll<'t> {
    pub(super) fn new(trees: &'t [Tree], ids: &'t Ids) -> Self {
        let places = trees.iter().enumerate().map(|(at, tree)| (tree.id.as_str(), at)).collect();
        Self { trees, ids, places }
    }

    /// Place of the tree that the row names. None without a further flaw where its own row in
    /// `trees.csv` is flawed.
    pub(super) fn read_tree_id(&self, cells: &mut Cells) -> Option<usize> {
        let id = cells.known_id("tree_id", self.ids, TREES)?;
        self.places.get(id.as_str()).copied()
    }

    pub(super) fn tree(&self, place: usize) -> &'t Tree {
        &self.trees[place]
    }

    fn has_block(&self, name: &str) -> bool {
        // Where rows of trees are flawed, theirs may be the block.
        let all_read = self.ids.all_known() && self.trees.len() == self.ids.len();
        !all_read || self.trees.iter().any(|tree| tree.block == name)
    }
}

/// Reads `blocks.csv`; every block must have a tree.
pub(super) fn read_blocks(
    text: &str,
    roll: &Roll,
    zone: Tz,
    findings: &mut Findings,
) -> Vec<Block> {
    let Some(table) = Table::read(BLOCKS, text, &BLOCK_COLUMNS, findings) else {
        return Vec::new();
    };
    let mut seen = table.ids();
    table.each(zone, findings, |cells| {
        let name = cells.new_id("block", &mut seen);
        let season = read_season(cells);
        let name = name?;
        if !roll.has_block(&name) {
            let problem = FlawKind::Unknown { text: name, wanted_in: TREES };
            cells.flaw(Some("block"), problem);
            return None;
        }
        Some(Block { name, season })
    })
}

fn read_season(cells: &mut Cells) -> Season {
    let mut day = |column: &str| match SeasonDay::read(&cells.text(column)?) {
        Ok(day) => Some(day),
        Err(flaw) => {
            cells.flaw(Some(column), flaw.into());
            None
        }
    };
    let (leaf_on_from, leaf_off_from) = (day("leaf_on_from"), day("leaf_off_from"));
    let (bloom_from, bloom_to) = (day("bloom_from"), day("bloom_to"));
    match (cells.has("bloom_from"), cells.has("bloom_to")) {
        (true, false) => cells.flaw(Some("bloom_from"), FlawKind::Alone { needs: "bloom_to" }),
        (false, true) => cells.flaw(Some("bloom_to"), FlawKind::Alone { needs: "bloom_from" }),
        _ => {}
    }
    Season { leaf_on_from, leaf_off_from, bloom: bloom_from.zip(bloom_to) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(text: &str) -> (Vec<Tree>, Vec<String>) {
        let mut findings = Findings::default();
        let (trees, _) = read_trees(text, Tz::UTC, &mut findings);
        (trees, findings.flaws.iter().map(ToString::to_string).collect())
    }

    #[test]
    fn a_full_row() {
        let (trees, flaws) = read(
            "tree_id,block,species,circumference_cm,ports,flares,latitude_deg,longitude_deg,row,\
             position,root_depth_m,charge_ml,last_treated,hang,note\n\
             A1,North,avocado,94.2,8,7,-34.5,138.7,3,12,0.9,1500,2025-11-02,yes,by the gate\n",
        );
        assert_eq!(flaws, [] as [&str; 0]);
        let tree = &trees[0];
        assert!((tree.dbh.value() - 29.98).abs() < 0.01);
        assert_eq!((tree.ports, tree.flares, tree.hang), (8, Some(7), Some(true)));
        assert_eq!(tree.charge.unwrap().value(), 1500.0);
        assert_eq!(tree.at.unwrap().1.value(), 138.7);
        assert_eq!(tree.last_treated.unwrap().to_string(), "2025-11-02");
    }

    #[test]
    fn the_least_that_a_row_needs() {
        let (trees, flaws) = read("tree_id,block,species,dbh_cm,ports\nA1,North,,30,8\n");
        assert_eq!(flaws, [] as [&str; 0]);
        assert_eq!(trees[0].species, None);
        assert_eq!(trees[0].hang, None);
    }

    #[test]
    fn dbh_and_circumference_must_agree_where_both_stand() {
        let header = "tree_id,block,species,circumference_cm,dbh_cm,ports\n";
        assert!(read(&format!("{header}A1,North,,94.2,30,8\n")).1.is_empty());
        assert_eq!(
            read(&format!("{header}A1,North,,94.2,94.2,8\nA2,North,,,,8\n")).1,
            [
                "trees.csv row 2: circumference_cm gives a dbh of 30.0 cm, but dbh_cm says 94.2 \
                 cm; correct one or leave it empty (dbh = circumference / pi)",
                "trees.csv row 3: circumference_cm and dbh_cm are both empty; fill one of them",
            ]
        );
    }

    #[test]
    fn every_bad_cell_is_told() {
        let (trees, flaws) = read(
            "tree_id,block,species,dbh_cm,ports,hang,latitude_deg,longitude_deg\n\
             A1,North,,0.3,0,maybe,-34.5,\nA1,North,,30,2.5,,,\n",
        );
        assert!(trees.is_empty());
        assert_eq!(
            flaws,
            [
                "trees.csv row 2: dbh_cm 0.3 cm is outside 3 to 478 cm; if this is in m, multiply \
                 by 100",
                "trees.csv row 2: ports 0 is outside 1 to 40; correct the count",
                "trees.csv row 2: latitude_deg is given without longitude_deg; fill both or \
                 neither",
                "trees.csv row 2: hang 'maybe' is not one of the words yes, no; write one of them",
                "trees.csv row 3: tree_id 'A1' stands already in row 2; each may stand once",
                "trees.csv row 3: ports 2.5 is not a whole number; write one from 1 to 40",
            ]
        );
    }

    #[test]
    fn blocks_have_seasons_and_trees() {
        let mut findings = Findings::default();
        let trees = "tree_id,block,species,dbh_cm,ports\nA1,North,,30,8\n";
        let (trees, ids) = read_trees(trees, Tz::UTC, &mut findings);
        let text = "block,leaf_on_from,leaf_off_from,bloom_from,bloom_to\n\
                    North,09-15,05-20,10-01,10-20\nSouth,,,,\nNorth,,,10-01,\n";
        let blocks = read_blocks(text, &Roll::new(&trees, &ids), Tz::UTC, &mut findings);
        assert_eq!(blocks.len(), 1);
        let date = NaiveDate::from_ymd_opt(2026, 10, 5).unwrap();
        assert_eq!(blocks[0].season.in_bloom(date), Some(true));
        let flaws: Vec<String> = findings.flaws.iter().map(ToString::to_string).collect();
        assert_eq!(
            flaws,
            [
                "blocks.csv row 3: block 'South' is not in trees.csv; correct it, or add it there",
                "blocks.csv row 4: block 'North' stands already in row 2; each may stand once",
                "blocks.csv row 4: bloom_from is given without bloom_to; fill both or neither",
            ]
        );
    }
}
