//! From what each tree is to get to what is measured, mixed and poured.
//!
//! Product is rounded down to its vessel's mark and water up to its own, so that no mix is stronger
//! than the label's least dilution; pours are rounded down, so that no tree gets more than it was
//! allotted. What rounding and the spare leave in the can is shown and never applied.

use super::allot::{Allotment, Allotted, DoseNote, Refused};
use super::cans::{self, Measures};
use super::exact::Millionths;
use super::flaw::DoseFlaw;
use super::rate::{Counted, Product};
use crate::units::{Centimetres, Millilitres};
use serde::Serialize;

/// A batch that loses more than this share of its product to the vessel's marks is noted.
const COARSE: f64 = 0.05;

/// What is measured, mixed and hung with.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Vessels {
    /// Smallest mark of the vessel or scale for product, mL or g, 0.001 to 10,000.
    pub product_mark: f64,
    /// Smallest mark of the vessel for water, mL, 0.001 to 10,000.
    pub water_mark_ml: f64,
    /// Smallest mark of the vessel that mix is poured with, mL, 0.001 to 10,000.
    pub pour_mark_ml: f64,
    /// What the mixing can holds, 100 to 200,000 mL, and at least two marks of water.
    pub can: Millilitres,
    /// What a bag holds, 10 to 200,000 mL.
    pub bag: Millilitres,
    /// Bags that hang on one tree at once, 1 to 40.
    pub bags_at_once: u32,
}

/// How much water.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Water {
    /// The label's least.
    LeastOnLabel,
    /// This many mL to one mL or g of product, not less than the label's least.
    PerProduct(f64),
    /// Up to this much mix for every tree; strengths differ, so each tree is a batch of its own.
    MixPerTree(Millilitres),
    /// Up to this many mL of mix per cm dbh, each tree a batch of its own.
    MixPerCentimetreDbh(f64),
}

/// How to mix.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Mixing {
    /// How much water.
    pub water: Water,
    /// Mixed on top of what is poured, as a share of it, 0 to 0.5; it is never applied.
    pub spare: f64,
}

/// Doses, batches and totals.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct DosePlan {
    /// What each tree gets, in the order given.
    pub trees: Vec<TreeDose>,
    /// What is mixed, in that order too.
    pub batches: Vec<Batch>,
    /// All of it together.
    pub totals: Totals,
    /// Trees that are not dosed.
    pub refused: Vec<Refused>,
    /// What should be said beside it.
    pub notes: Vec<DoseNote>,
}

/// What one tree gets.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct TreeDose {
    /// Its id.
    pub id: String,
    /// Its dbh.
    pub dbh_cm: Centimetres,
    /// What the label rate gives for its own dbh.
    pub label_dose: Product,
    /// What it was allotted.
    pub allotted: Product,
    /// What it gets, after rounding: never more than allotted.
    pub product: Product,
    /// Water that goes with it.
    pub water_ml: Millilitres,
    /// Mix to pour for it.
    pub mix_ml: Millilitres,
    /// What it gets against its own label dose: -0.02 is 2 % under, 0.1 is 10 % over.
    pub off_label_dose: f64,
    /// Bags and refills.
    pub bags: Bags,
}

/// Bags of one tree.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Bags {
    /// Bags to hang.
    pub bags: u32,
    /// Fills after the first.
    pub refills: u32,
    /// Charge of the last fill; all before it are full.
    pub last_fill_ml: Millilitres,
}

/// One mixing can.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Batch {
    /// From 1.
    pub number: usize,
    /// Product that its trees were allotted, with the spare, before rounding.
    pub product_wanted: Product,
    /// Product to measure out.
    pub product: Product,
    /// What rounding down to the vessel's mark took off.
    pub rounding: Product,
    /// Water to measure out.
    pub water_ml: Millilitres,
    /// What then is in the can; grams count as no volume.
    pub mix_ml: Millilitres,
    /// Product in a litre of mix.
    pub product_per_litre: Product,
    /// What to pour, by tree.
    pub pours: Vec<Pour>,
    /// What stays in the can, spare and rounding: not to be applied.
    pub left_over_ml: Millilitres,
}

/// Mix for one tree out of one can.
#[derive(Debug, Clone, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Pour {
    /// The tree.
    pub id: String,
    /// Mix.
    pub mix_ml: Millilitres,
}

/// Sums of the rounded parts.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, utoipa::ToSchema)]
pub struct Totals {
    /// Product measured out, over all batches.
    pub product: Product,
    /// Water measured out.
    pub water_ml: Millilitres,
    /// Mix made.
    pub mix_ml: Millilitres,
    /// Product that the trees get.
    pub product_given: Product,
    /// Mix poured for trees.
    pub poured_ml: Millilitres,
    /// Mix that is left over and not applied.
    pub left_over_ml: Millilitres,
    /// Bags to hang, over all trees.
    pub bags: u32,
    /// Fills after the first, over all trees.
    pub refills: u32,
}

