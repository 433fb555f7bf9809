//! Twenty-four elms along an avenue and sixteen walnuts behind a fence.

use super::dice::Dice;
use std::f64::consts::PI;

/// A tree as its row in `trees.csv` has it.
pub struct Tree {
    /// Its tag.
    pub id: String,
    /// An elm of the avenue, or a walnut?
    pub is_elm: bool,
    /// Around the trunk.
    pub circumference_cm: f64,
    /// Ports: more on thicker trunks.
    pub ports: u32,
    /// Charge, where it is not the bag's own.
    pub charge_ml: Option<u32>,
    flares: u32,
    row: String,
    position: u32,
}

/// What the trees get where the list says nothing else, mL; `grove.toml` says the same.
pub const CHARGE_ML: u32 = 1000;

/// Trees that take up far less than others of their block.
pub const SLOW: [&str; 2] = ["E16", "W06"];

/// Trees that hold a bag since this afternoon.
pub const HANGING: [&str; 2] = ["E05", "W12"];

/// Trees with more or less than the bag's charge.
const OWN_CHARGES_ML: [(&str, u32); 7] = [
    ("E03", 1500),
    ("E11", 1500),
    ("E16", 2000),
    ("E20", 1500),
    ("W04", 700),
    ("W06", 1500),
    ("W15", 700),
];

/// Trees that are not to be hung tomorrow, and why.
const NOT_TOMORROW: [(&str, &str); 4] = [
    ("E05", "hung this afternoon and left overnight: look first"),
    ("E22", "limb taken off in November; rests until autumn"),
    ("W09", "bees in the hollow trunk until they are moved"),
    ("W12", "hung this afternoon and left overnight: look first"),
];

impl Tree {
    /// What its bag is loaded with.
    pub fn charge_ml(&self) -> u32 {
        self.charge_ml.unwrap_or(CHARGE_ML)
    }

    /// Its block.
    pub fn block(&self) -> &'static str {
        if self.is_elm { "avenue" } else { "walnuts" }
    }

    /// Diameter at breast height.
    pub fn dbh_cm(&self) -> f64 {
        self.circumference_cm / PI
    }

    /// Is it to be hung tomorrow?
    pub fn hang(&self) -> bool {
        NOT_TOMORROW.iter().all(|(id, _)| *id != self.id)
    }

    fn note(&self) -> &'static str {
        NOT_TOMORROW.iter().find(|(id, _)| *id == self.id).map_or("", |(_, note)| note)
    }
}

/// The trees in the order in which one walks past them.
pub fn trees() -> Vec<Tree> {
    let mut dice = Dice::new(2);
    let elms = (1..=24).map(|number| (true, number));
    let walnuts = (1..=16).map(|number| (false, number));
    elms.chain(walnuts).map(|(is_elm, number)| tree(is_elm, number, &mut dice)).collect()
}

fn tree(is_elm: bool, number: u32, dice: &mut Dice) -> Tree {
    let id = format!("{}{number:02}", if is_elm { 'E' } else { 'W' });
    let (low_cm, high_cm, per_port_cm) =
        if is_elm { (120.0, 280.0, 22.0) } else { (80.0, 150.0, 16.0) };
    let circumference_cm = dice.between(low_cm, high_cm).round();
    let own = OWN_CHARGES_ML.iter().find(|(own, _)| *own == id);
    let (row, position) = match is_elm {
        true if number % 2 == 1 => ("east", number.div_ceil(2)),
        true => ("west", number.div_ceil(2)),
        false => (["1", "2", "3", "4"][(number as usize - 1) / 4], (number - 1) % 4 + 1),
    };
    Tree {
        is_elm,
        circumference_cm,
        ports: (circumference_cm / per_port_cm).round().clamp(6.0, 12.0) as u32,
        charge_ml: own.map(|(_, ml)| *ml),
        flares: dice.whole(4, if is_elm { 8 } else { 6 }) as u32,
        row: row.into(),
        position,
        id,
    }
}

/// `trees.csv`.
pub fn csv(trees: &[Tree]) -> String {
    let header = "tree_id,block,species,circumference_cm,ports,flares,row,position,charge_ml,\
                  hang,note\n";
    trees.iter().fold(header.to_owned(), |text, tree| text + &row(tree))
}

fn row(tree: &Tree) -> String {
    let species = if tree.is_elm { "English elm" } else { "Persian walnut" };
    let charge_ml = tree.charge_ml.map(|ml| ml.to_string()).unwrap_or_default();
    let hang = if tree.hang() { "yes" } else { "no" };
    format!(
        "{},{},{species},{:.0},{},{},{},{},{charge_ml},{hang},{}\n",
        tree.id,
        tree.block(),
        tree.circumference_cm,
        tree.ports,
        tree.flares,
        tree.row,
        tree.position,
        tree.note(),
    )
}
