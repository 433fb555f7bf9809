//! What to measure, mix and load for the trees intended: doses, batches, ports, kits, and the
//! sheets to take along.
//!
//! The program multiplies what the user typed from the label and never proposes a rate.

mod bench;
pub mod figures;
mod kits;
mod label;
mod sheets;

use super::desk::{About, Desk, DeskError};
use super::sheet::Sheet;
use super::window::listed;
pub use crate::dose::allot::DoseNote;
use crate::dose::allot::{Allotted, Basis, allot};
use crate::dose::flaw::DoseFlaw;
use crate::dose::measure::{mean_dbh, spread};
use crate::dose::mix::{DosePlan, Totals, mix};
use crate::dose::rate::{Counted, LabelFigures};
use crate::dose::sheet::{DoseSheet, Heading, MixingSheet, SetUpSheet, TreeSetUp, mixing_sheets};
pub use crate::grove::Units;
use crate::grove::{Grove, Hang};
use crate::units::{Centimetres, Head};
use crate::uptake::model::Model;
use bench::{Bench, KitHabits, Taken};
use chrono::NaiveDate;
use figures::Figures;
pub use kits::{Fastest, Kits};
use serde::Serialize;

/// Confidence of a mean's interval.
pub const CONFIDENCE: f64 = 0.95;

/// What is asked.
#[derive(Debug, Clone, Default)]
pub struct Asked {
    /// These trees; with no tree and no block, the list of the day.
    pub trees: Vec<String>,
    /// All trees of these blocks that are not said to rest.
    pub blocks: Vec<String>,
    /// The day; tomorrow where none is named.
    pub day: Option<NaiveDate>,
    /// Dose by the block's mean dbh instead of by each tree's own.
    pub by_mean: bool,
    /// Kits to list parts for; as many as bags hang where none is given.
    pub kits: Option<u32>,
    /// Units of the sheets; the grove's own where none are given.
    pub units: Option<Units>,
}

/// The answer.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Dose {
    /// The grove.
    pub grove: String,
    /// The embedded demo, all invented?
    pub is_demo: bool,
    /// The day planned.
    pub day: NaiveDate,
    /// How the trees were chosen.
    pub chosen: String,
    /// Can any tree be dosed?
    pub any_dose: bool,
    /// What the label's figures lack, with the place on a label where it stands; no tree is dosed.
    pub asked_for: Option<String>,
    /// Block by block.
    pub blocks: Vec<BlockDose>,
    /// What to put in the van.
    pub kits: Option<Kits>,
    /// Why parts cannot be listed.
    pub kits_stopped: Option<String>,
    /// Habits of the trade (common practice, no source) taken where nothing was typed.
    pub taken_by_default: Vec<String>,
    /// The sheets, ready to read, in the units asked for.
    pub sheets: Vec<NamedSheet>,
    /// How figures are shown.
    #[serde(skip)]
    pub figures: Figures,
}

/// One block.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct BlockDose {
    /// Its name.
    pub block: String,
    /// Why nothing in it is dosed.
    pub stopped: Option<String>,
    /// Doses.
    pub doses: Option<DoseSheet>,
    /// What is not known, and matters.
    pub not_known: Vec<String>,
    /// Batches to mix.
    pub mixing: Vec<MixingSheet>,
    /// Setting up.
    pub set_up: SetUpSheet,
}

/// A sheet and its kind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, utoipa::ToSchema)]
pub struct NamedSheet {
    /// Its kind.
    pub kind: SheetKind,
    /// The sheet.
    pub sheet: Sheet,
}

/// Kinds of sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, utoipa::ToSchema)]
#[serde(rename_all = "snake_case")]
pub enum SheetKind {
    /// Doses of a block.
    Dose,
    /// One batch.
    Mixing,
    /// Setting up a block.
    SetUp,
    /// Parts of the kits.
    Kit,
}

/// Answers from a desk: the model tells how fast the trees are believed to draw.
///
/// # Errors
/// [`DeskError::Unanswerable`] for trees or blocks that the grove does not have, or no tree at all.
pub fn dose(desk: &Desk, asked: &Asked) -> Result<Dose, DeskError> {
    let day = asked.day.unwrap_or_else(|| desk.tomorrow());
    let (hangs, chosen) = choose(desk, asked, day)?;
    let work = Work { grove: &desk.grove, model: Some(&desk.model), hangs: &hangs, day, asked };
    Ok(Dose { is_demo: desk.is_demo, chosen, ..work.answer() })
}

