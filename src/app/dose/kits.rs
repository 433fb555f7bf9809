//! Ports and kits: how many holes and where, what the kits are made of, and whether line or tree
//! sets the pace.

use super::bench::KitHabits;
use super::{BlockDose, Common, Work};
use crate::app::ahead::target;
use crate::dose::hydraulics::{LineCheck, check_line, line_conductance, pressure_of_head};
use crate::dose::mix::TreeDose;
use crate::dose::parts::Parts;
use crate::dose::ports::{OldHole, count, place, typed};
use crate::dose::sheet::TreeSetUp;
use crate::grove::{Grove, Hang};
use crate::units::{Centimetres, Circumference, Conductance, Head, Kilopascal, WaterCelsius};
use serde::Serialize;
use std::f64::consts::PI;

/// 90 % of a normal law lie below its mean and so many standard deviations.
const P90_SD: f64 = 1.281_551_565_5;

/// What to put in the van, and how the line stands against the trees.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Kits {
    /// Parts of all kits, and of one.
    pub parts: Parts,
    /// The tree that the line is cut for: the thickest one.
    pub cut_for: String,
    /// Kits that the crew has, where typed and fewer than listed.
    pub kits_owned: Option<u32>,
    /// Pressure of a full bag's head.
    pub head_kpa: Kilopascal,
    /// What the line lets through.
    pub line: Conductance,
    /// Temperature of the mix that this holds for.
    pub mix_temp_c: WaterCelsius,
    /// How the line stands against the fastest tree by the model; none where the model is not known.
    pub fastest: Option<Fastest>,
}

/// The tree believed to draw fastest, in fair weather.
#[derive(Debug, Clone, Serialize, utoipa::ToSchema)]
pub struct Fastest {
    /// Which.
    pub tree_id: String,
    /// What it is believed to take, mL/min, an even chance.
    pub p50_ml_per_min: f64,
    /// The same with one chance in ten to be above.
    pub p90_ml_per_min: f64,
    /// Line and ports together at that faster rate.
    pub check: LineCheck,
    /// Does the model rest on no draw of this grove?
    pub prior_only: bool,
}

fn around(dbh: Centimetres) -> Circumference {
    Circumference::computed(PI * dbh.value())
}

/// What to do at one tree; none for what cannot be, which the ranges of `trees.csv` keep out.
pub(super) fn set_up(
    grove: &Grove,
    hang: &Hang,
    dose: Option<&TreeDose>,
    habits: &KitHabits,
) -> Option<TreeSetUp> {
    let tree = &grove.trees[hang.tree];
    let around = around(tree.dbh);
    let holes = grove.ports.iter().filter(|port| port.tree_id == tree.id);
    let old: Vec<OldHole> = holes
        .map(|hole| OldHole { height_cm: hole.height_cm, azimuth_deg: hole.azimuth_deg })
        .collect();
    let ring = || place(hang.ports, around, habits.port_height_cm, &old).ok();
    Some(TreeSetUp {
        id: tree.id.clone(),
        ports: typed(around, hang.ports).ok()?,
        by_practice: count(around, tree.flares, habits.port_spacing_cm).ok()?,
        ring: if old.is_empty() { None } else { ring() },
        bags: dose.map(|dose| dose.bags),
        mix_ml: dose.map(|dose| dose.mix_ml),
    })
}

/// Parts of the kits, cut for the thickest trunk with the most ports.
pub(super) fn kits(work: &Work, common: &Common, blocks: &[BlockDose]) -> Result<Kits, String> {
    let set_up = || blocks.iter().flat_map(|block| &block.set_up.trees);
    let hangs: Vec<&Hang> = work
        .hangs
        .iter()
        .filter(|hang| set_up().any(|tree| tree.id == work.grove.trees[hang.tree].id))
        .collect();
    let dbh = |hang: &Hang| work.grove.trees[hang.tree].dbh.value();
    let thickest = hangs.iter().max_by(|a, b| dbh(a).total_cmp(&dbh(b)));
    let thickest = thickest.ok_or("no tree is left to build a kit for")?;
    let ports = hangs.iter().map(|hang| hang.ports).max().unwrap_or(1);
    let bags: u32 = set_up().map(|tree| tree.bags.map_or(1, |bags| bags.bags)).sum();
    let settings = &work.grove.settings;
    let tree = &work.grove.trees[thickest.tree];
    let design = common.habits.design(settings, around(tree.dbh), ports);
    let kits = work.asked.kits.unwrap_or(bags);
    let parts = design.parts(kits, common.habits.spare_parts).map_err(|flaw| flaw.to_string())?;
    let owned = (!settings.defaulted.contains(&"crew.kits")).then_some(settings.crew.kits);
    let water = common.habits.mix_temp;
    Ok(Kits {
        cut_for: tree.id.clone(),
        kits_owned: owned.filter(|&owned| owned < kits),
        head_kpa: pressure_of_head(settings.bag.head, water),
        line: line_conductance(design.bore, parts.kit.longest_way_m, water),
        mix_temp_c: water,
        fastest: fastest(work, &hangs, &parts, water),
        parts,
    })
}

/// The tree whose rate, with one chance in ten to be above, is the highest: `rate = thirst / 60` at
/// a demand of 1, fair weather, and `K = rate / pressure of its head`.
fn fastest(work: &Work, hangs: &[&Hang], parts: &Parts, water: WaterCelsius) -> Option<Fastest> {
    let model = work.model?;
    let targets: Vec<_> = hangs.iter().map(|hang| target(work.grove, hang)).collect();
    let rates = model.posterior().thirst(&targets);
    let p90 = |(mean, sd): &(f64, f64)| (mean + P90_SD * sd).exp() / 60.0;
    let (hang, rate) =
        hangs.iter().zip(&rates).max_by(|(_, a), (_, b)| p90(a).total_cmp(&p90(b)))?;
    let head: Head = hang.head.unwrap_or(work.grove.settings.bag.head);
    let tree = p90(rate) / pressure_of_head(head, water).value();
    let tree = Conductance::new(tree).ok()?;
    Some(Fastest {
        tree_id: work.grove.trees[hang.tree].id.clone(),
        p50_ml_per_min: rate.0.exp() / 60.0,
        p90_ml_per_min: p90(rate),
        check: check_line(head, parts.bore_mm, parts.kit.longest_way_m, tree, water),
        prior_only: model.is_prior_only(),
    })
}
