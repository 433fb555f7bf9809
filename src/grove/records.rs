//! `ports.csv`, `kits.csv` and `applications.csv`: where trees were drilled, what is hung, and what
//! was put into which tree.

use super::tree::{CHARGE, Roll, TREES};
use super::{Draw, LEAST_PORTS, MOST_PORTS};
use crate::text::{Allowed, Cells, Columns, Findings, FlawKind, Ids, Table, with_offset};
use crate::units::{Grams, Millilitres};
use chrono::{DateTime, Days, NaiveDate, Utc};
use chrono_tz::Tz;
use std::collections::HashMap;

/// Name of the file of drilled holes in a grove folder.
pub const PORTS: &str = "ports.csv";

/// Name of the file of kits in a grove folder.
pub const KITS: &str = "kits.csv";

/// Name of the file of working records in a grove folder.
pub const APPLICATIONS: &str = "applications.csv";

/// One drilled hole.
#[derive(Debug, Clone, PartialEq)]
pub struct Port {
    /// Id of its tree.
    pub tree_id: String,
    /// When it was drilled.
    pub date: NaiveDate,
    /// Which hole of that day, 1 to 40.
    pub hole: u32,
    /// Height above ground, 0 to 300 cm.
    pub height_cm: f64,
    /// Where round the trunk, 0 to 360 degrees from north by east.
    pub azimuth_deg: Option<f64>,
    /// What else the user wrote.
    pub note: Option<String>,
}

/// One kit: bag, line and tips.
#[derive(Debug, Clone, PartialEq)]
pub struct Kit {
    /// Its id, unique in the grove.
    pub id: String,
    /// What its bag can hold, 10 to 200,000 mL.
    pub capacity: Option<Millilitres>,
    /// Its tips, 1 to 40.
    pub tips: Option<u32>,
    /// When it was bought.
    pub bought: Option<NaiveDate>,
    /// What else the user wrote.
    pub note: Option<String>,
}

/// One treatment of one tree, as its working record has it.
#[derive(Debug, Clone, PartialEq)]
pub struct Application {
    /// Its id, unique in the grove.
    pub id: String,
    /// Id of its tree.
    pub tree_id: String,
    /// The draw that brought it in.
    pub draw_id: Option<String>,
    /// When it began.
    pub applied: DateTime<Utc>,
    /// The product's name.
    pub product_name: Option<String>,
    /// Its registration number.
    pub registration_number: Option<String>,
    /// Its lot.
    pub lot: Option<String>,
    /// Product loaded, by volume.
    pub product: Option<Millilitres>,
    /// Product loaded, by mass.
    pub product_mass: Option<Grams>,
    /// Water loaded.
    pub water: Option<Millilitres>,
    /// Mix taken back.
    pub recovered: Option<Millilitres>,
    /// Mix that ran out beside the tree.
    pub leaked: Option<Millilitres>,
    /// Who applied it.
    pub applicator: Option<String>,
    /// Their licence.
    pub licence: Option<String>,
    /// End of the re-entry interval.
    pub re_entry_until: Option<DateTime<Utc>>,
    /// First day of harvest.
    pub pre_harvest_until: Option<NaiveDate>,
    /// What else the user wrote.
    pub note: Option<String>,
}

pub(super) const PORT_COLUMNS: Columns = Columns {
    required: &["tree_id", "date", "hole", "height_cm"],
    one_of: &[],
    optional: &["azimuth_deg", "note"],
};

pub(super) const KIT_COLUMNS: Columns = Columns {
    required: &["kit_id"],
    one_of: &[],
    optional: &["capacity_ml", "tips", "bought", "note"],
};

pub(super) const APPLICATION_COLUMNS: Columns = Columns {
    required: &["application_id", "tree_id", "applied"],
    one_of: &[&["product_ml", "product_g"]],
    optional: &[
        "draw_id",
        "product_name",
        "registration_number",
        "lot",
        "water_ml",
        "recovered_ml",
        "leaked_ml",
        "applicator",
        "licence",
        "re_entry_until",
        "pre_harvest_until",
        "note",
    ],
};

const HEIGHT: Allowed = Allowed::new("cm", 0.0, 300.0)
    .or_else(|value| if value > 300.0 { "if this is in mm, divide by 10" } else { "correct it" });
const AZIMUTH: Allowed =
    Allowed::new("deg", 0.0, 360.0).or_else(|_| "north is 0, east 90, south 180, west 270");
const VOLUME: Allowed = Allowed::new("mL", 0.0, Millilitres::HIGH);
const MASS: Allowed = Allowed::new("g", 0.0, Grams::HIGH)
    .or_else(|value| if value > 0.0 { "if this is in mg, divide by 1000" } else { "correct it" });

/// Reads `ports.csv`; a hole may stand once for a tree and a day.
pub(super) fn read_ports(text: &str, trees: &Ids, zone: Tz, findings: &mut Findings) -> Vec<Port> {
    let Some(table) = Table::read(PORTS, text, &PORT_COLUMNS, findings) else { return Vec::new() };
    let mut rows: HashMap<(String, NaiveDate, u32), u64> = HashMap::new();
    table.each(zone, findings, |cells| {
        let tree_id = cells.known_id("tree_id", trees, TREES);
        let date = required_date(cells, "date");
        let hole = cells.required_whole("hole", LEAST_PORTS, MOST_PORTS);
        let height_cm = cells.required_number("height_cm", &HEIGHT);
        let azimuth_deg = cells.number("azimuth_deg", &AZIMUTH);
        let note = cells.text("note");
        let (tree_id, date, hole) = (tree_id?, date?, hole?);
        let row = cells.line();
        let first_row = *rows.entry((tree_id.clone(), date, hole)).or_insert(row);
        if first_row != row {
            let text = format!("{tree_id} {date} hole {hole}");
            cells.flaw(Some("hole"), FlawKind::Duplicate { text, first_row });
        }
        Some(Port { tree_id, date, hole, height_cm: height_cm?, azimuth_deg, note })
    })
}