/// What to measure, mix and pour so that each tree gets what it was allotted.
///
/// For one batch, with `a` the product allotted to its trees, `k` the spare share and `r` the water
/// to one of product:
///
/// - product `P = down(sum(a) (1 + k))`, water `W = up(r P)`, mix `M = P + W` (grams: `M = W`);
/// - a tree's pour `m = down(a M / (sum(a) (1 + k)))`, which holds `m P / M <= a` of product.
///
/// Trees share a can in the order given, as many as it takes; one that needs more than a can gets
/// several. See the example of the [module above](super).
///
/// # Errors
/// [`DoseFlaw`] for vessels, spare or dilution that cannot be, or that are too coarse for the work.
/// A single tree that cannot be mixed for is in [`DosePlan::refused`].
pub fn mix(allotted: Allotted, vessels: &Vessels, mixing: Mixing) -> Result<DosePlan, DoseFlaw> {
    let Allotted { label, trees, mut refused, mut notes } = allotted;
    let measures = Measures::checked(&label, vessels, mixing)?;
    let (trees, cans) = cans::fill(trees, &measures, mixing.water, &mut refused)?;
    let of = measures.of;
    let mut gets = vec![Gets::default(); trees.len()];
    let mut batches = Vec::with_capacity(cans.len());
    for (number, can) in (1..).zip(&cans) {
        let mixed = can.mixed(&measures);
        if mixed.product == Millionths::default() {
            let ids: Vec<_> = can.portions.iter().map(|p| trees[p.tree].id.as_str()).collect();
            return Err(DoseFlaw::BelowMark {
                trees: ids.join(", "),
                wanted: of.product(mixed.wanted),
                mark: of.product(measures.product_mark),
            });
        }
        let mut pours = Vec::with_capacity(can.portions.len());
        for portion in &can.portions {
            let pour =
                portion.product.share_down(mixed.mix, mixed.wanted).down_to(measures.pour_mark);
            let tree = &mut gets[portion.tree];
            tree.mix = tree.mix + pour;
            tree.product = tree.product + pour.share_nearest(mixed.product, mixed.mix);
            pours.push((portion.tree, pour));
        }
        let lost = 1.0 - mixed.product.value() / mixed.wanted.value();
        if lost > COARSE {
            notes.push(DoseNote::CoarseVessel { batch: number, lost });
        }
        batches.push(mixed.batch(number, of, &trees, &pours));
    }
    let doses = trees.iter().zip(&gets).map(|(tree, gets)| tree_dose(tree, *gets, &measures));
    let doses = doses.collect::<Result<Vec<_>, _>>()?;
    let totals = totals(&cans, &gets, &doses, &measures);
    Ok(DosePlan { trees: doses, batches, totals, refused, notes })
}

#[derive(Debug, Clone, Copy, Default)]
struct Gets {
    mix: Millionths,
    product: Millionths,
}

impl cans::Mixed {
    fn batch(
        self,
        number: usize,
        of: Counted,
        trees: &[Allotment],
        pours: &[(usize, Millionths)],
    ) -> Batch {
        let poured: Millionths = pours.iter().map(|(_, pour)| *pour).sum();
        let litre = Millionths::down(1000.0);
        Batch {
            number,
            product_wanted: of.product(self.wanted),
            product: of.product(self.product),
            rounding: of.product(self.wanted.less(self.product)),
            water_ml: millilitres(self.water),
            mix_ml: millilitres(self.mix),
            product_per_litre: of.product(litre.share_nearest(self.product, self.mix)),
            pours: pours
                .iter()
                .map(|&(tree, mix)| Pour { id: trees[tree].id.clone(), mix_ml: millilitres(mix) })
                .collect(),
            left_over_ml: millilitres(self.mix.less(poured)),
        }
    }
}

fn tree_dose(tree: &Allotment, gets: Gets, measures: &Measures) -> Result<TreeDose, DoseFlaw> {
    let of = measures.of;
    if gets.mix == Millionths::default() {
        let mark_ml = measures.pour_mark.value();
        let least = of.volume(tree.dose) + tree.dose.times_up(measures.water_per_product);
        return Err(DoseFlaw::BelowPour { id: tree.id.clone(), mix_ml: least.value(), mark_ml });
    }
    let fills = gets.mix.0.div_ceil(measures.bag.0);
    let bags = fills.min(u128::from(measures.bags_at_once));
    Ok(TreeDose {
        id: tree.id.clone(),
        dbh_cm: tree.dbh,
        label_dose: of.product(tree.own),
        allotted: of.product(tree.dose),
        product: of.product(gets.product),
        water_ml: millilitres(gets.mix.less(of.volume(gets.product))),
        mix_ml: millilitres(gets.mix),
        off_label_dose: gets.product.value() / tree.own.value() - 1.0,
        bags: Bags {
            bags: bags as u32,
            refills: (fills - bags) as u32,
            last_fill_ml: millilitres(Millionths(gets.mix.0 - (fills - 1) * measures.bag.0)),
        },
    })
}

fn totals(cans: &[cans::Can], gets: &[Gets], doses: &[TreeDose], measures: &Measures) -> Totals {
    let of = measures.of;
    let mixed: Vec<_> = cans.iter().map(|can| can.mixed(measures)).collect();
    let made: Millionths = mixed.iter().map(|mixed| mixed.mix).sum();
    let poured: Millionths = gets.iter().map(|gets| gets.mix).sum();
    Totals {
        product: of.product(mixed.iter().map(|mixed| mixed.product).sum()),
        water_ml: millilitres(mixed.iter().map(|mixed| mixed.water).sum()),
        mix_ml: millilitres(made),
        product_given: of.product(gets.iter().map(|gets| gets.product).sum()),
        poured_ml: millilitres(poured),
        left_over_ml: millilitres(made.less(poured)),
        bags: doses.iter().map(|dose| dose.bags.bags).sum(),
        refills: doses.iter().map(|dose| dose.bags.refills).sum(),
    }
}

fn millilitres(volume: Millionths) -> Millilitres {
    Millilitres::computed(volume.value())
}

#[cfg(test)]
#[path = "mix_tests.rs"]
mod tests;