/// Doses for intended draws of a grove, without a model: rates of uptake are not known then.
///
/// ```
/// use xylocast::app::dose::{Asked, without_model};
/// use xylocast::grove::{Files, Grove};
///
/// // Figures of an invented label.
/// let settings = "name = 'Home'\ntime_zone = 'Australia/Adelaide'\nlatitude_deg = -34.5\n\
///                 longitude_deg = 138.7\nelevation_m = 120\n[label]\n\
///                 label_rate_ml_per_cm_dbh = 1\nmin_water_ml_per_ml_product = 9\n";
/// let trees = "tree_id,block,species,dbh_cm,ports\nA1,North,avocado,30,8\n";
/// let files =
///     Files::from([("grove.toml", settings.as_bytes()), ("trees.csv", trees.as_bytes())]);
/// let grove = Grove::read(&files).unwrap();
/// let day = chrono::NaiveDate::from_ymd_opt(2026, 1, 14).unwrap();
/// let dose = without_model(&grove, &[0], day, &Asked::default());
/// let tree = &dose.blocks[0].doses.as_ref().unwrap().trees[0];
/// assert!(tree.product.value() <= 30.0);
/// ```
pub fn without_model(grove: &Grove, trees: &[usize], day: NaiveDate, asked: &Asked) -> Dose {
    let hangs: Vec<Hang> = trees.iter().map(|&tree| hang_of(grove, tree)).collect();
    Work { grove, model: None, hangs: &hangs, day, asked }.answer()
}

fn hang_of(grove: &Grove, tree: usize) -> Hang {
    let Some(it) = grove.trees.get(tree) else { unreachable!("trees are numbered by the grove") };
    let charge = it.charge.unwrap_or(grove.settings.bag.charge);
    let start = chrono::DateTime::UNIX_EPOCH;
    Hang { id: it.id.clone(), tree, start, charge, ports: it.ports, head: None, row: 0 }
}

/// The trees asked for, each once, with the words of how they were chosen.
fn choose(desk: &Desk, asked: &Asked, day: NaiveDate) -> Result<(Vec<Hang>, String), DeskError> {
    let grove = &desk.grove;
    let unknown = |what: &str, name: &str, file: &str| {
        DeskError::Unanswerable(format!("{what} '{name}' is not in {file}; correct it"))
    };
    let listed = listed(desk, day);
    let known = |index: usize| listed.hangs.iter().find(|hang| hang.tree == index).cloned();
    let mut hangs: Vec<Hang> = Vec::new();
    let mut add = |hang: Hang| {
        if hangs.iter().all(|it| it.tree != hang.tree) {
            hangs.push(hang);
        }
    };
    for id in &asked.trees {
        let index = grove.trees.iter().position(|tree| tree.id == *id);
        let index = index.ok_or_else(|| unknown("tree", id, "trees.csv"))?;
        add(known(index).unwrap_or_else(|| hang_of(grove, index)));
    }
    for block in &asked.blocks {
        if grove.trees.iter().all(|tree| tree.block != *block) {
            return Err(unknown("block", block, "trees.csv"));
        }
        let of_block = grove.trees.iter().enumerate().filter(|(_, tree)| tree.block == *block);
        for (index, _) in of_block.filter(|(_, tree)| tree.hang != Some(false)) {
            add(known(index).unwrap_or_else(|| hang_of(grove, index)));
        }
    }
    let words = match (asked.trees.is_empty() && asked.blocks.is_empty(), listed.typed) {
        (false, _) => "the trees named",
        (true, true) => "the draws of hang.csv on this day",
        (true, false) => "the trees of trees.csv that are to be hung",
    };
    if asked.trees.is_empty() && asked.blocks.is_empty() {
        listed.hangs.iter().cloned().for_each(&mut add);
    }
    if hangs.is_empty() {
        let fact = "no tree is to be hung on this day; name trees or blocks".into();
        return Err(DeskError::Ask { fact, about: About::Trees });
    }
    Ok((hangs, words.to_owned()))
}

/// All that an answer is worked out from.
struct Work<'w> {
    grove: &'w Grove,
    model: Option<&'w Model>,
    hangs: &'w [Hang],
    day: NaiveDate,
    asked: &'w Asked,
}

/// What is the same for all blocks.
struct Common {
    label: LabelFigures,
    of: Counted,
    bench: Result<Bench, String>,
    habits: KitHabits,
    season_from: NaiveDate,
}