/// Reads `kits.csv`.
pub(super) fn read_kits(text: &str, zone: Tz, findings: &mut Findings) -> Vec<Kit> {
    let Some(table) = Table::read(KITS, text, &KIT_COLUMNS, findings) else { return Vec::new() };
    let mut ids = table.ids();
    table.each(zone, findings, |cells| {
        let id = cells.new_id("kit_id", &mut ids);
        let capacity = cells.number("capacity_ml", &CHARGE).map(Millilitres::computed);
        let tips = cells.whole("tips", LEAST_PORTS, MOST_PORTS);
        let bought = cells.date("bought");
        Some(Kit { id: id?, capacity, tips, bought, note: cells.text("note") })
    })
}

/// Reads `applications.csv`; trees and draws that it names must be there.
pub(super) fn read_applications(
    text: &str,
    roll: &Roll,
    draws: &[Draw],
    zone: Tz,
    findings: &mut Findings,
) -> Vec<Application> {
    let Some(table) = Table::read(APPLICATIONS, text, &APPLICATION_COLUMNS, findings) else {
        return Vec::new();
    };
    let mut ids = table.ids();
    let draws: HashMap<&str, usize> =
        draws.iter().map(|draw| (draw.id.as_str(), draw.tree)).collect();
    table.each(zone, findings, |cells| read_application(cells, &mut ids, roll, &draws, zone))
}

fn read_application(
    cells: &mut Cells,
    ids: &mut Ids,
    roll: &Roll,
    draws: &HashMap<&str, usize>,
    zone: Tz,
) -> Option<Application> {
    let id = cells.new_id("application_id", ids);
    let tree = roll.read_tree_id(cells);
    let draw_id = cells.text("draw_id");
    if let Some(draw_id) = &draw_id {
        match draws.get(draw_id.as_str()) {
            None => {
                let (text, wanted_in) = (draw_id.clone(), "draws.csv");
                cells.flaw(Some("draw_id"), FlawKind::Unknown { text, wanted_in });
            }
            Some(&of) if tree.is_some_and(|tree| tree != of) => {
                let (draw, tree) = (draw_id.clone(), roll.tree(of).id.clone());
                cells.flaw(Some("draw_id"), FlawKind::OtherTree { draw, tree });
            }
            Some(_) => {}
        }
    }
    let applied = cells.required_time("applied");
    let volume =
        |cells: &mut Cells, column: &str| cells.number(column, &VOLUME).map(Millilitres::computed);
    let product = volume(cells, "product_ml");
    let product_mass = cells.number("product_g", &MASS).map(Grams::computed);
    if !cells.has("product_ml") && !cells.has("product_g") {
        cells.flaw(Some("product_ml"), FlawKind::BothEmpty { other: "product_g" });
    }
    let [water, recovered, leaked] =
        ["water_ml", "recovered_ml", "leaked_ml"].map(|column| volume(cells, column));
    let re_entry_until = cells.time("re_entry_until");
    if let (Some(until), Some(applied)) = (re_entry_until, applied)
        && until < applied
    {
        let (time, other_time) = (with_offset(until, zone), with_offset(applied, zone));
        let (wanted, other) = ("not be before", "applied");
        cells.flaw(Some("re_entry_until"), FlawKind::Order { time, wanted, other, other_time });
    }
    let pre_harvest_until = cells.date("pre_harvest_until");
    Some(Application {
        id: id?,
        tree_id: roll.tree(tree?).id.clone(),
        draw_id,
        applied: applied?,
        product_name: cells.text("product_name"),
        registration_number: cells.text("registration_number"),
        lot: cells.text("lot"),
        product,
        product_mass,
        water,
        recovered,
        leaked,
        applicator: cells.text("applicator"),
        licence: cells.text("licence"),
        re_entry_until,
        pre_harvest_until,
        note: cells.text("note"),
    })
}

fn required_date(cells: &mut Cells, column: &str) -> Option<NaiveDate> {
    if !cells.has(column) {
        cells.flaw(Some(column), FlawKind::Empty);
    }
    cells.date(column)
}

/// The first day on which a tree may be treated again: the last treatment that is known, and the
/// label's own interval after it. None where nothing was applied, or the label's interval was not
/// typed.
///
/// ```
/// # use xylocast::grove::earliest_next;
/// let day = |text: &str| text.parse::<chrono::NaiveDate>().unwrap();
/// let next = earliest_next([day("2025-03-01"), day("2026-01-14")], Some(365));
/// assert_eq!(next, Some(day("2027-01-14")));
/// assert_eq!(earliest_next([day("2025-03-01")], None), None);
/// ```
pub fn earliest_next(
    treated: impl IntoIterator<Item = NaiveDate>,
    min_interval_days: Option<u32>,
) -> Option<NaiveDate> {
    let last = treated.into_iter().max()?;
    last.checked_add_days(Days::new(min_interval_days?.into()))
}

#[cfg(test)]
#[path = "records_tests.rs"]
mod tests;