impl Work<'_> {
    fn answer(&self) -> Dose {
        let settings = &self.grove.settings;
        let units = self.asked.units.unwrap_or(settings.units);
        let label = label::figures(&settings.label);
        let of = label.rate.map_or(Counted::Millilitres, |rate| rate.of());
        let mut taken = Taken::default();
        let bench = bench::bench(settings, of, units, &mut taken);
        let habits = bench::kit_habits(settings, &mut taken);
        let figures = match &bench {
            Ok(bench) => bench.figures,
            Err(_) => figures::usual(of, units),
        };
        let season_from = label::season_start(&settings.label, self.day);
        let common = Common { label, of, bench, habits, season_from };
        let mut blocks: Vec<BlockDose> = Vec::new();
        for name in self.block_names() {
            blocks.push(self.block(&name, &common));
        }
        let asked_for = self.asked_for(&common);
        let kits = kits::kits(self, &common, &blocks);
        let (kits, kits_stopped) = match kits {
            Ok(kits) => (Some(kits), None),
            Err(why) => (None, Some(why)),
        };
        let any_dose = blocks
            .iter()
            .any(|block| block.doses.as_ref().is_some_and(|doses| !doses.trees.is_empty()));
        let mut dose = Dose {
            grove: settings.name.clone(),
            is_demo: false,
            day: self.day,
            chosen: "the trees named".into(),
            any_dose,
            asked_for,
            blocks,
            kits,
            kits_stopped,
            taken_by_default: taken.lines(),
            sheets: Vec::new(),
            figures,
        };
        dose.sheets = sheets::all(&dose, settings);
        dose
    }

    fn block_names(&self) -> Vec<String> {
        let mut names: Vec<String> = Vec::new();
        for hang in self.hangs {
            let block = &self.grove.trees[hang.tree].block;
            if !names.contains(block) {
                names.push(block.clone());
            }
        }
        names
    }

    fn of_block<'b>(&'b self, block: &'b str) -> impl Iterator<Item = &'b Hang> {
        self.hangs.iter().filter(move |hang| self.grove.trees[hang.tree].block == block)
    }

    fn block(&self, name: &str, common: &Common) -> BlockDose {
        let basis = self.basis(name);
        let plan = self.plan(name, basis, common);
        let mut not_known = self.not_known(name, common);
        if let (Ok(plan), Ok(bench)) = (&plan, &common.bench) {
            not_known.extend(self.other_charges(name, plan, bench));
        }
        let heading = self.heading(name);
        let set_up = self.set_up(name, &heading, plan.as_ref().ok(), common);
        match plan {
            Ok(plan) => {
                let trunks = self.dbhs(name);
                let spread = spread(&trunks, CONFIDENCE, None).ok();
                let rate = common.label.rate;
                BlockDose {
                    block: name.to_owned(),
                    stopped: None,
                    not_known,
                    mixing: mixing_sheets(&heading, &plan),
                    doses: rate.map(|rate| DoseSheet::new(heading, rate, basis, spread, &plan)),
                    set_up,
                }
            }
            Err(why) => BlockDose {
                block: name.to_owned(),
                stopped: Some(why),
                not_known,
                doses: None,
                mixing: Vec::new(),
                set_up,
            },
        }
    }

    /// All trunks on record of a block, hung or not: what its mean is of.
    fn dbhs(&self, block: &str) -> Vec<Centimetres> {
        let trees = self.grove.trees.iter().filter(|tree| tree.block == block);
        trees.map(|tree| tree.dbh).collect()
    }

    fn basis(&self, block: &str) -> Basis {
        match (self.asked.by_mean, mean_dbh(&self.dbhs(block))) {
            (true, Ok(mean_dbh_cm)) => Basis::ByMean { mean_dbh_cm },
            _ => Basis::ByTree,
        }
    }

    fn plan(&self, block: &str, basis: Basis, common: &Common) -> Result<DosePlan, String> {
        let allotted = self.allotted(block, basis, common)?;
        let bench = common.bench.as_ref().map_err(Clone::clone)?;
        mix(allotted, &bench.vessels, bench.mixing).map_err(|flaw| flaw.to_string())
    }

    fn allotted(&self, block: &str, basis: Basis, common: &Common) -> Result<Allotted, String> {
        let from = common.season_from;
        let trunks = self
            .of_block(block)
            .map(|hang| label::trunk(self.grove, &self.grove.trees[hang.tree], common.of, from))
            .collect::<Result<Vec<_>, _>>()?;
        let area = label::area(self.grove, block, common.of, from)?;
        allot(&trunks, &common.label, basis, area, self.day).map_err(|flaw| flaw.to_string())
    }

    fn heading(&self, block: &str) -> Heading {
        let label = &self.grove.settings.label;
        Heading {
            grove: self.grove.settings.name.clone(),
            block: block.to_owned(),
            day: self.day,
            product_name: label.product_name.clone(),
            registration_number: label.registration_number.clone(),
        }
    }

    /// Trees that get a dose; all of them where there is none, so that ports can be looked over.
    fn set_up(
        &self,
        block: &str,
        heading: &Heading,
        plan: Option<&DosePlan>,
        common: &Common,
    ) -> SetUpSheet {
        let mut trees: Vec<TreeSetUp> = Vec::new();
        for hang in self.of_block(block) {
            let id = &self.grove.trees[hang.tree].id;
            let dose = plan.and_then(|plan| plan.trees.iter().find(|tree| tree.id == *id));
            if plan.is_none() || dose.is_some() {
                trees.extend(kits::set_up(self.grove, hang, dose, &common.habits));
            }
        }
        SetUpSheet::new(heading.clone(), self.head(), trees)
    }

    fn head(&self) -> Head {
        self.grove.settings.bag.head
    }

    /// Times are predicted for the charges of hang.csv: where doses make others, it is said.
    fn other_charges(&self, block: &str, plan: &DosePlan, bench: &Bench) -> Option<String> {
        let other = |hang: &Hang| {
            let id = &self.grove.trees[hang.tree].id;
            let dose = plan.trees.iter().find(|tree| tree.id == *id)?;
            let first = dose.mix_ml.value().min(bench.vessels.bag.value());
            let pour = bench.figures.pour;
            let apart = (hang.charge.value() - first).abs() > bench.vessels.pour_mark_ml;
            apart.then(|| {
                format!("{id} {} (dose {})", pour.amount(hang.charge.value()), pour.amount(first))
            })
        };
        let typed = self.of_block(block).filter(|hang| hang.row > 0);
        let others: Vec<String> = typed.filter_map(other).collect();
        (!others.is_empty()).then(|| {
            format!(
                "hang.csv has other charges than these doses make, and the times predicted hold for \
                 hang.csv: {}",
                crate::text::listed(&others)
            )
        })
    }

    /// What the label's figures lack before any tree can be dosed.
    fn asked_for(&self, common: &Common) -> Option<String> {
        let first = self.block_names().into_iter().next()?;
        let from = common.season_from;
        let hang = self.of_block(&first).next()?;
        let trunk = label::trunk(self.grove, &self.grove.trees[hang.tree], common.of, from).ok()?;
        let area = crate::dose::allot::Area { hectares: Some(1.0), given_this_season: Some(0.0) };
        match allot(&[trunk], &common.label, Basis::ByTree, area, self.day) {
            Err(flaw @ (DoseFlaw::NoRate | DoseFlaw::NoDilution { .. })) => Some(flaw.to_string()),
            _ => None,
        }
    }

    fn not_known(&self, block: &str, common: &Common) -> Vec<String> {
        let label = &self.grove.settings.label;
        let mut lines = Vec::new();
        let season = common.label.max_per_tree_season.is_typed()
            || common.label.max_per_hectare_season.is_typed();
        if season {
            let from = common.season_from;
            lines.push(match label.season_from {
                Some(_) => format!("the label's season is counted from {from}"),
                None => format!(
                    "label.season_from is not typed: the twelve months from {from} count as the \
                     season, the strictest reading"
                ),
            });
            let never =
                |hang: &&Hang| !label::is_on_record(self.grove, &self.grove.trees[hang.tree]);
            let never = self.of_block(block).filter(never).count();
            if never > 0 {
                lines.push(format!(
                    "nothing is on record of earlier treatments of {}: they count as not treated \
                     this season; if they were, write it into trees.csv",
                    super::rests::counted(never, "tree", "trees")
                ));
            }
        }
        lines
    }
}

impl Dose {
    /// Sums over all blocks, in mL or g of product; none without a dose.
    pub fn totals(&self) -> Option<Vec<&Totals>> {
        let totals: Vec<&Totals> =
            self.blocks.iter().filter_map(|block| Some(&block.doses.as_ref()?.totals)).collect();
        (!totals.is_empty()).then_some(totals)
    }

    /// Sheets of one kind, or all.
    pub fn sheets_of(&self, kind: Option<SheetKind>) -> Vec<&Sheet> {
        let wanted = |it: &&NamedSheet| kind.is_none_or(|kind| it.kind == kind);
        self.sheets.iter().filter(wanted).map(|it| &it.sheet).collect()
    }
}
